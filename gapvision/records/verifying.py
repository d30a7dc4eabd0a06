"""A look at all that is stored: the file, the chain, every result and verdict worked out again, every photo."""

from __future__ import annotations

import ctypes
import gc
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.formats.judgement_json import disagreement, judged_again, rule_version
from gapvision.formats.measurement_packed import measurement_of
from gapvision.formats.recomputed import ROUNDED_MM, contradictions
from gapvision.formats.specification_file import specification_from_table
from gapvision.model import RULE_VERSION, Measurement
from gapvision.records.chain import Head
from gapvision.records.database import Database

#: Results that one process looks at before it tells.
_AT_ONCE = 50
_RESULTS = """
SELECT m.id, m.status, m.mean_mm, m.min_mm, m.max_mm, m.u_mm, b.body, e.spec FROM measurements m
LEFT JOIN bodies b ON b.measurement_id = m.id JOIN shots s ON s.id = m.shot_id JOIN seams e ON e.id = s.seam_id
ORDER BY m.id
"""
_VERDICTS = """
SELECT measurement_id, id, decision, rule, body FROM verdicts WHERE measurement_id BETWEEN ? AND ? ORDER BY id
"""
Progress = Callable[[int, int], None]
Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What a look at all records found.

    Attributes
    ----------
    problems : tuple of str
        What is not as it was stored, or contradicts itself; none: intact.
    remarks : tuple of str
        What is no alteration: verdicts that today's rule would give otherwise, rows removed for good.
    results, photos : int
        How many results were worked out again, and photos read.
    head : Head
        The chain's last link.
    speaks_from : str
        When the chain began (UTC).
    """

    problems: tuple[str, ...]
    remarks: tuple[str, ...]
    results: int
    photos: int
    head: Head
    speaks_from: str


def look_at_results(db: Database, progress: Progress | None, workers: int) -> tuple[list[str], list[str], int]:
    """Decode every result and work its figures and verdicts out again: problems, remarks, how many."""
    with db.reader() as rows:  # an own one, so that others go on meanwhile
        total = rows("SELECT count(*) FROM measurements", ())[0][0]
        problems, remarks, done = list[str](), list[str](), 0
        for wrong, told in _looked_at(_batches(rows), workers if total > 4 * _AT_ONCE else 1):
            problems, remarks, done = problems + wrong, remarks + told, min(done + _AT_ONCE, total)
            if progress is not None:
                progress(done, total)
    return problems, remarks, total


def _batches(rows: Rows) -> Iterator[list[tuple[Any, ...]]]:
    last = -1
    while found := rows(_RESULTS.replace("ORDER", "WHERE m.id > ? ORDER") + f" LIMIT {_AT_ONCE}", (last,)):
        verdicts: dict[int, list[tuple[Any, ...]]] = {row[0]: [] for row in found}
        for verdict in rows(_VERDICTS, (found[0][0], found[-1][0])):
            verdicts.get(verdict[0], []).append(verdict[1:])
        last = found[-1][0]
        yield [(*row, verdicts[row[0]]) for row in found]


def _looked_at(batches: Iterator[list[Any]], workers: int) -> Iterator[tuple[list[str], list[str]]]:
    if workers < 2:
        yield from map(_look_at, batches)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_keep_memory) as pool:
        waiting = [pool.submit(_look_at, batch) for _, batch in zip(range(4 * workers), batches, strict=False)]
        while waiting:
            yield waiting.pop(0).result()
            waiting += [pool.submit(_look_at, batch) for _, batch in zip(range(1), batches, strict=False)]


def _keep_memory() -> None:
    """Let a process that works results out keep what memory it has: giving it back and asking anew takes far longer.

    Nor does Python search for rings of objects: there are none, and it would take a tenth of the time.
    """
    gc.disable()
    with suppress(AttributeError, OSError, TypeError):  # only the GNU C library has this
        library = ctypes.CDLL(None)
        library.mallopt(-1, 1 << 28)  # M_TRIM_THRESHOLD [byte]
        library.mallopt(-3, 1 << 25)  # M_MMAP_THRESHOLD, the largest there is [byte]


def _look_at(batch: Sequence[tuple[Any, ...]]) -> tuple[list[str], list[str]]:
    problems, remarks, read = list[str](), list[str](), list[tuple[Measurement, tuple[Any, ...]]]()
    for row in batch:
        try:
            read.append((measurement_of(row[6], f"measurement {row[0]}"), row))
        except GapvisionError as error:
            problems.append(f"measurement {row[0]} cannot be read: {error.message}")
    for (m, row), wrong in zip(read, contradictions([m for m, _ in read]), strict=True):
        number, status, *line, _, spec, verdicts = row
        if wrong or not _same_line(m, status, line):
            problems.append(f"measurement {number}: {wrong or 'its line in the lists contradicts its stations'}")
        for verdict in verdicts:
            said, altered = _look_at_verdict(m, spec, *verdict)
            (problems if altered else remarks).extend([f"measurement {number}: {said}"] if said else [])
    return problems, remarks


def _same_line(m: Measurement, status: str, line: Sequence[float | None]) -> bool:
    told: list[float | None] = [None] * 4
    if m.summary is not None:
        told[:3] = m.summary.mean_mm, m.summary.min_mm, m.summary.max_mm
    if m.profile is not None and len(m.profile.s_mm):
        ordered = np.sort(m.profile.expanded_u_mm)
        told[3] = 0.5 * float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])
    pairs = zip(line, told, strict=True)
    return status == m.status and all(
        a is b if a is None or b is None else isinstance(a, float) and abs(a - b) <= ROUNDED_MM for a, b in pairs
    )


def _look_at_verdict(m: Measurement, spec: str | None, _: int, decision: str, rule: str, text: str) -> tuple[str, bool]:
    """What is to be said of a verdict, and whether it is an alteration."""
    try:
        body = json.loads(text)
        wanted = specification_from_table(json.loads(spec)) if not body and spec else None
    except (ValueError, GapvisionError):
        return "its verdict cannot be read", True
    if not isinstance(body, dict):
        return "its verdict cannot be read", True
    record = body.get("rule")
    if body and (body.get("verdict") != decision or not isinstance(record, dict) or record.get("name") != rule):
        return "its verdict contradicts its own record", "rule" in body
    judged = judged_again(body, m, wanted, rule)
    if judged is None:
        return "", False
    wrong = disagreement(body, decision, judged)
    if wrong and not 1 <= rule_version(body) <= RULE_VERSION:
        return f"the rule of that time gave '{decision}', today's gives '{judged.state}'", False
    return wrong, bool(wrong)
