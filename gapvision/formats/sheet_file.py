"""What a printed sheet's check lines measured, remembered: one small file for each sheet.

``sheets/407122947.toml`` in the data folder::

    format = "gapvision-sheet/1"
    sheet = 407122947
    check_length = "198.6mm"           # the line of 200 mm, along the strips
    check_width = "149.2mm"            # the line of 150 mm, across them
    checked_on = "2026-03-31"

A file of its own for each, so that two phones that tell two sheets at once do not undo each other.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Literal

from gapvision.formats.data_folder import SHEETS as FOLDER
from gapvision.formats.declared import Declared, Length, Refused, read_declared
from gapvision.formats.toml import read_each, read_toml, write_toml
from gapvision.model import SheetCheck
from gapvision.targets.sheet_code import is_sheet
from gapvision.targets.strip import CHECK_ACROSS_MM, CHECK_ALONG_MM

FORMAT = "gapvision-sheet/1"


class _File(Declared):
    format: Literal["gapvision-sheet/1"]
    sheet: int
    check_length: Length
    check_width: Length
    checked_on: str

    def check(self) -> None:
        if not is_sheet(self.sheet):
            raise Refused(f"{self.sheet} is not the number of a sheet.", path=".sheet")
        try:
            date.fromisoformat(self.checked_on)
        except ValueError:
            raise Refused(f"'{self.checked_on[:40]}' is not a day like 2026-03-31.", path=".checked_on") from None


def read_sheets(folder: Path) -> tuple[SheetCheck, ...]:
    """The sheets that are remembered in a data folder, by number.

    Raises
    ------
    GapvisionError
        ``sheet-file-bad`` with the file and what is wrong in it.
    """
    return read_each(folder / FOLDER, _read, "sheet-file-bad")


def write_sheet(folder: Path, check: SheetCheck) -> None:
    """Remember a sheet's check lines; what was remembered of it before is replaced.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``.
    """
    table = {"format": FORMAT, "sheet": check.sheet}
    for name, mm in zip(("check_length", "check_width"), check_lengths_mm(check), strict=True):
        table[name] = f"{round(mm, 3):g}mm"
    table["checked_on"] = check.checked_on
    write_toml(folder / FOLDER / f"{check.sheet}.toml", table)


def check_lengths_mm(check: SheetCheck) -> tuple[float, float]:
    """What the lines of 200 mm and of 150 mm measured on a sheet [mm]."""
    return check.print_scale_along * CHECK_ALONG_MM, check.print_scale_across * CHECK_ACROSS_MM


def _read(path: Path) -> SheetCheck:
    told = read_declared(_File, read_toml(path), f"'{path}'", "sheet-file-bad")
    along, across = told.check_length / CHECK_ALONG_MM, told.check_width / CHECK_ACROSS_MM
    return SheetCheck(sheet=told.sheet, print_scale_along=along, print_scale_across=across, checked_on=told.checked_on)
