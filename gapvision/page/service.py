"""What the page asks of the rooms below, without Streamlit: measure once, remember, prepare pictures."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from gapvision.errors import GapvisionError
from gapvision.geometry.leaving_out import leave_out
from gapvision.limits import LEAST_PX_PER_TOLERANCE
from gapvision.model import ExtraLine, LeftOut, Measurement, Notice, Settings, Verdict
from gapvision.page.inbox import InboxPhoto
from gapvision.several import Shot, measure_photos

_T = TypeVar("_T")
#: What is said of a photo in which nothing speaks against measuring it: not whether its seam is any good.
WILL_DO = "photo will do"
_KEPT_MEASUREMENTS = 200
_KEPT_PICTURES = 24
#: Photos decoded and measured at the same time; more would only fill the memory (a 48-megapixel photo takes most).
_AT_ONCE = threading.BoundedSemaphore(2)


class _Memory:
    """Last results by key; a second asker for the same key waits for the first instead of working too."""

    def __init__(self, size: int) -> None:
        self._size, self._kept, self._lock = size, OrderedDict[Any, Future[Any]](), threading.Lock()

    def get(self, key: Any, make: Callable[[], _T]) -> _T:
        with self._lock:
            mine = key not in self._kept
            result: Future[_T] = self._kept.setdefault(key, Future())
            self._kept.move_to_end(key)
            while len(self._kept) > self._size:
                self._kept.popitem(last=False)
        if mine:
            try:
                result.set_result(make())
            except BaseException as error:
                with self._lock:
                    self._kept.pop(key, None)
                result.set_exception(error)
        return result.result()


_measurements, _pictures = _Memory(_KEPT_MEASUREMENTS), _Memory(_KEPT_PICTURES)
_advised, _shortened, _looks, _verdicts, _parts = (_Memory(_KEPT_MEASUREMENTS) for _ in range(5))


def measure(photos: Sequence[tuple[Path, str, str]], settings: Settings) -> Measurement:
    """Measure a photo, or several of one seam together, or give the measurement that is still remembered.

    ``photos``: where each lies, its name, its SHA-256.

    The tolerance is no part of the measurement: another one with the same settings costs nothing.

    Raises
    ------
    GapvisionError
        If a file cannot be read, or there are too many of them.
    """

    def work() -> Measurement:
        from gapvision.intake.photo import read_photo

        with _AT_ONCE:
            try:
                # One after the other: forty at once would fill the memory.
                shots = [Shot(name, partial(read_photo, path, name)) for path, name, _ in photos]
                return measure_photos(shots, settings, remember=_parts.get)
            except MemoryError:
                raise GapvisionError("file-too-large", "There is not enough memory to open the picture.") from None

    # The tolerance only decides a piece of advice; measuring again for it would be slow and give the same numbers.
    key = tuple((name, sha256) for _, name, sha256 in photos), replace(settings, tolerance_mm=None)
    measurement = _measurements.get(key, work)
    return _with_resolution_advice(measurement, settings.tolerance_mm)


def _with_resolution_advice(measurement: Measurement, tolerance_mm: float | None) -> Measurement:
    """Add the advice about too few pixels for the tolerance, as measuring with the tolerance would."""
    least, scale = LEAST_PX_PER_TOLERANCE.value, measurement.scale
    if tolerance_mm is None or scale is None or scale.px_per_mm * tolerance_mm >= least:
        return measurement
    notices = (Notice(code="resolution-low"), *measurement.notices)
    return _advised.get(measurement, lambda: replace(measurement, status="warn", notices=notices))


def without_spans(measurement: Measurement, spans: tuple[LeftOut, ...]) -> Measurement:
    """Leave out what a person has left out."""
    return _shortened.get((measurement, spans), lambda: leave_out(measurement, spans)) if spans else measurement


def decided(key: Any, make: Callable[[], _T]) -> _T:
    """A verdict that was looked up lately, or what ``make`` gives."""
    return _verdicts.get(key, make)


def remembered(key: Any, make: Callable[[], _T]) -> _T:
    """What ``make`` gives, from memory when it was made lately; two photos at most are decoded at a time."""

    def work() -> _T:
        with _AT_ONCE:
            return make()

    return _pictures.get(key, work)


def quick_words(photo: InboxPhoto) -> tuple[str, str]:
    """Whether a photo will do, at once and without measuring it, or what is wrong and what to do; and its code."""

    def work() -> list[Notice]:
        from gapvision.intake.photo import read_photo
        from gapvision.vision.quality import quick_check

        with _AT_ONCE:
            return quick_check(read_photo(photo.path, photo.name))

    try:
        notices = _looks.get(photo.sha256, work)
    except GapvisionError as error:
        return str(error), error.code
    return (f"{notices[0].message} {notices[0].advice}", notices[0].code) if notices else (WILL_DO, "")


def picture(path: Path, sha256: str, longest_px: int) -> bytes:
    """An upright JPEG of a photo for looking at, without its metadata."""

    def make() -> bytes:
        from PIL import Image

        from gapvision.intake.photo import read_colour
        from gapvision.reports.overlay import overlay_bytes

        return overlay_bytes(Image.fromarray(read_colour(path, max_side_px=longest_px)), "JPEG")

    return remembered((sha256, longest_px), make)


def profile_plot(
    measurement: Measurement, verdict: Verdict | None, unit: str, more: Sequence[ExtraLine], kind: str
) -> bytes:
    """The profile with its further lines as ``png`` or ``svg``."""
    from gapvision.reports.figures import draw_profile, figure_bytes

    return figure_bytes(draw_profile(measurement, verdict, more=more, unit=unit), kind)


def straightness_plot(measurement: Measurement, unit: str, kind: str) -> bytes:
    """Both edges' form as ``png`` or ``svg``."""
    from gapvision.reports.figures import draw_straightness, figure_bytes

    return figure_bytes(draw_straightness(measurement, unit=unit), kind)


def overlay(path: Path, measurement: Measurement, verdict: Verdict | None, unit: str) -> bytes:
    """The photo with the measurement drawn on it, PNG."""
    from gapvision.intake.photo import read_colour
    from gapvision.reports.overlay import draw_overlay, overlay_bytes

    with _AT_ONCE:
        return overlay_bytes(draw_overlay(read_colour(path, max_side_px=1800), measurement, verdict, unit=unit))


def work_card(
    path: Path, measurement: Measurement, verdict: Verdict, unit: str, title: str, lines: Sequence[str],
    cautions: Sequence[str],
) -> bytes:  # fmt: skip
    """The work card as PDF, the photo with the seam marked on it."""
    from gapvision.intake.photo import read_colour
    from gapvision.reports.overlay import draw_overlay
    from gapvision.reports.work_card import work_card_bytes

    with _AT_ONCE:
        picture = draw_overlay(read_colour(path, max_side_px=1800), measurement, verdict, unit=unit)
    return work_card_bytes(title, lines, picture, cautions, "a4" if unit == "mm" else "letter")
