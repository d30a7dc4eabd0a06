"""Which scenes are taught and which are held out; by scene, so that no two photographs of one fall on both sides."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

HELD_OUT_EVERY = 10


def split_of(seeds: NDArray[Any]) -> NDArray[np.int64]:
    """0 = taught, 1 = held out for calibration, 2 = held out for the figures; by scene."""
    scene = np.asarray(seeds) % (2 * HELD_OUT_EVERY)
    return np.where(scene == 0, 1, np.where(scene == HELD_OUT_EVERY, 2, 0))
