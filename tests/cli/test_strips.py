import re

import pypdfium2
import pytest

from gapvision.cli import main
from gapvision.targets.sheet_code import parse_sheet, sheet_text


def test_writes_a_sheet_and_says_how_to_print_it(tmp_path, capsys):
    target = tmp_path / "strips.pdf"
    assert main(["strips", "--paper", "letter", "--letters", "A,C", "-o", str(target)]) == 0
    said = capsys.readouterr().out
    assert target.read_bytes().startswith(b"%PDF")
    sheet = parse_sheet(re.search(r"sheet ([0-9 ]+):", said)[1])
    assert f"gapvision sheet {sheet} --check-length" in said
    with pypdfium2.PdfDocument(target.read_bytes()) as document:
        assert sheet_text(sheet) in document[0].get_textpage().get_text_range()
    assert "100 %" in said
    assert "check lines" in said


def test_without_a_number_it_is_the_sheet_that_is_kept_ready(tmp_path, capsys):
    target = tmp_path / "strips.pdf"
    assert main(["strips", "--no-number", "-o", str(target)]) == 0
    assert "gapvision sheet" not in capsys.readouterr().out
    with pypdfium2.PdfDocument(target.read_bytes()) as document:
        assert "copy never" not in document[0].get_textpage().get_text_range()


def test_every_sheet_has_its_own_number(tmp_path, capsys):
    for k in range(2):
        assert main(["strips", "--letters", "A-H", "-o", str(tmp_path / f"{k}.pdf")]) == 0
    numbers = re.findall(r"gapvision sheet (\d{9}) ", capsys.readouterr().out)
    assert len(set(numbers)) == len(numbers) == 4


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
