"""What the page asks of the rooms below, without Streamlit: measure once, remember, prepare pictures."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from gapvision.errors import GapvisionError
from gapvision.geometry.leaving_out import leave_out
from gapvision.limits import LEAST_PX_PER_TOLERANCE
from gapvision.model import ExtraLine, LeftOut, Measurement, Notice, Settings, Verdict
from gapvision.recipe import measure_photo

_T = TypeVar("_T")
_KEPT_MEASUREMENTS = 200
_KEPT_PICTURES = 24
#: Photos decoded and measured at the same time; more would only fill the memory (a 48-megapixel photo takes most).
_AT_ONCE = threading.BoundedSemaphore(2)


class _Memory:
    """Last results by key; a second asker for the same key waits for the first instead of working too."""

    def __init__(self, size: int) -> None:
        self._size, self._kept, self._lock = size, OrderedDict[Any, Any](), threading.Lock()
        self._busy: dict[Any, threading.Lock] = {}

    def get(self, key: Any, make: Callable[[], _T]) -> _T:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]  # type: ignore[no-any-return]
            busy = self._busy.setdefault(key, threading.Lock())
        with busy:
            with self._lock:
                if key in self._kept:
                    return self._kept[key]  # type: ignore[no-any-return]
            try:
                value = make()
                with self._lock:
                    self._kept[key] = value
                    while len(self._kept) > self._size:
                        self._kept.popitem(last=False)
            finally:
                with self._lock:
                    self._busy.pop(key, None)
        return value


_measurements, _pictures = _Memory(_KEPT_MEASUREMENTS), _Memory(_KEPT_PICTURES)
_advised, _shortened, _looks = (_Memory(_KEPT_MEASUREMENTS) for _ in range(3))


def measure(path: Path, name: str, sha256: str, settings: Settings) -> Measurement:
    """Measure a photo, or give the measurement that is still remembered.

    The tolerance is no part of the measurement: another one with the same settings costs nothing.

    Raises
    ------
    GapvisionError
        If the file cannot be read.
    """

    def work() -> Measurement:
        from gapvision.intake.photo import read_photo

        with _AT_ONCE:
            try:
                photo = read_photo(path, name)
                return measure_photo(photo, settings)
            except MemoryError:
                raise GapvisionError("file-too-large", "There is not enough memory to open the picture.") from None

    # The tolerance only decides a piece of advice; measuring again for it would be slow and give the same numbers.
    measurement = _measurements.get((sha256, name, replace(settings, tolerance_mm=None)), work)
    return _with_resolution_advice(measurement, settings.tolerance_mm)


def _with_resolution_advice(measurement: Measurement, tolerance_mm: float | None) -> Measurement:
    """Add the advice about too few pixels for the tolerance, as measuring with the tolerance would."""
    if tolerance_mm is None or measurement.scale is None:
        return measurement
    if measurement.scale.px_per_mm * tolerance_mm >= LEAST_PX_PER_TOLERANCE.value:
        return measurement
    advice = Notice(code="resolution-low")
    return _advised.get(
        measurement, lambda: replace(measurement, status="warn", notices=(advice, *measurement.notices))
    )


def without_spans(measurement: Measurement, spans: tuple[LeftOut, ...]) -> Measurement:
    """Leave out what a person has left out."""
    return _shortened.get((measurement, spans), lambda: leave_out(measurement, spans)) if spans else measurement


def remembered(key: Any, make: Callable[[], _T]) -> _T:
    """What ``make`` gives, from memory when it was made lately; two photos at most are decoded at a time."""

    def work() -> _T:
        with _AT_ONCE:
            return make()

    return _pictures.get(key, work)


def quick_look(path: Path, name: str, sha256: str) -> list[Notice]:
    """Whether a photo will do, at once and without measuring it; empty: good.

    Raises
    ------
    GapvisionError
        If the file cannot be read.
    """

    def work() -> list[Notice]:
        from gapvision.intake.photo import read_photo
        from gapvision.vision.quality import quick_check

        with _AT_ONCE:
            return quick_check(read_photo(path, name))

    return _looks.get(sha256, work)


def picture(path: Path, sha256: str, longest_px: int) -> bytes:
    """An upright JPEG of a photo for looking at, without its metadata."""

    def work() -> bytes:
        from PIL import Image

        from gapvision.intake.photo import read_colour

        with _AT_ONCE:
            pixels = read_colour(path, max_side_px=longest_px)
        buffer = io.BytesIO()
        Image.fromarray(pixels).save(buffer, format="JPEG", quality=88)
        return buffer.getvalue()

    return _pictures.get((sha256, longest_px), work)


def profile_plot(
    measurement: Measurement, verdict: Verdict | None, unit: str, kind: str, more: tuple[ExtraLine, ...] = ()
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
