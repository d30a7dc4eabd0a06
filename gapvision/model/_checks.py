"""Checks and constants that the types share."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Coverage factor of every expanded uncertainty, about 95 % (JCGM 100).
COVERAGE_FACTOR = 2.0


FloatArray = NDArray[np.float64]


def frozen_array(obj: Any, name: str, shape: tuple[int | None, ...]) -> int:
    """Copy a field into a read-only float array and check its shape; return its first length."""
    value = np.array(getattr(obj, name), dtype=float)
    if value.ndim != len(shape) or any(d is not None and d != v for d, v in zip(shape, value.shape, strict=True)):
        want = tuple("any" if d is None else d for d in shape)
        raise ValueError(f"{name}: expected shape {want}, got {value.shape}")
    value.setflags(write=False)
    object.__setattr__(obj, name, value)
    return int(value.shape[0])


def frozen_columns(obj: Any, *names: str) -> int:
    """Fields with one value a station, as :func:`frozen_array`: the first sets how many; stations ``s_mm`` rise."""
    n = frozen_array(obj, names[0], (None,))
    for name in names[1:]:
        frozen_array(obj, name, (n,))
    if n > 1 and not (np.diff(obj.s_mm) > 0).all():
        raise ValueError("s_mm: expected increasing stations")
    return n


def one_of(name: str, value: str, *allowed: str) -> None:
    """Refuse a word that is none of those allowed: a programming fault, or a file that was tampered with."""
    if value not in allowed:
        raise ValueError(f"{name}: expected {', '.join(allowed[:-1])} or {allowed[-1]}, got {value[:60]!r}")
