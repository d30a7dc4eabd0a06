"""Scenes ready to draw: the samples that come with the program, and scenes drawn by lot for the bench."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gapvision.lab.scenes.scene import (
    FINISHES,
    CameraSpec,
    Defect,
    EdgeSpec,
    Inside,
    Line,
    SceneSpec,
    StripSpec,
)

_CAMERA = CameraSpec(jpeg_quality=88)

#: Seed of each sample's noise and grain, and the sample.
SAMPLES: tuple[tuple[int, SceneSpec], ...] = (
    (
        100,
        SceneSpec(
            name="backlit_bonnet_gap",
            gap_mm=4.76,
            taper_mm_per_m=2.5,
            step_mm=0.3,
            edge_a=EdgeSpec(radius_mm=1.5, finish="red_primer", wave_mm=0.08),
            edge_b=EdgeSpec(radius_mm=1.8, finish="red_primer", wave_mm=0.06, wave_period_mm=130, wave_phase_deg=70),
            defects=(
                Defect(side="A", s_mm=-62, height_mm=0.55, width_mm=40),
                Defect(side="B", s_mm=75, height_mm=-0.75, width_mm=55),
            ),
            inside=Inside(kind="backlit", level=0.8, level_end=0.72),
            strips=(
                StripSpec(letter="A", s_mm=3, t_mm=-41, angle_deg=0.6),
                StripSpec(letter="B", s_mm=-2, t_mm=43, angle_deg=-0.4),
            ),
            camera=replace(_CAMERA, exposure=0.5, tilt_across_deg=3, distance_mm=300, roll_deg=1.5, noise=0.01),
            notes="Bonnet gap in red primer, evenly lit from behind and not burnt out; a hollow in edge A, a pinch "
            "from edge B, a step of 0.3 mm between the panels.",
        ),
    ),
    (
        101,
        SceneSpec(
            name="grey_primer_cut_edge",
            gap_mm=5.2,
            taper_mm_per_m=-1.5,
            edge_a=EdgeSpec(kind="cut", radius_mm=0.12, finish="grey_primer", wave_mm=0.05),
            edge_b=EdgeSpec(kind="cut", radius_mm=0.1, finish="grey_primer", wave_mm=0.07, wave_period_mm=220),
            defects=(
                Defect(side="B", s_mm=25, height_mm=0.6),
                Defect(side="A", s_mm=-70, height_mm=-0.4, kind="step"),
            ),
            strips=(
                StripSpec(letter="C", t_mm=-38, angle_deg=-0.8),
                StripSpec(letter="D", s_mm=4, t_mm=40, angle_deg=0.5),
            ),
            camera=replace(_CAMERA, tilt_across_deg=-3, tilt_along_deg=4, roll_deg=-3, distance_mm=310, exposure=0.8),
            notes="Trimmed edges in grey primer over a dark gap; a nick 15 mm long in edge B and a step of 0.4 mm in "
            "edge A.",
        ),
    ),
    (
        102,
        SceneSpec(
            name="gloss_door_arc",
            gap_mm=4.4,
            edge_a=EdgeSpec(radius_mm=1.3, finish="green_gloss", wave_mm=0.05),
            edge_b=EdgeSpec(radius_mm=1.6, finish="green_gloss", wave_mm=0.06, wave_period_mm=150),
            seam_radius_mm=700.0,
            bend="across",
            bend_radius_mm=1600.0,
            inside=Inside(kind="backlit", level=0.75),
            strips=(StripSpec(letter="E", t_mm=-46),),
            lamps=((-30, 1.0, 10), (20, 0.6, 6)),
            camera=replace(
                _CAMERA,
                width_px=3024,
                height_px=4032,
                roll_deg=88,
                exposure=0.55,
                tilt_across_deg=2,
                tilt_along_deg=-2,
                distance_mm=330,
                tone="phone",
                orientation=6,
                jpeg_quality=84,
            ),
            notes="Upright photo of a curved door gap in gloss paint, lit from behind; panels bent across the seam, "
            "one strip, a phone's contrast curve.",
        ),
    ),
    (
        103,
        SceneSpec(
            name="brushed_steel_dark_gap",
            gap_mm=4.0,
            taper_mm_per_m=4,
            step_mm=0.6,
            edge_a=EdgeSpec(radius_mm=1.4, finish="brushed_steel", wave_mm=0.06),
            edge_b=EdgeSpec(radius_mm=1.1, finish="brushed_steel", wave_mm=0.05, wave_period_mm=120),
            strips=(
                StripSpec(letter="F", t_mm=-40, angle_deg=0.9),
                StripSpec(letter="G", t_mm=41, angle_deg=-0.3),
            ),
            lamps=((-35, 1.6, 12),),
            camera=replace(_CAMERA, tilt_across_deg=6, exposure=0.7, jpeg_quality=82),
            accept=("ok", "warn"),
            notes="Rolled edges in bare brushed steel over a dark gap: the roll mirrors the gap, so the edge hardly "
            "shows. A large U or a warning is right here.",
        ),
    ),
)


def random_scene(number: int, seed: int = 0) -> SceneSpec:
    """Draw a scene by lot: finishes, edges, light, bends, strips, camera.

    Parameters
    ----------
    number, seed : int
        The same pair gives the same scene.

    Returns
    -------
    SceneSpec
        A photo that can be measured (``expect`` ok).
    """
    rng = np.random.default_rng([seed, number])

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def edge(side: int) -> EdgeSpec:
        kind = str(rng.choice(["roll", "roll", "cut"]))
        return EdgeSpec(
            kind=kind,
            radius_mm=between(0.05, 0.2) if kind == "cut" else between(1.0, 2.4),
            finish=str(rng.choice(sorted(FINISHES))),
            wave_mm=between(0, 0.12),
            wave_period_mm=between(100, 300),
            wave_phase_deg=between(0, 360) + side,
            face_factor=between(0.4, 1.0),
        )

    backlit = number % 3 == 0
    inside = (
        Inside(kind="backlit", level=between(0.55, 0.95))
        if backlit
        else Inside(
            kind=str(rng.choice(["dark", "dark", "seal", "flange"])),
            flange_diffuse=between(0.1, 0.6),
            depth_mm=between(6, 12),
            from_mm=between(-12, -6),
            to_mm=between(-1.5, 1.5),
        )
    )
    both = rng.random() < 0.7
    arc = rng.random() < 0.25
    near, far = (52.0, 72.0) if arc else (34.0, 60.0)  # an arc comes nearer to the ends of a straight strip
    letters = rng.permutation(list("ABCDEFGH"))
    strips = [
        StripSpec(letter=str(letters[0]), s_mm=between(-20, 20), t_mm=-between(near, far), angle_deg=between(-1.5, 1.5))
    ]
    if both:
        strips.append(
            StripSpec(
                letter=str(letters[1]), s_mm=between(-20, 20), t_mm=between(near, far), angle_deg=between(-1.5, 1.5)
            )
        )
    bend = str(rng.choice(["flat", "flat", "along", "across"]))
    defects = tuple(
        Defect(
            side=str(rng.choice(["A", "B"])),
            s_mm=between(-110, 110),
            height_mm=between(0.3, 0.8) * (1 if rng.random() < 0.5 else -1),
            width_mm=between(12, 60),
            kind=str(rng.choice(["bump", "bump", "step"])),
        )
        for _ in range(int(rng.integers(0, 3)))
    )
    lines = (
        (
            Line(
                t_mm=between(5, 9) * (1 if rng.random() < 0.5 else -1),
                width_mm=between(0.5, 2),
                factor=between(0.4, 1.2),
            ),
        )
        if rng.random() < 0.3
        else ()
    )
    scaled = rng.random() < 0.3
    return SceneSpec(
        name=f"scene{seed:02d}_{number:03d}",
        gap_mm=between(3.2, 6.4),
        taper_mm_per_m=between(-5, 5),
        step_mm=between(-1, 1) if rng.random() < 0.6 else 0.0,
        edge_a=edge(0),
        edge_b=edge(1),
        defects=defects,
        inside=inside,
        seam_radius_mm=between(550, 1200) * (1 if rng.random() < 0.5 else -1) if arc else None,
        bend=bend,
        bend_radius_mm=between(900, 2500),
        strips=tuple(strips),
        print_scale_along=between(0.96, 1.02) if scaled else 1.0,
        print_scale_across=between(0.96, 1.02) if scaled else 1.0,
        lines=lines,
        lamps=((between(-60, 60), between(0.3, 2.0), between(5, 20)),),
        uneven=between(0, 0.25),
        camera=CameraSpec(
            distance_mm=between(250, 480),
            aim_s_mm=between(-15, 15),
            aim_t_mm=between(-12, 12),
            tilt_across_deg=between(-12, 12),
            tilt_along_deg=between(-8, 8),
            roll_deg=between(-10, 10) + (90 if rng.random() < 0.3 else 0),
            focal_px=between(2850, 3150),
            k1=between(-0.04, 0.04),
            k2=between(-0.015, 0.015),
            blur_px=between(0.6, 1.6),
            noise=between(0.006, 0.025),
            sharpening=between(0.2, 0.9),
            tone=str(rng.choice(["srgb", "phone"])),
            # lit from behind: the gap clearly lighter than the panels, as the how-to asks
            exposure=between(0.3, 0.45) * inside.level if backlit else between(0.55, 0.85),
            glare=between(0, 0.02),
            jpeg_quality=int(rng.integers(84, 96)),
        ),
        notes="Drawn by lot.",
    )
