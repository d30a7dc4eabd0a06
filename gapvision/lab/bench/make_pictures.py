"""The README's pictures of a measurement: ``python -m gapvision.lab.bench.make_pictures sample_images/pictures``."""

from __future__ import annotations

import sys
from pathlib import Path

from gapvision.intake.photo import read_colour, read_photo
from gapvision.judgement import judge_measurement, simple_spec
from gapvision.lab import SAMPLE_IMAGES
from gapvision.model import Settings
from gapvision.reports.figures import draw_profile, draw_straightness, write_figure
from gapvision.reports.overlay import draw_overlay, overlay_bytes
from gapvision.several import measure_photos


def make_pictures(folder: Path) -> list[Path]:
    """Write overlay, profile and straightness of three photos of one seam in steel; return their paths."""
    photos = [SAMPLE_IMAGES / f"open_set_steel{more}.jpg" for more in ("", "_lean1", "_lean2")]
    sample = photos[0]
    settings = Settings(print_scale_checked=True, one_sheet=True)
    measurement = measure_photos([read_photo(photo) for photo in photos], settings)
    verdict = judge_measurement(measurement, simple_spec(4.7625, 0.5, 0.5))
    overlay, profile, form = (folder / f"measured_{name}" for name in ("photo.jpg", "profile.png", "straightness.png"))
    pixels = read_colour(sample, max_side_px=1400)
    overlay.write_bytes(overlay_bytes(draw_overlay(pixels, measurement, verdict, longest_px=1400), "JPEG"))
    write_figure(draw_profile(measurement, verdict), profile)
    write_figure(draw_straightness(measurement), form)
    return [overlay, profile, form]


if __name__ == "__main__":
    for written in make_pictures(Path(sys.argv[1])):
        print(written)
