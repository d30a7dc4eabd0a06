"""Measure orders, one in this process or many on all cores.

A worker process measures and writes its photo's files itself and sends back only a
short outcome, so that no pixels and no arrays travel between processes.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.atomic import make_folder
from gapvision.words import MM, Lengths

if TYPE_CHECKING:
    from gapvision.model import DecisionRule, Measurement, Specification, Verdict

Said = tuple[str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One photo to measure, how to judge it, and what to write about it; ``settings``: fields of Settings.

    ``others``: further photos of its seam, to be measured together with it; ``coached``: what the next should be is
    said.
    """

    photo: Path
    others: tuple[Path, ...] = ()
    coached: bool = False
    spec: Specification | None = None
    rule: DecisionRule | None = None
    settings: dict[str, Any] = field(default_factory=dict)
    outputs: dict[str, Path] = field(default_factory=dict)
    say: Lengths = MM
    table: bool = False
    csv_style: str = "comma"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of an order.

    Attributes
    ----------
    status : str
        ``ok``, ``warn``, ``refused`` or ``error``.
    state : str
        The verdict's; empty without one.
    told : str
        All that is said of the photo alone.
    answer : str
        The answer in a few sentences; empty for a photo without one.
    failed : tuple of str or None
        Code, message and advice when the photo could not be read.
    unwritten : tuple of tuple of str
        The same of each file that could not be written.
    notices : tuple of tuple of str
        Code, message and advice of each refusal, warning and note.
    row : str
        Its numbers, for a table of many photos.
    """

    file: str
    status: str
    state: str = ""
    told: str = ""
    answer: str = ""
    failed: Said | None = None
    unwritten: tuple[Said, ...] = ()
    written: tuple[Path, ...] = ()
    notices: tuple[Said, ...] = ()
    row: str = ""


def measure_one(order: Order, progress: Callable[[int, int], object] | None = None) -> Outcome:
    """Measure one photo, or those of one seam, and write its files; a fault becomes part of the outcome."""
    try:
        return _measure(order, progress)
    except GapvisionError as error:
        return Outcome(file=order.photo.name, status="error", failed=(error.code, error.message, error.next_step))
    except MemoryError:
        failed = ("file-too-large", "There is not enough memory to open the picture.", "Use a smaller picture size.")
        return Outcome(file=order.photo.name, status="error", failed=failed)


def measure_all(orders: list[Order], progress: Callable[[int, int, str], object]) -> tuple[list[Outcome], bool]:
    """Measure many photos on all cores.

    Parameters
    ----------
    orders : list of Order
        What to measure.
    progress : callable
        Called with (photos done, photos in all, the last one's name).

    Returns
    -------
    outcomes : list of Outcome
        In the order given.  A photo that brings its worker down is reported and the rest goes on.
    stopped : bool
        Whether Ctrl+C came first; then the outcomes are those of the photos that were done.
    """
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    outcomes: dict[int, Outcome] = {}
    waiting = list(range(len(orders)))
    workers = min(os.cpu_count() or 1, len(orders))
    stopped = False
    progress(0, len(orders), "")
    while waiting and not stopped:
        # 'spawn': a forked OpenCV may hang.
        pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_start_worker)
        try:
            heard = signal.signal(signal.SIGINT, signal.SIG_IGN)  # the workers start deaf to Ctrl+C: it is this one's
            jobs = {pool.submit(measure_one, orders[k]): k for k in waiting}
            signal.signal(signal.SIGINT, heard)
            for job in as_completed(jobs):
                try:
                    outcomes[jobs[job]] = job.result()
                except BrokenProcessPool:
                    continue
                progress(len(outcomes), len(orders), outcomes[jobs[job]].file)
            pool.shutdown()
        except KeyboardInterrupt:
            stopped = True
            _stop(pool, orders)
        waiting = [k for k in waiting if k not in outcomes]
        if waiting and workers == 1 and not stopped:  # alone in its process and still down: this photo is the one
            lost = waiting.pop(0)
            failed = (
                "file-unreadable",
                "Measuring this photo brought its process down.",
                "Copy the photo from the phone again.",
            )
            outcomes[lost] = Outcome(file=orders[lost].photo.name, status="error", failed=failed)
            progress(len(outcomes), len(orders), orders[lost].photo.name)
        workers = 1
    return [outcomes[k] for k in sorted(outcomes)], stopped


def _start_worker() -> None:
    """Keep OpenCV to one thread: the processes already fill the cores."""
    import cv2

    cv2.setNumThreads(1)


def _stop(pool: Any, orders: list[Order]) -> None:
    """End the workers now, and take away the part file that one was writing."""
    from gapvision.formats.atomic import PART

    workers = list((pool._processes or {}).values())
    for worker in workers:
        worker.kill()
    pool.shutdown(wait=False, cancel_futures=True)
    for worker in workers:
        worker.join(1)
    for folder in {path.parent for order in orders for path in order.outputs.values()}:
        for part in (p for worker in workers for p in folder.glob(f"{PART}{worker.pid}-*")):
            part.unlink(missing_ok=True)


def _measure(order: Order, progress: Callable[[int, int], object] | None) -> Outcome:
    from gapvision.intake.photo import read_photo
    from gapvision.judgement import judge_measurement
    from gapvision.model import Settings
    from gapvision.several import Shot, measure_photos

    photos = [Shot(path.name, partial(read_photo, path)) for path in (order.photo, *order.others)]
    tolerance = None if order.spec is None else order.spec.half_width_mm
    measurement = measure_photos(photos, Settings(tolerance_mm=tolerance, **order.settings), progress)
    verdict = None
    if order.spec is not None and measurement.profile is not None:
        verdict = judge_measurement(measurement, order.spec, order.rule)
    written, unwritten = write_outputs(measurement, verdict, order)
    return _outcome(order, measurement, verdict, written, unwritten)


def write_outputs(
    measurement: Measurement, verdict: Verdict | None, order: Order
) -> tuple[list[Path], list[GapvisionError]]:
    """Write the files that the order asks for; a refused photo gets its JSON and its marked photo alone."""
    written, unwritten = [], []
    for kind, path in order.outputs.items():
        if measurement.profile is None and kind in ("csv", "plot"):
            continue
        try:
            make_folder(path.parent)
            _write(kind, path, measurement, verdict, order)
        except GapvisionError as error:
            unwritten.append(error)
        else:
            written.append(path)
    return written, unwritten


def _write(kind: str, path: Path, measurement: Measurement, verdict: Verdict | None, order: Order) -> None:
    if kind == "json":
        from gapvision.formats.measurement_json import write

        write(measurement, path)
    elif kind == "csv":
        from gapvision.formats.table import workbook, write_csv

        if path.suffix.lower() == ".xlsx":
            from gapvision.formats.atomic import write_whole
            from gapvision.reports.quick_plot import quick_plot

            plot = quick_plot(measurement, verdict, order.say.unit)
            write_whole(path, workbook(measurement, verdict, words.about(measurement, verdict, order.say), plot))
        else:
            write_csv(measurement, path, verdict, order.csv_style)
    elif kind == "plot":
        if path.suffix.lower() == ".png":
            from gapvision.formats.atomic import write_whole
            from gapvision.reports.quick_plot import quick_plot

            write_whole(path, quick_plot(measurement, verdict, order.say.unit))
        else:
            from gapvision.reports.figures import draw_profile, write_figure

            write_figure(draw_profile(measurement, verdict, unit=order.say.unit), path)
    else:
        from gapvision.formats.atomic import write_whole
        from gapvision.intake.photo import read_colour
        from gapvision.reports.overlay import draw_overlay, in_a_column, overlay_bytes

        by_name = {photo.name: photo for photo in (order.photo, *order.others)}
        # No one photo shows all of a whole seam: all of them, one under the other.
        along = measurement.profile is not None and measurement.profile.course is not None
        drawn = []
        for k, seen in enumerate(measurement.photos[: None if along else 1]):
            pixels = read_colour(by_name.get(seen.file, order.photo), max_side_px=1800)
            drawn.append(draw_overlay(pixels, measurement, verdict, unit=order.say.unit, photo=k))
        picture = in_a_column(drawn)
        write_whole(path, overlay_bytes(picture, "PNG" if path.suffix.lower() == ".png" else "JPEG"))


def _outcome(
    order: Order,
    measurement: Measurement,
    verdict: Verdict | None,
    written: list[Path],
    unwritten: list[GapvisionError],
) -> Outcome:
    from gapvision.reports.terminal import describe

    profile, summary, say = measurement.profile, measurement.summary, order.say
    answer = row = more = ""
    if order.coached:
        from gapvision.judgement.coach import next_photo

        coming = next_photo(measurement)
        more = "" if coming is None else words.coach(coming, say, words.at_a_glance(measurement, verdict, say)) + "\n"
    if profile is not None and summary is not None and len(profile.s_mm):
        from statistics import median

        answer = words.as_measured(measurement, say) if verdict is None else words.answer(verdict, say)
        numbers = (summary.mean_mm, summary.min_mm, summary.max_mm)
        row = " ".join(f"{x:7.2f}" for x in numbers)
        row += f" {median(profile.expanded_u_mm.tolist()):6.2f} {len(profile.s_mm):8d}"
    return Outcome(
        file=order.photo.name,
        status=measurement.status,
        state="" if verdict is None else verdict.state,
        told=describe(measurement, verdict, say, table=order.table) + more,
        answer=answer,
        unwritten=tuple((e.code, e.message, e.next_step) for e in unwritten),
        written=tuple(written),
        notices=tuple((n.code, *words.notice(n, say)) for n in measurement.notices),
        row=row,
    )
