"""The samples as the page knows them."""

from __future__ import annotations

from gapvision.lab.scenes.sample_files import Sample, list_samples
from gapvision.page.inbox import data_folder


def all_samples() -> list[Sample]:
    """Sample photos, the one to show first in front."""
    return list_samples(data_folder() / "samples")


def find_sample(sha256: str) -> Sample | None:
    """One sample by the SHA-256 of its bytes."""
    return next((s for s in all_samples() if s.sha256 == sha256), None)
