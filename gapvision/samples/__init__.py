"""Sample photos that ship with the program: drawn, of invented panels, for the demo and the page's first start.

They are the demo job's photos.  ``python -m gapvision.lab.bench.make_photos --demo gapvision/samples`` draws them anew.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
#: Shown first: it measures without a warning and has a span out of tolerance to look at.
DEMO_PHOTO = FOLDER / "left_door_2.jpg"
#: A checkout has more, harder ones; the mark tells its folder from any other of that name.
_MARK = "backlit_bonnet_gap.truth.json"
_BESIDE = FOLDER.parents[1] / "sample_images"


@dataclass(frozen=True, slots=True)
class Sample:
    """A sample photo: its file and the SHA-256 of its bytes."""

    path: Path
    sha256: str

    @property
    def title(self) -> str:
        """Name for people."""
        return self.path.stem.replace("_", " ")

    @property
    def set_id(self) -> str:
        """What the photos of one seam in one state have in common."""
        return self.path.stem.split("_lean")[0]


def list_samples() -> list[Sample]:
    """Sample photos, the one to show first in front; in a checkout, and started in its folder, those beside it too."""
    more = (f for f in (_BESIDE, Path.cwd() / _BESIDE.name) if (f / _MARK).is_file())
    folders = [FOLDER, *islice(more, 1)]
    paths = [DEMO_PHOTO, *(p for f in folders for p in sorted(f.glob("*.jpg")) if p != DEMO_PHOTO)]
    return [Sample(p, _sha256(p, p.stat().st_mtime_ns)) for p in paths]


def find_sample(sha256: str) -> Sample | None:
    """One sample by the SHA-256 of its bytes."""
    return next((s for s in list_samples() if s.sha256 == sha256), None)


@lru_cache(maxsize=64)
def _sha256(path: Path, _changed: int) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
