"""The table of codes is in step with the registry, and the README's links lead somewhere."""

import re
from pathlib import Path

from gapvision.cli import main
from gapvision.codes import CODES

ROOT = Path(__file__).parents[2]


def test_the_page_of_codes_is_in_step(capsys):
    assert main(["codes", "--markdown"]) == 0
    table = capsys.readouterr().out
    page = ROOT / "gapvision" / "codes.md"
    assert page.read_text(encoding="utf-8") == table, "run: gapvision codes --markdown > gapvision/codes.md"
    rows = [line for line in table.splitlines() if line.startswith("| `")]
    assert len(rows) == len(CODES)
    assert all(row.count("|") == 6 for row in rows)
    assert {re.match(r"\| `(.+?)` \|", row)[1] for row in rows} == set(CODES)


def test_in_the_terminal_each_code_has_its_advice(capsys):
    assert main(["codes"]) == 0
    said = capsys.readouterr().out
    words = " ".join(said.split())
    assert all(f"{c.text} {c.next_step}" in words for c in CODES.values())
    assert "strip-not-found (refusal, exit code 3)" in said
    assert max(map(len, said.splitlines())) <= 79


def test_readme_links_lead_somewhere():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    targets = re.findall(r"\]\(((?!http)[^)#]+)\)", readme)
    assert "gapvision/codes.md" in targets
    for target in targets:
        assert (ROOT / target).is_file(), target
