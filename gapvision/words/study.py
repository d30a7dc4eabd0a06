"""What a study of gauge pieces says of a phone, in sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from math import sqrt

from gapvision.model import COVERAGE_FACTOR, SMALL_PARTS, Lens, PhoneProof, StudyResult, is_too_old
from gapvision.words.lengths import Lengths

#: Part of U -> what it comes from.
U_PARTS = {
    "edge": "which step is the edge, and where in it",
    "scale": "the scale from the strips",
    "print_scale": "the print scale of the strips",
    "tilt_step": "the step between the faces, seen from the side",
    "depth": "how deep the edges lie",
    "rim": "the cut face that shows",
    "corner": "the broken corner of cut metal",
    "picture": "the picture's blur",
    "repeat": "the scatter along the seam",
    "no_gap": "whether it is a gap at all",
    "shared": "what all photos of a set have in common",
    "seam": "where the seam runs, of which no two photos say the same",
    "phone_bias": "the bias of the phone, as its study found it",
    "phone_growth": "what U was found too small by on this phone",
}


def study_sentence(result: StudyResult, say: Lengths) -> str:
    """The answer of a study in one sentence."""
    near, photos = result.within
    bias, repeat = say.small(result.bias_mm, signed=True), say.small(result.variation.repeatability_mm)
    return f"On this phone, in this light: bias {bias}, repeatability {repeat}, within U {near} of {photos}."


def refused_line(name: str, piece: str, message: str) -> str:
    """Why a photo does not count."""
    return f"{name} of '{piece}' was refused and does not count: {message}"


def missing_line(good: Mapping[tuple[str, str], int], least: int) -> str:
    """How many photos are still missing, by piece and person; ``good``: how many count of each, ``least``: wanted."""
    of = {f"{piece}{f' by {who}' if who else ''}": least - n for (piece, who), n in good.items() if n < least}
    done = sum(min(n, least) for n in good.values())
    head = f"{done} of {least * len(good)} photos are there"
    return f"{head}; missing: " + ", ".join(f"{n} of {name}" for name, n in of.items()) if of else f"{head}."


def study_lines(result: StudyResult, say: Lengths, lens: Lens | None = None) -> list[str]:
    """The figures of a study, a sentence each; ``lens``: as its photos show it."""

    def fine(mm: float, signed: bool = False) -> str:
        return say.small(mm, signed=signed)

    v = result.variation
    near, photos = result.within
    lines = [
        f"Bias {fine(result.bias_mm, True)} (U {fine(result.bias_u_mm)}, the calipers' in it): "
        + ("proven, and taken off." if result.bias_proven else "not proven, so nothing is taken off."),
        f"Repeatability {fine(v.repeatability_mm)}: the same hand, the same piece, photo after photo.",
    ]
    if "person" in v.table:
        lines.append(
            f"Reproducibility {fine(v.reproducibility_mm)}: from person to person"
            + (f", and {fine(v.interaction_mm)} more from piece to piece." if v.interaction_mm > 0 else ".")
        )
    lines.append(f"From piece to piece {fine(v.piece_mm)}: edges and calipers that differ.")
    if result.slope is not None and result.slope_u is not None:
        proven = abs(result.slope) > result.slope_u
        lines.append(
            f"Linearity: {1000 * result.slope:+.1f} micrometre for each millimetre of gap "
            f"(U {1000 * result.slope_u:.1f}), " + ("proven." if proven else "no more than chance.")
        )
    lines.append(
        f"Within U: {near} of {photos} photos, {100 * result.stations_within_u:.0f} % of all stations. "
        f"The largest part of U was {U_PARTS.get(result.largest_part, result.largest_part)}."
    )
    if result.growth > 1:
        lines.append(
            f"U grows to {result.growth:.2f} times: so much is needed for one more piece, or a seam, to lie within it "
            "95 times of 100, by what these pieces show. More pieces may need less."
        )
    if not result.thin_rolled:
        lines.append(
            f"No piece has rolled edges as thin as a car's: bare steel rods {fine(3.0)} to {fine(4.0)} thick. "
            "On rolled edges of bare steel U may still be too small; add such a piece."
        )
    lines.append(_shrunk(result, fine))
    if lens is not None:
        lines.append(lens_line(lens))
    return lines


def _shrunk(result: StudyResult, fine: Callable[[float], str]) -> str:
    """What became of the parts of U that may shrink, and why."""
    photos, stated, seen = result.within[1], COVERAGE_FACTOR * result.small_stated_mm, result.small_seen_mm
    each = [(name, [r.parts_mm.get(name, 0.0) for r in result.readings]) for name in SMALL_PARTS]
    parts = ", ".join(
        f"{U_PARTS[name]} {fine(COVERAGE_FACTOR * sqrt(sum(mm * mm for mm in some) / len(some)))}"
        for name, some in each
    )
    most = fine(COVERAGE_FACTOR * seen)
    could = f"what {photos} photos show of them could, with 95 % confidence, be as large as {most}"
    if result.small_share < 1:
        return (
            f"In U may shrink: {parts}; together {fine(stated)}. {could[0].upper()}{could[1:]}, so "
            f"{100 * result.small_share:.0f} % of each are left. Which step is the edge, its depth and reflections "
            "keep their doubt: clean bars never show them."
        )
    return f"Nothing of U shrinks. What may shrink is {parts}; together {fine(stated)}. But {could}."


def lens_line(lens: Lens) -> str:
    """A phone's lens, and how sure that is."""
    f, k1, k2 = (COVERAGE_FACTOR * u for u in lens.std_u)
    return (
        f"Lens: focal length {lens.focal_px:.0f} pixels (U {lens.focal_px * f:.0f}); it bends straight lines by "
        f"{lens.k1:+.3f} (U {k1:.3f}) and {lens.k2:+.3f} (U {k2:.3f}). Photos of this lens are measured with it."
    )


def proof_line(proof: PhoneProof, say: Lengths, today: date) -> str:
    """A kept study in one line."""
    off = say.small(proof.bias_mm, signed=True) + (", taken off" if proof.bias_proven else ", not proven")
    u = f"U x {proof.growth:.2f}" if proof.growth > 1 else f"{100 * proof.small_share:.0f} % of scale, blur, scatter"
    if proof.lens is not None:
        u += f"; lens of {proof.lens.focal_px:.0f} pixels"
    return f"bias {off}; {u}" + ("; too old, no longer used" if is_too_old(proof.made_on, today) else "")
