"""Everything measured from photos of one seam."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from gapvision.model.photo import Notice
from gapvision.model.profile import GapProfile, GapSummary, Step, Straightness


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleInfo:
    """How the photo was seen: scale, pose and strips in view."""

    px_per_mm: float
    print_scale_along: float
    print_scale_across: float
    print_scale_checked: bool
    strips: tuple[str, ...]
    tilt_across_deg: float
    tilt_along_deg: float
    distance_mm: float
    focal_px: float
    focal_source: str
    residual_rms_px: float
    strip_sides: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """Everything measured from one photo, or the reason why not.

    Attributes
    ----------
    status : str
        ``ok``, ``warn`` or ``refused``.
    notices : tuple of Notice
        Warnings and notes, worst first; on a refused photo the refusal.
    profile : GapProfile or None
        None when refused.
    """

    status: str
    notices: tuple[Notice, ...]
    photo_file: str
    photo_sha256: str
    width_px: int
    height_px: int
    taken_at: str | None
    scale: ScaleInfo | None = None
    profile: GapProfile | None = None
    summary: GapSummary | None = None
    step: Step | None = None
    straightness_a: Straightness | None = None
    straightness_b: Straightness | None = None
    seam_kind: str = "straight"
    edges_method: str = "rules"
    settings: dict[str, Any] = field(default_factory=dict)
    method_version: int = 0
    gap_lit: str = "dark"
    camera: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.status not in ("ok", "warn", "refused"):
            raise ValueError(f"status: expected ok, warn or refused, got {self.status!r}")
        if (self.profile is None) != (self.status == "refused"):
            raise ValueError("a refused photo has no profile, and every other one has")

    @property
    def stated_step_mm(self) -> float | None:
        """Step of face B above face A that a person stated and that was used [mm]; None: none was."""
        step = self.camera.get("step_used_mm")
        if self.camera.get("step_from") != "stated" or isinstance(step, bool) or not isinstance(step, int | float):
            return None
        return float(step)
