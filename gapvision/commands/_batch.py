"""Measure orders, one in this process or many on all cores.

A worker process measures and writes its photo's files itself and sends back only a
short outcome, so that no pixels and no arrays travel between processes.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from gapvision import words
from gapvision.errors import GapvisionError

if TYPE_CHECKING:
    from gapvision.model import Measurement, Specification, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One photo to measure and what to write about it; ``known``: settings that state edges and step."""

    photo: Path
    spec: Specification | None = None
    print_scale_along: float = 1.0
    print_scale_across: float = 1.0
    print_scale_checked: bool = False
    seam: tuple[tuple[float, float], ...] | None = None
    edges: str = "auto"
    known: dict[str, Any] = field(default_factory=dict)
    outputs: dict[str, Path] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of an order.

    Attributes
    ----------
    status : str
        ``ok``, ``warn``, ``refused`` or ``error``.
    failed : tuple of str or None
        Code, message and advice when the file could not be read or written.
    warnings : tuple of tuple of str
        Code, message and advice of each warning or refusal.
    out_mm, open_mm : float
        Length of seam out of tolerance and not proven [mm].
    """

    file: str
    status: str
    table: str = ""
    failed: tuple[str, str, str] | None = None
    warnings: tuple[tuple[str, str, str], ...] = ()
    stations: int = 0
    mean_mm: float = float("nan")
    min_mm: float = float("nan")
    max_mm: float = float("nan")
    u_mm: float = float("nan")
    out_mm: float = 0.0
    open_mm: float = 0.0


def measure_one(order: Order) -> Outcome:
    """Measure one photo and write its files; a fault becomes part of the outcome."""
    try:
        return _measure(order)
    except GapvisionError as error:
        return Outcome(file=order.photo.name, status="error", failed=(error.code, error.message, error.next_step))
    except MemoryError:
        failed = ("file-too-large", "There is not enough memory to open the picture.", "Use a smaller picture size.")
        return Outcome(file=order.photo.name, status="error", failed=failed)


def measure_all(orders: list[Order], stream: TextIO | None = None) -> list[Outcome]:
    """Measure many photos on all cores, with a progress bar.

    Parameters
    ----------
    orders : list of Order
        What to measure.
    stream : file, optional
        Where the bar goes; standard error when None.

    Returns
    -------
    list of Outcome
        In the order given.  A photo that brings its worker down is reported and the rest goes on.
    """
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    bar = _Bar(len(orders), stream or sys.stderr)
    outcomes: dict[int, Outcome] = {}
    waiting = list(range(len(orders)))
    workers = min(os.cpu_count() or 1, len(orders))
    while waiting:
        # 'spawn': a forked OpenCV may hang.
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_start_worker) as pool:
            jobs = {pool.submit(measure_one, orders[k]): k for k in waiting}
            for job in as_completed(jobs):
                try:
                    outcomes[jobs[job]] = job.result()
                except BrokenProcessPool:
                    continue
                bar.step(outcomes[jobs[job]].file)
        waiting = [k for k in waiting if k not in outcomes]
        if waiting and workers == 1:  # alone in its process and still down: this photo is the one
            lost = waiting.pop(0)
            failed = (
                "file-unreadable",
                "Measuring this photo brought its process down.",
                "Copy the photo from the phone again.",
            )
            outcomes[lost] = Outcome(file=orders[lost].photo.name, status="error", failed=failed)
            bar.step(orders[lost].photo.name)
        workers = 1
    bar.close()
    return [outcomes[k] for k in range(len(orders))]


def _start_worker() -> None:
    """Keep OpenCV to one thread: the processes already fill the cores."""
    import cv2

    cv2.setNumThreads(1)


def _measure(order: Order) -> Outcome:
    from gapvision.intake.photo import read_photo
    from gapvision.model import Settings
    from gapvision.recipe import measure_photo

    check_outputs(order)
    photo = read_photo(order.photo)
    settings = Settings(
        print_scale_along=order.print_scale_along,
        print_scale_across=order.print_scale_across,
        print_scale_checked=order.print_scale_checked,
        seam_hint_px=order.seam,
        tolerance_mm=None if order.spec is None else order.spec.half_width_mm,
        edges=order.edges,
        **order.known,
    )
    measurement = measure_photo(photo, settings)
    verdict = verdict_of(measurement, order)
    written = write_outputs(measurement, verdict, order)
    return _outcome(order, measurement, verdict, written)


def verdict_of(measurement: Measurement, order: Order) -> Verdict | None:
    """The decision by the order's tolerance; None without one, or when the photo was refused."""
    from gapvision.judgement import judge_measurement

    if order.spec is None or measurement.profile is None:
        return None
    return judge_measurement(measurement, order.spec)


def write_outputs(measurement: Measurement, verdict: Verdict | None, order: Order) -> list[Path]:
    """Write the files that the order asks for; a refused photo gets its JSON and no plot."""
    written = []
    for kind, path in order.outputs.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _no_folder(path, error) from None
        if kind == "json":
            from gapvision.formats.measurement_json import write

            write(measurement, path)
        elif kind == "csv" and measurement.profile is not None:
            from gapvision.formats.table import write_csv

            write_csv(measurement, path, verdict)
        elif kind == "plot" and measurement.profile is not None:
            from gapvision.reports.figures import draw_profile, write_figure

            write_figure(draw_profile(measurement, verdict), path)
        elif kind == "overlay":
            _write_overlay(measurement, verdict, order.photo, path)
        else:
            continue
        written.append(path)
    return written


def check_outputs(order: Order) -> None:
    """Refuse before the photo is read what :func:`write_outputs` would refuse after all the measuring.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` on an unknown ending, ``folder-not-writable``.
    """
    from gapvision.formats.atomic import check_folder, check_whole

    for kind, path in order.outputs.items():
        try:
            check_folder(path.parent)
        except OSError as error:
            raise _no_folder(path, error) from None
        if kind in ("plot", "overlay"):
            from gapvision.reports.figures import figure_kind

            (figure_kind if kind == "plot" else _overlay_kind)(path)
        if path.parent.is_dir():
            check_whole(path)


def _no_folder(path: Path, error: OSError) -> GapvisionError:
    message = f"The folder '{path.parent}' could not be made: {error.strerror}."
    return GapvisionError("folder-not-writable", message)


def _overlay_kind(path: Path) -> str:
    """Say which format the ending of an overlay's name stands for."""
    kind = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG"}.get(path.suffix.lower())
    if kind is None:
        raise GapvisionError(
            "value-out-of-range", f"A picture cannot be written as '{path.name}'.", "End its name with .png or .jpg."
        )
    return kind


def _write_overlay(measurement: Measurement, verdict: Verdict | None, photo: Path, path: Path) -> None:
    from gapvision.formats.atomic import write_whole
    from gapvision.intake.photo import read_colour
    from gapvision.reports.overlay import draw_overlay, overlay_bytes

    kind = _overlay_kind(path)
    pixels = read_colour(photo, max_side_px=1800)
    write_whole(path, overlay_bytes(draw_overlay(pixels, measurement, verdict), kind))


def _outcome(order: Order, measurement: Measurement, verdict: Verdict | None, written: list[Path]) -> Outcome:
    from gapvision.reports.terminal import describe

    table = describe(measurement, verdict)
    if written:
        table += "written: " + ", ".join(str(p) for p in written) + "\n"
    notes = tuple((n.code, *words.notice(n, words.MM)) for n in measurement.notices if n.kind != "note")
    if measurement.profile is None or measurement.summary is None:
        return Outcome(file=order.photo.name, status=measurement.status, table=table, warnings=notes)
    from statistics import median

    return Outcome(
        file=order.photo.name,
        status=measurement.status,
        table=table,
        warnings=notes,
        stations=len(measurement.profile.s_mm),
        mean_mm=measurement.summary.mean_mm,
        min_mm=measurement.summary.min_mm,
        max_mm=measurement.summary.max_mm,
        u_mm=median(measurement.profile.expanded_u_mm.tolist()),
        out_mm=0.0 if verdict is None else verdict.out_mm,
        open_mm=0.0 if verdict is None else verdict.open_mm,
    )


class _Bar:
    """Progress on a terminal as one moving line, elsewhere as a line per photo."""

    def __init__(self, total: int, stream: TextIO) -> None:
        self.total, self.done, self.stream = total, 0, stream
        self.moving = stream.isatty()
        self._show("")

    def step(self, name: str) -> None:
        """Count one photo."""
        self.done += 1
        self._show(name)

    def _show(self, name: str) -> None:
        full = round(30 * self.done / max(self.total, 1))
        line = f"[{'#' * full}{'.' * (30 - full)}] {self.done}/{self.total} {name}"
        self.stream.write(f"\r{line[:100]:<100}" if self.moving else f"{line}\n")
        self.stream.flush()

    def close(self) -> None:
        """End the moving line."""
        if self.moving:
            self.stream.write("\n")
