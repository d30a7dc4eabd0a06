"""How to measure, and what a person states of a seam."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import partial

from gapvision.errors import require
from gapvision.model.proof import PhoneProof

_require = partial(require, "value-out-of-range")
_RADII_MM = (0.5, 5.0)  # from a corner filed round to a rim rolled over wire; common practice, no source
_STEP_MM = 10.0
_STRIP_THICKNESS_MM = (0.05, 5.0)
_STEP_U_MM = (0.02, 3.0)
_TAPED_MM, _TAPED_U_MM = (100.0, 10000.0), (0.1, 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A span of stations that a person left out, both ends included [mm], e.g. a handle; why, in words."""

    from_mm: float
    to_mm: float
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCheck:
    """What the check lines of one numbered sheet measured, once for all photos of its strips.

    Attributes
    ----------
    sheet : int
        The sheet's number.
    print_scale_along, print_scale_across : float
        Measured over nominal length.
    checked_on : str
        Day, like ``2026-03-31``.
    """

    sheet: int
    print_scale_along: float
    print_scale_across: float
    checked_on: str

    def __post_init__(self) -> None:
        _check_print_scale(self.print_scale_along, self.print_scale_across)


@dataclass(frozen=True, slots=True, kw_only=True)
class Taped:
    """The distance between two strips as a person taped it, or read it off a rule laid along them.

    Attributes
    ----------
    strips : (str, str)
        Letters of the two, with the sheet's number where several sheets are in use: ``A`` or ``A12``.
    length_mm : float
        The longest from a corner of the printed pattern of one to a corner of the other's [mm].
    expanded_u_mm : float
        Its U (k = 2) [mm].  1 mm: a steel tape of class II is good to 0.5 mm over 1 m (OIML R 35, from memory), its
        ends are read to as much.
    """

    strips: tuple[str, str]
    length_mm: float
    expanded_u_mm: float = 1.0

    def __post_init__(self) -> None:
        known = len(set(self.strips)) == 2 and all(re.fullmatch("[A-H][0-9]*", name) for name in self.strips)
        _require(known, f"'{'-'.join(self.strips)}' are not two strips.", "Name two strips, like A-D.")
        far = f"{self.length_mm} mm from strip to strip makes no sense."
        _require(_within(self.length_mm, *_TAPED_MM), far, "Give 100 mm to 10 m (4 to 393 in).")
        rough = f"A taped distance of U {self.expanded_u_mm} mm makes no sense."
        _require(_within(self.expanded_u_mm, *_TAPED_U_MM), rough, "Give 0.1 to 10 mm (0.004 to 0.393 in).")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How to measure.

    Attributes
    ----------
    print_scale_along, print_scale_across : float
        Measured over nominal length of the check lines.
    print_scale_checked : bool
        Whether the check lines were measured for this photo; what they say then goes before what sheets say.
    sheets : tuple of SheetCheck
        Sheets whose check lines are remembered; of a measurement, those that it was measured with.
    seam_hint_px : tuple of (x, y) or None
        Two or more points along the seam [px].
    station_mm : float
        Distance between stations [mm].
    tolerance_mm : float or None
        Half-width of the tolerance, only to say whether the resolution suffices [mm].
    edges : str
        ``auto`` or ``rules``.
    edge_a, edge_b : str or None
        How each edge is made, where the user knows it: ``cut`` or ``rolled``.  A is the panel on whose side the strip
        with the lowest letter lies.  None: the shading tells, as far as it can.
    edge_a_radius_mm, edge_b_radius_mm : float or None
        Radius of a rolled edge [mm]; None when not known.
    step_mm : float or None
        Step between the faces as measured by hand at the gap, face B above face A positive [mm].  Used where strips
        lie on one side only; with strips on both sides it is held against the step that they give.
    step_u_mm : float
        Expanded uncertainty (k = 2) of that step [mm].  0.2 mm: a depth gauge, or feeler gauges under a straight-edge,
        in the middle of the seam; common practice, no source.
    one_sheet : bool
        All strips in view come from one printed sheet and lie on magnets of one kind, so that they count as alike.
    strip_thickness_mm : float or None
        How thick the strips are, paper and magnet together [mm]; None: 0.5 mm and not surely so.
    closed : bool
        The seam, or the edge, closes: it goes all round a lid or an opening.
    left_out : tuple of LeftOut
        Spans of stations to leave out; they become holes.
    proofs : tuple of PhoneProof
        Studies of phones that are kept; of a measurement, the one that it was measured with.
    taped : Taped or None
        Distance between two strips, as a check of the print scale along a whole seam.
    """

    print_scale_along: float = 1.0
    print_scale_across: float = 1.0
    print_scale_checked: bool = False
    seam_hint_px: tuple[tuple[float, float], ...] | None = None
    station_mm: float = 1.0
    tolerance_mm: float | None = None
    edges: str = "auto"
    edge_a: str | None = None
    edge_a_radius_mm: float | None = None
    edge_b: str | None = None
    edge_b_radius_mm: float | None = None
    step_mm: float | None = None
    step_u_mm: float = 0.2
    one_sheet: bool = False
    strip_thickness_mm: float | None = None
    closed: bool = False
    left_out: tuple[LeftOut, ...] = ()
    sheets: tuple[SheetCheck, ...] = ()
    proofs: tuple[PhoneProof, ...] = ()
    taped: Taped | None = None

    def __post_init__(self) -> None:
        self._check_known()
        _require(self.edges in ("auto", "rules"), f"'{self.edges}' is not a way to find edges; use auto or rules.")
        _check_print_scale(self.print_scale_along, self.print_scale_across)
        apart = f"Stations {self.station_mm} mm apart make no sense here."
        _require(0.2 <= self.station_mm <= 20, apart, "Use 0.2 to 20 mm (0.008 to 0.787 in).")
        shown = self.seam_hint_px is None or len(self.seam_hint_px) > 1
        _require(shown, "One point does not show where the seam runs.", "Give two or more points along it.")

    def _check_known(self) -> None:
        """Refuse what cannot be true of edges and step."""
        stated = (("A", self.edge_a, self.edge_a_radius_mm), ("B", self.edge_b, self.edge_b_radius_mm))
        for name, kind, radius in stated:
            made = kind in (None, "cut", "rolled")
            _require(made, f"'{kind}' is not a way to make edge {name}.", "Say cut or rolled.")
            _require(
                radius is None or kind == "rolled",
                f"A radius was given for edge {name}, which was not said to be rolled.",
                "Say rolled, or leave the radius out.",
            )
            _require(
                radius is None or _within(radius, *_RADII_MM),
                f"A radius of {radius} mm makes no sense for edge {name}.",
                f"Give half the thickness of the rolled edge, {_RADII_MM[0]} to {_RADII_MM[1]:.0f} mm "
                "(0.020 to 0.196 in).",
            )
        _require(
            self.step_mm is None or _within(self.step_mm, -_STEP_MM, _STEP_MM),
            f"A step of {self.step_mm} mm between the panels makes no sense here.",
            f"Give how far face B stands above face A, at most {_STEP_MM:.0f} mm (0.393 in) either way.",
        )
        _require(
            _within(self.step_u_mm, *_STEP_U_MM),
            f"A step cannot be read to within {self.step_u_mm} mm.",
            f"Give {_STEP_U_MM[0]} to {_STEP_U_MM[1]:.0f} mm (0.001 to 0.118 in); 0.2 mm (0.008 in) suits feeler "
            "gauges under a straight-edge.",
        )
        thick = self.strip_thickness_mm
        _require(
            thick is None or _within(thick, *_STRIP_THICKNESS_MM),
            f"A strip {thick} mm thick makes no sense here.",
            f"Give {_STRIP_THICKNESS_MM[0]} to {_STRIP_THICKNESS_MM[1]:.0f} mm (0.002 to 0.196 in).",
        )

    def print_scale_of(self, sheet: int | None) -> tuple[tuple[float, float], bool]:
        """Print scale along and across a strip of that sheet (None: not known), and whether check lines say so."""
        if not self.print_scale_checked:
            for known in self.sheets:
                if known.sheet == sheet:
                    return (known.print_scale_along, known.print_scale_across), True
        return (self.print_scale_along, self.print_scale_across), self.print_scale_checked

    @property
    def known_edges(self) -> tuple[KnownEdge | None, KnownEdge | None]:
        """What is stated of edges A and B."""
        a = None if self.edge_a is None else KnownEdge(self.edge_a, self.edge_a_radius_mm)
        b = None if self.edge_b is None else KnownEdge(self.edge_b, self.edge_b_radius_mm)
        return a, b

    @property
    def known_step(self) -> KnownStep | None:
        """What is stated of the step between the panels."""
        return None if self.step_mm is None else KnownStep(self.step_mm, self.step_u_mm)


@dataclass(frozen=True, slots=True)
class KnownEdge:
    """How an edge is made, as the user states it.

    Attributes
    ----------
    kind : str
        ``cut`` or ``rolled``.
    radius_mm : float or None
        Radius of the roll [mm]; None when not known.
    """

    kind: str
    radius_mm: float | None = None


@dataclass(frozen=True, slots=True)
class KnownStep:
    """Step between the panels as the user measured it by hand: face B above face A, and its U (k = 2) [mm]."""

    mean_mm: float
    expanded_u_mm: float


def _check_print_scale(*scales: float) -> None:
    for value in scales:
        message = f"A print scale of {value:.3f} cannot be right."
        _require(_within(value, 0.85, 1.15), message, "Measure the 200 mm and the 150 mm check line again.")


def _within(value: object, low: float, high: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high
