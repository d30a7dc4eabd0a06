"""The plan of a whole car: the hang list, what each step buys, whose edge to change, how even the car is."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from gapvision.judgement.car_move import adjusters_touched, best_settings, car_rows, pairs_of, way_of
from gapvision.judgement.car_rows import (
    Setting,
    car_reach,
    moved_readings,
    other_side,
    seam_line,
    seam_moves,
    settings_of_car,
)
from gapvision.judgement.cautions import cautions_for
from gapvision.judgement.finish import film_loss
from gapvision.judgement.gauges import settings_of
from gapvision.judgement.metal import edge_rules, with_deeds
from gapvision.judgement.plan import aim_limits, doubt_at, predict_move
from gapvision.judgement.shapes import SHAPES
from gapvision.judgement.specification import nominal_at
from gapvision.judgement.tolerance import opposite_check
from gapvision.judgement.trim import trim_line
from gapvision.model import (
    COVERAGE_FACTOR,
    OUT,
    Car,
    CarPlan,
    CarSeam,
    Check,
    EdgeWork,
    FinishPlan,
    FloatArray,
    HangStep,
    MeasuredCar,
    Move,
    Notice,
    Panel,
    SeamAfter,
    SeamReading,
    StagePrediction,
    TrimLine,
    WaySetting,
    seam_state,
)

Judged = dict[str, tuple[StagePrediction, ...]]

_WHOLE = 0.95  # a seam measured along this share of it counts as measured; common practice, no source
#: Work of 1 mm2 of each deed beside filing: metal that is added, or bent anew, is dearer; common practice, no source.
_WORK = {
    "file": 1.0, "file lightly": 1.0, "file lead": 1.0, "dress": 1.0, "fold closer": 1.5, "fold anew": 3.0,
    "wire anew": 3.0, "bend anew": 2.0, "lead up": 3.0, "build up": 4.0, "": 1.0,
}  # fmt: skip
_SHORT_WORK = 1000.0  # of each mm that a line stays out of its limits
_FIXED_WORK = 1.1  # an edge of what stays is harder to get at than one of a panel on the bench


def judged(car: Car, readings: Mapping[str, Sequence[SeamReading]]) -> Judged:
    """Judge all stretches as they stand, against the finished gap wanted plus the film to come."""
    panel = MeasuredCar(car=car, readings={k: tuple(v) for k, v in readings.items()}).panel
    found: Judged = {}
    for one in predict_move(panel, Move()):
        found[one.reading.seam] = (*found.get(one.reading.seam, ()), one)
    return found


def predict_car(measured: MeasuredCar, settings_mm: FloatArray, known: Judged) -> Judged:
    """Judge a car after any settings, fast enough to follow a slider: only seams that change are judged anew.

    Parameters
    ----------
    settings_mm : ndarray, shape (ways,)
        As :attr:`CarPlan.settings_mm`.
    known : mapping of str to tuple of StagePrediction
        The car as it stands, from :func:`judged`.
    """
    moved = _moved(measured, settings_mm)
    changed = {k: v for k, v in moved.items() if v is not measured.readings[k]}
    return {**known, **judged(measured.car, changed)} if changed else dict(known)


def _moved(measured: MeasuredCar, settings_mm: FloatArray) -> dict[str, tuple[SeamReading, ...]]:
    """All readings after the settings; of seams whose panels stay the very same tuple."""
    car, reach, found = measured.car, car_reach(measured.car), {}
    going = {s.body for s, v in zip(settings_of_car(car), settings_mm, strict=True) if v}
    for seam in measured.measured:
        readings = measured.readings[seam.name]
        touched = {b.name for name in (seam.one, seam.other) for b in car.carried(name)} & going
        found[seam.name] = moved_readings(car, seam, readings, settings_mm, reach) if touched else readings
    return found


def make_car_plan(
    measured: MeasuredCar, held: frozenset[str] = frozenset(), *, free_seams: bool = False
) -> CarPlan:
    """Work out what to do to a car.

    Parameters
    ----------
    measured : MeasuredCar
        All that was measured of it, at one stage.
    held : set of str
        Panels that stay as they are: those done already, when the rest is planned anew.
    free_seams : bool
        Move panels too that have a seam of which nothing was measured; else they stay.

    Returns
    -------
    CarPlan
        All panels are planned together (see :mod:`car_move`) and carried out one after the other.
    """
    car = measured.car
    rows = car_rows(measured)
    unseen = frozenset() if free_seams else _unseen(measured)
    best = best_settings(rows, held | unseen)
    before = judged(car, measured.readings)
    steps, now = [], before
    done = np.zeros(len(best.settings_mm))
    for name in car.hang_order:
        own = np.array([s.body == name for s in rows.settings])
        done = np.where(own, best.settings_mm, done)
        then = predict_car(measured, done, before) if best.settings_mm[own].any() else now
        steps.append(_step(measured, name, best.settings_mm, now, then, unmeasured=name in unseen))
        now = then
    after = {k: tuple(x.reading for x in v) for k, v in now.items()}
    ended = MeasuredCar(car=car, readings=after)
    edges = tuple(_edges(ended, now))
    moving = any(best.settings_mm)
    shares = {k: (p, h) for k, p, h in zip(rows.names, best.passes.tolist(), best.holds.tolist(), strict=True)}
    cautions: list[str] = []
    for kind in [x.kind for x in steps if x.settings] or [""]:
        cautions += cautions_for(
            moves=moving,
            cuts=any(e.trim.cut_mm > 0 for e in edges),
            adds=any(e.trim.add_mm > 0 for e in edges),
            paints=bool(car.finish and car.finish.coats),
            shape=kind if kind in SHAPES else "door" if kind == "front wing" else "",
        )
    checks = zip(pair_checks(measured), pair_checks(ended), strict=True)
    return CarPlan(
        measured=measured,
        settings_mm=best.settings_mm,
        steps=tuple(steps),
        before=before,
        after=now,
        pairs=tuple((name, one, two) for (name, one), (_, two) in checks),
        evenness_mm=(evenness(measured), evenness(ended)),
        passes={k: p for k, (p, _) in shares.items()},
        holds={k: h for k, (_, h) in shares.items()},
        edges=edges,
        adjustments=adjusters_touched(rows, best.settings_mm),
        notices=tuple(_notices(measured, edges)),
        cautions=tuple(dict.fromkeys(cautions)),
    )


def evenness(measured: MeasuredCar) -> float:
    """How uneven a car is: root mean square of gap minus the gap to have now, over all that was measured [mm]."""
    loss = film_loss(measured.car.finish or FinishPlan(coats=())).loss_mm
    square = length = 0.0
    for seam in measured.measured:
        for r in measured.readings[seam.name]:
            if seam.spec is not None:
                off = r.gap_mm - nominal_at(seam.spec, r.s_mm, (0.0, seam.length_mm)) - loss
                square += float((off**2).sum()) * r.spacing_mm
                length += len(off) * r.spacing_mm
    return math.sqrt(square / length)


def pair_checks(measured: MeasuredCar) -> Iterator[tuple[str, Check]]:
    """Left against right, stretch by stretch where both were measured; the worst difference of each pair."""
    for one, two, limit in pairs_of(measured):
        found = [
            opposite_check(a, b, limit, measured.car.rule)
            for a in measured.readings[one.name] for b in measured.readings[two.name]
            if a.s_mm[0] <= b.s_mm[-1] and b.s_mm[0] <= a.s_mm[-1]
        ]  # fmt: skip
        if found:
            yield f"{one.name} / {two.name}", max(found, key=lambda c: abs(c.value))


def _unseen(measured: MeasuredCar) -> frozenset[str]:
    """Panels that would change a seam of which nothing was measured."""
    car = measured.car
    free = [s for s in car.seams if not measured.readings.get(s.name)]
    return frozenset(b.name for s in free for n in (s.one, s.other) for b in car.carried(n))


def _step(
    measured: MeasuredCar, name: str, settings_mm: FloatArray, now: Judged, then: Judged, *, unmeasured: bool
) -> HangStep:
    car = measured.car
    body = car.body(name)
    done, still = [], []
    for setting, value in zip(settings_of_car(car), settings_mm.tolist(), strict=True):
        if setting.body == name and value:
            way, own = way_of(car, setting), next(a for a in body.adjusters if a.name == setting.adjuster)
            done.append(
                WaySetting(
                    body=name, adjuster=own.name, kind=own.kind, words=way.words, set_mm=value, step_mm=way.step_mm,
                    turn_mm=way.turn_mm,
                )
            )  # fmt: skip
    for a in body.adjusters:
        if a.ways and a.name not in {s.adjuster for s in done}:
            still.append(a.name)
    seams = [s for s in measured.measured if name in {b.name for n in (s.one, s.other) for b in car.carried(n)}]
    return HangStep(
        panel=name, kind=body.kind, unmeasured=unmeasured, settings=tuple(done), still=tuple(still),
        follow=tuple(a.name for a in body.adjusters if not a.ways),
        seams=tuple(_seam_after(s, name, now[s.name], then[s.name]) for s in seams),
    )  # fmt: skip


def _seam_after(
    seam: CarSeam, panel: str, now: Sequence[StagePrediction], then: Sequence[StagePrediction]
) -> SeamAfter:
    s = np.concatenate([x.reading.s_mm for x in now])
    gaps = [np.concatenate([x.reading.gap_mm for x in stage]) for stage in (now, then)]
    at = [int(np.argmin(s)), int(np.argmin(np.abs(s - 0.5 * (s.min() + s.max())))), int(np.argmax(s))]
    gauge = settings_of(then[0].verdict)[0]
    return SeamAfter(
        seam=seam.name, called=seam.other_name if panel == seam.other else seam.name,
        places_mm=tuple(s[at].tolist()), before_mm=tuple(gaps[0][at].tolist()), after_mm=tuple(gaps[1][at].tolist()),
        state=seam_state(then), go_mm=gauge.go_mm, no_go_mm=gauge.no_go_mm,
    )  # fmt: skip


# --- whose edge -----------------------------------------------------------------------


def _edges(ended: MeasuredCar, after: Judged) -> Iterator[EdgeWork]:
    """For every stretch that stays out of tolerance: the edge that takes the least work."""
    for seam, laid in zip(ended.measured, ended.panel.seams, strict=True):
        for stretch, r in zip(after[seam.name], laid.readings, strict=True):
            if stretch.verdict.state != OUT or not any(x.state == OUT for x in stretch.verdict.spans):
                continue
            trims = [_trim(ended.panel, seam, r, side) for side in (0, 1)]
            work = [_work(t) * (1.0 if ended.car.body(b).moves else _FIXED_WORK)
                    for t, b in zip(trims, (seam.one, seam.other), strict=True)]  # fmt: skip
            k = int(work[1] < work[0])
            if trims[k].needed:
                yield EdgeWork(
                    seam=seam.name, photo=r.photo, body=(seam.one, seam.other)[k], trim=trims[k], work=work[k],
                    other_work=work[1 - k],
                )  # fmt: skip


def _trim(panel: Panel, seam: CarSeam, reading: SeamReading, side: int) -> TrimLine:
    """The new line of one of the two edges."""
    assert seam.spec is not None
    r = other_side(reading) if side else reading
    laid = seam.layout((r,), seam.spec, side)
    loss = film_loss(panel.finish or FinishPlan(coats=()))
    lower, upper, _ = aim_limits(panel, laid, r, loss)
    extra = np.hypot(r.expanded_u_mm, laid.trim.hand_mm) - r.expanded_u_mm if panel.rule.name != "simple" else 0.0
    trim = trim_line(
        r.s_mm, r.panel_edge_mm, r.gap_mm, lower, upper, edge_rules(laid, r), cut_margin_mm=extra, curved=r.curved,
        spacing_mm=r.spacing_mm, doubt_mm=doubt_at(laid, r, loss),
    )  # fmt: skip
    return with_deeds(trim, laid, r)


def _work(trim: TrimLine) -> float:
    if not trim.needed:
        return math.inf
    spans = sum((x.to_mm - x.from_mm + 1.0) * abs(x.largest_mm) * _WORK[x.deed] for x in trim.spans if x.deed)
    return spans + _SHORT_WORK * trim.short_by_mm


def _notices(measured: MeasuredCar, edges: Sequence[EdgeWork]) -> Iterator[Notice]:
    partly = [
        [s.name, s.covered_mm, s.extent_mm[1]] for s in measured.panel.seams if s.covered_mm < _WHOLE * s.extent_mm[1]
    ]
    free = list(measured.panel.free)
    if free or partly:
        yield Notice(code="seams-not-measured", values={"free": free, "partly": partly})
    if all(w.travel is None for b in measured.car.bodies for a in b.adjusters for w in a.ways):
        yield Notice(code="travel-unlimited")
    seen: dict[str, Notice] = {}
    for edge in edges:
        for n in edge.trim.notices:
            seen.setdefault(n.code + repr(n.values), n)
    yield from seen.values()


# --- what the panels really did -------------------------------------------------------

_PLACES = 5  # of a stretch at which a change is read
_ALONG = 0.3  # share of U that changes along a seam between photos, beside what is the same all along
_SURE = 3.5  # standard deviations from which an answer is called another
_LEAST_SET_MM = 0.3  # a smaller setting teaches nothing of the response
_FLEX_CHANCE = 0.001  # of calling a stiff panel one that bends


def learn(before: MeasuredCar, settings_mm: FloatArray, after: MeasuredCar) -> tuple[Car, tuple[Notice, ...]]:
    """What the panels' answers teach of each adjuster, from the gaps before and after settings.

    Each way makes ``response`` times what it was set to, and errs by the hand's accuracy; both are estimated from
    what all gaps did, with the response known so far as the prior.

    Returns
    -------
    car : Car
        With the responses and their standard uncertainties as learnt.
    notices : tuple of Notice
        ``panel-answers-otherwise``, ``panel-flexes``.
    """
    car, settings = before.car, settings_of_car(before.car)
    stiff = {name: m / np.array([w.response for a in car.body(name).adjusters for w in a.ways])
             for name, m in car_reach(car).items()}  # fmt: skip
    names = list(stiff)
    ways = [way_of(car, s) for s in settings]
    rows, seen, noise, of = [], [], [], []
    for seam in before.measured:
        moved = {b.name for n in (seam.one, seam.other) for b in car.carried(n)}
        if not any(v and s.body in moved for s, v in zip(settings, settings_mm, strict=True)):
            continue
        line = seam_line(car, seam)
        for r in after.readings.get(seam.name, ()):
            s, change, std = _change(before.readings[seam.name], r)
            if not len(s):
                continue
            on = seam_moves(car, seam, line.places(s), line.across[line.piece(s)])
            rows.append(np.concatenate([on[n] if n in on else np.zeros((len(s), 6)) for n in names], axis=1))
            seen.append(change)
            noise.append(std**2 * (np.ones((len(s), len(s))) + _ALONG**2 * np.eye(len(s))))
            of += [seam.name] * len(s)
    if not rows:
        return car, ()
    moves, y = np.concatenate(rows), np.concatenate(seen)
    cov = np.zeros((len(y), len(y)))
    at = 0
    for block in noise:
        cov[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    a = moves @ _diagonal(list(stiff.values()))
    touched = np.array([
        v != 0 or (w.step_mm == 0 and any(
            o.body == s.body and o.adjuster == s.adjuster and u and not x.step_mm
            for o, u, x in zip(settings, settings_mm, ways, strict=True)))
        for s, v, w in zip(settings, settings_mm, ways, strict=True)
    ])  # fmt: skip
    told = np.array([w.response for w in ways]) * settings_mm
    hand = np.array([w.accuracy_mm for w in ways]) * touched
    spread = np.array([w.response_std for w in ways]) * np.abs(settings_mm)
    whole = hand**2 + spread**2
    of_changes = a @ np.diag(whole) @ a.T + cov
    back = a.T @ np.linalg.solve(of_changes, y - a @ told)
    known = np.einsum("ij,ij->j", a, np.linalg.solve(of_changes, a))
    notices = list(_flexes(car, names, moves, y, cov, of, settings_mm, settings))
    better: dict[Setting, tuple[float, float]] = {}
    for k, (way, w, v) in enumerate(zip(settings, ways, settings_mm.tolist(), strict=True)):
        if abs(v) < _LEAST_SET_MM:
            continue
        response = float(np.clip(w.response + spread[k] ** 2 * back[k] / v, 0.2, 3.0))
        better[way] = (response, math.sqrt(max(float(spread[k] ** 2 - spread[k] ** 4 * known[k]), 0.0)) / abs(v))
        off = float(whole[k] * back[k])
        if abs(off) > _SURE * math.sqrt(max(float(whole[k] ** 2 * known[k]), 1e-12)):
            values = {"panel": way.body, "adjuster": way.adjuster, "set_mm": v, "did_mm": float(told[k]) + off}
            notices.append(Notice(code="panel-answers-otherwise", values=values))
    bodies = tuple(
        replace(b, adjusters=tuple(
            replace(a, ways=tuple(
                replace(w, response=better[key][0], response_std=better[key][1]) if key in better else w
                for i, w in enumerate(a.ways) for key in [Setting(b.name, a.name, i)]))
            for a in b.adjusters))
        for b in car.bodies
    )  # fmt: skip
    return replace(car, bodies=bodies), tuple(notices)


def _diagonal(blocks: Sequence[FloatArray]) -> FloatArray:
    from scipy.linalg import block_diag

    return np.asarray(block_diag(*blocks), float)


def _change(before: Sequence[SeamReading], after: SeamReading) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places of a stretch, how the gap changed there, and the standard uncertainty of that [mm]."""
    cells = np.array_split(np.arange(len(after.s_mm)), _PLACES)
    s, change, std = [], [], []
    for cell in (c for c in cells if len(c)):
        at = after.s_mm[cell]
        for r in before:
            there = (r.s_mm >= at[0]) & (r.s_mm <= at[-1])
            if there.any():
                s.append(float(at.mean()))
                change.append(float(after.gap_mm[cell].mean()) - float(r.gap_mm[there].mean()))
                us = float(after.expanded_u_mm[cell].mean()), float(r.expanded_u_mm[there].mean())
                std.append(math.hypot(*us) / COVERAGE_FACTOR)
                break
    return np.array(s), np.array(change), np.full(len(s), max(std, default=0.0))


def _flexes(
    car: Car, names: Sequence[str], moves: FloatArray, y: FloatArray, cov: FloatArray, of: Sequence[str],
    settings_mm: FloatArray, settings: Sequence[Setting],
) -> Iterator[Notice]:  # fmt: skip
    """Changes that no stiff move of the panels explains; said of the panel beside the seam that fits worst."""
    from scipy.linalg import cho_factor, cho_solve
    from scipy.stats import chi2

    going = [n for n in names if any(v and s.body == n for s, v in zip(settings, settings_mm, strict=True))]
    columns = np.concatenate([np.arange(6) + 6 * names.index(n) for n in going])
    a = moves[:, columns]
    factor = cho_factor(cov)
    lower = np.linalg.cholesky(cov)
    white_a, white_y = np.linalg.solve(lower, a), np.linalg.solve(lower, y)
    fit, _, rank, _ = np.linalg.lstsq(white_a, white_y, rcond=1e-9)
    rest = y - a @ fit
    square, free = float(rest @ cho_solve(factor, rest)), len(y) - int(rank)
    if free < 1 or square <= float(chi2.ppf(1 - _FLEX_CHANCE, free)):
        return
    share = {name: float(np.abs(rest[[o == name for o in of]]).max()) for name in of}
    worst = max(share, key=share.__getitem__)
    seam = car.seam(worst)
    panel = next((n for n in going if n in (seam.one, seam.other)), going[0])
    yield Notice(code="panel-flexes", values={"panel": panel, "seam": worst, "off_mm": share[worst]})
