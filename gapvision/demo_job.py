"""The invented shop, customer and car of the demo job, with the sample photos."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from gapvision import words, workshop
from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import specification_to_table
from gapvision.judgement import simple_spec
from gapvision.model import Measurement, Settings
from gapvision.records import Conditions, Job, Store
from gapvision.samples import FOLDER

REFERENCE = "DEMO-1"
SHOP: dict[str, Any] = {
    "name": "Workshop at the Old Ferry",
    "address": "Slipway 3, Lower Quay",
    "contact": "An invented shop for trying things out",
}
HEAD = {
    "reference": REFERENCE,
    "customer": "Ines Example",
    "car": "two-seat roadster, steel body, red oxide primer, bare shell with new sills",
    "notes": f"{words.INVENTED} Sills and hinge posts were renewed before the first visit.",
    "opened_on": "2026-03-02",
}

_STANDS: dict[str, Any] = {"latched": True, "shims_tight": True, "hinges_tight": True, "doors_closed": True}
_ON_WHEELS = _STANDS | {"seal_fitted": True, "support": "on its wheels"}
#: Stage, day, person, conditions.
VISITS = (
    ("as found", "2026-03-02", "Sam",
     Conditions(**_STANDS, seal_fitted=False, support="on axle stands", metal_temp_c=9.0)),
    ("after fit-up", "2026-03-10", "Sam", Conditions(**_ON_WHEELS, metal_temp_c=14.0)),
    ("after trimming", "2026-03-17", "Noor", Conditions(**_ON_WHEELS, metal_temp_c=16.0)),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seam:
    """A seam, its panel and its sample photos, one or a set for each visit from the first on."""

    name: str
    side: str
    panel: str
    length_mm: float
    photos: tuple[tuple[str, ...], ...]


SEAMS = (
    _Seam(name="door, rear edge", side="left", panel="door", length_mm=1010,
          photos=(("left_door_1",), ("left_door_2",), ("left_door_3", "left_door_3_lean1", "left_door_3_lean2"))),
    _Seam(name="door, rear edge", side="right", panel="door", length_mm=1010,
          photos=(("right_door_1",), ("right_door_2",))),
    _Seam(name="bonnet, side", side="left", panel="bonnet", length_mm=1240,
          photos=(("left_bonnet_1",), ("left_bonnet_2",))),
    _Seam(name="boot lid, rear", side="", panel="boot lid", length_mm=760,
          photos=(("rear_boot_lid_1", "rear_boot_lid_1_lean1", "rear_boot_lid_1_lean2"),)),
)  # fmt: skip
NOMINAL_MM, TOLERANCE_MM = 4.7625, 0.6  # 3/16 in, common practice, no source


def make_demo_job(store: Store, progress: workshop.Progress = None) -> Job:
    """Build the demo job in a store: measure, judge and keep its photos; one that is there is left as it is.

    ``progress`` is called with (results done, results in all).
    """
    try:
        return store.job(REFERENCE)
    except GapvisionError as error:
        if error.code != "job-not-found":
            raise
    # Measuring takes a while, so it comes first; then all is stored in one go,
    # and a demo job is there whole or not at all.
    sets = [names for plan in SEAMS for names in plan.photos]
    measured: dict[tuple[str, ...], tuple[list[workshop.File], Measurement]] = {}
    for done, names in enumerate(sets, 1):
        files = [((FOLDER / f"{name}.jpg").read_bytes(), f"{name}.jpg") for name in names]
        measured[names] = files, workshop.measure_files(files, Settings(print_scale_checked=True))
        if progress is not None:
            progress(done, len(sets))
    with store.database.saving():
        job = store.new_job(**HEAD)
        visits = [
            store.add_visit(job.job_id, stage, on_date=day, who=who, conditions=found)
            for stage, day, who, found in VISITS
        ]
        for plan in SEAMS:
            panel = store.put_panel(job.job_id, plan.panel, side=plan.side, metal="steel", length_mm=plan.length_mm)
            spec = replace(simple_spec(NOMINAL_MM, TOLERANCE_MM, TOLERANCE_MM), name=plan.name, side=plan.side)
            table = specification_to_table(spec)
            seam = store.add_seam(job.job_id, plan.name, side=plan.side, panel_id=panel.panel_id, spec=table)
            for names, visit in zip(plan.photos, visits, strict=False):
                workshop.judge_line(store, workshop.keep_photos(store, seam, visit, *measured[names]))
        store.add_note(job.job_id, "Left door: upper hinge shimmed by 1 mm at the second visit.", who="Sam")
        return job
