"""Two measurements of one seam laid on each other."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from gapvision import model
from gapvision.errors import GapvisionError
from gapvision.judgement import compare as _compare
from gapvision.judgement import nominal_at
from gapvision.judgement.specification import for_photo
from gapvision.judgement.thermal import ThermalChange, thermal_change
from gapvision.model import Measurement
from gapvision.records import MeasurementLine, Store, conditions_notices
from gapvision.workshop.measuring import stored

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Two results of the records, compared.

    Attributes
    ----------
    comparison : Comparison
        Station by station.
    notices : tuple of Notice
        Conditions that differ, and what the comparison itself noticed.
    thermal : ThermalChange or None
        Effect of the temperature difference if all metal was equally warm; None when not known.
    thermal_panel_only : ThermalChange or None
        The same if only the panel changed its temperature (sun on it): the most it can be.
    """

    before: MeasurementLine
    after: MeasurementLine
    comparison: model.Comparison
    notices: tuple[model.Notice, ...]
    thermal: ThermalChange | None
    thermal_panel_only: ThermalChange | None


def compare_measurements(
    before: Measurement, after: Measurement, *, datum: str = "align", marks: Sequence[tuple[Point, Point]] = (),
    mirror: bool = False, nominal_mm: Any = None, one_seam: bool = False,
) -> model.Comparison:  # fmt: skip
    """Compare two measurements of one seam.

    Parameters
    ----------
    datum : str
        ``align``, ``strip`` (a strip left in its place) or ``mark``.
    marks : sequence of (point before, point after)
        For ``mark``: where the same mark lies in each photo [px].
    mirror : bool
        The second is the other side of the car.
    nominal_mm : float, ndarray or Specification, optional
        Wanted gap [mm].
    one_seam : bool
        Whether somebody says that both are of one seam.  Else ``maybe-two-seams`` warns where nothing shows it.

    Raises
    ------
    GapvisionError
        ``datum-missing``, ``comparison-no-overlap``, ``photo-has-no-profile``.
    """
    first, second = before.profile_in_first, after.profile_in_first
    if first is None or second is None:
        raise GapvisionError("photo-has-no-profile")
    along = mirror and _compare.runs_along(second)
    if mirror:
        second = _compare.mirror_profile(second, along)
    ends_1, ends_2 = before.photo.strip_ends_px(), after.photo.strip_ends_px()
    letters = sorted(set(ends_1) & set(ends_2))
    # Mirrored, the strip's other end lies towards the same end of the car.
    turn = -1 if along else 1
    points_1: list[Point] = [(p[0], p[1]) for k in letters for p in ends_1[k]]
    points_2: list[Point] = [(p[0], p[1]) for k in letters for p in ends_2[k][::turn]]
    strip = None
    if letters:
        strip = _compare.datum_from_points(first, second, points_1, points_2, "strip", " and ".join(letters))
    if datum == "align":
        guess = strip and replace(strip, guessed=True, std_u_mm=_compare.LAID_AGAIN_STD_U_MM)
        found = _compare.datum_by_alignment(first, second, guess=guess)
    elif datum == "mark":
        if not marks:
            raise GapvisionError("datum-missing", "No mark was given.", "Give where the same mark lies in both photos.")
        found = _compare.datum_from_points(first, second, [m[0] for m in marks], [m[1] for m in marks], "mark")
    elif datum == "strip":
        if strip is None:
            raise GapvisionError("datum-missing", "No strip is in both photos.")
        found = strip
    else:
        raise ValueError(f"datum: expected align, strip or mark, got {datum!r}")
    wanted = nominal_mm
    if isinstance(nominal_mm, model.Specification):
        wanted = None
        with suppress(GapvisionError):  # one that runs, on a photo of which nobody said where it lies
            wanted = nominal_at(for_photo(nominal_mm, before.ends_mm)[0], first.s_mm, before.ends_mm or (0.0, 0.0))
    compared = _compare.compare_profiles(
        first, second, found, nominal_mm=wanted, same_print=_same_print(before, after), mirrored=mirror
    )
    if one_seam or mirror or _compare.alike(first, second, found):
        return compared
    return replace(compared, notices=(_maybe_two_seams(before, after), *compared.notices))


def _maybe_two_seams(before: Measurement, after: Measurement) -> model.Notice:
    """What is warned of where nothing shows that two measurements are of one seam, with what speaks against it."""
    against = []
    profiles = [m.profile for m in (before, after)]
    if len({p is not None and p.round_mm is None for p in profiles}) > 1:
        against.append("one goes all round, the other does not")
    kinds = [sorted(k for k in (m.settings.edge_a, m.settings.edge_b) if k) for m in (before, after)]
    if kinds[0] != kinds[1] and all(len(k) == 2 for k in kinds):  # an edge that was trimmed may be another kind
        against.append(f"their edges were stated as {' and '.join(kinds[0])}, then as {' and '.join(kinds[1])}")
    said = f"Nothing shows that the two are of one seam, and {', and '.join(against)}." if against else ""
    return model.Notice(code="maybe-two-seams", message=said)


def _same_print(before: Measurement, after: Measurement) -> bool:
    """Tell whether both show the same strips with the same check lengths, and off no other sheet."""
    one, two = before.scale, after.scale
    if one is None or two is None:
        return False
    alike = all(getattr(one, k) == getattr(two, k) for k in ("strips", "print_scale_along", "print_scale_across"))
    sheets = [{v.letter: v.sheet for v in m.photo.strips if v.sheet is not None} for m in (before, after)]
    alike = alike and all(sheets[0][k] == sheets[1][k] for k in set(sheets[0]) & set(sheets[1]))
    # Without check lines measured, two prints that look alike may differ.
    return alike and one.print_scale_checked and two.print_scale_checked


def compare_lines(
    store: Store, before: MeasurementLine, after: MeasurementLine, *, mirror: bool | None = None, **how: Any
) -> Compared:
    """Compare two results of the records; the rest as :func:`compare_measurements`.

    Left out, ``mirror`` is true when the two belong to a left and a right seam.
    """
    seam_1, seam_2 = store.seam(before.seam_id), store.seam(after.seam_id)
    if mirror is None:
        mirror = {seam_1.side, seam_2.side} == {"left", "right"}
    one, two = (stored(store, x) for x in (before, after))
    comparison = compare_measurements(one, two, mirror=mirror, one_seam=True, **how)
    notices = (*conditions_notices(before.visit.conditions, after.visit.conditions), *comparison.notices)
    if seam_1.seam_id != seam_2.seam_id and not (mirror and seam_1.name == seam_2.name):
        said = f"'{seam_1.full_name}' and '{seam_2.full_name}' are two seams: what is told is how they differ, not what"
        advice = "Compare stages of one seam, or a seam with the same one on the other side of the car."
        notices = (model.Notice(code="maybe-two-seams", message=f"{said} changed.", advice=advice), *notices)
    together = alone = None
    panel = next((p for p in store.panels(seam_1.job_id) if p.panel_id == seam_1.panel_id), None)
    cold, warm = before.visit.conditions.metal_temp_c, after.visit.conditions.metal_temp_c
    if panel is not None and panel.length_mm and cold is not None and warm is not None:
        gaps = 2 * float(comparison.before_mm.mean())
        together = thermal_change(panel.length_mm, warm - cold, panel_metal=panel.metal, gaps_mm=gaps)
        alone = thermal_change(panel.length_mm, warm - cold, 0.0, panel_metal=panel.metal, gaps_mm=gaps)
    return Compared(
        before=before, after=after, comparison=comparison, notices=notices, thermal=together, thermal_panel_only=alone
    )
