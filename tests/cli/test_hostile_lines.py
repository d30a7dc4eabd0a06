"""Command lines drawn by lot: each ends in a sentence and the right code, and changes no file that was there."""

import hashlib
import re
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from gapvision.cli import COMMANDS, main
from gapvision.commands import _batch
from gapvision.formats.measurement_json import read
from gapvision.samples import DEMO_PHOTO

EXAMPLE = Path(__file__).parents[2] / "sample_images" / "panel_example"
FILES = "seam.jpg bad.jpg m.json seam.toml bonnet.toml finish.toml notes.txt x.csv noend photos photos/".split()
NAMES = [*FILES, *"new/ new/x.json new.json new.csv new.png new.pdf new.zip none/x.json . .. / - --".split()]
NAMES += ["", "seam.jpg/x", "x" * 300, "a\0b", "caf\udce9.json"]  # no file can be called so; not UTF-8
LENGTHS = "3/16in 5.6mm 4,76mm 1/32in 3/16 0 -0.8mm 1e9mm nan inf mm 3\u2044in 3\u204416in \u00bdin".split()
LENGTHS += ["9" * 400 + "mm"]
OF_LENGTH = "nominal tol below above step step-u opposite-limit check-length check-width".split()
OF_NAME = "json csv plot overlay spec finish opposite output dxf json plot csv".split()
OTHERS = (
    "preset rule risk units edge-a edge-b seam edges job panel-edge paper letters visit stage metal-temp mark".split()
)
OTHERS += "datum with before seal name reference measurement nominl csv-style on".split()
FLAGS = "--table --beside --mirror --empty --forget --help --version -x --opposite-same-way".split()
VALUES = "even-close proven risk simple 0,05 0.05 2 inch mm cut rolled:1.5mm 12,30 17 B a4 letter A-D de plain".split()
VALUES += [*"new list show edit judge undo bin note panel".split(), "as found", "2026-03-31"]


def options(names, values):
    return st.tuples(st.sampled_from(names), st.sampled_from(values)).map(lambda x: [f"--{x[0]}", x[1]])


pieces = st.one_of(
    options(OF_LENGTH, LENGTHS),
    options(OF_LENGTH[:2], LENGTHS[:4]),
    options(OF_NAME, NAMES),
    options(OTHERS, VALUES),
    st.sampled_from([*FLAGS, *NAMES, *VALUES]).map(lambda x: [x]),
    st.text(max_size=12).map(lambda x: [x]),
)
STARTS = ["seam.jpg", "measure seam.jpg", "judge m.json --nominal 5.6mm", "judge m.json", "plan bonnet.toml", "photos"]
STARTS += ["compare m.json m.json", "template bonnet.toml", "shop", "job list", "verify", "mesure", ""]
lines = st.tuples(st.sampled_from([*STARTS, *STARTS, *COMMANDS]), st.lists(pieces, max_size=4)).map(
    lambda x: [*x[0].split(), *(word for piece in x[1] for word in piece)]
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("hostile")
    shutil.copy(DEMO_PHOTO, where / "seam.jpg")
    shutil.copy(EXAMPLE / "left_rear.json", where / "m.json")
    for one in EXAMPLE.glob("*.json"):
        shutil.copy(one, where)
    for name in ("seam.toml", "finish.toml", "bonnet.toml"):
        shutil.copy(EXAMPLE / name, where / name)
    for name in ("bad.jpg", "notes.txt", "x.csv", "noend"):
        (where / name).write_text(f"what stood in {name}")
    (where / "photos").mkdir()
    shutil.copy(DEMO_PHOTO, where / "photos" / "seam.jpg")
    return where


def prints(folder):
    """What every file holds, the records' own left out."""
    found = (p for p in folder.rglob("*") if p.is_file() and "data" not in p.relative_to(folder).parts)
    return {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in found}


@pytest.mark.slow
def test_400_hostile_lines(folder, monkeypatch, capsys):
    measured = read(EXAMPLE / "left_rear.json")
    # Measured once for all: what is tried here is what lies before and behind it.
    monkeypatch.setattr("gapvision.recipe.measure_photo", lambda photo, settings=None: measured)
    monkeypatch.setattr(
        _batch, "measure_all", lambda orders, progress: ([_batch.measure_one(o) for o in orders], False)
    )
    monkeypatch.setattr("gapvision.page.server.run_page", lambda **_: None)
    monkeypatch.setattr("webbrowser.open", lambda *_: None)
    monkeypatch.setenv("GAPVISION_DATA", str(folder / "data"))
    monkeypatch.chdir(folder)
    before = prints(folder)
    codes = set()

    @settings(
        max_examples=400,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=set(Phase) - {Phase.explain},
    )
    @given(lines)
    def try_line(line):
        try:
            code = main(line)
        except SystemExit as done:  # --help and --version
            code = done.code
            assert {"--help", "--version"} & set(line)
            assert code == 0
        said = capsys.readouterr()
        assert code in (0, 1, 2, 3), code
        assert "Traceback" not in said.err + said.out
        if code in (2, 3):
            assert re.search(r"\[[a-z]+(-[a-z]+)*\]\n", said.err + said.out), said
        after = prints(folder)
        assert {p: after.get(p) for p in before} == before, "a file that was there was changed"
        for p in set(after) - set(before):
            p.unlink()
        codes.add(code)

    try_line()
    assert codes >= {0, 1, 2}
