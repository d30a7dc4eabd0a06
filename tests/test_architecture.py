"""Rooms import downwards only, heavy libraries stay where they belong, and the registries are complete."""

import ast
import subprocess
import sys
import tomllib
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

import pytest

from gapvision import limits
from gapvision.codes import CODES

PACKAGE = Path(__file__).parents[1] / "gapvision"
BASE = {"errors", "codes", "units", "limits", "model"}

#: Room -> rooms that it may import besides itself and the base.
MAY_USE = {
    "base": set(),
    "geometry": set(),
    "targets": {"geometry"},
    "intake": set(),
    "vision": {"geometry", "targets", "intake"},
    "recipe": {"geometry", "targets", "intake", "vision"},
    "along": {"geometry", "targets", "vision", "recipe"},
    "one_edge": {"targets", "vision", "recipe"},
    "several": {"geometry", "targets", "vision", "recipe", "along"},
    "judgement": {"geometry"},
    "words": set(),
    "formats": {"geometry", "targets", "judgement", "words"},
    "records": {"geometry", "intake", "judgement", "formats"},
    "reports": {"geometry", "targets", "intake", "vision", "judgement", "formats", "words"},
}
#: Rooms on top may use all of these.
MEASURING = set(MAY_USE) - {"base"}
MAY_USE |= {
    "workshop": MEASURING,
    "samples": set(),
    "demo_job": MEASURING | {"workshop", "samples"},
    "page": MEASURING | {"workshop", "demo_job", "samples"},
    "commands": MEASURING | {"workshop", "demo_job", "samples", "page"},
    "lab": MEASURING | {"workshop"},
    "library": MEASURING,
    "__init__": {"intake", "library"},
    "cli": {"commands"},
    "__main__": {"cli"},
}
STREAMLIT_ONLY_IN = {"page"}
NO_PIXELS = {"base", "geometry", "judgement", "records", "words"}  # these must work without OpenCV


def room_of(parts):
    name = parts[0].removesuffix(".py")
    return "base" if name in BASE else name


@cache
def imports_of(path):
    """Full names of modules that a file imports, late ones too, relative ones resolved; each file is read once."""
    return tuple(_imports_in(path))


def _imports_in(path):
    inside = path.relative_to(PACKAGE.parent).with_suffix("").parts
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            start = ".".join(inside[: -node.level]) + "." if node.level else ""
            module = (start + (node.module or "")).strip(".")
            yield module
            if module == "gapvision" or module.startswith("gapvision."):
                yield from (f"{module}.{alias.name}" for alias in node.names)


def arrows():
    for path in sorted(PACKAGE.rglob("*.py")):
        here = room_of(path.relative_to(PACKAGE).parts)
        for name in imports_of(path):
            parts = name.split(".")
            if parts[0] == "gapvision" and len(parts) > 1:
                target = parts[1]
                # a name that is no module comes from gapvision/__init__.py: base
                is_module = (PACKAGE / target).is_dir() or (PACKAGE / f"{target}.py").exists()
                yield path, here, room_of([target]) if is_module else "base"


def test_every_room_is_known():
    rooms = {room_of(p.relative_to(PACKAGE).parts) for p in PACKAGE.rglob("*.py")}
    assert rooms <= set(MAY_USE), "write a new room into the table of arrows"


def test_imports_go_downwards():
    wrong = [
        f"{path.relative_to(PACKAGE)} ({here}) imports {there}"
        for path, here, there in arrows()
        if there not in {here, "base"} | MAY_USE[here]
    ]
    assert not wrong, "\n".join(wrong)


def test_a_wrong_arrow_would_be_seen():
    """The walk itself sees late and relative imports."""
    seen = {(here, there) for _, here, there in arrows()}
    assert ("recipe", "vision") in seen
    assert ("vision", "targets") in seen
    assert ("reports", "targets") in seen


def test_the_lab_stays_out_of_the_wheel():
    """No arrow leads into it (see the table), and the build leaves it out, its data too."""
    assert [room for room, others in MAY_USE.items() if "lab" in others] == []
    chosen = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    find = chosen["packages"]["find"]
    for path in PACKAGE.rglob("__init__.py"):
        name = ".".join(path.parent.relative_to(PACKAGE.parent).parts)
        kept = any(fnmatchcase(name, p) for p in find["include"]) and not any(
            fnmatchcase(name, p) for p in find["exclude"]
        )
        assert kept == (room_of(path.relative_to(PACKAGE).parts) != "lab"), name
    data = {p for pattern in chosen["package-data"]["gapvision"] for p in PACKAGE.glob(pattern)}
    assert PACKAGE / "samples" / "left_door_2.jpg" in data
    assert not [p for p in data if p.is_relative_to(PACKAGE / "lab")]


@pytest.mark.parametrize(
    ("library", "rooms"),
    [("streamlit", STREAMLIT_ONLY_IN), ("cv2", set(MAY_USE) - NO_PIXELS), ("sqlite3", {"records", "lab"})],
)
def test_libraries_stay_in_their_rooms(library, rooms):
    wrong = [
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if room_of(path.relative_to(PACKAGE).parts) not in rooms
        and any(name.split(".")[0] == library for name in imports_of(path))
    ]
    assert not wrong


def test_help_loads_nothing_heavy():
    code = (
        "import sys, gapvision.cli; gapvision.cli.build_parser('');"
        "sys.exit(', '.join({'cv2', 'scipy', 'matplotlib', 'streamlit', 'PIL', 'pandas'} & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("code", CODES.values(), ids=list(CODES))
def test_each_code_says_what_is_wrong_and_what_to_do(code):
    assert code.name == code.name.lower().replace("_", "-").replace(" ", "-")
    assert code.text.endswith(".")
    assert code.next_step.endswith(".")
    assert code.text[0].isupper()
    assert code.next_step[0].isupper()


def test_each_limit_has_a_source():
    kept = {name: value for name, value in vars(limits).items() if name.isupper() and not name.startswith("_")}
    assert kept
    for name, value in kept.items():
        assert isinstance(value, limits.Limit), f"{name} is a bare number"
        assert value.source
        assert value.unit


def codes_in_use():
    """Codes named in the program; those given to an error must be registered."""
    used = set()
    for path in [*PACKAGE.rglob("*.py"), PACKAGE.parent / "app.py"]:
        if path.name == "codes.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in CODES:
                used.add(node.value)
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "GapvisionError" and node.args:
                first = node.args[0]
                if isinstance(first, ast.Constant):
                    assert first.value in CODES, f"{path.name}: {first.value}"
    return used


def test_only_registered_codes_are_given():
    assert codes_in_use() <= set(CODES)


@pytest.mark.slow  # checked when all is put together: a code may land before its use
def test_no_code_is_listed_in_vain():
    assert sorted(set(CODES) - codes_in_use()) == []
