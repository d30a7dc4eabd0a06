"""What the records ask before they keep it: another specification, a photo at two stages, a day that cannot be."""

import io
import shutil
import sys
from datetime import date, timedelta

import pytest

from gapvision.cli import main
from gapvision.formats.package import write_package
from gapvision.formats.specification_file import specification_from_table
from gapvision.records import Store
from gapvision.samples import DEMO_PHOTO
from gapvision.words import MM
from gapvision.workshop import photo_doubts
from gapvision.workshop.evidence import seam_evidence
from tests.records.invented import invented

SAMPLE = DEMO_PHOTO  # its camera's clock: 10 March 2026
JOB = ("--job", "17", "--seam", "left bonnet", "--stage")
CLOCK = "2026-03-10"


@pytest.fixture
def run(tmp_path, capsys, monkeypatch):
    def call(*words, answer=None):
        if answer is not None:
            monkeypatch.setattr(sys, "stdin", io.StringIO(answer))
            monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
        code = main([*map(str, words), "--data", str(tmp_path / "data")])
        out = capsys.readouterr()
        assert "Traceback" not in out.err
        return code, out.out, out.err

    call.folder = tmp_path / "data"
    assert call("job", "new", "--reference", "17")[0] == 0
    return call


def spec_of(folder):
    with Store(folder) as store:
        (seam,) = store.seams(store.job("17").job_id)
        notes = [n.text for n in store.notes(seam.job_id)]
    return specification_from_table(seam.spec), notes


@pytest.mark.slow
def test_a_specification_is_replaced_only_when_said_so(run):
    """A later --nominal dropped a preset's other limits, and the next judging changed an earlier verdict."""
    assert run("add", SAMPLE, *JOB, "as found", "--preset", "even-close")[0] == 0
    first, notes = spec_of(run.folder)
    assert (first.straightness_100_mm is not None, notes) == (True, [])
    code, _, err = run("add", SAMPLE, *JOB, "as found", "--nominal", "3/16in")
    assert (code, "[seam-has-specification]" in err, "--change-spec" in err) == (2, True, True)
    assert spec_of(run.folder) == (first, [])
    with Store(run.folder) as store:
        assert len(store.job_lines(1)) == 1  # nothing of the refused call was kept
    assert run("add", SAMPLE, *JOB, "as found", "--preset", "even-close")[0] == 0  # the same again: nothing to ask
    assert run("add", SAMPLE, *JOB, "as found", "--nominal", "3/16in", "--change-spec", "--who", "Sam")[0] == 0
    now, notes = spec_of(run.folder)
    assert (now.nominal[0].gap_mm, now.straightness_100_mm) == (4.7625, None)
    (note,) = notes
    assert note.startswith("What is wanted of left bonnet was changed. Before: ")
    assert "straightness over 100 mm " in note.split(" Now: ")[0]
    assert "straightness over 100 mm " not in note.split(" Now: ")[1]
    assert "Sam: What is wanted of left bonnet was changed." in run("job", "show", "17")[1]


@pytest.mark.slow
def test_the_same_photo_for_two_stages_is_asked(run):
    assert run("add", SAMPLE, *JOB, "as found")[0] == 0
    again = run.folder.parent / "renamed.jpg"
    shutil.copy(SAMPLE, again)
    code, _, err = run("add", again, *JOB, "after fit-up")
    assert (code, "[answer-needed]" in err, "--yes" in err) == (2, True, True)
    assert "The same photo is kept for stage 'as found'." in err
    with Store(run.folder) as store:
        assert [v.stage for v in store.visits(1)] == ["as found"]  # no empty visit is left
    assert run("add", again, *JOB, "As  found")[0] == 0  # the same stage in other letters
    assert run("add", again, *JOB, "after fit-up", "--yes")[0] == 0
    with Store(run.folder) as store:
        (seam,) = store.seams(1)
        lines = store.history(seam.seam_id)
        remarks = " ".join(seam_evidence(store, seam, lines[0], lines[-1], MM).remarks)
    assert "The same photo is kept for stage 'as found'." in remarks


@pytest.mark.slow
def test_days_that_cannot_be_are_asked(run):
    """Without --on the day is the camera's; with it, a day to come or another than the camera's is asked."""
    assert run("add", SAMPLE, *JOB, "as found")[0] == 0
    tomorrow = (date.today() + timedelta(days=1)).isoformat()
    code, _, err = run("add", SAMPLE, *JOB, "as found", "--on", tomorrow)
    assert (code, "[answer-needed]" in err) == (2, True)
    assert f"The day {tomorrow} has not come yet." in err
    code, _, err = run("add", SAMPLE, *JOB, "as found", "--on", "2026-03-02")
    assert code == 2
    assert f"The day given is 2026-03-02, but the camera's clock says {CLOCK}." in err
    assert run("add", SAMPLE, *JOB, "as found", "--on", "2026-03-11")[0] == 0  # after midnight, or another time zone
    assert run("add", SAMPLE, *JOB, "as found", "--on", "2026-03-02", "--yes")[0] == 0
    with Store(run.folder) as store:
        assert [v.on_date for v in store.visits(1)] == ["2026-03-02", CLOCK, "2026-03-11"]
        (seam,) = store.seams(1)
        lines = store.history(seam.seam_id)
        one, two = (" ".join(seam_evidence(store, seam, x, x, MM).remarks) for x in lines[:2])
    assert f"The day given is 2026-03-02, but the camera's clock says {CLOCK}." in one
    assert "clock" not in two


def test_a_clock_that_is_wrong_is_asked_too(run):
    with Store(run.folder) as store:
        found = photo_doubts(store, 1, "as found", "2031-01-01", "0" * 64, "2031-01-01T08:00:00", today="2030-12-30")
        assert [n.code for n in found] == ["day-to-come"]
        assert photo_doubts(store, 1, "as found", "2030-12-30", "0" * 64, "not a time", today="2030-12-30") == ()
        assert photo_doubts(store, None, "as found", "2030-12-30", "0" * 64, None, today="2030-12-30") == ()


def test_emptying_the_bin_asks(run):
    run("job", "note", "17", "keep me")
    assert run("job", "delete", "17")[0] == 0
    code, out, err = run("job", "bin", "--empty")
    assert (code, out) == (2, "")
    assert err.startswith("gapvision: 1 item in the bin would be removed for good.")
    assert "--yes" in err
    code, out, _ = run("job", "bin", "--empty", answer="n\n")
    assert (code, "Nothing was removed." in out) == (0, True)
    assert "job 17" in run("job", "bin")[1]
    code, out, _ = run("job", "bin", "--empty", answer="y\n")
    assert "Removed for good: 1 items, 0 photos." in out
    run("job", "new", "--reference", "18")
    run("job", "delete", "18")
    assert "Removed for good: 1 items" in run("job", "bin", "--empty", "--yes")[1]


def test_a_place_in_a_files_name_is_asked_and_told(run, tmp_path, monkeypatch):
    photo = tmp_path / "IMG_48.50417_9.05833.jpg"
    shutil.copy(SAMPLE, photo)
    code, _, err = run("add", photo, *JOB, "as found")
    assert (code, "[answer-needed]" in err) == (2, True)
    assert "The file's name seems to tell a place on the map: 48.50417_9.05833." in err
    with Store(run.folder) as store:
        seam, visit = store.add_seam(1, "bonnet"), store.add_visit(1, "as found", on_date="2026-03-02")
        store.save_photo(seam.seam_id, visit.visit_id, photo.read_bytes(), ".jpg", invented(), file_name=photo.name)
    monkeypatch.setattr("gapvision.workshop.evidence_report", lambda *_, **__: b"%PDF")
    monkeypatch.setattr("gapvision.workshop.export_job", lambda store, job, path, **_: write_package(path, [], {}))
    for command in ("report", "export"):
        code, _, err = run(command, "17", "-o", tmp_path / f"x.{'pdf' if command == 'report' else 'zip'}")
        assert code == 0
        assert photo.name in err
        assert "[place-in-file-name]" in err
