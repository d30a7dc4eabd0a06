"""Study files: gauge pieces, photos of them (TOML); and what is kept of a phone afterwards.

How a study file looks stands in :data:`EXAMPLE`.  What is kept is one file for each study, ``phones/NAME.toml`` in the
data folder.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta

from gapvision.errors import require
from gapvision.formats.data_folder import PHONES
from gapvision.formats.declared import Declared, Length, Name, Refused, plain_data, read_declared
from gapvision.formats.toml import read_each, read_toml, write_toml
from gapvision.model import Lens, PhoneKey, PhoneProof, Piece, SheetCheck
from gapvision.targets.print_scale import print_scales
from gapvision.units import parse_edge

FORMAT, KEPT = "gapvision-study/1", "gapvision-phone/1"
_GAP_MM, _APART_MM = (1.0, 20.0), 0.3  # a gap whose ends differ more than this is no gauge

#: A study's file to fill in.
EXAMPLE = """\
format = "gapvision-study/1"
name = "grey phone, workshop light"
made_on = "2026-03-31"
caliper_u = "0.03mm"               # of the calipers, k = 2; their paper says it
check_length = "198.6mm"           # of the strips' sheet, or left out where 'gapvision sheet' remembers it
check_width = "149.2mm"
one_sheet = true                   # all strips are of one sheet, on one kind of magnet

[[pieces]]
name = "4.76 cut"
readings = ["4.76mm", "4.77mm", "4.76mm"]   # one end, middle, other end
edge = "cut"                       # how its edges are made, or left out: cut, rolled, rolled:3mm

[[photos]]
piece = "4.76 cut"
person = "first"                   # may be left out where one person took all
files = ["a1.jpg", "a2.jpg", "a3.jpg", "a4.jpg", "a5.jpg"]   # beside this file
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study as its file tells it; ``photos``: piece, person and path of each; ``settings``: of all measurements."""

    name: str
    made_on: str
    caliper_u_mm: float
    pieces: tuple[Piece, ...]
    photos: tuple[tuple[str, str, Path], ...]
    settings: dict[str, Any]

    def settings_of(self, name: str, sheets: tuple[SheetCheck, ...] = ()) -> dict[str, Any]:
        """Fields of Settings for photos of a piece; no study that is kept counts in them.

        ``sheets``: those whose check lines were told, where the study tells none itself.
        """
        piece = next(piece for piece in self.pieces if piece.name == name)
        known: dict[str, Any] = {} if "print_scale_checked" in self.settings else {"sheets": sheets}
        edges = {f"edge_{side}": piece.edge for side in "ab"}
        return self.settings | known | edges | {f"edge_{side}_radius_mm": piece.radius_mm for side in "ab"}


class _Piece(Declared):
    name: Name
    readings: Annotated[tuple[Length, ...], Meta(min_length=2, max_length=20)]
    edge: str | None = None

    def check(self) -> None:
        for k, mm in enumerate(self.readings):
            if not _GAP_MM[0] <= mm <= _GAP_MM[1]:
                raise Refused(f"A gap of {mm:g} mm is no gauge piece.", path=f".readings[{k}]")
        if max(self.readings) - min(self.readings) > _APART_MM:
            said = "The readings lie more than 0.3 mm apart."
            raise Refused(said, "Set the bars parallel: both shanks touch all along.", path=".readings")
        self.edges()

    def edges(self) -> tuple[str | None, float | None]:
        return parse_edge(self.edge) if self.edge else (None, None)


class _Photos(Declared):
    piece: Name
    files: Annotated[tuple[Name, ...], Meta(min_length=1, max_length=1000)]
    person: str = ""


class _File(Declared, kw_only=True):
    format: Literal["gapvision-study/1"]
    name: Annotated[str, Meta(min_length=1, max_length=60)]
    made_on: str
    caliper_u: Length
    pieces: Annotated[tuple[_Piece, ...], Meta(min_length=1, max_length=100)]
    photos: tuple[_Photos, ...]
    check_length: str | None = None
    check_width: str | None = None
    one_sheet: bool = False

    def check(self) -> None:
        _day(self.made_on)
        if not 0.001 <= self.caliper_u <= 0.5:
            raise Refused(f"Calipers of U {self.caliper_u:g} mm prove nothing here.", path=".caliper_u")
        names = [piece.name for piece in self.pieces]
        if len(set(names)) < len(names):
            raise Refused("Two pieces have one name.", path=".pieces")
        for k, some in enumerate(self.photos):
            if some.piece not in names:
                raise Refused(f"There is no piece '{some.piece[:60]}'.", path=f".photos[{k}].piece")
        files = [file for some in self.photos for file in some.files]
        if len(set(files)) < len(files):
            raise Refused("One photo stands twice.", "Take each photo anew: a copy proves nothing.", path=".photos")
        print_scales(self.check_length, self.check_width)


def _day(text: str) -> None:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise Refused(f"'{text[:40]}' is not a day like 2026-03-31.", path=".made_on") from None
    if day > date.today():
        raise Refused(f"{text} is still to come.", path=".made_on")


def read_study(path: str | Path) -> Study:
    """Read a study file.

    Raises
    ------
    GapvisionError
        ``file-not-found`` and the like; ``study-file-bad`` with the place and what is wrong there.
    """
    path = Path(path)
    return study_of(read_toml(path), path.parent, f"'{path.name}'")


def study_of(table: dict[str, Any], folder: Path, where: str) -> Study:
    """A study from what its file, or the page, tells; photos lie in ``folder``, ``where`` is what refusals call it.

    Raises
    ------
    GapvisionError
        ``study-file-bad`` with the place and what is wrong there.
    """
    told = read_declared(_File, table, where, "study-file-bad")
    along, across, checked = print_scales(told.check_length, told.check_width)
    settings: dict[str, Any] = {"one_sheet": told.one_sheet}
    if checked:
        settings |= {"print_scale_along": along, "print_scale_across": across, "print_scale_checked": True}
    pieces = []
    for p in told.pieces:
        kind, radius = p.edges()
        pieces.append(Piece(name=p.name, readings_mm=tuple(map(float, p.readings)), edge=kind, radius_mm=radius))
    photos = [(some.piece, some.person, folder / file) for some in told.photos for file in some.files]
    return Study(
        name=told.name, made_on=told.made_on, caliper_u_mm=float(told.caliper_u), pieces=tuple(pieces),
        photos=tuple(photos), settings=settings,
    )  # fmt: skip


class _Phone(Declared, kw_only=True):
    camera: Name
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    size_px: tuple[int, int]
    app: Annotated[str, Meta(max_length=200)] = ""
    zoom: float = 1.0


class _Lens(Declared, kw_only=True):
    focal_px: float
    k1: float
    k2: float
    std_u: tuple[float, float, float]
    correlation: tuple[float, float, float]


class _Kept(Declared, kw_only=True):
    format: Literal["gapvision-phone/1"]
    name: Name
    made_on: str
    photos: int
    phone: _Phone
    bias_mm: float
    bias_std_u_mm: float
    bias_proven: bool
    small_share: float
    growth: float
    lens: _Lens | None = None
    sheets: tuple[int, ...] = ()
    print_scales: tuple[tuple[float, float], ...] = ()
    digest: str = ""

    def check(self) -> None:
        _day(self.made_on)
        self.proof()

    def proof(self) -> PhoneProof:
        return self.to(PhoneProof, phone=self.phone.to(PhoneKey), lens=self.lens and self.lens.to(Lens))


def read_phones(folder: Path) -> tuple[PhoneProof, ...]:
    """The studies kept in a data folder, by file name.

    Raises
    ------
    GapvisionError
        ``proof-file-bad`` with the file and what is wrong in it.
    """
    return read_each(folder / PHONES, _read, "proof-file-bad")


def write_phone(folder: Path, proof: PhoneProof) -> Path:
    """Keep a study's figures; those kept before under its name are replaced.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``.
    """
    table: dict[str, Any] = {"format": KEPT} | plain_data(proof, 5)
    table["phone"] = {name: value for name, value in table["phone"].items() if value is not None}
    if proof.lens is None:
        del table["lens"]
    table["digest"] = _digest(table)
    # Names that differ in other letters only are studies of their own.
    plain = re.sub(r"[^a-z0-9]+", "-", proof.name.casefold()).strip("-") or "phone"
    path = folder / PHONES / f"{plain}-{hashlib.sha256(proof.name.encode()).hexdigest()[:8]}.toml"
    write_toml(path, table)
    return path


def _read(path: Path) -> PhoneProof:
    table = read_toml(path)
    kept = read_declared(_Kept, table, f"'{path}'", "proof-file-bad")
    same = kept.digest == _digest({name: value for name, value in table.items() if name != "digest"})
    why = "was changed after the study was kept" if kept.digest else "has no digest: earlier gapvisions kept none"
    require("proof-file-bad", same, f"'{path}' {why}.")
    return kept.proof()


def _digest(table: dict[str, Any]) -> str:
    """Tells a figure that was changed by hand or by a bad disk; it is no signature."""
    return hashlib.sha256(json.dumps(table, sort_keys=True).encode()).hexdigest()[:16]
