"""``gapvision page``: wrong words are refused before anything is served."""

import pytest

from gapvision.cli import main


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--passcode", "ferry2718"], "Add --lan"),
        (["--lan", "--passcode", "a-b"], "too short"),
        (["--lan", "--passcode=-----------"], "too short"),
        (["--port", "0"], "is not a port"),
        (["--port", "99999"], "is not a port"),
    ],
)
def test_wrong_usage(words, said, capsys):
    assert main(["page", "--no-browser", *words]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
