"""Stored grey levels to linear light and back (sRGB transfer function).

Phones store JPEG and HEIC in sRGB or in a colour space with the same curve.
Constants: IEC 61966-2-1 as commonly printed (threshold 0.04045, slope 12.92,
offset 0.055, power 2.4); from memory, the standard itself was not read.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

_THRESHOLD_STORED = 0.04045
_THRESHOLD_LINEAR = 0.0031308
_SLOPE = 12.92
_OFFSET = 0.055
_POWER = 2.4


def decode_srgb(stored: NDArray[Any]) -> NDArray[np.float64]:
    """Turn stored values between 0 and 1 into linear light between 0 and 1."""
    value = np.asarray(stored, dtype=float)
    bright = ((np.maximum(value, _THRESHOLD_STORED) + _OFFSET) / (1 + _OFFSET)) ** _POWER
    return np.where(value <= _THRESHOLD_STORED, value / _SLOPE, bright)


def encode_srgb(linear: NDArray[Any]) -> NDArray[np.float64]:
    """Turn linear light between 0 and 1 into stored values between 0 and 1."""
    value = np.asarray(linear, dtype=float)
    bright = (1 + _OFFSET) * np.maximum(value, _THRESHOLD_LINEAR) ** (1 / _POWER) - _OFFSET
    return np.where(value <= _THRESHOLD_LINEAR, value * _SLOPE, bright)


@lru_cache(maxsize=2)
def linear_table(levels: int = 256) -> NDArray[np.float32]:
    """Linear light, 0 to 1, of every stored level: 256 of uint8, 65536 of uint16; read-only, (levels,) float32."""
    if levels not in (256, 65536):
        raise ValueError(f"levels: expected 256 or 65536, got {levels}")
    table = decode_srgb(np.arange(levels) / (levels - 1)).astype(np.float32)
    table.setflags(write=False)
    return table


def to_linear(grey: NDArray[Any]) -> NDArray[np.float32]:
    """Stored grey of any shape, uint8 or uint16, to linear light of the same shape, float32: 0 (black) to 1 (white).

    Give it the band that is needed, not the whole photo: the result takes four bytes a pixel.
    """
    if grey.dtype == np.uint8 and grey.ndim == 2 and grey.size:
        import cv2

        out: NDArray[np.float32] = cv2.LUT(np.ascontiguousarray(grey), linear_table(256))  # type: ignore[assignment]
        return out
    if grey.dtype not in (np.uint8, np.uint16):
        raise ValueError(f"grey: expected uint8 or uint16, got {grey.dtype}")
    return np.take(linear_table(256 if grey.dtype == np.uint8 else 65536), grey)
