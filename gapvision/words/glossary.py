"""One word for one thing: the words of the trade that code, page and messages use, and those that they replace."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Term:
    """One word.

    Attributes
    ----------
    word, meaning : str
        The word, or a few that belong together, and what it means.
    unit : str
        Unit, and what counts as positive.
    replaces : tuple of str
        What no public name, option, label or message calls it.
    """

    word: str
    meaning: str
    unit: str = ""
    replaces: tuple[str, ...] = ()


GLOSSARY = (
    Term("seam", "where two panels lie beside each other", replaces=("shut line", "shutline")),
    Term("gap", "width of a seam from edge to edge, square to its centre line", "mm", ("clearance",)),
    Term("tight, wide", "of a gap: less, more than wanted", replaces=("narrow", "narrower", "narrowed")),
    Term("station, s", "place along the seam, by arc length of its centre line", "mm"),
    Term("t, n", "place across the seam; height out of the panel", "mm, towards B; towards the camera"),
    Term("edge A, edge B", "A is the panel on whose side the strip with the lowest letter lies"),
    Term("cut, rolled", "how an edge looks: sheared, or turned over", replaces=("hem", "hems", "hemmed")),
    Term("folded, wired, flanged, leaded", "what it is: skin over its frame, over a wire, bent down, of lead"),
    Term("back, out", "of an edge that is not cut: away from its neighbour, towards it", "mm"),
    Term("outline, depth", "what the camera sees of an edge; how far it lies below its own panel's face", "mm"),
    Term("step", "of the faces: B above A; of a panel: above its neighbour", "mm", ("flush", "flushness")),
    Term("jump", "change of the mean gap between neighbouring 10 mm", "mm", ("step over", "step between neighbouring")),
    Term("taper", "slope of the gap along the seam", "mm per metre, wider positive"),
    Term("straightness", "least zone between two parallel lines that holds an edge", "mm"),
    Term("fairness", "of an edge that is curved by design: peak to valley from a smooth curve", "mm"),
    Term("U", "expanded uncertainty, coverage factor 2, about 95 %: `expanded_u_`; `std_u_` is a standard one", "mm"),
    Term("limits", "least and largest gap allowed at a station", "mm", ("band", "bands")),
    Term("verdict", "in tolerance, out of tolerance, not proven, not measured", replaces=("judgment", "rating")),
    Term("span", "a run of stations in one state; a hole where none was measured", "mm", ("dropout",)),
    Term("field", "fitted map between photo and panel; its covariance goes into U"),
    Term(
        "strip", "the printed paper that gives the scale; read at its check lines", replaces=("ruler", "marker strip")
    ),
    Term("sheet", "a printed page of strips, known by its number; its check lines tell its print scale"),
    Term("panel, neighbour", "the panel that is worked on, and the one across the gap"),
    Term("move, trim", "to shift a panel as it is; to cut or build up its edge", "mm, out and removing positive"),
    Term("film", "dry thickness of the coats of paint", "micrometre"),
    Term("bonnet, boot lid, wing, sill", "panels", replaces=("hood", "trunk", "fender", "rocker")),
)


def table() -> str:
    """Show the glossary as a Markdown table."""
    rows = [(t.word, t.meaning, t.unit, ", ".join(t.replaces)) for t in GLOSSARY]
    heads = ("word", "meaning", "unit, sign", "not called")
    return "\n".join("| " + " | ".join(row) + " |" for row in (heads, ("---",) * len(heads), *rows)) + "\n"
