"""The README's table of codes, made from the registry.

``python -m gapvision.reports.code_table README.md`` puts it in; a test checks that it is in step.
"""

from __future__ import annotations

import sys
from pathlib import Path

from gapvision.codes import CODES

BEGIN, END = "<!-- codes: begin -->", "<!-- codes: end -->"
_EXIT = {"refusal": "3", "warning": "0", "note": "0", "usage": "2"}


def code_table() -> str:
    """Markdown table of every code: kind, exit code, meaning, advice."""
    rows = ["| code | kind | exit code | what it says | what to do |", "| --- | --- | --- | --- | --- |"]
    for kind in ("refusal", "warning", "note", "usage"):
        for code in sorted(c.name for c in CODES.values() if c.kind == kind):
            entry = CODES[code]
            rows.append(f"| `{code}` | {kind} | {_EXIT[kind]} | {entry.text} | {entry.next_step} |")
    return "\n".join(rows)


def put_in(text: str) -> str:
    """Replace what stands between the marks with the table of now.

    Raises
    ------
    ValueError
        If the marks are missing.
    """
    before, found, rest = text.partition(BEGIN)
    _, found_end, after = rest.partition(END)
    if not found or not found_end:
        raise ValueError("the marks for the table of codes are missing")
    return f"{before}{BEGIN}\n{code_table()}\n{END}{after}"


if __name__ == "__main__":
    path = Path(sys.argv[1])
    path.write_text(put_in(path.read_text(encoding="utf-8")), encoding="utf-8")
