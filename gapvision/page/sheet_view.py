"""The check lines of numbered sheets: asked for once, beside the first photo that shows one, and remembered."""

from __future__ import annotations

from datetime import date

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.formats.sheet_file import check_lengths_mm, read_sheets, write_sheet
from gapvision.formats.study_file import read_phones
from gapvision.model import Measurement, PhoneProof, SheetCheck
from gapvision.page import widgets
from gapvision.records import data_folder
from gapvision.targets.print_scale import print_scales
from gapvision.targets.sheet_code import sheet_text


def known_sheets() -> tuple[SheetCheck, ...]:
    """The sheets whose check lines were told."""
    return read_sheets(data_folder())


def known_phones() -> tuple[PhoneProof, ...]:
    """The studies of phones that are kept."""
    return read_phones(data_folder())


def show(measurement: Measurement) -> None:
    """Say of each sheet that the photo shows when it was checked, or ask for its check lines."""
    letters: dict[int, list[str]] = {}
    for view in measurement.photo.strips:
        if view.sheet is not None:
            letters.setdefault(view.sheet, []).append(view.letter)
    known = {check.sheet: check for check in known_sheets()}
    # Always there, so that the boxes below it stay open.
    with st.container():
        for sheet, strips in letters.items():
            name = f"Sheet {sheet_text(sheet)} (strip {', '.join(strips)})"
            if sheet in known:
                along, across = (widgets.lengths().small(mm) for mm in check_lengths_mm(known[sheet]))
                st.caption(f"{name}: check lines {along} and {across}, measured on {known[sheet].checked_on}.")
            else:
                _ask(sheet, name)


def _ask(sheet: int, name: str) -> None:
    """Ask for both check lines of a sheet, once."""
    st.write(
        f"**{name} is unchecked.** Measure both check lines on the printed sheet with a steel rule and tell them once: "
        "they are remembered for all photos of its strips. Until then U allows for a printer that scales."
    )
    length, width = widgets.text_fields(
        ("Its 200 mm line measures", f"sheet_length_{sheet}", "e.g. 198.6mm"),
        ("Its 150 mm line measures", f"sheet_width_{sheet}", "e.g. 149.2mm"),
    )
    if not st.button("Remember for this sheet", key=f"keep_sheet_{sheet}"):
        return
    with widgets.telling():
        if not (length.strip() and width.strip()):
            said = "Both lines are needed: printers do not scale alike both ways."
            raise GapvisionError("value-out-of-range", said, "Give both lengths.")
        along, across, _ = print_scales(length, width)
        today = date.today().isoformat()
        check = SheetCheck(sheet=sheet, print_scale_along=along, print_scale_across=across, checked_on=today)
        write_sheet(data_folder(), check)
        st.rerun()
