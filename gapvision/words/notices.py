"""What a notice says of its case, in the unit wanted.

The registry (:mod:`gapvision.codes`) holds what each code says in general; here stands what is told with the values
that a notice carries.  A notice from a file of an older program carries none and is shown as it was written.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from gapvision.codes import CODES
from gapvision.model import Notice
from gapvision.words.lengths import Lengths

Values = Mapping[str, Any]


def notice(told: Notice, say: Lengths) -> tuple[str, str]:
    """What was seen, and what to do.

    Parameters
    ----------
    told : Notice
        With or without values.
    say : Lengths
        The unit.

    Returns
    -------
    message, advice : str
    """
    message, advice = _said(told, say)
    return _of_photos(told.photos, message), advice


def _of_photos(photos: Sequence[str], message: str) -> str:
    return f"{', '.join(photos)}: {message}" if photos else message


def _said(told: Notice, say: Lengths) -> tuple[str, str]:
    make = _TEXTS.get(told.code)
    if make is None or not told.values:
        return told.message, told.advice
    try:
        message = make(told.values, say)
    except (LookupError, TypeError, ValueError, ArithmeticError, AttributeError):  # a file may hold anything
        return told.message, told.advice
    return message if isinstance(message, tuple) else (message, told.advice)


def notice_of(entry: Mapping[str, Any], say: Lengths) -> tuple[str, str]:
    """As :func:`notice`, of a file's entry; one that this program does not know is told as it was written."""
    message, advice = str(entry["message"]), str(entry["advice"])
    if entry.get("code") in CODES and isinstance(entry.get("values"), dict):
        told = Notice(code=entry["code"], message=message, advice=advice, values=entry["values"])
        message, advice = _said(told, say)
    return _of_photos([str(name) for name in entry.get("photos") or ()], message), advice


def notice_dict(told: Notice) -> dict[str, Any]:
    """Put a notice into a file's form: its sentences in mm, and its values where it has any."""
    message, advice = _said(told, Lengths("mm"))
    out: dict[str, Any] = {"code": told.code, "message": message, "advice": advice}
    if told.values:
        out["values"] = dict(told.values)
    if told.photos:
        out["photos"] = list(told.photos)
    return out


def notice_line(told: Notice, say: Lengths) -> str:
    """A notice in one line: kind, both sentences, code."""
    message, advice = notice(told, say)
    return f"{told.kind}: {message} {advice} [{told.code}]"


def edge_made(kind: str, radius_mm: float | None, say: Lengths) -> str:
    """How an edge is made, as it was stated or seen."""
    return kind if radius_mm is None else f"{kind}, radius {say.small(radius_mm)}"


def _line_not_possible(v: Values, say: Lengths) -> str:
    where = "; ".join(
        f"{say.stretch(a, b)} by up to {say.small(most)}, at {say.place(at)}" for a, b, most, at in v["missed_mm"]
    )
    return f"No {v['line']} line brings every station within its limits; the best one misses them from {where}."


def _seams_not_measured(v: Values, say: Lengths) -> str:
    told = [f"all of {', '.join(v['free'])}"] if v["free"] else []
    told += [f"{name} but for {say.place(part)} in {say.place(whole)}" for name, part, whole in v["partly"]]
    right, left, front, back = v.get("directions", ("",) * 4)
    far = {"x": f"how far it sits {right} or {left}", "y": f"how far it sits {front} or {back}"}
    loose = " and ".join(far.get(way, "how it is turned") for way in v.get("unheld", ()))
    held = f" Nothing measured tells {loose}: the move leaves that as it is." if loose else ""
    return f"Not measured: {'; '.join(told)}. The plan holds where it was measured, and leaves the rest free.{held}"


def _edge_not_stated(v: Values, _: Lengths) -> str:
    seen = {"": "It is not known what it is, so it is taken for folded", "cut": "By its photo it is cut"}
    looks = seen.get(v["edge"], "By its photo it is turned over, so it is taken for folded")
    return f"What the edge at {v['seam']} is was not said. {looks}: nothing is filed before you looked behind it."


def _edge_looks_other(v: Values, _: Lengths) -> str:
    return f"The edge at {v['seam']} was said to be {v['edge']}, but its photo shows it {v['looks']}."


def _hole_in_the_trim(v: Values, say: Lengths) -> str:
    holes = ", ".join(say.stretch(*ends) for ends in v["holes_mm"])
    return f"The edge was not measured from {holes}, and beside that metal is to go or to come."


def _poor(v: Values, say: Lengths) -> str:
    poor = ", ".join(say.stretch(*ends) for ends in v["poor_mm"])
    return f"The gap was not measured well enough from {poor}: nothing is told there."


def _film_thick(v: Values, say: Lengths) -> tuple[str, str]:
    film = say.film(*v["film_um"])
    if "clear_coat_um" in v:
        trouble = f"Clear coat gives trouble outside about {say.film(*v['clear_coat_um'])}: check the coats."
        return f"Clear coat of {film} in all.", trouble
    usual = f"above about {say.film(v['most_um'])} the usual advice is to strip or sand back"
    return f"The coats add up to {film} on the flat.", f"Check the number of coats; {usual}."


def _film_common_practice(v: Values, _: Lengths) -> str:
    return f"The film of {', '.join(v['coats'])} is a common-practice range, not data."


def _edge_contradicted(v: Values, say: Lengths) -> str:
    looks = v["looks"] if v["looks"] == "cut" else f"rolled with a radius of {say.small(v['looks_radius_mm'])}"
    stated = edge_made(v["kind"], v["radius_mm"], say)
    return f"Edge {v['edge']} was stated to be {stated}, but in the photo it looks {looks}. U leaves room for both."


def _step_contradicted(v: Values, say: Lengths) -> str:
    stated, seen = (say.small(v[key], signed=True) for key in ("stated_mm", "seen_mm"))
    return f"Face B was stated to stand {stated} above face A, but the strips say {seen}. The strips' step was used."


def _known_stated(v: Values, say: Lengths) -> str:
    said = [f"edge {edge} {edge_made(kind, radius, say)}" for edge, kind, radius in v["edges"]]
    if "step_mm" in v:
        said.append(f"face B {say.small(v['step_mm'], signed=True)} above face A, U {say.small(v['step_u_mm'])}")
    return f"Stated, not measured: {'; '.join(said)}. A is the panel with strip {v['strip']}."


def _step_large(v: Values, say: Lengths) -> str:
    stands = f"face B {say.small(v['step_mm'], signed=True)} above face A"
    told = f"The strips put {stands}."
    if not v["alike"]:
        told = f"If the strips are alike, they put {stands}; U allows for both."
    return told if v["odd"] is None else f"{told} Without strip {v['odd']} the others fit together."


def _proof_used(v: Values, say: Lengths) -> str:
    left = "left in, as a doubt" if v.get("doubt") else "not proven, left in"
    off = f"bias {say.small(v['bias_mm'], signed=True)} {'taken off' if v['bias_proven'] else left}"
    u = "no part of U shrinks" if v.get("doubt") else "U is right as it is"
    if v["growth"] > 1:
        u = f"U is {v['growth']:.2f} times what it would be"
    elif v["small_share"] < 1:
        u = f"scale, blur and repeatability count with {100 * v['small_share']:.0f} %"
    u += "; its lens is known" if v.get("lens") else ""
    return f"The study '{v['name']}' of {v['made_on']} ({v['photos']} photos) is of this phone: {off}; {u}."


def _proof_too_old(v: Values, _: Lengths) -> str:
    return f"The study '{v['name']}' of this phone, made on {v['made_on']}, is more than a year off and was not used."


def _proof_of_another_phone(v: Values, _: Lengths) -> str:
    others = " and of another ".join(v["differs"])
    return f"The study '{v['name']}' of {v['made_on']} is of another {others}, and was not used."


def _panel_answers(v: Values, say: Lengths) -> str:
    told, did = (say.small(v[key], signed=True) for key in ("set_mm", "did_mm"))
    return f"The {v['panel']} did not go where it was set: {v['adjuster']} was set by {told} and made {did}."


def _panel_flexes(v: Values, say: Lengths) -> str:
    off = say.small(v["off_mm"])
    return f"The {v['panel']} bends, or a photo lies wrong: {v['seam']} is {off} off what a stiff panel would do."


_TEXTS: dict[str, Callable[[Values, Lengths], str | tuple[str, str]]] = {
    "line-not-possible": _line_not_possible,
    "seams-not-measured": _seams_not_measured,
    "edge-not-stated": _edge_not_stated,
    "edge-looks-other": _edge_looks_other,
    "hole-in-the-trim": _hole_in_the_trim,
    "not-measured-well-enough": _poor,
    "film-thick": _film_thick,
    "film-common-practice": _film_common_practice,
    "edge-contradicted": _edge_contradicted,
    "step-contradicted": _step_contradicted,
    "step-large": _step_large,
    "known-stated": _known_stated,
    "panel-answers-otherwise": _panel_answers,
    "panel-flexes": _panel_flexes,
    "proof-used": _proof_used,
    "proof-too-old": _proof_too_old,
    "proof-of-another-phone": _proof_of_another_phone,
}
