"""The README's table of codes is in step with the registry."""

from pathlib import Path

import pytest

from gapvision.codes import CODES
from gapvision.reports.code_table import code_table, put_in

README = Path(__file__).parents[2] / "README.md"


def test_readme_is_in_step():
    text = README.read_text(encoding="utf-8")
    assert put_in(text) == text, "run: python -m gapvision.reports.code_table README.md"


def test_every_code_has_a_row():
    table = code_table()
    assert all(f"| `{name}` |" in table for name in CODES)
    assert len(table.splitlines()) == len(CODES) + 2


def test_missing_marks():
    with pytest.raises(ValueError, match="marks"):
        put_in("no table here")


def test_readme_pictures_exist():
    import re

    for target in re.findall(r"\]\((sample_images/[^)]+)\)", README.read_text(encoding="utf-8")):
        assert (README.parent / target).is_file(), target
