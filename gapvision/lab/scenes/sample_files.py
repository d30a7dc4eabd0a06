"""Sample photos for the demo and the page's first start.

In a checkout they lie in sample_images/ beside the package or in the folder at hand;
where they are missing, one scene is drawn once and kept in a folder.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import gapvision
from gapvision.errors import GapvisionError

_FOLDER = Path(gapvision.__file__).resolve().parent.parent / "sample_images"
_DRAWN = "drawn_scene.jpg"
_MARK = "backlit_bonnet_gap.truth.json"  # tells the program's samples from any folder of that name
#: Shown first: it measures without a warning and has a span out of tolerance to look at.
_FIRST = ("backlit",)


@dataclass(frozen=True, slots=True)
class Sample:
    """A sample photo: its file and the SHA-256 of its bytes."""

    path: Path
    sha256: str

    @property
    def title(self) -> str:
        """Name for people."""
        return self.path.stem.replace("_", " ")


def list_samples(spare: Path) -> list[Sample]:
    """Sample photos, the one to show first in front.

    Parameters
    ----------
    spare : Path
        Folder for the drawn scene, used when the checkout's samples are missing.

    Raises
    ------
    GapvisionError
        ``folder-not-writable`` when the drawn scene cannot be kept there.
    """
    # Installed from a checkout and started in it, the samples lie in the folder at hand.
    folder = next((f for f in (_FOLDER, Path.cwd() / _FOLDER.name) if (f / _MARK).is_file()), None)
    paths = sorted(folder.glob("*.jpg")) if folder is not None else []
    paths.sort(key=lambda p: not p.name.startswith(_FIRST))
    return [Sample(p, _sha256(p, p.stat().st_mtime_ns)) for p in paths or [drawn_sample(spare)]]


def drawn_sample(folder: Path) -> Path:
    """The drawn scene, made on first use: a dark gap with a nick in edge B, strips on both sides."""
    path = folder / _DRAWN
    if not path.exists():
        from gapvision.lab.scenes.photo import render_scene
        from gapvision.lab.scenes.samples import SAMPLES

        seed, spec = SAMPLES[0]
        jpeg, _ = render_scene(spec, seed)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(".part")
            part.write_bytes(jpeg)
            part.replace(path)
        except OSError as error:
            raise GapvisionError("folder-not-writable", f"The sample could not be kept: {error.strerror}.") from None
    return path


@lru_cache(maxsize=64)
def _sha256(path: Path, _changed: int) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
