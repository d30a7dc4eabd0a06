"""gapvision: the gap along a panel seam, from one photo with a printed strip beside it.

A photo is measured and judged in three lines.  It may be a path, the bytes of a file, or an array of pixels:

>>> from importlib.resources import files
>>> photo = files("gapvision") / "samples" / "left_door_2.jpg"

>>> import gapvision
>>> seam = gapvision.measure(photo, print_scale=(1.0, 1.0))
>>> verdict = gapvision.judge(seam, nominal="3/16in", tolerance="0.5mm")

``print_scale`` is what the sheet's check lines measure over what they should, along and across the strips; leave it
out if they were not measured.  Whatever else is known of the seam goes in by name, as in ``gapvision.Settings``:

>>> tapped = gapvision.measure(photo, seam_hint_px=[(300, 880), (2100, 900)], edge_a="rolled")
>>> [notice.code for notice in tapped.notices]
['sheets-unknown', 'print-scale-unchecked', 'known-stated']

The gap and its expanded uncertainty (k = 2, about 95 %) are arrays, one number for each station, in mm:

>>> seam.status, seam.profile.gap_mm.shape == seam.profile.expanded_u_mm.shape == seam.profile.s_mm.shape
('ok', True)
>>> print(f"{seam.profile.gap_mm.max():.1f} mm, U {seam.profile.expanded_u_mm.max():.1f} mm")
5.0 mm, U 0.2 mm

The verdict has a state for the seam, for each station and for each span:

>>> verdict.state
'out of tolerance'
>>> [(span.state, span.side) for span in verdict.marked]
[('not proven', 'tight'), ('out of tolerance', 'tight'), ('not proven', 'tight')]
>>> print(f"{verdict.worst.excess_mm:.1f} mm beyond its limit")
0.4 mm beyond its limit

Numbers and reasons are data; ``gapvision.words`` says them, in ``mm``, ``in`` or ``fraction``:

>>> from gapvision import words
>>> print(words.verdict_sentence(verdict, words.Lengths("mm")))  # doctest: +ELLIPSIS
Out of tolerance. Rule: accept only what is proven: ...

A photo that cannot be measured is refused with advice; a file that cannot be read raises ``GapvisionError``:

>>> import numpy as np
>>> refused = gapvision.measure(np.full((600, 800), 128, np.uint8))
>>> refused.status, refused.notices[0].code
('refused', 'strip-not-found')
>>> gapvision.measure("no_such.jpg")
Traceback (most recent call last):
    ...
gapvision.errors.GapvisionError: 'no_such.jpg' was not found. Check the name and the folder, then try again.

Columns for a table, arrays with one entry a station:

>>> import pandas
>>> table = pandas.DataFrame(seam.to_table())
>>> list(table.columns[:3]), len(table) == len(seam.profile.s_mm)
(['s_mm', 'gap_mm', 'expanded_u_mm'], True)

``gapvision.plan("bonnet.toml")`` says what to do to a panel, from a panel file and the measurements that it names.
``write`` and ``read`` of ``gapvision.formats.measurement_json`` keep a measurement in a file; ``judge`` takes it too.
The types are those of ``gapvision.model`` and stand here too, as in ``help(gapvision.Settings)``;
``gapvision.codes.CODES`` has every refusal, warning and note.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

__version__ = "0.2.0"

#: Raised whenever a change moves a measured number, so that old records stay comparable.
METHOD_VERSION = 13

if TYPE_CHECKING:
    from gapvision.errors import GapvisionError as GapvisionError
    from gapvision.intake.photo import read_photo as read_photo
    from gapvision.library import judge as judge
    from gapvision.library import measure as measure
    from gapvision.library import plan as plan
    from gapvision.model import *  # noqa: F403
else:
    _HOMES = {
        "read_photo": "intake.photo",
        "measure": "library",
        "judge": "library",
        "plan": "library",
        "GapvisionError": "errors",
    }

    #: For help() and for ``from gapvision import *``; the types are there too, but fill thousands of lines.
    __all__ = list(_HOMES)

    def __getattr__(name):
        """Load on first use: whoever only asks for the version waits for no library of pictures."""
        from importlib import import_module

        home = _HOMES.get(name, "model" if name[:1].isupper() else "")
        if not home:
            raise AttributeError(f"module 'gapvision' has no attribute {name!r}")
        return getattr(import_module(f"gapvision.{home}"), name)

    def __dir__():
        from gapvision import model

        return [*globals(), *_HOMES, *(name for name in vars(model) if name[0].isupper())]
