"""Every word of a job in one place, folded, so that a search finds it.

Why no full-text index: a shop has thousands of jobs, not millions.  Reading
one folded column of 2,000 jobs takes a few milliseconds (DEVELOPERS.md has
the figure), finds parts of words in any alphabet, and cannot fall out of step
with a second index.
"""

from __future__ import annotations

import sqlite3
import unicodedata

_SOURCES = (
    "SELECT reference || ' ' || customer || ' ' || car || ' ' || notes || ' ' || opened_on FROM jobs WHERE id = ?",
    "SELECT name || ' ' || side FROM panels WHERE job_id = ?",
    "SELECT name || ' ' || side FROM seams WHERE job_id = ? AND deleted_at IS NULL",
    "SELECT stage || ' ' || who || ' ' || notes || ' ' || on_date FROM visits WHERE job_id = ? AND deleted_at IS NULL",
    "SELECT text || ' ' || who FROM notes WHERE job_id = ? AND deleted_at IS NULL",
)

# Letters whose stroke or tie Unicode does not count as an accent.
_STROKES = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ħ": "h", "æ": "ae", "œ": "oe", "ı": "i", "ð": "d", "þ": "th"})


def plain(text: str) -> str:
    """Fold case and take accents off, so that a search finds what a person means; words with single spaces between.

    Examples
    --------
    >>> plain("Kotflügel  LINKS")
    'kotflugel links'
    """
    folded = unicodedata.normalize("NFKD", text.casefold()).translate(_STROKES)
    return " ".join("".join(c for c in folded if not unicodedata.combining(c)).casefold().split())


def note_words(db: sqlite3.Connection, job_id: int) -> None:
    """Write a job's words anew, inside the transaction that changed them."""
    lines = dict.fromkeys(str(r[0]) for sql in _SOURCES for r in db.execute(sql, (job_id,)))
    db.execute("UPDATE jobs SET words = ? WHERE id = ?", (plain(" \n ".join(lines)), job_id))


def conditions_for(words: str) -> tuple[str, list[str]]:
    """Turn what a person typed into a WHERE clause on ``jobs j`` (every word must occur), and its values."""
    values = ["%" + w.replace("!", "!!").replace("%", "!%").replace("_", "!_") + "%" for w in plain(words).split()]
    return " AND ".join(["j.deleted_at IS NULL", *["j.words LIKE ? ESCAPE '!'"] * len(values)]), values
