import pytest

from gapvision.cli import main


def test_writes_a_sheet_and_says_how_to_print_it(tmp_path, capsys):
    target = tmp_path / "strips.pdf"
    assert main(["strips", "--paper", "letter", "--letters", "A,C", "-o", str(target)]) == 0
    said = capsys.readouterr().out
    assert target.read_bytes().startswith(b"%PDF")
    assert "100 %" in said
    assert "check lines" in said


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--paper", "a3"], "no sheet for paper 'a3'. Choose --paper a4 or --paper letter."),
        (["--letters", "Q"], "'Q' does not say which strips to print. Write the letters like A-D or A,C"),
        (["-o", "photo.jpg"], "does not end in .pdf. Give a file name like strips.pdf."),
        (["-o", "no/such/folder/strips.pdf"], "could not be written. Choose another folder"),
    ],
)
def test_wrong_input_in_words(words, sentence, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert main(["strips", *words]) == 2
    said = capsys.readouterr()
    assert sentence in said.err
    assert "Traceback" not in said.err
    assert list(tmp_path.iterdir()) == []
