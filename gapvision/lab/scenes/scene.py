"""What an invented scene is made of: plain values, no drawing.

World: developed coordinates (s along the seam, t across it with panel A on the
negative side, n out of panel A's face), all in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class PaintedSurface:
    """How a surface throws light back.

    Attributes
    ----------
    diffuse : float
        Share of light thrown back evenly (albedo).
    mirror : float
        Share mirrored at square incidence; rises to 1 at grazing incidence.
    lobe_deg : float
        Half width (one sigma) of the mirrored lobe [degree]: 2 gloss paint, 15 brushed metal, 40 matt.
    tint : tuple of float
        Colour as red, green, blue factors.
    grain : str
        ``fine``, ``brushed`` or ``none``.
    grain_strength : float
        Relative standard deviation of the grain.
    """

    diffuse: float
    mirror: float
    lobe_deg: float
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    grain: str = "fine"
    grain_strength: float = 0.02


#: Invented values that look the part; none is a measurement of a real finish.
FINISHES: dict[str, PaintedSurface] = {
    "grey_primer": PaintedSurface(diffuse=0.28, mirror=0.03, lobe_deg=40),
    "red_primer": PaintedSurface(diffuse=0.14, mirror=0.03, lobe_deg=35, tint=(1.9, 0.72, 0.6)),
    "white_primer": PaintedSurface(diffuse=0.68, mirror=0.03, lobe_deg=40, tint=(1.0, 1.0, 0.95)),
    "black_matt": PaintedSurface(diffuse=0.045, mirror=0.03, lobe_deg=30),
    "green_gloss": PaintedSurface(diffuse=0.09, mirror=0.045, lobe_deg=2.0, tint=(0.5, 1.2, 0.7), grain="none"),
    "blue_gloss": PaintedSurface(diffuse=0.06, mirror=0.045, lobe_deg=2.0, tint=(0.6, 0.9, 2.0), grain="none"),
    "cream_gloss": PaintedSurface(diffuse=0.55, mirror=0.045, lobe_deg=2.5, tint=(1.08, 1.0, 0.78), grain="none"),
    "brushed_steel": PaintedSurface(diffuse=0.10, mirror=0.42, lobe_deg=13, grain="brushed", grain_strength=0.07),
    "lead": PaintedSurface(diffuse=0.12, mirror=0.22, lobe_deg=22, grain="brushed", grain_strength=0.04),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """One local fault of an edge.

    Attributes
    ----------
    side : str
        ``A`` or ``B``.
    kind : str
        ``bump`` (a raised cosine of the given width) or ``step`` (the edge stays shifted beyond ``s_mm``).
    height_mm : float
        Positive opens the gap (a nick), negative closes it (a pinch, a burr).
    """

    side: str
    s_mm: float
    height_mm: float
    width_mm: float = 15.0
    kind: str = "bump"

    def __post_init__(self) -> None:
        if self.side not in ("A", "B") or self.kind not in ("bump", "step") or self.width_mm <= 0:
            raise ValueError(f"not a defect: {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSpec:
    """One panel edge and its finish.

    Attributes
    ----------
    kind : str
        ``roll`` (a hem, half a turn of radius ``radius_mm``) or ``cut`` (corner broken by ``radius_mm``, then a
        face square to the panel down to ``thickness_mm``).
    wave_mm, wave_period_mm, wave_phase_deg : float
        A sine along the edge.
    face_factor : float
        Brightness of a cut face against the same finish on a roll.
    """

    kind: str = "roll"
    radius_mm: float = 1.5
    thickness_mm: float = 1.2
    finish: str = "grey_primer"
    wave_mm: float = 0.0
    wave_period_mm: float = 180.0
    wave_phase_deg: float = 0.0
    face_factor: float = 1.0

    def __post_init__(self) -> None:
        if self.kind not in ("roll", "cut") or self.radius_mm <= 0 or self.finish not in FINISHES:
            raise ValueError(f"not an edge: {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Inside:
    """What lies in the gap.

    Attributes
    ----------
    kind : str
        ``dark``, ``seal`` (a rubber bulb), ``flange`` (a flat in ``flange_diffuse``) or ``backlit``.
    level : float
        Backlit: light of the gap over the sensor's clipping level; above 1 it is burnt out.
    level_end : float or None
        Level at s = +200 mm, with ``level`` at s = -200 mm; None: even.
    depth_mm : float
        Depth of seal or flange below face A.
    from_mm, to_mm : float
        Extent of the flange across the seam.
    lamp_depth_mm, lamp_half_mm : float
        Backlit: how deep the light lies, and half its width across the seam.
    """

    kind: str = "dark"
    level: float = 0.8
    level_end: float | None = None
    depth_mm: float = 9.0
    from_mm: float = -12.0
    to_mm: float = 0.5
    flange_diffuse: float = 0.5
    floor_depth_mm: float = 30.0
    lamp_depth_mm: float = 12.0
    lamp_half_mm: float = 10.0

    def __post_init__(self) -> None:
        if self.kind not in ("dark", "seal", "flange", "backlit"):
            raise ValueError(f"not an inside: {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSpec:
    """One strip on a panel: its letter, where the middle of its pattern lies [mm], and its sheet's number, if any."""

    letter: str
    s_mm: float = 0.0
    t_mm: float = -42.0
    angle_deg: float = 0.0
    sheet: int | None = None
    on: str = ""
    short: bool = False

    @property
    def side(self) -> str:
        """``A`` or ``B``; where ``on`` does not say so, by its side of a straight seam."""
        return self.on or ("A" if self.t_mm < 0 else "B")


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A painted line or tape edge along the seam: where, how wide, how light against the panel."""

    t_mm: float
    width_mm: float
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lookalike:
    """Something along the seam's way that is no gap but may be taken for one.

    Attributes
    ----------
    kind : str
        ``swage`` (a ridge pressed into the panel), ``crease`` (a sharp fold), ``shadow`` (of a rod, with soft borders),
        ``shadow edge`` (all beyond it lies in shadow), ``weld`` (a bead with ripples), ``papers`` (two sheets of paper
        side by side, the panel between them), ``hose`` (a round thing lying on the panel, or hanging over a seam).
    t_mm, width_mm : float
        Where, and how wide.
    strength : float
        Height over width of swage, crease and weld; light left in a shadow; light of a hose against white.
    soft_mm : float
        Standard deviation of a shadow's border.
    """

    kind: str
    t_mm: float
    width_mm: float
    strength: float
    soft_mm: float = 0.3

    def __post_init__(self) -> None:
        if self.kind not in ("swage", "crease", "shadow", "shadow edge", "weld", "papers", "hose"):
            raise ValueError(f"not a lookalike: {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSpec:
    """Camera, lens and phone.

    Attributes
    ----------
    tilt_across_deg, tilt_along_deg, roll_deg : float
        How far the camera is from square on.
    focal_px : float or None
        None: 0.75 of the longer side.
    blur_px : float
        Standard deviation of the blur of lens and focus.
    noise : float
        Standard deviation of the noise at clipping level; darker places have less.
    tone : str
        ``srgb`` or ``phone`` (sRGB and a contrast curve on top).
    exposure : float
        Light of white paper square on over the clipping level.
    glare : float
        Share of light strewn over tens of pixels by a greasy lens.
    orientation : int
        EXIF orientation under which the file is stored: 1, 3, 6 or 8.
    model : str
        What EXIF calls the phone; empty: nothing.
    """

    width_px: int = 4032
    height_px: int = 3024
    distance_mm: float = 320.0
    aim_s_mm: float = 0.0
    aim_t_mm: float = 0.0
    tilt_across_deg: float = 4.0
    tilt_along_deg: float = -3.0
    roll_deg: float = 2.0
    focal_px: float | None = None
    k1: float = 0.02
    k2: float = -0.01
    blur_px: float = 0.9
    noise: float = 0.012
    sharpening: float = 0.5
    tone: str = "srgb"
    exposure: float = 0.75
    glare: float = 0.01
    jpeg_quality: int = 92
    orientation: int = 1
    exif: bool = True
    taken_at: str = "2026:05:09 10:30:00"
    model: str = ""

    def __post_init__(self) -> None:
        if self.orientation not in (1, 3, 6, 8) or self.tone not in ("srgb", "phone"):
            raise ValueError(f"not a camera: {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneSpec:
    """A whole scene.

    Attributes
    ----------
    gap_mm, taper_mm_per_m : float
        Gap in the middle and its slope along the seam; waves and defects of the edges come on top.
    step_mm : float
        Face B above face A.
    seam_radius_mm : float or None
        Radius of a seam that curves in the panel; None: straight.
    closed_mm : tuple of float, or None
        A seam that closes about the origin, panel B inside: its width, height and corner radius, at the centre line.
        Waves want periods that go into its length.
    alone : bool
        There is no panel B: what lies beyond edge A is a dark floor, or the light of a ``backlit`` inside.
    bend : str
        ``flat``, ``along`` or ``across``: which way the panels are bent, with ``bend_radius_mm`` (> 0 convex).
    lamps : tuple of (angle_deg, strength, width_deg)
        Lamps over the panels, by their angle across the seam from straight above (towards B positive).
    uneven : float
        Relative change of light from the middle to a side of the picture.
    expect, reason, accept
        What a measuring run should answer; stored in the truth.
    """

    name: str = "scene"
    gap_mm: float = 4.76
    taper_mm_per_m: float = 0.0
    step_mm: float = 0.0
    edge_a: EdgeSpec = field(default_factory=EdgeSpec)
    edge_b: EdgeSpec = field(default_factory=EdgeSpec)
    defects: tuple[Defect, ...] = ()
    inside: Inside = field(default_factory=Inside)
    seam_radius_mm: float | None = None
    closed_mm: tuple[float, float, float] | None = None
    alone: bool = False
    bend: str = "flat"
    bend_radius_mm: float = 1500.0
    strips: tuple[StripSpec, ...] = (StripSpec(letter="A", t_mm=-42.0), StripSpec(letter="B", t_mm=42.0))
    print_scale_along: float = 1.0
    print_scale_across: float = 1.0
    lines: tuple[Line, ...] = ()
    lookalikes: tuple[Lookalike, ...] = ()
    lamps: tuple[tuple[float, float, float], ...] = ((-25.0, 1.2, 14.0),)
    uneven: float = 0.1
    camera: CameraSpec = field(default_factory=CameraSpec)
    expect: str = "ok"
    reason: str | None = None
    accept: tuple[str, ...] = ("ok",)
    notes: str = ""

    def __post_init__(self) -> None:
        if self.bend not in ("flat", "along", "across") or self.gap_mm <= 0:
            raise ValueError("a scene needs a gap, and a bend of flat, along or across")
        if self.seam_radius_mm is not None and abs(self.seam_radius_mm) < 200:
            raise ValueError("seam_radius_mm: expected at least 200 mm")
        if self.closed_mm is not None and not 20 <= self.closed_mm[2] <= min(self.closed_mm[:2]) / 2:
            raise ValueError("closed_mm: expected corners of 20 mm and more, no larger than half of the sides")
