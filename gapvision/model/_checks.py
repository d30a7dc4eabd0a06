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
    want = tuple("any" if d is None else d for d in shape)
    if value.ndim != len(shape) or any(d is not None and d != v for d, v in zip(shape, value.shape, strict=True)):
        raise ValueError(f"{name}: expected shape {want}, got {value.shape}")
    value.setflags(write=False)
    object.__setattr__(obj, name, value)
    return int(value.shape[0])
