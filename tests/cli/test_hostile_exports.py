"""A zip made with care to harm: whatever stands in it, import refuses in words or the report still comes out."""

import hashlib
import io
import json
import random
import tracemalloc
import zlib

import pytest
from PIL import Image

from gapvision.cli import main
from gapvision.errors import GapvisionError
from gapvision.formats.package import MANIFEST, Package, _Frame, write_package
from gapvision.records import Conditions, NewPhoto, Store
from gapvision.workshop import evidence_report, export_job, import_job, judge_line, set_finish
from tests.records.invented import invented, invented_set


def a_photo():
    out = io.BytesIO()
    Image.new("RGB", (400, 300), (90, 80, 70)).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    """A job's files by name."""
    from gapvision.judgement import coat
    from gapvision.model import FinishPlan

    folder = tmp_path_factory.mktemp("shop")
    with Store(folder / "data") as store:
        job = store.new_job(reference="17", customer="Zoë")
        set_finish(store, job.job_id, FinishPlan(coats=(coat("epoxy primer", 2),)))
        spec = {"nominal": "4.8mm", "allow_below": "0.2mm", "allow_above": "0.2mm"}
        panel = store.put_panel(job.job_id, "door", length_mm=1000)
        seam = store.add_seam(job.job_id, "sill", spec=spec, panel_id=panel.panel_id)
        for k, mean in enumerate((5.5, 4.8)):
            conditions = Conditions(latched=bool(k), metal_temp_c=10.0 + k)
            visit = store.add_visit(job.job_id, f"stage {k}", on_date=f"2026-01-0{k + 1}", conditions=conditions)
            judge_line(store, store.save_photo(seam.seam_id, visit.visit_id, a_photo(), ".jpg", invented(mean, n=60)))
        store.add_plan(
            job.job_id,
            "door",
            {
                "schema": "gapvision-plan/1",
                "steps": ["Move."],
                "stretches": [
                    {"seam": "sill", "trim": {"table": [{"s_mm": 0, "gap_mm": 4, "new_gap_mm": 5, "remove_mm": 1}]}}
                ],
            },
        )
        export_job(store, job.job_id, folder / "x.zip")
    with Package(folder / "x.zip") as package:
        return {f.name: package.read(f.name) for f in package.files}


def test_one_picture_in_two_files_is_exported_once(tmp_path):
    """As the phone made it and as a messenger passed it on: other files, but one and the same copy without location."""
    with Store(tmp_path / "data") as store:
        job = store.new_job(reference="17")
        seam = store.add_seam(job.job_id, "sill")
        for k in range(2):
            visit = store.add_visit(job.job_id, f"stage {k}", on_date=f"2026-01-0{k + 1}")
            store.save_photo(seam.seam_id, visit.visit_id, a_photo() + bytes(k), ".jpg", invented(n=60))
        export_job(store, job.job_id, tmp_path / "x.zip")
    with Package(tmp_path / "x.zip") as package:
        assert package.problems() == []
        assert sum(f.name.startswith("photos/") for f in package.files) == 1
    with Store(tmp_path / "next") as store:
        taken = import_job(store, tmp_path / "x.zip")
        assert len(store.job_lines(taken.job_id)) == 2
        assert store.verify().problems == ()


def test_photos_that_a_set_was_not_measured_from_are_refused(tmp_path):
    """Each photo of a set stands in its result by its SHA-256; the export's own list of them is put another way."""
    pictures = [a_photo() + bytes([k]) for k in range(2)]
    names = {f"{k}.jpg": hashlib.sha256(data).hexdigest() for k, data in enumerate(pictures)}
    with Store(tmp_path / "data") as store:
        job = store.new_job(reference="17")
        seam, visit = store.add_seam(job.job_id, "sill"), store.add_visit(job.job_id, "s", on_date="2026-01-01")
        new = [NewPhoto(data=d, suffix=".jpg", file_name=n) for n, d in zip(names, pictures, strict=True)]
        store.save_photos(seam.seam_id, visit.visit_id, new, invented_set(names))
        export_job(store, job.job_id, tmp_path / "x.zip")
    with Package(tmp_path / "x.zip") as package:
        files = {f.name: package.read(f.name) for f in package.files}
    other = files | {"job.json": files["job.json"].replace(names["1.jpg"].encode(), b"ab" * 32)}
    alone = json.loads(files["job.json"])
    alone["shots"][0]["measurements"][0]["photos"] = []
    for k, bad in enumerate((other, files | {"job.json": json.dumps(alone).encode()})):
        path = packed(bad, tmp_path / f"{k}.zip")
        with Store(tmp_path / "next") as store, pytest.raises(GapvisionError, match="not those that it was measured"):
            import_job(store, path)
    with Store(tmp_path / "next") as store:
        assert store.jobs() == []
        assert len(store.job_lines(import_job(store, tmp_path / "x.zip").job_id)) == 1


#: What a mean person might write in place of a value.
MEAN = (None, True, -1, 0, 1e308, 10**400, float("nan"), "", "x" * 3000, "<b>", "../../x", [], {}, [[]], {"a": None},
        [None, 3], "2026-13-45", "\x00\u202e", "\x1b[2J\x9b31m\u202egood", 10**4200, "out of tolerance")  # fmt: skip


def spots(value, path=()):
    """Every place in a nest of dicts and lists."""
    yield path
    if isinstance(value, dict):
        for k in value:
            yield from spots(value[k], (*path, k))
    elif isinstance(value, list):
        for k in range(min(len(value), 3)):
            yield from spots(value[k], (*path, k))


def spoil(content, rng):
    places = [p for p in spots(content) if p]
    for _ in range(rng.choice((1, 1, 2))):
        *way, last = rng.choice(places)
        at = content
        try:
            for key in way:
                at = at[key]
            if rng.random() < 0.15 and isinstance(at, dict):
                at.pop(last, None)
            else:
                at[last] = rng.choice(MEAN)
        except (KeyError, IndexError, TypeError):
            continue


def trial(files, seed, folder, capsys):
    """Spoil, pack with a true manifest, import, report; return what came of it."""
    rng = random.Random(seed)
    changed = dict(files)
    names = ["job.json", "job.json", *[n for n in files if n.startswith("measurements/")]]
    name = rng.choice(names)
    content = json.loads(changed[name])
    spoil(content, rng)
    changed[name] = json.dumps(content).encode()
    write_package(folder / "bad.zip", [(n, lambda d=d: d) for n, d in changed.items()], {"job": "17"})
    with Store(folder / "data") as store:
        try:
            job = import_job(store, folder / "bad.zip")
        except GapvisionError as error:
            assert store.jobs() == []
            assert store.database.problems() == []
            return error.code
        store.jobs("sill")
        store.seam_states(job.job_id)
        store.verify()
        try:
            evidence_report(store, job.job_id)
            export_job(store, job.job_id, folder / "again.zip")
        except GapvisionError as error:
            return f"report: {error.code}"
    for more in ([], ["--json"]):
        capsys.readouterr()
        assert main(["job", "show", job.reference, "--data", str(folder / "data"), *more]) == 0
        said = capsys.readouterr().out
        assert all(c.isprintable() or c == "\n" for c in said), ascii(said)
    return "taken"


@pytest.mark.slow
@pytest.mark.parametrize("seeds", [range(40), range(40, 600)])
def test_spoilt_values_never_crash(exported, seeds, tmp_path, capsys):
    outcomes = {}
    for seed in seeds:
        folder = tmp_path / str(seed)
        folder.mkdir()
        outcome = trial(exported, seed, folder, capsys)
        outcomes[outcome] = outcomes.get(outcome, 0) + 1
    assert outcomes.get("taken", 0) > 0, outcomes  # the unspoilt parts do get through
    assert sum(n for code, n in outcomes.items() if code in ("job-data-bad", "measurement-file-bad")) > 0, outcomes


@pytest.mark.slow
def test_a_photo_that_is_no_picture(exported, tmp_path):
    name = next(n for n in exported if n.startswith("photos/"))
    fake = b"GIF89a not a photo"
    sha256 = hashlib.sha256(fake).hexdigest()
    files = {k: v for k, v in exported.items() if k != name}
    files["job.json"] = files["job.json"].replace(name[7:71].encode(), sha256.encode())
    files[f"photos/{sha256}.jpg"] = fake
    write_package(tmp_path / "bad.zip", [(n, lambda d=d: d) for n, d in files.items()], {})
    with Store(tmp_path / "data") as store, pytest.raises(GapvisionError) as caught:
        import_job(store, tmp_path / "bad.zip")
    assert caught.value.code == "file-kind-unknown"


def packed(files, path, about=None):
    write_package(path, [(n, lambda d=d: d) for n, d in files.items()], about or {"job": "17"})
    return path


def mended(files, name, change):
    content = json.loads(files[name])
    change(content)
    return {**files, name: json.dumps(content).encode()}


def say_in(job):
    for shot in job["shots"]:
        for verdict in shot["measurements"][0]["verdicts"]:
            verdict["decision"] = verdict["body"]["verdict"] = "in tolerance"


def say_in_beside(job):
    job["shots"][0]["measurements"][0]["verdicts"][0]["decision"] = "in tolerance"


def first_verdict(change):
    return lambda job: change(job["shots"][0]["measurements"][0]["verdicts"][0])


def say_in_alone(job):
    """The verdict without its record: the seam says what was wanted."""
    first_verdict(lambda v: v.update(body={}, decision="in tolerance"))(job)


def judged_by_nothing(job):
    first_verdict(lambda v: v.update(body={}))(job)
    job["seams"][0]["spec"] = None


def all_of_it_in(verdict):
    for span in verdict["body"]["spans"]:
        span["state"] = "in tolerance"


MEASURED = "measurements/001-1-sill.json"
DEEP = b"[" * 600 + b"]" * 600


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        (lambda f: mended(f, MEASURED, lambda m: m["gap"].update(mean_mm=4.76)), "contradict the stations"),
        (lambda f: mended(f, MEASURED, lambda m: m["gap"].update(max_mm=4.9)), "contradict the stations"),
        (lambda f: mended(f, MEASURED, lambda m: m["gap"].update(std_mm=0.01)), "(standard deviation)"),
        (lambda f: mended(f, MEASURED, lambda m: m["gap"].update(taper_mm_per_m=9)), "(taper)"),
        (lambda f: mended(f, MEASURED, lambda m: m["straightness"]["edge_a"].update(min_zone_mm=0)), "(straightness)"),
        (lambda f: mended(f, MEASURED, lambda m: m["straightness"].update(edge_b=None)), "(straightness)"),
        (lambda f: mended(f, MEASURED, lambda m: m["stations"][7].update(parts_u_mm={"edge": 0.2})), "U is smaller"),
        (lambda f: mended(f, "job.json", say_in_alone), "the verdict contradicts the stations"),
        (lambda f: mended(f, "job.json", judged_by_nothing), "nothing says what it was judged by"),
        (lambda f: mended(f, "job.json", first_verdict(all_of_it_in)), "stretches or checks contradict"),
        (lambda f: mended(f, "job.json", first_verdict(lambda v: v.update(rule="simple"))), "the rule is not that"),
        (lambda f: mended(f, "job.json", first_verdict(lambda v: v.update(made_at="\x9b31m"))), "made_at"),
        (lambda f: f | {MEASURED: f[MEASURED].replace(b'"stations"', b'"z": "a\\u0000", "stations"')}, "NUL"),
        (lambda f: f | {MEASURED: b"[" + b"[]," * 2_000_000 + b"[]]"}, "larger than any"),
        (lambda f: mended(f, "job.json", say_in), "the verdict contradicts the stations"),
        (lambda f: mended(f, "job.json", say_in_beside), "the verdict contradicts the stations"),
        (lambda f: mended(f, "job.json", lambda j: j["job"].update(customer="a\x00b")), "job.customer"),
        (lambda f: f | {MEASURED: f[MEASURED].replace(b'"status"', b'"z": ' + DEEP + b', "status"', 1)}, "too deep"),
        (lambda f: f | {"job.json": f["job.json"].replace(b'"steps"', b'"z": ' + DEEP + b', "steps"', 1)}, "too deep"),
        (lambda f: f | {MEASURED: f[MEASURED].replace(b'"status"', b'"z": ' + b"9" * 5000 + b', "status"')}, "JSON"),
    ],
)
def test_what_contradicts_itself_or_cannot_be_kept_is_refused(exported, tmp_path, spoilt, said):
    path = packed(spoilt(exported), tmp_path / "bad.zip")
    with Store(tmp_path / "data") as store:
        with pytest.raises(GapvisionError) as caught:
            import_job(store, path)
        assert caught.value.code == "job-data-bad"
        assert said in caught.value.message
        assert store.jobs() == []
        assert not list((tmp_path / "data" / "photos").glob("*/*"))


def test_what_an_export_says_of_itself_is_plain_text(exported, tmp_path, capsys):
    about = {"job": "\x1b[2J\x1b[31m17", "written_by": "\u202eme\nintact: all of it"}
    assert main(["verify", str(packed(exported, tmp_path / "a.zip", about))]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3
    assert lines[0] == f"intact: {len(exported)} files"
    assert lines[2] == "it says of itself: job ?[2J?[31m17, ?me?intact: all of it"


@pytest.mark.slow
def test_an_imported_job_tells_its_origin_everywhere(exported, tmp_path, capsys):
    """On the job, in JSON, at the foot of every page of the paper; and it goes along when it is handed on."""
    import pypdfium2

    path = packed(exported, tmp_path / "a.zip", {"job": "17", "shop": "Bodyshop\x1b[31m Example"})
    with Store(tmp_path / "data") as store:
        job = import_job(store, path)
        with Package(path) as package:
            seal = package.seal
        origin = store.origin(job.job_id)
        assert origin.startswith("measured by Bodyshop[31m Example, imported on 20")
        assert origin.endswith(f"seal {seal}")
        paper = pypdfium2.PdfDocument(evidence_report(store, job.job_id))
        for page in paper:
            assert f"seal {seal[:12]}..." in page.get_textpage().get_text_range()
        export_job(store, job.job_id, tmp_path / "b.zip")
        head = store.database.head().words
    assert main(["job", "show", "17", "--data", str(tmp_path / "data")]) == 0
    assert f"  origin: {origin}\n" in capsys.readouterr().out
    with Store(tmp_path / "next") as store:
        handed_on = store.origin(import_job(store, tmp_path / "b.zip").job_id)
        assert handed_on.startswith(f"{origin}; then imported on 20")
        assert store.verify(photos=False).problems == ()
    for shown, code in ((head, 0), (f"{head[:-1]}{'1' if head[-1] == '0' else '0'}", 1)):
        assert main(["verify", "--data", str(tmp_path / "data"), "--head", shown]) == code
    assert "made anew" in capsys.readouterr().out


def test_files_that_share_their_bytes_are_refused(exported, tmp_path):
    """The list at the zip's end names one file's place for another, as a zip that unpacks to far more does."""
    data = bytearray(packed(exported, tmp_path / "a.zip").read_bytes())
    first = data.index(b"PK\x01\x02")
    second = data.index(b"PK\x01\x02", first + 4)
    data[second + 42 : second + 46] = data[first + 42 : first + 46]  # the offset, by the zip format's own table
    (tmp_path / "a.zip").write_bytes(data)
    with pytest.raises(GapvisionError) as caught:
        Package(tmp_path / "a.zip")
    assert caught.value.code == "package-unsafe"


@pytest.mark.slow
def test_a_sparse_zip_of_3_gb_needs_little_memory(tmp_path):
    """Its one file is a hole on the disk; it is read a piece at a time, and import does not open it."""
    size, frame, path = 3_000_000_000, _Frame(), tmp_path / "a.zip"
    listed = {"name": "job.json", "size": size, "sha256": "a" * 64}
    manifest = json.dumps({"schema": "gapvision-package/1", "files": [listed]}).encode()
    with open(path, "wb") as out:
        out.write(frame.before("job.json", size, 0))
        out.seek(size, 1)
        out.write(frame.before(MANIFEST, len(manifest), zlib.crc32(manifest)) + manifest + frame.behind())
    tracemalloc.start()
    try:
        with Package(path) as package:
            assert package.problems() == ["job.json: altered"]
            with pytest.raises(GapvisionError) as caught:
                package.read("job.json")
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()
    assert caught.value.code == "package-unsafe"
