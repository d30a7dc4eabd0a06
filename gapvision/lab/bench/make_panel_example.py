"""Make the worked panel example: draw its photos, measure them, keep the measurement files.

``python -m gapvision.lab.bench.make_panel_example sample_images/panel_example`` draws five
invented photos of a bonnet that sits 0.8 mm too far to the right, 0.4 mm too far back and
turned, with a bulge in its own edge at the right rear; measures each photo as a person
would; and writes one measurement file per photo.  ``--photos`` keeps the photos too.
``--pictures sample_images/pictures`` makes the README's pictures of the worked example.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np

from gapvision.formats.measurement_json import write
from gapvision.intake.photo import read_photo
from gapvision.judgement import ready_shape
from gapvision.judgement.move import shift_rows
from gapvision.judgement.panel import placed
from gapvision.lab.scenes import SceneSpec, render_scene
from gapvision.lab.scenes.scene import CameraSpec, Defect, EdgeSpec, Inside, StripSpec
from gapvision.model import Move, SeamReading, Settings
from gapvision.recipe import measure_photo

#: How the bonnet sits, against where its gaps would all be EVEN_MM.
SITS = Move(x_mm=0.8, y_mm=-0.4, turn_rad=-0.0012)
EVEN_MM = 5.15
WIDTH_MM, LENGTH_MM = 1200.0, 1000.0
#: Photo -> (seam, middle of the photo along the seam [mm], photo runs against the seam).
PHOTOS: dict[str, tuple[str, float, bool]] = {
    "left_front": ("left", 250.0, False),
    "left_rear": ("left", 750.0, False),
    "right_front": ("right", 250.0, True),
    "right_rear": ("right", 750.0, True),
    "rear_middle": ("rear", 600.0, False),
}
#: The photo of the worked example.
SHOWN = "right_rear"
_BULGE = Defect(side="B", s_mm=35.0, height_mm=-1.1, width_mm=70.0)


def scene_of(photo: str) -> SceneSpec:
    """The scene of one photo: gap and taper follow from how the bonnet sits."""
    seam, middle, backwards = PHOTOS[photo]
    place = ready_shape("bonnet").places(WIDTH_MM, LENGTH_MM)[seam]
    s = np.array([middle - 100, middle, middle + 100])
    blank = np.zeros(3)
    reading = SeamReading(
        seam=seam,
        photo=photo,
        s_mm=s,
        gap_mm=blank,
        expanded_u_mm=blank,
        panel_edge_mm=blank,
        xy_mm=np.zeros((0, 2)),
        outward=np.zeros((0, 2)),
    )
    there = placed(reading, place, (0.0, LENGTH_MM / 2))
    gap = EVEN_MM + shift_rows(there.xy_mm, there.outward, (0.0, LENGTH_MM / 2)) @ np.array(
        [SITS.x_mm, SITS.y_mm, SITS.turn_rad]
    )
    taper = 1000 * (gap[2] - gap[0]) / 200 * (-1 if backwards else 1)
    return SceneSpec(
        name=photo,
        gap_mm=float(gap[1]),
        taper_mm_per_m=float(taper),
        step_mm=0.7 if seam == "rear" else -0.2,
        edge_a=EdgeSpec(radius_mm=1.5, finish="grey_primer", wave_mm=0.05),
        edge_b=EdgeSpec(radius_mm=1.5, finish="grey_primer", wave_mm=0.05, wave_period_mm=220, wave_phase_deg=50),
        defects=(_BULGE,) if photo == "right_rear" else (),
        inside=Inside(kind="backlit", level=0.8),
        strips=(StripSpec(letter="A", t_mm=-40, angle_deg=0.4), StripSpec(letter="B", t_mm=41, angle_deg=-0.3)),
        camera=replace(CameraSpec(), jpeg_quality=88, exposure=0.55, tilt_across_deg=2.0, distance_mm=300, noise=0.01),
        notes="Bonnet of the panel example; edge B is the bonnet's.",
    )


def draw_pictures(folder: Path, pictures: Path) -> int:
    """Draw one seam from photo to template: photo with edges, what each step buys, the template's page."""
    import pypdfium2

    from gapvision.formats.measurement_json import read
    from gapvision.formats.panel_file import read_panel
    from gapvision.intake.photo import read_colour
    from gapvision.judgement import judge_measurement, make_plan, simple_spec
    from gapvision.judgement.template import drawings_of_plan
    from gapvision.reports.figures import draw_plan, write_figure
    from gapvision.reports.overlay import draw_overlay, overlay_bytes
    from gapvision.reports.template_pdf import write_template

    plan = make_plan(read_panel(folder / "bonnet.toml"))
    measured = read(folder / f"{SHOWN}.json")
    # The gap to have in primer: 3/16 in finished and the film still to come.
    film = plan.stretches[0].finish.loss.loss_mm if plan.stretches[0].finish else 0.0
    verdict = judge_measurement(measured, simple_spec(4.7625 + film, 0.5, 0.5))
    pixels = read_colour(folder / f"{SHOWN}.jpg", max_side_px=1400)
    photo = draw_overlay(pixels, measured, verdict, longest_px=1400)
    (pictures / "worked_photo.jpg").write_bytes(overlay_bytes(photo, "JPEG"))
    write_figure(draw_plan(plan, f"{SHOWN}.jpg"), pictures / "worked_plan.png")
    sheet = pictures / "worked_template.pdf"
    write_template(drawings_of_plan(plan), sheet)
    picture = pypdfium2.PdfDocument(sheet.read_bytes())[0].render(scale=1.7).to_pil()
    picture.save(pictures / "worked_template.png", "PNG", optimize=True)
    sheet.unlink()
    return 0


def main(argv: list[str] | None = None) -> int:
    """Draw, measure, write, and say what was found."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.make_panel_example", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", action="store_true", help="keep the photos beside their measurements")
    parser.add_argument("--pictures", type=Path, metavar="FOLDER", help="only draw the README's pictures")
    args = parser.parse_args(argv)
    if args.pictures:
        return draw_pictures(args.folder, args.pictures)
    args.folder.mkdir(parents=True, exist_ok=True)
    for number, photo in enumerate(PHOTOS):
        jpeg, _ = render_scene(scene_of(photo), 400 + number)
        path = args.folder / f"{photo}.jpg"
        path.write_bytes(jpeg)
        result = measure_photo(read_photo(path), Settings(print_scale_checked=True))
        write(result, args.folder / f"{photo}.json")
        if not args.photos:
            path.unlink()
        found = (
            "refused"
            if result.summary is None
            else f"gap {result.summary.min_mm:.2f} to {result.summary.max_mm:.2f} mm"
        )
        print(f"{photo}: {result.status}, {found}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
