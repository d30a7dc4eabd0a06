"""A measurement as the records keep it: its stations as columns of whole numbers, all else as JSON, both compressed.

It holds what a measurement file's JSON holds, to the last digit and in its order, and is read some ten times faster.
Before version 5 of the records the JSON itself was compressed; that is read as ever, and what does not fit into
columns is still kept so.

The bytes: ``GV1``, then one zlib stream: the lengths of two texts (4 bytes each, little-endian), the JSON without its
stations, a JSON that says how many stations and which columns there are, and the columns.  Each has a key, a part
(cause, or place in a pair) and digits: the power of ten that its whole numbers are to be divided by, -1 where they are
whole in the file too; these come first, each as its difference to the one before (modulo 2^32), sorted by byte.
Behind them stand columns of digits 17, each value in 8 bytes.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import accumulate
from typing import Any

import msgspec
import numpy as np

from gapvision.errors import GapvisionError, require
from gapvision.formats.measurement_json import from_json, of_columns
from gapvision.model import FloatArray, Measurement

#: A measurement file is some 100 kB; anything near this is not one [byte].
MAX_BODY_BYTES = 64_000_000
_MARK = b"GV1"
#: What stands for null, and for a key that a station has not; no number goes so far.
_NULL, _ABSENT, _MOST = -(2**31), -(2**31) + 1, 2**31 - 9
_DIGITS = (3, 5)  # as measurement files are rounded, pixels and lengths
_WHOLE, _FULL = -1, 17
_LENGTHS = struct.Struct("<II")
_NONE: Any = object()
_Part = str | int | None
_LEVEL = 6


class _Head(msgspec.Struct):
    count: int
    columns: list[tuple[str, _Part, int]]


_HEAD = msgspec.json.Decoder(_Head)


def pack(content: dict[str, Any]) -> bytes:
    """Write a measurement file's content as small as it goes without losing a digit."""
    columns = _columns(content.get("stations"))
    plain = content if columns is None else content | {"stations": []}
    text = json.dumps(plain, ensure_ascii=False, separators=(",", ":")).encode()
    if columns is None:
        return zlib.compress(text, _LEVEL)
    told, small, full = columns
    head = msgspec.json.encode(_Head(len(content["stations"]), told))
    steps = np.diff(small, axis=1, prepend=0).astype("<u4")
    planes = np.ascontiguousarray(steps).view(np.uint8).reshape(*small.shape, 4).transpose(2, 0, 1)
    lengths = _LENGTHS.pack(len(text), len(head))
    return _MARK + zlib.compress(b"".join((lengths, text, head, planes.tobytes(), full.tobytes())), _LEVEL)


def unpack(body: bytes) -> dict[str, Any]:
    """The content of a measurement file that was packed; ``records-damaged``."""
    try:
        if not body.startswith(_MARK):
            found: dict[str, Any] = json.loads(_inflated(body))
            return found
        text, *columns = _opened(body)
        content: dict[str, Any] = json.loads(text)
        return content | {"stations": _stations(*columns)}
    except (ValueError, TypeError, LookupError, AttributeError, ArithmeticError, struct.error):
        raise GapvisionError("records-damaged", "A stored measurement is damaged.") from None


def measurement_of(body: bytes, name: str = "the measurement") -> Measurement:
    """A measurement that was packed; ``records-damaged``, ``measurement-file-bad``."""
    if isinstance(body, bytes) and not body.startswith(_MARK):
        return from_json(_inflated(body), name)
    try:
        text, *columns = _opened(body)
        return of_columns(text, _by_key(*columns))
    except (GapvisionError, ValueError, TypeError, LookupError, AttributeError, ArithmeticError, struct.error):
        return from_json(json.dumps(unpack(body)).encode(), name)  # which says what is wrong


def _inflated(data: bytes) -> bytes:
    worker = zlib.decompressobj()
    try:
        text = worker.decompress(data, MAX_BODY_BYTES)
    except (zlib.error, TypeError):
        raise GapvisionError("records-damaged", "A stored measurement is damaged.") from None
    require("records-damaged", not worker.unconsumed_tail, "A stored measurement is far larger than one can be.")
    return text


# --- from stations to columns ----------------------------------------------------------


def _columns(stations: Any) -> tuple[list[tuple[str, _Part, int]], Any, Any] | None:
    """What each column is, those of whole numbers, and the others; None where the stations are not like each other."""
    if not isinstance(stations, list) or not stations or not all(isinstance(one, dict) for one in stations):
        return None
    columns = list(_parted(stations))
    if not columns or any(values is None for *_, values in columns):
        return None
    told, small, full = list[tuple[str, _Part, int]](), list[Any](), list[Any]()
    for key, part, values in columns:
        found = _whole(values)
        if found is None:
            return None
        digits, numbers = found
        (full if digits == _FULL else small).append(numbers)
        told.append((key, part, digits))
    n = len(stations)
    return told, np.array(small, np.int64).reshape(-1, n), np.array(full, np.float64).reshape(-1, n)


def _parted(rows: Sequence[dict[str, Any]], inside: bool = False) -> Iterator[tuple[str, _Part, Any]]:
    """Key, part and values of each column; None for values that do not fit into columns."""
    keys = max(map(tuple, rows), key=len)
    uniform = all(tuple(row) == keys for row in rows)
    if not uniform and any(tuple(row) != tuple(k for k in keys if k in row) for row in rows):
        yield "", None, None
        return
    for key in keys:
        values = [row[key] for row in rows] if uniform else [row.get(key, _NONE) for row in rows]
        kinds = set(map(type, values))
        if inside or kinds <= {float, int, type(None), object}:
            yield key, None, values
        elif kinds == {list} and set(map(len, values)) == {2}:
            yield from ((key, k, [pair[k] for pair in values]) for k in (0, 1))
        elif kinds == {dict}:
            yield from ((key, name, of) for name, _, of in _parted(values, inside=True))
            if not all(values):
                yield "", None, None
        else:
            yield "", None, None


def _whole(values: Sequence[Any]) -> tuple[int, Any] | None:
    """How many digits a column has, and its whole numbers, or its values where there are none."""
    marks = {None: _NULL, _NONE: _ABSENT}
    kinds = set(map(type, values))
    real = [v for v in values if v is not None and v is not _NONE] if kinds - {float, int} else values
    kinds -= {type(None), object}
    if kinds == {int}:
        digits, numbers = _WHOLE, np.array([int(abs(v) < _MOST) for v in real])
        if not numbers.all():
            return None
        numbers = np.array(real, np.int64)
    elif kinds == {float}:
        numbers, digits = np.array(real), _FULL
        if not np.isfinite(numbers).all():
            return None
        if not (np.signbit(numbers) & (numbers == 0)).any() and np.abs(numbers).max() < 1e6:
            for some in _DIGITS:
                scaled = np.rint(numbers * 10.0**some)
                if np.abs(scaled).max() < _MOST and (scaled / 10.0**some == numbers).all():
                    digits, numbers = some, scaled.astype(np.int64)
                    break
        if digits == _FULL and len(real) < len(values):
            return None
    elif not kinds:
        digits, numbers = _WHOLE, np.zeros(0, np.int64)
    else:
        return None
    if len(real) == len(values):
        return digits, numbers
    told = iter(numbers.tolist())
    return digits, np.array([marks[v] if v is None or v is _NONE else next(told) for v in values], np.int64)


# --- and back ------------------------------------------------------------------------------


@lru_cache(maxsize=256)
def _told(head: bytes) -> tuple[_Head, Any, FloatArray, int]:
    """What columns there are, alike in most results: which hold full values, what to divide the others by, bytes."""
    found = _HEAD.decode(head)
    full = np.array([digits == _FULL for *_, digits in found.columns], bool)
    power = np.array([[10.0 ** max(digits, 0)] for *_, digits in found.columns if digits != _FULL]).reshape(-1, 1)
    if found.count < 1 or not found.columns:
        raise ValueError("nothing in it")
    return found, full, power, found.count * (4 * len(power) + 8 * int(full.sum()))


def _opened(body: bytes) -> tuple[bytes, _Head, Any, FloatArray]:
    """The file without stations, the head, whole numbers with their marks (m, n), and all columns as numbers."""
    data = _inflated(body[len(_MARK) :])
    _, behind, start = accumulate(_LENGTHS.unpack_from(data), initial=_LENGTHS.size)
    head, full, power, length = _told(data[behind:start])
    if len(data) != start + length:
        raise ValueError("its length")
    n, m = head.count, len(power)
    planes = np.frombuffer(data, np.uint8, 4 * m * n, start).reshape(4, m, n)
    steps = np.ascontiguousarray(planes.transpose(1, 2, 0)).view("<u4")[..., 0]
    small = np.cumsum(steps, axis=1, dtype=np.uint32).view(np.int32)
    table = small / power
    if len(full) > m:
        whole, table = table, np.empty((len(full), n))
        table[~full], table[full] = whole, np.frombuffer(data, "<f8", -1, start + 4 * m * n).reshape(-1, n)
    return data[_LENGTHS.size : behind], head, small, table


def _stations(head: _Head, small: Any, table: FloatArray) -> list[dict[str, Any]]:
    lists, marked = dict[tuple[str, _Part], list[Any]](), iter(small)
    for (key, part, digits), values in zip(head.columns, table, strict=True):
        told = values.tolist()
        if digits != _FULL:
            marks = next(marked)
            told = marks.tolist() if digits == _WHOLE else told
            if marks.min() <= _ABSENT:
                stand = {_NULL: None, _ABSENT: _NONE}
                told = [stand.get(mark, v) for mark, v in zip(marks.tolist(), told, strict=True)]
        lists[key, part] = told
    whole: dict[str, Any] = {}
    for key, part in lists:
        own = {p: values for (k, p), values in lists.items() if k == key}
        if part is None:
            whole[key] = own[None]
        elif key not in whole:
            rows = zip(*own.values(), strict=True)
            whole[key] = list(map(list, rows)) if isinstance(part, int) else _rows(tuple(own), rows)
    return _rows(tuple(whole), zip(*whole.values(), strict=True))


def _rows(keys: Sequence[Any], values: Iterable[tuple[Any, ...]]) -> list[dict[str, Any]]:
    """A dict for each row, without what is absent."""
    rows = [dict(zip(keys, row, strict=True)) for row in values]
    return [{k: v for k, v in row.items() if v is not _NONE} if _NONE in row.values() else row for row in rows]


def _by_key(head: _Head, small: Any, table: FloatArray) -> dict[str, Any]:
    """Each key's values, NaN for null: (n,), of pairs (n, 2), of causes a dict."""
    found = dict[str, Any]()
    if small.min(initial=0) <= _ABSENT:
        rows = np.flatnonzero([digits != _FULL for *_, digits in head.columns])
        table[rows] = np.where(small <= _ABSENT, np.nan, table[rows])
    for k, (key, part, _) in enumerate(head.columns):
        if part is None:
            found[key] = table[k]
        elif isinstance(part, str):
            found.setdefault(key, {})[part] = table[k]
        elif part == 0:
            found[key] = table[k : k + 2].T
    return found
