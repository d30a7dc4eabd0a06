"""What ``import gapvision`` gives: a photo measured, a seam judged, a panel planned; see the package's own examples."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.formats.measurement_json import read as read_measurement
from gapvision.model import (
    CorrectionPlan,
    DecisionRule,
    Measurement,
    Panel,
    Photo,
    Settings,
    Specification,
    Verdict,
)
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.intake.photo import Source

    Shot = Source | NDArray[np.uint8] | Photo
    Shots = list[Shot] | tuple[Shot, ...]

Path = str | os.PathLike[str]
Length = str | float

_TOLERANCE_MM = 0.5  # common practice, no source; as the command line has it


def measure(
    photo: Shot | Shots,
    settings: Settings | None = None,
    *,
    print_scale: tuple[float, float] | None = None,
    **stated: Any,
) -> Measurement:
    """Measure the gap along a seam in one photo, or in several photos of it together.

    Parameters
    ----------
    photo : path, bytes, ndarray, shape (H, W) or (H, W, 3), uint8, or Photo; or a list of two to forty of them
        A photo's file, its bytes, its upright pixels (grey, or red, green, blue), or what ``read_photo`` gave.  A list
        holds photos of one seam in one state from different places: square, then leaning about 15 degrees to either
        side; or side by side along it, each showing a strip that its neighbour shows too.  They are measured together,
        which proves far more than any one of them.
    settings : Settings, optional
        How to measure, and what is known of the seam.
    print_scale : (float, float), optional
        Measured over nominal length of the sheet's check lines: the one of 200 mm along the strips, and the one of
        150 mm across them.  Left out: not measured, and U allows for a printer that scales.
    **stated
        Any other field of ``Settings``, such as ``seam_hint_px``, ``edge_a`` or ``step_mm``; it takes the place of
        the one in ``settings``.

    Returns
    -------
    Measurement
        Status ``ok`` or ``warn`` with a ``profile``: stations, gap and its expanded uncertainty, arrays of shape
        (n,) [mm].  Or ``refused``, without one; then ``notices[0]`` says why and what to do.

    Raises
    ------
    GapvisionError
        When a file cannot be read (see ``read_photo``), what is stated cannot be: ``value-out-of-range``, or there
        are more than forty photos: ``photos-too-many``.
    TypeError, ValueError
        A keyword that is no field of ``Settings``; an array of another shape or type.

    Notes
    -----
    U is the expanded uncertainty with coverage factor 2, about 95 % (JCGM 100:2008); its parts are in
    ``profile.parts_mm``.  Points are (x, y) in pixels of the upright photo, the middle of the top-left one is (0, 0).
    """
    from gapvision.intake.photo import read_photo
    from gapvision.several import measure_photos

    if print_scale is not None:
        along, across = print_scale
        stated |= {"print_scale_along": along, "print_scale_across": across, "print_scale_checked": True}
    settings = replace(settings or Settings(), **stated)
    shots = photo if isinstance(photo, list | tuple) else [photo]
    return measure_photos([x if isinstance(x, Photo) else read_photo(x) for x in shots], settings)


def judge(
    measurement: Measurement | Path,
    specification: Specification | Path | None = None,
    *,
    nominal: Length | None = None,
    tolerance: Length | None = None,
    rule: DecisionRule | str = "proven",
    opposite: Measurement | Path | None = None,
    panel_edge: str = "B",
) -> Verdict:
    """Say whether a seam is in tolerance, and with what certainty.

    Parameters
    ----------
    measurement : Measurement or path
        What ``measure`` gave, or a measurement file.
    specification : Specification, path or str, optional
        What is wanted: all its limits are judged.  A specification file, or a ready one by its name: ``even-close``,
        ``even-road``, ``door-period`` (common practice).
    nominal, tolerance : float or str, optional
        Instead: the wanted gap and what is allowed either way (0.5 mm when left out), in mm or with a unit, such as
        ``"3/16in"``.
    rule : DecisionRule or str
        ``proven`` accepts only what is proven, ``simple`` compares the reading alone, ``risk`` accepts where the
        probability of being in tolerance reaches 95 %; ``DecisionRule(name="risk", risk=0.1)`` for another.
    opposite : Measurement or path, optional
        The same seam on the other side of the car, for a specification that limits the difference.
    panel_edge : str
        ``A`` or ``B``: the edge that belongs to the panel, the other is its neighbour's.

    Returns
    -------
    Verdict
        State of the whole seam, of each station and each span: ``in tolerance``, ``out of tolerance``, ``not
        proven`` because a limit lies within U, or ``not measured``; limits [mm] and probabilities, arrays of shape
        (n,); the reasons, and the photo's warnings and notes.

    Raises
    ------
    GapvisionError
        ``measurement-was-refused``; ``specification-nonsense`` where it is not said what is wanted, or said twice;
        ``length-not-understood``, ``rule-unknown``, ``preset-unknown``, ``file-not-found`` and what files raise.

    Notes
    -----
    The rules follow JCGM 106:2012 (from memory); U enters with the coverage factor 2.
    """
    from gapvision.judgement import judge_measurement, reading_from_measurement

    spec = _specification(specification, nominal, tolerance)
    other = None if opposite is None else reading_from_measurement(_read(opposite), "opposite", panel_edge=panel_edge)
    rule = DecisionRule(name=rule) if isinstance(rule, str) else rule
    return judge_measurement(_read(measurement), spec, rule, opposite=other, panel_edge=panel_edge)


def plan(panel: Panel | Path, *, free_seams: bool = False) -> CorrectionPlan:
    """Work out what to do to a panel: the move first, then the edge, and what each step buys.

    Parameters
    ----------
    panel : Panel or path
        The panel with its seams as measured, all at the same stage; or a panel file, which names the measurement
        files beside it.
    free_seams : bool
        Make a plan even if nothing was measured of some seams; its first notice says what that leaves free.

    Returns
    -------
    CorrectionPlan
        The move at each adjuster, the line to trim to [mm], and each seam's verdict after each step.

    Raises
    ------
    GapvisionError
        ``panel-file-bad``, ``file-not-found``, ``seams-left-free``, and what the files that it names raise.
    """
    from gapvision.formats.panel_file import read_panel
    from gapvision.judgement import make_plan

    return make_plan(panel if isinstance(panel, Panel) else read_panel(os.fspath(panel)), free_seams=free_seams)


def _read(measurement: Measurement | Path) -> Measurement:
    return measurement if isinstance(measurement, Measurement) else read_measurement(measurement)


def _specification(
    given: Specification | Path | None, nominal: Length | None, tolerance: Length | None
) -> Specification:
    from gapvision.formats.specification_file import read_specification
    from gapvision.judgement import PRESETS, preset, simple_spec

    if (given is None) == (nominal is None) or (nominal is None and tolerance is not None):
        raise GapvisionError(
            "specification-nonsense",
            "It was not said what gap is wanted." if given is None else "What gap is wanted was said twice.",
            "Give either a specification, or nominal and tolerance.",
        )
    if nominal is not None:
        either_way = _TOLERANCE_MM if tolerance is None else _mm(tolerance)
        return simple_spec(_mm(nominal), either_way, either_way)
    if isinstance(given, Specification):
        return given
    name = os.fspath(given or "")
    return preset(name) if name in PRESETS else read_specification(name)


def _mm(length: Length) -> float:
    return parse_length(length) if isinstance(length, str) else float(length)
