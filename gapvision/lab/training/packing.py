"""Pack bands that were held out into small files, to carry them from one machine to another.

``python -m gapvision.lab.training.packing pack --data FOLDER --out FILE.xz [--photographs 2]`` and
``python -m gapvision.lab.training.packing unpack --data FILE.xz --out FOLDER``.

Root light is kept to 1/4096, far finer than the eight bits that photos store, and colour to 1/24, as differences
across the seam.
"""

from __future__ import annotations

import argparse
import io
import lzma
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.training.splits import HELD_OUT_EVERY, split_of

_LEVELS = 4096
_UNSEEN = -1
_BRIGHTEST = 1.2
_CHROMA_LEVELS = 24
_SHARD = 32

Shard = dict[str, NDArray[Any]]


def held_out(shard: Shard, photographs: int) -> Shard:
    """The first photographs of each scene of a shard that is held out."""
    seed = shard["seed"]
    scenes = np.unique(seed[split_of(seed) > 0])
    picks = [np.flatnonzero(seed == scene)[:photographs] for scene in scenes]
    keep = np.concatenate(picks) if picks else np.zeros(0, int)
    return {k: v[keep] for k, v in shard.items()}


def pack(shard: Shard, levels: int = _LEVELS) -> bytes:
    """Bands with their truth as a compressed file; all but light (to 1 / levels of root light) and colour is kept."""
    root = shard["band"].astype(np.float32)
    level = np.where(np.isfinite(root), np.round(np.clip(root, 0, _BRIGHTEST) * levels), _UNSEEN).astype(np.int16)
    chroma = np.round(shard["chroma"].astype(np.float32) * _CHROMA_LEVELS).astype(np.int16)
    steps = {
        "band": np.diff(level, axis=1, prepend=np.int16(0)),
        "chroma": np.diff(chroma, axis=2, prepend=np.int16(0)).astype(np.int16),
    }
    whole = io.BytesIO()
    np.savez(whole, levels=levels, **{**shard, **steps})
    return lzma.compress(whole.getvalue(), preset=6)


def unpack(data: bytes) -> Shard:
    """Bands and truth from `pack`; ``band`` as root light in float16, NaN where nothing was seen."""
    with np.load(io.BytesIO(lzma.decompress(data)), allow_pickle=False) as stored:
        shard = {k: stored[k] for k in stored.files}
    levels = int(shard.pop("levels", _LEVELS))  # packed before it was stored: the usual
    level = np.cumsum(shard["band"], axis=1, dtype=np.int16)
    root = level.astype(np.float32) / levels
    root[level == _UNSEEN] = np.nan
    shard["band"] = root.astype(np.float16)
    shard["chroma"] = (np.cumsum(shard["chroma"], axis=2, dtype=np.int16) / _CHROMA_LEVELS).astype(np.float16)
    return shard


def _read(path: Path) -> Shard:
    with np.load(path, allow_pickle=False) as stored:
        return {k: stored[k] for k in stored.files}


def main() -> None:
    """Pack or unpack."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("pack", "unpack"))
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--photographs", type=int, default=2, help="of each scene")
    a = parser.parse_args()
    if a.what == "pack":
        parts = [held_out(_read(path), a.photographs) for path in sorted(a.data.glob("shard*.npz"))]
        parts = [p for p in parts if len(p["seed"])]
        if not parts:
            sys.exit(f"{a.data} holds no scene that is held out (number 0 modulo {HELD_OUT_EVERY}).")
        shard = {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}
        a.out.write_bytes(pack(shard))
        sys.stderr.write(f"{len(shard['seed'])} bands of {len(np.unique(shard['seed']))} scenes\n")
        return
    shard = unpack(a.data.read_bytes())
    a.out.mkdir(parents=True, exist_ok=True)
    for first in range(0, len(shard["seed"]), _SHARD):
        np.savez(
            a.out / f"shard_{a.data.stem}_{first:05d}.npz", **{k: v[first : first + _SHARD] for k, v in shard.items()}
        )


if __name__ == "__main__":
    main()
