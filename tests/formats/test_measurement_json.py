"""The measurement file: the contract, there and back, and bad files named."""

from __future__ import annotations

import copy
import json
import os
import stat
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gapvision.errors import GapvisionError
from gapvision.formats import measurement_json
from gapvision.formats.measurement_json import from_dict, from_json, read, to_dict, to_json, write
from gapvision.model import LeftOut, Measurement, Step
from gapvision.targets.strip import corners_mm
from tests.reports._examples import measured, profile, refused


def same(one: Measurement, two: Measurement) -> bool:
    return to_dict(one) == to_dict(two)


def test_the_contract_of_the_file():
    """The names that other programs rely on, as they were agreed with those who score the files."""
    d = to_dict(measured())
    assert d["schema"] == "gapvision-measurement/2"
    assert d["status"] == "warn"
    assert set(d["warnings"][0]) == {"code", "message", "advice"}
    assert d["photo"] == {"file": "Tür ½.jpg", "sha256": "ab" * 32, "width_px": 4032, "height_px": 3024,
                          "taken_at": "2026-03-14T10:20:30"}  # fmt: skip
    wanted = {
        "px_per_mm",
        "print_scale_along",
        "print_scale_across",
        "strips",
        "tilt_across_deg",
        "tilt_along_deg",
        "distance_mm",
    }
    assert wanted <= set(d["scale"])
    assert d["scale"]["strips"] == ["A", "E"]
    station = {"s_mm", "gap_mm", "u_mm", "edge_a_px", "edge_b_px", "edge_a_mm", "edge_b_mm"}
    assert all(station <= set(s) for s in d["stations"])
    assert d["stations"][0]["edge_b_px"] == [100.25, 538.125]
    assert set(d["gap"]) == {"mean_mm", "min_mm", "max_mm", "std_mm", "taper_mm_per_m"}
    assert d["flush"] == {"mean_mm": -0.5, "u_mm": 0.2}
    assert d["coverage_factor"] == 2
    for edge in ("edge_a", "edge_b"):
        assert {"min_zone_mm", "lsq_mm", "u_mm"} <= set(d["straightness"][edge])


def test_notes_are_no_warnings():
    d = to_dict(measured())
    assert [w["code"] for w in d["warnings"]] == ["edge-doubtful"]
    assert [w["code"] for w in d["notes"]] == ["step-unknown"]


def test_a_refused_photo_says_why_and_has_no_stations():
    d = to_dict(refused())
    assert d["status"] == "refused"
    assert d["stations"] == []
    assert d["warnings"][0]["code"] == "photo-blurred"
    assert d["warnings"][0]["advice"]
    assert d["gap"] is d["flush"] is d["scale"] is d["straightness"] is None


@pytest.mark.parametrize("make", [measured, refused, lambda: measured(step_used=None, straightness_a=None, scale=None)])
def test_there_and_back(make, tmp_path):
    path = tmp_path / "m.json"
    write(make(), path)
    back = read(path)
    assert same(back, make())
    assert to_json(back) == path.read_bytes()


def test_every_field_comes_back():
    m = measured()
    back = from_json(to_json(m))
    for name in ("status", "notices", "scale", "summary", "step_used", "straightness_a", "straightness_b", "seam_kind",
                 "edges_method", "settings", "method_version", "gap_lit", "edge_a", "edge_b", "quality"):  # fmt: skip
        assert getattr(back, name) == getattr(m, name), name
    assert back.profile is not None
    assert m.profile is not None
    for name in (
        "s_mm",
        "gap_mm",
        "expanded_u_mm",
        "edge_a_px",
        "edge_b_px",
        "edge_a_mm",
        "edge_b_mm",
        "edge_a_u_mm",
        "edge_b_u_mm",
    ):
        assert np.abs(getattr(back.profile, name) - getattr(m.profile, name)).max() < 1e-4, name
    assert set(back.profile.parts_mm) == {"edge", "scale"}
    assert back.profile.spacing_mm == 1.0


def test_what_it_was_measured_from_comes_back_in_full():
    """The strips' corners and the fitted map to the last digit: what is worked out from them later rests on it."""
    one, two = measured().photo, from_json(to_json(measured())).photo
    assert (two.file, two.sha256, two.width_px, two.height_px) == (one.file, one.sha256, one.width_px, one.height_px)
    assert [v.letter for v in two.strips] == ["A", "E"]
    for a, b in zip(one.strips, two.strips, strict=True):
        for name in ("corner_ids", "corners_px", "corners_mm"):
            assert np.array_equal(getattr(a, name), getattr(b, name)), name
        assert (a.print_scale, a.sheet) == (b.print_scale, b.sheet)
    for name in ("params", "covariance"):
        assert np.array_equal(getattr(one.field, name), getattr(two.field, name)), name
    for name in ("letters", "raised", "size_px", "print_scales", "focal_source", "noise_px"):
        assert getattr(one.field, name) == getattr(two.field, name), name


def test_a_file_with_one_print_scale_for_all_its_strips_is_read():
    """Version 2 as it was written before strips of different sheets were told apart."""
    content = to_dict(measured())
    field = content["photos"][0]["field"]
    del field["print_scales"]
    field["print_scale"] = [0.995, 1.005]
    for strip in content["photos"][0]["strips"].values():
        del strip["print_scale"], strip["sheet"]
    photo = from_dict(content).photo
    assert photo.field.print_scales == ((0.995, 1.005),) * 2
    for view in photo.strips:
        assert (view.sheet, view.print_scale) == (None, (0.995, 1.005))
        assert np.array_equal(view.corners_mm, corners_mm()[view.corner_ids] * (0.995, 1.005))


def test_the_contract_of_version_2():
    """The agreed names of version 2, one for each line of its table."""
    d = to_dict(measured())
    (photo,) = d["photos"]
    assert {"file", "sha256", "width_px", "height_px", "taken_at", "strips", "field"} <= set(photo)
    assert set(photo["strips"]["E"]) == {"ids", "corners_px", "print_scale", "sheet"}
    assert [len(row) for row in photo["field"]["covariance"]] == list(range(1, len(photo["field"]["params"]) + 1))
    assert d["sheet"] == {
        "strips": {"A": 407122947, "E": None}, "print_scale_along": 0.995, "print_scale_across": 1.005,
        "print_scale_u": 0.002, "print_scale_along_u": 0.0015, "print_scale_from": "check lines",
    }  # fmt: skip
    a, b = d["edges"]["a"], d["edges"]["b"]
    assert (a["kind"], a["radius_mm"], a["radius_u_mm"], a["source"], a["burnt_share"]) == (
        "rolled", 1.4, 0.4, "stated", 0.25
    )  # fmt: skip
    assert (b["kind"], b["contradicted"], b["radius_mm"]) == ("other", True, None)
    station = d["stations"][0]
    assert (station["photo"], station["step_mm"], station["step_u_mm"]) == (0, -0.5, 0.2)
    assert station["parts_u_mm"] == {"edge": 0.03, "scale": 0.01}
    assert d["settings"]["seam_hint_px"] == [[100.5, 500.0], [900.0, 501.25]]
    assert d["settings"]["left_out"] == [{"from_mm": 60.0, "to_mm": 79.0, "reason": "door handle"}]


def test_a_step_that_nobody_knows_stands_at_no_station():
    d = to_dict(measured(step_used=Step(mean_mm=0.0, expanded_u_mm=1.0, source="assumed")))
    assert "step_mm" not in d["stations"][0]
    assert d["flush"] is None
    assert from_dict(d).step is None


# --- version 1 -------------------------------------------------------------------------

KEPT = Path(__file__).parent / "kept"  # written by gapvision at commit 3ea96b7, stations 12 mm apart


@pytest.mark.parametrize("name", sorted(p.name for p in KEPT.glob("*.json")))
def test_files_of_version_1_are_read_and_written_anew(name):
    content = json.loads((KEPT / name).read_text(encoding="utf-8"))
    assert content["schema"] == "gapvision-measurement/1"
    m = read(KEPT / name)
    anew = to_dict(m)
    for key in ("status", "photo", "gap", "flush", "straightness", "seam_kind", "method_version"):
        assert anew[key] == content[key], key
    assert anew["schema"] == "gapvision-measurement/2"
    for old, new in zip(content["stations"], anew["stations"], strict=True):
        assert {k: new[k] for k in old if k != "std_u_mm"} == {k: v for k, v in old.items() if k != "std_u_mm"}
        assert list(new["parts_u_mm"].values()) == list(old["std_u_mm"].values())
    assert same(from_dict(anew), m)
    assert (m.photo.strips, m.photo.field) == ((), None)


def test_former_words_of_version_1_are_todays():
    """Edges ``hem``, codes and parts named after ``flush``."""
    old = json.loads((KEPT / "rolled_flush_unknown.json").read_text(encoding="utf-8"))
    assert (old["camera"]["edge_a"], old["notes"][0]["code"]) == ("hem", "flush-unknown")
    assert "tilt_flush" in old["stations"][0]["std_u_mm"]
    m = read(KEPT / "rolled_flush_unknown.json")
    assert (m.edge_a.kind, m.edge_a.source, m.notices[0].code) == ("rolled", "measured", "step-unknown")
    assert (m.edge_a.depth_mm, m.edge_a.depth_std_u_mm) == (1.31, 0.63)
    assert m.step_used == Step(mean_mm=0.0, expanded_u_mm=1.0, source="assumed")
    assert "tilt_step" in m.profile.parts_mm
    assert m.quality.blur_px == old["camera"]["blur_px"]


def test_all_that_was_stated_in_version_1_is_kept():
    m = read(KEPT / "stated_with_taps.json")
    assert (m.settings.edge_a, m.settings.edge_a_radius_mm, m.settings.edge_b) == ("rolled", 1.2, "cut")
    assert (m.settings.step_mm, m.settings.step_u_mm, m.stated_step_mm) == (0.4, 0.3, 0.4)
    assert m.settings.seam_hint_px == ((1553.2985, 1094.3815), (1601.5465, 2848.069))
    assert (m.edge_b.kind, m.edge_b.source, m.edge_b.contradicted) == ("other", "stated", True)
    left = read(KEPT / "left_out.json")
    assert left.left_out == (LeftOut(from_mm=100.0, to_mm=140.0, reason="door handle"),)
    assert not ((left.profile.s_mm >= 100) & (left.profile.s_mm <= 140)).any()
    ends = left.photo.strip_ends_px()
    assert set(ends) == {"C", "D"}
    assert ends["C"].tolist() == [[830.53, 1927.74], [3188.55, 1825.65]]
    assert np.array_equal(from_json(to_json(left)).photo.strip_ends_px()["D"], ends["D"])


def test_nan_is_never_written():
    s = np.arange(4.0)
    p = profile(s, np.array([4.0, np.nan, 4.2, 4.3]))
    object.__setattr__(p, "edge_a_u_mm", np.array([0.1, 0.1, np.nan, np.inf]))
    text = to_json(measured(profile=p)).decode()
    assert "NaN" not in text
    assert "Infinity" not in text
    d = json.loads(text)
    assert [q["s_mm"] for q in d["stations"]] == [0, 2, 3]
    assert [q["edge_a_u_mm"] for q in d["stations"]] == [0.1, None, None]
    back = from_json(text.encode()).profile
    assert back is not None
    assert np.isnan(back.edge_a_u_mm[1:]).all()


def test_one_station_a_line():
    lines = to_json(measured()).decode().splitlines()
    assert sum(line.startswith('  {"s_mm"') for line in lines) == 100


# --- writing whole or not at all -------------------------------------------------------


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "m.json"
    path.write_text("old")

    def fail(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(GapvisionError) as caught:
        write(measured(), path)
    assert caught.value.code == "disk-full"
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["m.json"]


@pytest.mark.parametrize("place", ["none/m.json", "."])
def test_places_that_cannot_be_written(place, tmp_path):
    with pytest.raises(GapvisionError) as caught:
        write(measured(), tmp_path / place)
    assert caught.value.code == "folder-not-writable"


@pytest.mark.skipif(os.name == "nt", reason="file modes are a Unix thing")
def test_the_file_may_be_read_by_others_as_the_umask_says(tmp_path):
    before = os.umask(0o022)
    try:
        write(measured(), tmp_path / "m.json")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "m.json").stat().st_mode) == 0o644


# --- bad files ---------------------------------------------------------------------------


def changed(place: str, value: Any, good: dict[str, Any] | None = None) -> dict[str, Any]:
    """A good file with one thing wrong; ``place`` like ``stations.3.gap_mm``; value ``...`` removes it."""
    d = copy.deepcopy(good or to_dict(measured()))
    *way, last = place.split(".")
    at: Any = d
    for step in way:
        at = at[int(step)] if isinstance(at, list) else at[step]
    if value is ...:
        del at[last]
    else:
        at[int(last) if isinstance(at, list) else last] = value
    return d


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [
        ("schema", ..., " is not a gapvision measurement: schema is missing."),
        ("schema", "other/1", " is not a gapvision measurement: its schema is 'other/1'."),
        (
            "schema",
            "gapvision-measurement/3",
            " measurement: it was written by another version of gapvision (gapvision-measurement/3).",
        ),
        ("schema", 1, " is not a gapvision measurement: its schema is '1'."),
        ("status", "fine", ", status: 'fine' is not known here."),
        ("warnings", {}, ", warnings: a list is expected, not a table."),
        ("warnings.0", "x", ", warnings[0]: a table is expected, not a text."),
        ("warnings.0.code", "no-such-code", ", warnings[0].code: 'no-such-code' is not known here."),
        ("photo", ..., ": 'photo' is missing."),
        ("photo.width_px", 1.5, ", photo.width_px: a whole number is expected, not a number."),
        ("photo.width_px", True, ", photo.width_px: a whole number is expected, not true or false."),
        ("photo.width_px", 0, ", photo.width_px: a number of at least 1 is expected here."),
        ("scale.px_per_mm", "8", ", scale.px_per_mm: a number is expected, not a text."),
        ("scale.strips", [1], ", scale.strips[0]: a text is expected, not a whole number."),
        ("scale.strip_sides", {"A": 1}, ", scale.strip_sides[...]: a text is expected, not a whole number."),
        ("stations", None, ", stations: a list is expected, not "),
        ("stations.3.gap_mm", ..., ", stations[3]: 'gap_mm' is missing."),
        ("stations.3.gap_mm", None, ", stations[3].gap_mm: a number is expected, not "),
        ("stations.3.u_mm", -0.1, ", stations[3].u_mm: a number of at least 0.0 is expected here."),
        ("coverage_factor", 1.0, ", coverage_factor: the factor 2 is expected."),
        ("spacing_mm", 0.0, ", spacing_mm: a number above 0.0 is expected here."),
        ("spacing_mm", 10.0, " is not a gapvision measurement: spacing_mm: the stations do not lie 10 mm apart."),
        ("straightness.edge_a.u_mm", -0.1, ", straightness.edge_a.u_mm: a number of at least 0.0 is expected here."),
        ("stations.3.edge_a_px", [1, 2, 3], ", stations[3].edge_a_px: a list of 2 is expected here."),
        ("stations.3.edge_b_px", [1, None], ", stations[3].edge_b_px[1]: a number is expected, not "),
        ("stations.3.s_mm", 1.0, " is not a gapvision measurement: s_mm: expected increasing stations."),
        ("stations.3.parts_u_mm", [], ", stations[3].parts_u_mm: a table is expected, not a list."),
        ("stations.3.photo", 1, " is not a gapvision measurement: photo: a station's photo is not there."),
        ("gap.mean_mm", ..., ", gap: 'mean_mm' is missing."),
        ("flush.u_mm", [], ", flush.u_mm: a number is expected, not a list."),
        (
            "straightness.edge_a.min_zone_mm",
            10**400,
            ", straightness.edge_a.min_zone_mm: what stands here is out of range.",
        ),
        ("settings", 5, ", settings: a table is expected, not a whole number."),
        ("settings.edge_a", "wavy", " is not a gapvision measurement: its settings cannot be: 'wavy' is not a way"),
        ("settings.left_out", [{"from_mm": 1}], ", settings.left_out[0]: 'to_mm' is missing."),
        ("edges.a.kind", "wavy", " is not a gapvision measurement: kind: expected cut, rolled or other, got 'wavy'."),
        ("step.source", "guess", " is not a gapvision measurement: source: expected strips, stated or assumed, got"),
        ("photos.0.field.params", [1.0], " is not a gapvision measurement: covariance: expected one row for each of"),
        ("photos.0.field.raised", ["A", "E"], " is not a gapvision measurement: letters: expected one or more,"),
        ("photos.0.strips", {"Z": {"ids": [], "corners_px": []}}, ": strips: no strip has the letter 'Z'."),
        ("photos.0.strips.A.ids", [1], " is not a gapvision measurement: corners_mm: expected shape (38, 2), got"),
    ],
)
def test_what_is_wrong_is_named(place, value, says):
    with pytest.raises(GapvisionError) as caught:
        from_dict(changed(place, value), "m.json")
    assert caught.value.code == "measurement-file-bad"
    assert says in caught.value.message
    assert caught.value.message.startswith("'m.json'")
    assert caught.value.message.endswith(".")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"hello",
        b"[]",
        b"null",
        b"3",
        b"\xff\xfe\x00",
        b"[" * 100000,
        b'{"schema": NaN}',
        b"{" + b"9" * 5000 + b"}",
    ],
    ids=["empty", "text", "list", "null", "number", "binary", "deep", "nan", "digits"],
)
def test_no_json_or_not_an_object(data, tmp_path):
    path = tmp_path / "m.json"
    path.write_bytes(data)
    with pytest.raises(GapvisionError) as caught:
        read(path)
    assert caught.value.code == "measurement-file-bad"
    assert caught.value.message.startswith("'m.json' is not ")


@pytest.mark.parametrize(
    ("name", "code"), [("none.json", "file-not-found"), (".", "file-is-folder"), ("a\x00", "file-not-found")]
)
def test_files_that_cannot_be_read(name, code, tmp_path):
    with pytest.raises(GapvisionError) as caught:
        read(tmp_path / name)
    assert caught.value.code == code


def test_a_byte_order_mark_is_fine():
    assert same(from_json(b"\xef\xbb\xbf" + to_json(measured())), measured())


def test_a_file_with_only_the_contract_fields_is_read():
    """Another program's file, holding the agreed names of version 1 and no more."""
    d = to_dict(measured())
    keep = {"schema", "status", "warnings", "photo", "stations", "gap", "flush", "straightness"}
    d = {k: v for k, v in d.items() if k in keep}
    for station in d["stations"]:
        for name in ("edge_a_u_mm", "edge_b_u_mm", "parts_u_mm", "photo", "step_mm", "step_u_mm"):
            del station[name]
    back = from_dict(d)
    assert back.profile is not None
    assert len(back.profile.s_mm) == 100
    assert back.step == measured().step


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
PLACES = ["schema", "status", "warnings", "photo", "scale", "stations", "gap", "flush", "straightness", "settings",
          "stations.0", "stations.0.gap_mm", "stations.0.edge_a_px", "scale.strips", "straightness.edge_a",
          "notes", "photos", "photos.0.strips", "photos.0.strips.A", "photos.0.field", "photos.0.field.covariance",
          "edges", "edges.a", "step", "quality", "settings.left_out", "settings.seam_hint_px"]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(PLACES), JSON)
@pytest.mark.slow
def test_any_value_anywhere_is_read_or_named(place, value):
    try:
        back = from_dict(changed(place, value))
    except GapvisionError:
        return
    assert back.status in ("ok", "warn", "refused")


OLD_PLACES = ["warnings", "notes.0", "notes.0.code", "camera", "camera.edge_a", "camera.edge_a_from",
              "camera.flush_from", "camera.flush_used_mm", "settings", "settings.edge_a", "settings.flush_mm",
              "settings.seam_hint_px", "strip_ends_px", "strip_ends_px.E", "left_out", "stations.0",
              "stations.0.std_u_mm", "photo"]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(OLD_PLACES), JSON)
@pytest.mark.slow
def test_any_value_anywhere_in_version_1_is_read_or_named(place, value):
    old = json.loads((KEPT / "stated_with_taps.json").read_text(encoding="utf-8"))
    try:
        back = from_dict(changed(place, value, old))
    except GapvisionError:
        return
    assert back.status in ("ok", "warn", "refused")


@pytest.mark.parametrize(
    "odd",
    [
        lambda stations: stations[3].pop("photo"),
        lambda stations: stations[3].update(step_mm=0.4, step_u_mm=0.1),
        lambda stations: stations[3]["parts_u_mm"].pop("edge"),
        lambda stations: stations[3]["parts_u_mm"].update(other=0.1),
        lambda stations: stations[0].update(note="of another writer"),
        lambda stations: stations[0].update(edge_a_u_mm=None),
        lambda stations: [one.pop("photo") for one in stations],
        lambda stations: [one.pop("parts_u_mm") for one in stations],
        lambda stations: stations[0].update(parts_u_mm={f"cause {k}": 0.001 for k in range(200)}),
        lambda stations: None,
    ],
)
def test_the_fast_way_reads_what_the_plain_one_does(odd):
    """Stations whose keys are all alike are read in columns; any other file as it stands, with the same outcome."""
    content = to_dict(measured())
    for station in content["stations"]:
        station["parts_u_mm"] = {"edge": 0.03, "print scale": 0.02}
    odd(content["stations"])
    data = json.dumps(content).encode()
    fast, plain = from_json(data), measurement_json._made(measurement_json._DECODER.decode(data))
    assert to_json(fast) == to_json(plain)
    assert list(fast.profile.parts_mm) == list(plain.profile.parts_mm)
