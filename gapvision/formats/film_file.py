"""What coats really took from gaps, job by job: ``films.toml`` in the data folder.

::

    format = "gapvision-films/1"
    [[films]]
    kind = "epoxy primer"
    job = "2026-001"
    film = "31.2um"          # of one coat on one edge
    u = "6.0um"              # expanded, k = 2
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from gapvision.formats.data_folder import FILMS as FILE
from gapvision.formats.declared import Declared, Length, Name, read_declared
from gapvision.formats.toml import read_toml, write_toml
from gapvision.model import TakenFilm
from gapvision.units import MM_PER_MICROMETRE

FORMAT = "gapvision-films/1"


class _Film(Declared):
    kind: Name
    job: str
    film: Length
    u: Length


class _File(Declared):
    format: Literal["gapvision-films/1"]
    films: tuple[_Film, ...] = ()


def read_films(folder: Path) -> tuple[TakenFilm, ...]:
    """What is kept; ``finish-nonsense`` with the place in the file."""
    if not (folder / FILE).is_file():
        return ()
    table = read_declared(_File, read_toml(folder / FILE), f"'{folder / FILE}'", "finish-nonsense")
    return tuple(
        TakenFilm(kind=x.kind, job=x.job, film_um=x.film / MM_PER_MICROMETRE, expanded_u_um=x.u / MM_PER_MICROMETRE)
        for x in table.films
    )


def add_film(folder: Path, film: TakenFilm) -> None:
    """Keep one more; of a kind and a job the newest counts."""
    others = [x for x in read_films(folder) if (x.kind, x.job) != (film.kind, film.job)]
    rows = [
        {"kind": x.kind, "job": x.job, "film": f"{x.film_um:.3f}um", "u": f"{max(x.expanded_u_um, 0.001):.3f}um"}
        for x in (*others, film)
    ]
    write_toml(folder / FILE, {"format": FORMAT, "films": rows})
