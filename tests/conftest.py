"""Shared by all tests: measurements made by hand, without a photo; and sample photos measured once for all."""

import os
from dataclasses import fields
from hashlib import sha256
from pathlib import Path

import hypothesis
import numpy as np
import pytest

from gapvision.model import GapProfile, GapSummary, Measurement, Notice, ScaleInfo, SeenPhoto, Step, Straightness

# How long a drawn input takes tells of the machine's load, not of the program.
hypothesis.settings.register_profile("any load", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("any load")


def hand_made_measurement(gap_mm=None, u_mm=0.1, hole=None, notices=(), file="seam.jpg", px_per_mm=8.0):
    """Measurement of a straight, level seam in a 2400 x 1200 photo; ``hole`` leaves out stations from..to."""
    s = np.arange(0.0, 240.0)
    gap = np.broadcast_to(np.asarray(4.76 if gap_mm is None else gap_mm, float), s.shape)
    keep = np.ones(s.shape, bool) if hole is None else (s < hole[0]) | (s > hole[1])
    wave = 0.05 * np.sin(s / 30.0)
    a_px = np.stack([200 + s * px_per_mm, 600 - gap / 2 * px_per_mm + wave * px_per_mm], axis=1)
    b_px = np.stack([200 + s * px_per_mm, 600 + gap / 2 * px_per_mm + wave * px_per_mm], axis=1)
    u = np.broadcast_to(np.asarray(u_mm, float), s.shape)
    profile = GapProfile(
        s_mm=s[keep],
        gap_mm=gap[keep],
        expanded_u_mm=u[keep],
        edge_a_px=a_px[keep],
        edge_b_px=b_px[keep],
        edge_a_mm=(-gap / 2 + wave)[keep],
        edge_b_mm=(gap / 2 + wave)[keep],
        edge_a_u_mm=u[keep] / 2,
        edge_b_u_mm=u[keep] / 2,
        parts_mm={"edge": u[keep] / 2},
    )
    g = gap[keep]
    form = Straightness(
        min_zone_mm=0.1, lsq_mm=0.11, expanded_u_mm=0.05, span_mm=239.0, worst_100_mm=0.09, worst_100_from_mm=20.0
    )
    return Measurement(
        status="warn" if notices else "ok",
        notices=tuple(notices),
        photos=(SeenPhoto(file=file, sha256="0" * 64, width_px=2400, height_px=1200, taken_at="2026-03-02T10:00:00"),),
        scale=ScaleInfo(
            px_per_mm=px_per_mm,
            print_scale_along=1.0,
            print_scale_across=0.995,
            print_scale_checked=True,
            strips=("A", "E"),
            tilt_across_deg=2.0,
            tilt_along_deg=-1.0,
            distance_mm=320.0,
            focal_px=3000.0,
            focal_source="exif",
            residual_rms_px=0.2,
            strip_sides={"A": "a", "E": "b"},
        ),
        profile=profile,
        summary=GapSummary(
            mean_mm=float(g.mean()),
            min_mm=float(g.min()),
            max_mm=float(g.max()),
            std_mm=float(g.std()),
            taper_mm_per_m=float(np.polyfit(s[keep], g, 1)[0] * 1000),
        ),
        step_used=Step(mean_mm=0.4, expanded_u_mm=0.2),
        straightness_a=form,
        straightness_b=form,
        method_version=1,
    )


def hand_made_refusal(code="file-unreadable"):
    """Measurement of a photo that was refused."""
    return Measurement(
        status="refused",
        notices=(Notice(code=code),),
        photos=(SeenPhoto(file="bad.jpg", sha256="1" * 64, width_px=2400, height_px=1200),),
    )


@pytest.fixture(scope="session", autouse=True)
def no_records_of_ones_own(tmp_path_factory):
    """Where no data folder is named: an empty one, never that of the person who runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        if "GAPVISION_DATA" not in os.environ:
            patch.setenv("GAPVISION_DATA", str(tmp_path_factory.mktemp("own")))
        yield


@pytest.fixture
def make_measurement():
    """Give tests the maker of hand-made measurements."""
    return hand_made_measurement


@pytest.fixture
def make_refusal():
    """Give tests the maker of hand-made refusals."""
    return hand_made_refusal


@pytest.fixture(scope="session")
def measured_sample():
    """Measure a sample photo as for the records, each only once: its bytes and its measurement."""
    from gapvision.model import Settings
    from gapvision.samples import FOLDER
    from gapvision.workshop import measure_file

    kept = {}

    def get(name):
        if name not in kept:
            folders = (FOLDER, Path(__file__).parents[1] / "sample_images")
            data = next(f / name for f in folders if (f / name).is_file()).read_bytes()
            kept[name] = data, measure_file(data, name, Settings(print_scale_checked=True))
        return kept[name]

    return get


@pytest.fixture(scope="session")
def _seen_before():
    return {}


@pytest.fixture
def measuring_once(monkeypatch, _seen_before):
    """Measure a photo once for all tests whose matter lies before and behind measuring.

    Known again by all that measuring is given: the pixels, what came with them and the settings.  Nobody can change
    what the others see; a photo that is refused is measured each time.
    """
    from gapvision import recipe

    measure = recipe._measure

    def get(photo, settings, seen):
        parts = {f.name: getattr(photo, f.name) for f in fields(photo)}
        pixels = {k: sha256(np.ascontiguousarray(v)).digest() for k, v in parts.items() if isinstance(v, np.ndarray)}
        key = repr((parts | pixels, settings))
        if key not in _seen_before:
            found = measure(photo, settings, seen)
            for value in (getattr(found.profile, f.name) for f in fields(found.profile)):
                for array in value.values() if isinstance(value, dict) else [value]:
                    if isinstance(array, np.ndarray):
                        array.setflags(write=False)
            _seen_before[key] = found, tuple(seen)
        else:
            seen.extend(_seen_before[key][1])
        return _seen_before[key][0]

    monkeypatch.setattr(recipe, "_measure", get)
