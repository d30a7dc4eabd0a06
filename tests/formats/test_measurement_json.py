"""The measurement file: the contract, there and back, and bad files named."""

from __future__ import annotations

import copy
import json
import os
import stat
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gapvision.errors import GapvisionError
from gapvision.formats.measurement_json import from_dict, from_json, read, to_dict, to_json, write
from gapvision.model import Measurement
from tests.reports._examples import measured, profile, refused


def same(one: Measurement, two: Measurement) -> bool:
    return to_dict(one) == to_dict(two)


def test_the_contract_of_the_file():
    """design.md, section 3: the names that other programs rely on."""
    d = to_dict(measured())
    assert d["schema"] == "gapvision-measurement/1"
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


@pytest.mark.parametrize("make", [measured, refused, lambda: measured(step=None, straightness_a=None, scale=None)])
def test_there_and_back(make, tmp_path):
    path = tmp_path / "m.json"
    write(make(), path)
    back = read(path)
    assert same(back, make())
    assert to_json(back) == path.read_bytes()


def test_every_field_comes_back():
    m = measured()
    back = from_json(to_json(m))
    for name in ("status", "notices", "photo_file", "photo_sha256", "width_px", "height_px", "taken_at", "scale",
                 "summary", "step", "straightness_a", "straightness_b", "seam_kind", "edges_method", "settings",
                 "method_version",
                 "gap_lit", "camera"):  # fmt: skip
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


def test_numpy_numbers_are_plain_in_the_file():
    m = measured(
        camera={"a": np.float32(1.5), "b": np.bool_(True), "c": np.int64(3), "d": (1.0, np.nan), "e": np.arange(2)}
    )
    assert to_dict(m)["camera"] == {"a": 1.5, "b": True, "c": 3, "d": [1.0, None], "e": [0, 1]}


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
    assert caught.value.code == "folder-not-writable"
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


def changed(place: str, value: Any) -> dict[str, Any]:
    """A good file with one thing wrong; ``place`` like ``stations.3.gap_mm``; value ``...`` removes it."""
    d = copy.deepcopy(to_dict(measured()))
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
        ("schema", ..., "schema is missing"),
        ("schema", "other/1", "its schema is 'other/1'"),
        ("schema", "gapvision-measurement/2", "written by another version of gapvision (gapvision-measurement/2)"),
        ("schema", 1, "schema is not a text"),
        ("status", "fine", "status 'fine' is not ok, warn or refused"),
        ("warnings", {}, "warnings is not a list"),
        ("warnings.0", "x", "warnings[0] is not a set of named values"),
        ("warnings.0.code", "no-such-code", "warnings[0].code 'no-such-code' is not known"),
        ("photo", ..., "photo is missing"),
        ("photo.width_px", 1.5, "photo.width_px is not a whole number"),
        ("photo.width_px", True, "photo.width_px is not a whole number"),
        ("scale.px_per_mm", "8", "scale.px_per_mm is not a number"),
        ("scale.strips", [1], "scale.strips is not a list of letters"),
        ("scale.strip_sides", {"A": 1}, "scale.strip_sides.A is not a text"),
        ("stations", None, "stations is missing"),
        ("stations.3.gap_mm", ..., "stations[3].gap_mm is missing"),
        ("stations.3.gap_mm", None, "stations[3].gap_mm is missing"),
        ("stations.3.u_mm", -0.1, "stations[3].u_mm is negative"),
        ("stations.3.edge_a_px", [1, 2, 3], "stations[3].edge_a_px is not a pair of numbers"),
        ("stations.3.edge_b_px", [1, None], "stations[3].edge_b_px is not a number"),
        ("stations.3.s_mm", 1.0, "s_mm: expected increasing stations"),
        ("stations.3.std_u_mm", [], "stations[3].std_u_mm is not a set of named values"),
        ("gap.mean_mm", ..., "gap.mean_mm is missing"),
        ("flush.u_mm", [], "flush.u_mm is not a number"),
        ("straightness.edge_a.min_zone_mm", 10**400, "straightness.edge_a.min_zone_mm is not a number"),
        ("settings", 5, "settings is not a set of named values"),
    ],
)
def test_what_is_wrong_is_named(place, value, says):
    with pytest.raises(GapvisionError) as caught:
        from_dict(changed(place, value), "m.json")
    assert caught.value.code == "measurement-file-bad"
    assert caught.value.message == f"'m.json' is not a gapvision measurement: {says}." or says in caught.value.message


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
    assert caught.value.message.startswith("'m.json' is not a gapvision measurement: ")


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
    """Another program's file, holding what design.md section 3 lists and no more."""
    d = to_dict(measured())
    keep = {"schema", "status", "warnings", "photo", "stations", "gap", "flush", "straightness"}
    d = {k: v for k, v in d.items() if k in keep}
    for station in d["stations"]:
        for name in ("edge_a_u_mm", "edge_b_u_mm", "std_u_mm"):
            del station[name]
    back = from_dict(d)
    assert back.profile is not None
    assert len(back.profile.s_mm) == 100


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
PLACES = ["schema", "status", "warnings", "photo", "scale", "stations", "gap", "flush", "straightness", "settings",
          "stations.0", "stations.0.gap_mm", "stations.0.edge_a_px", "scale.strips", "straightness.edge_a",
          "notes"]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(PLACES), JSON)
def test_any_value_anywhere_is_read_or_named(place, value):
    try:
        back = from_dict(changed(place, value))
    except GapvisionError:
        return
    assert back.status in ("ok", "warn", "refused")
