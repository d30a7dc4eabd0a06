"""Typical dry films of one coat, each with where it comes from. The paint maker's data sheet rules."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TypicalFilm:
    """A range for one coat.

    Attributes
    ----------
    stage : int
        1 etch or epoxy primer, 2 high build, 3 paint.
    film_um : tuple of two floats
        Dry film of one coat on the flat [micrometre].
    stays : tuple of two floats
        Share left on the edge after sanding.
    source, status : str
        Where the film comes from, and ``read``, ``common practice`` or ``from memory``.
    """

    stage: int
    film_um: tuple[float, float]
    stays: tuple[float, float]
    source: str
    status: str

    @property
    def told(self) -> str:
        """Where the film comes from, for people."""
        return f"{LOOKED_UP}{self.source}" if self.status == "read" else f"{self.status}: {self.source}"


#: Before a source that was read.
LOOKED_UP = "looked up in "
#: Share of an unsanded film on a panel's edge. Liquid film thins on a sharp edge or builds a fat one; a safe
#: range is 0.3 to 1.2, the narrower one below is for a rolled or dressed edge. Common practice, no source.
EDGE_SHARE = (0.6, 1.1)
#: Share of a filler film left on an edge once it is blocked down. Common practice, no source.
SANDED_SHARE = (0.3, 0.8)

_MANUAL = "a US aircraft finishing technical manual"
_SPRAYED = "as a restorer sprays it", "common practice"
_COLOUR = "the whole colour coat of one system counts as one coat"
_CLEAR = "a refinish paint maker's technical tips: 2.0 to 2.5 mil in all, taken as two coats"
_EPOXY = f"{_MANUAL}, allowable coating thickness: two coats 0.0008 to 0.0020 in"
_PRIMER = f"{_MANUAL}: one coat 0.0010 to 0.0015 in, two coats 0.0012 to 0.0025 in"

FILMS: dict[str, TypicalFilm] = {
    "etch primer": TypicalFilm(1, (8.0, 13.0), EDGE_SHARE, "usual wash and etch primer films", "from memory"),
    "epoxy primer": TypicalFilm(1, (10.16, 25.4), EDGE_SHARE, _EPOXY, "read"),
    "polyurethane primer": TypicalFilm(1, (15.24, 38.1), EDGE_SHARE, _PRIMER, "read"),
    "high-build primer": TypicalFilm(2, (30.0, 60.0), SANDED_SHARE, *_SPRAYED),
    "polyester spray filler": TypicalFilm(2, (100.0, 300.0), SANDED_SHARE, *_SPRAYED),
    "base coat": TypicalFilm(3, (15.0, 25.0), EDGE_SHARE, _COLOUR, "common practice"),
    "clear coat": TypicalFilm(3, (25.4, 31.75), EDGE_SHARE, _CLEAR, "read"),
    "top coat": TypicalFilm(
        3, (43.18, 58.42), EDGE_SHARE, f"{_MANUAL}: polyurethane topcoat, one coat 0.0017 to 0.0023 in", "read"
    ),
}

#: Ready systems: name -> kinds of coat and how many, in the order in which they go on. Common practice, no source.
SYSTEMS: dict[str, tuple[tuple[str, int], ...]] = {
    "primer, high-build, base, clear": (
        ("epoxy primer", 2), ("high-build primer", 2), ("base coat", 1), ("clear coat", 2),
    ),
    "primer, high-build, top coat": (("epoxy primer", 2), ("high-build primer", 2), ("top coat", 2)),
    "base and clear alone": (("base coat", 1), ("clear coat", 2)),
}  # fmt: skip

#: Total film on the flat above which the usual advice is to strip or sand back [micrometre]:
#: a refinish paint maker's page (300), older advice 12 mil.
MOST_FILM_UM = 300.0
#: Clear coat outside this range gives trouble [micrometre]: a refinish paint maker's technical tips (2 and 3 mil).
CLEAR_COAT_UM = (50.8, 76.2)
