"""The invented shop, customer and car of the demo job, and its invented photos."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from gapvision.records import Job, Store

REFERENCE = "DEMO-1"
SHOP: dict[str, Any] = {
    "name": "Workshop at the Old Ferry",
    "address": "Slipway 3, Lower Quay",
    "contact": "An invented shop for trying things out",
}
CUSTOMER = "Ines Example"
CAR = "two-seat roadster, steel body, red oxide primer, bare shell with new sills"
NOTES = "Everything in this job is invented. Sills and hinge posts were renewed before the first visit."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Visit:
    stage: str
    on_date: str
    who: str
    conditions: dict[str, Any]


_TICKED = {"latched": True, "shims_tight": True, "hinges_tight": True, "doors_closed": True}
VISITS = (
    _Visit(
        stage="as found", on_date="2026-03-02", who="Sam",
        conditions=_TICKED | {"seal_fitted": False, "support": "on axle stands", "metal_temp_c": 9.0},
    ),
    _Visit(
        stage="after fit-up", on_date="2026-03-10", who="Sam",
        conditions=_TICKED | {"seal_fitted": True, "support": "on its wheels", "metal_temp_c": 14.0},
    ),
    _Visit(
        stage="after trimming", on_date="2026-03-17", who="Noor",
        conditions=_TICKED | {"seal_fitted": True, "support": "on its wheels", "metal_temp_c": 16.0},
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seam:
    """Gap and taper at each stage (None: not photographed), and the defect that trimming takes away."""

    name: str
    side: str
    panel: str
    length_mm: float
    nominal: str
    stages: tuple[tuple[float, float] | None, ...]
    bump_mm: float
    seed: int


SEAMS = (
    _Seam(name="door, rear edge", side="left", panel="door", length_mm=1010, nominal="3/16in",
          stages=((6.3, 5.0), (5.0, 1.0), (4.75, 0.5)), bump_mm=0.9, seed=11),
    _Seam(name="door, rear edge", side="right", panel="door", length_mm=1010, nominal="3/16in",
          stages=((5.4, -3.0), (4.8, 0.8), None), bump_mm=0.0, seed=21),
    _Seam(name="bonnet, side", side="left", panel="bonnet", length_mm=1240, nominal="3/16in",
          stages=((4.3, 3.0), (4.7, 0.5), None), bump_mm=0.35, seed=31),
    _Seam(name="boot lid, rear", side="", panel="boot lid", length_mm=760, nominal="3/16in",
          stages=((3.6, 0.0), None, None), bump_mm=0.0, seed=41),
)  # fmt: skip


def draw_photo(seam: _Seam, number: int, width_px: int = 2400) -> bytes:
    """Draw the photo of a seam at one of its stages: the gap lit from behind, a strip on both sides."""
    from gapvision.lab.scenes import CameraSpec, Defect, EdgeSpec, Inside, SceneSpec, StripSpec, render_scene

    stage = seam.stages[number]
    if stage is None:
        raise ValueError(f"{seam.name}: no photo at stage {number}")
    gap, taper = stage
    camera = CameraSpec(
        width_px=width_px, height_px=width_px * 3 // 4, distance_mm=310 + 6 * number, tilt_across_deg=2 + number,
        tilt_along_deg=-2 + 2 * number, roll_deg=1.5 - number, aim_s_mm=4.0 * number, exposure=0.5, noise=0.01,
        jpeg_quality=88,
    )  # fmt: skip
    trimmed = number == 2
    bump = () if trimmed or not seam.bump_mm else (
        Defect(side="B", s_mm=40, height_mm=-seam.bump_mm, width_mm=50),
        Defect(side="A", s_mm=-65, height_mm=0.5 * seam.bump_mm, width_mm=35),
    )  # fmt: skip
    edge = EdgeSpec(radius_mm=1.4, finish="red_primer", wave_mm=0.05 if trimmed else 0.12, wave_phase_deg=seam.seed)
    other = replace(edge, radius_mm=1.6, wave_period_mm=120, wave_phase_deg=seam.seed + 70)
    spec = SceneSpec(
        name=f"demo{seam.seed}{number}", gap_mm=gap, taper_mm_per_m=taper, step_mm=0.3, edge_a=edge, edge_b=other,
        defects=bump, inside=Inside(kind="backlit", level=0.75),
        strips=(StripSpec(letter="A", s_mm=3, t_mm=-41), StripSpec(letter="E", s_mm=-2, t_mm=43)), camera=camera,
    )  # fmt: skip
    jpeg, _ = render_scene(spec, seam.seed + number)
    return jpeg


def make_demo_job(store: Store, progress: Callable[[int, int], object] | None = None) -> Job:
    """Build the demo job: draw its photos, measure, judge and store them.

    Parameters
    ----------
    store : Store
        Where it goes; a demo job that is there already is left as it is.
    progress : callable, optional
        Called with (photos done, photos in all).

    Returns
    -------
    Job
    """
    from gapvision.errors import GapvisionError
    from gapvision.formats.specification_file import specification_to_table
    from gapvision.judgement import simple_spec
    from gapvision.model import Settings
    from gapvision.records import Conditions
    from gapvision.units import parse_length
    from gapvision.workshop import judge_line, keep_photo, measure_file

    try:
        return store.job(REFERENCE)
    except GapvisionError as error:
        if error.code != "job-not-found":
            raise
    if not store.shop().name:
        store.set_shop(**SHOP)
    settings = Settings(print_scale_checked=True)
    # Drawing and measuring take a while, so both come first; then all is stored
    # in one go, and a demo job is there whole or not at all.
    wanted = [(plan, k) for plan in SEAMS for k in range(len(VISITS)) if plan.stages[k] is not None]
    measured: dict[tuple[str, str, int], tuple[bytes, str, dict[str, Any]]] = {}
    for done, (plan, k) in enumerate(wanted, 1):
        data = draw_photo(plan, k)
        name = f"{plan.side or 'rear'}_{plan.panel.replace(' ', '_')}_{k + 1}.jpg"
        measured[plan.side, plan.name, k] = (data, name, measure_file(data, name, settings))
        if progress is not None:
            progress(done, len(wanted))
    with store.database.saving():
        job = store.new_job(reference=REFERENCE, customer=CUSTOMER, car=CAR, notes=NOTES, opened_on="2026-03-02")
        visits = [
            store.add_visit(job.job_id, v.stage, on_date=v.on_date, who=v.who, conditions=Conditions(**v.conditions))
            for v in VISITS
        ]
        for plan in SEAMS:
            panel = store.put_panel(job.job_id, plan.panel, side=plan.side, metal="steel", length_mm=plan.length_mm)
            spec = replace(simple_spec(parse_length(plan.nominal), 0.6, 0.6), name=plan.name, side=plan.side)
            seam = store.add_seam(
                job.job_id, plan.name, side=plan.side, panel_id=panel.panel_id, spec=specification_to_table(spec)
            )
            for k, visit in enumerate(visits):
                if (plan.side, plan.name, k) in measured:
                    judge_line(store, keep_photo(store, seam, visit, *measured[plan.side, plan.name, k]))
        store.add_note(job.job_id, "Left door: upper hinge shimmed by 1 mm at the second visit.", who="Sam")
        return job
