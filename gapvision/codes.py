"""Registry of every refusal, warning and note that gapvision can give.

The README's table, the page and the tests are made from this list, so that
code, table and manual cannot drift apart.

Kinds
-----
refusal
    The photo, file or request cannot be used; nothing is measured.
warning
    Measured, but a person must look: the status becomes ``warn``.
note
    Good to know; the status stays ``ok``.
usage
    A command was called with something that cannot be understood (exit code 2).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Code:
    """One registered code.

    Attributes
    ----------
    name : str
        Kebab-case reference.
    kind : str
        ``refusal``, ``warning``, ``note`` or ``usage``.
    text : str
        Default sentence: what is wrong.
    next_step : str
        Default advice: what to do.
    """

    name: str
    kind: str
    text: str
    next_step: str


_KINDS = ("refusal", "warning", "note", "usage")

_ALL = (
    # --- reading files -------------------------------------------------------------
    Code("file-not-found", "usage", "The file could not be found.", "Check the name and the folder, then try again."),
    Code("file-unreadable", "usage", "The file could not be read as a picture.",
         "Choose a JPEG, PNG, TIFF, WebP or HEIC photo, or copy it from the phone again."),
    Code("file-too-large", "usage", "The picture is larger than gapvision will open.",
         "Use the photo as the phone stored it, or a smaller picture size in the camera's settings."),
    Code("file-empty", "usage", "The file is empty.", "Copy the photo from the phone again."),
    Code("length-not-understood", "usage", "The length could not be understood.",
         "Write it like 4.76mm, 0.1875in or 3/16in."),
    Code("value-out-of-range", "usage", "A value is outside what makes sense here.",
         "Check the value and its unit, then try again."),
    Code("measurement-file-bad", "usage", "The file is not a gapvision measurement.",
         "Choose a file written by 'gapvision measure --json'."),
    Code("folder-not-writable", "usage", "The result could not be written there.",
         "Choose another folder or free some space, then try again."),
    # --- printing strips -----------------------------------------------------------
    Code("paper-unknown", "usage", "There is no sheet for that paper.", "Choose --paper a4 or --paper letter."),
    Code("strip-letters-not-understood", "usage", "It is not clear which strips are wanted.",
         "Write the letters like A-D or A,C; strips run from A to H."),
)

CODES: dict[str, Code] = {c.name: c for c in _ALL}

if len(CODES) != len(_ALL):  # pragma: no cover - a programming fault, caught on import
    raise ValueError("a code is listed twice")
for _c in _ALL:
    if _c.kind not in _KINDS or not _c.text or not _c.next_step:  # pragma: no cover
        raise ValueError(f"code {_c.name} is not complete")
