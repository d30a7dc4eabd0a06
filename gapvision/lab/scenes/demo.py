"""The scenes of the demo job's photos, which ship with the program: a gap lit from behind, a strip on both sides."""

from __future__ import annotations

from dataclasses import replace

from gapvision.lab.scenes.scene import CameraSpec, Defect, EdgeSpec, Inside, SceneSpec, StripSpec

#: Photo's name without the stage -> seed, the bump that trimming takes away [mm], and at each stage as found, after
#: fit-up and after trimming that was photographed: gap [mm] and taper [mm/m].
_SEAMS: dict[str, tuple[int, float, tuple[tuple[float, float], ...]]] = {
    "left_door": (11, 1.15, ((6.3, 5.0), (4.85, 1.0), (4.75, 0.5))),
    "right_door": (21, 0.0, ((5.4, -3.0), (4.8, 0.8))),
    "left_bonnet": (31, 0.35, ((4.3, 3.0), (4.7, 0.5))),
    "rear_boot_lid": (41, 0.0, ((3.6, 0.0),)),
}

#: Days of the demo job's visits, by stage.
_DAYS = ("2026:03:02", "2026:03:10", "2026:03:17")


def demo_scene(seam: str, stage: int, width_px: int = 2400) -> tuple[int, SceneSpec]:
    """Seed and scene of a seam (a name of the above) at a stage, counted from 0."""
    seed, bump, stages = _SEAMS[seam]
    gap, taper = stages[stage]
    camera = CameraSpec(
        width_px=width_px, height_px=width_px * 3 // 4, distance_mm=310 + 6 * stage, tilt_across_deg=2 + stage,
        tilt_along_deg=-2 + 2 * stage, roll_deg=1.5 - stage, aim_s_mm=4.0 * stage, exposure=0.5, noise=0.01,
        jpeg_quality=88, taken_at=f"{_DAYS[stage]} 10:30:00",
    )  # fmt: skip
    trimmed = stage == 2
    defects = () if trimmed or not bump else (
        Defect(side="B", s_mm=40, height_mm=-bump, width_mm=50),
        Defect(side="A", s_mm=-65, height_mm=0.4 * bump, width_mm=35),
    )  # fmt: skip
    edge = EdgeSpec(radius_mm=1.4, finish="red_primer", wave_mm=0.05 if trimmed else 0.12, wave_phase_deg=seed)
    other = replace(edge, radius_mm=1.6, wave_period_mm=120, wave_phase_deg=seed + 70)
    spec = SceneSpec(
        name=f"{seam}_{stage + 1}", gap_mm=gap, taper_mm_per_m=taper, step_mm=0.3, edge_a=edge, edge_b=other,
        defects=defects, inside=Inside(kind="backlit", level=0.75),
        strips=(StripSpec(letter="A", s_mm=3, t_mm=-41), StripSpec(letter="E", s_mm=-2, t_mm=43)), camera=camera,
    )  # fmt: skip
    return seed + stage, spec


#: Photos of which there is a set of three: the second and third lean 15 degrees to either side, the lamp moved.
_SETS = ("left_door_3", "rear_boot_lid_1")
_LEANS = ((-15.0, ((25.0, 1.2, 14.0),)), (15.0, ((-5.0, 1.1, 18.0),)))


def _leaning(seed: int, spec: SceneSpec) -> tuple[tuple[int, SceneSpec], ...]:
    """The further photos of a seam that has a set."""
    if spec.name not in _SETS:
        return ()
    return tuple(
        (seed + 100 * k, replace(spec, name=f"{spec.name}_lean{k}", lamps=lamps,
                                 camera=replace(spec.camera, tilt_across_deg=tilt,
                                                taken_at=spec.camera.taken_at.replace("30:00", f"3{k}:00"))))
        for k, (tilt, lamps) in enumerate(_LEANS, 1)
    )  # fmt: skip


_ALONE = tuple(demo_scene(seam, stage) for seam, (_, _, stages) in _SEAMS.items() for stage in range(len(stages)))
#: Seed of each photo's noise and grain, and its scene; drawn anew by the bench's ``make_photos --demo``.
DEMO: tuple[tuple[int, SceneSpec], ...] = tuple(one for own in _ALONE for one in (own, *_leaning(*own)))
