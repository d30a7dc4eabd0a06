"""The zip of a job: readable by any zip program, and no byte of it can change unseen."""

import hashlib
import io
import json
import os
import signal
import struct
import subprocess
import sys
import zipfile

import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.package import MANIFEST, Package, safe_name, write_package

FILES = {"photos/aa.jpg": b"\xff\xd8 picture \x00\x01", "measurements/1.json": b'{"a": 1}', "job.json": "{ü}".encode()}


@pytest.fixture
def zipped(tmp_path):
    path = tmp_path / "job.zip"
    seal = write_package(path, [(n, lambda d=d: d) for n, d in FILES.items()], {"job": "17"})
    return path, seal


def refused(path):
    with pytest.raises(GapvisionError) as caught, Package(path):
        pass
    return caught.value.code


def outcome(path):
    """What a check says: intact, altered, or the code of a refusal."""
    try:
        with Package(path) as package:
            return "altered" if package.problems() else "intact"
    except GapvisionError as error:
        return error.code


def test_pythons_zipfile_reads_it(zipped):
    path, seal = zipped
    with zipfile.ZipFile(path) as z:  # an independent reader
        assert z.testzip() is None
        assert z.namelist() == [*FILES, MANIFEST]
        assert {n: z.read(n) for n in FILES} == FILES
        manifest = z.read(MANIFEST)
    assert hashlib.sha256(manifest).hexdigest() == seal
    listed = json.loads(manifest)
    assert listed["job"] == "17"
    assert {f["name"]: f["sha256"] for f in listed["files"]} == {
        n: hashlib.sha256(d).hexdigest() for n, d in FILES.items()
    }


def test_intact_and_seal(zipped):
    path, seal = zipped
    with Package(path) as package:
        assert package.problems() == []
        assert package.seal == seal
        assert package.read("job.json") == FILES["job.json"]


def test_every_byte_counts(zipped, tmp_path):
    """Each byte of the zip in turn gets one bit turned: none of these stays intact with the old seal."""
    path, seal = zipped
    data = path.read_bytes()
    changed = tmp_path / "changed.zip"
    unseen = []
    for at in range(len(data)):
        changed.write_bytes(data[:at] + bytes([data[at] ^ 0x04]) + data[at + 1 :])
        try:
            with Package(changed) as package:
                if not package.problems() and package.seal == seal:
                    unseen.append(at)
        except GapvisionError:
            continue
    assert unseen == []


def test_an_altered_file_is_named(zipped, tmp_path):
    path, _ = zipped
    data = path.read_bytes().replace(b"picture", b"forgery")
    path.write_bytes(data)
    with Package(path) as package:
        assert package.problems() == ["photos/aa.jpg: altered"]
        with pytest.raises(GapvisionError, match=r"The file photos/aa\.jpg was altered\."):
            package.read("photos/aa.jpg")


@pytest.mark.parametrize("cut", [1, 22, 60, 400])
def test_cut_off(zipped, cut):
    path, _ = zipped
    path.write_bytes(path.read_bytes()[:-cut])
    assert outcome(path) == "package-bad"


def test_something_behind_it(zipped):
    path, _ = zipped
    path.write_bytes(path.read_bytes() + b"more")
    assert outcome(path) == "package-bad"


def repack(path, change=lambda files: files, **kind):
    """Pack the same files again with Python's own zipfile."""
    with zipfile.ZipFile(path) as z:
        files = change({n: z.read(n) for n in z.namelist()})
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", **kind) as z:
        for name, data in files.items():
            z.writestr(name, data)
    path.write_bytes(out.getvalue())


def test_packed_again_is_told_apart_from_altered(zipped):
    path, _ = zipped
    repack(path)
    with Package(path) as package:
        assert package.problems() == ["the zip itself: packed again or changed, though every file in it is intact"]


def test_a_bomb_is_refused_unopened(zipped):
    path, _ = zipped
    repack(path, lambda f: f | {"photos/bomb.jpg": b"0" * 30_000_000}, compression=zipfile.ZIP_DEFLATED)
    assert path.stat().st_size < 100_000
    assert refused(path) == "package-unsafe"


def test_sizes_that_lie_are_refused(zipped):
    path, _ = zipped
    data = bytearray(path.read_bytes())
    at = data.index(b"PK\x01\x02")
    struct.pack_into("<II", data, at + 20, 0xFFFFFF00, 0xFFFFFF00)
    path.write_bytes(bytes(data))
    assert refused(path) == "package-bad"


def test_a_second_list_is_never_read(zipped, monkeypatch):
    """A zip64 record (APPNOTE.TXT 4.3.14 and 4.3.15, from memory) that tells of another, larger list of files."""
    path, _ = zipped
    data = path.read_bytes()
    end, (length, start) = data[-22:], struct.unpack("<II", data[-10:-2])
    record = struct.pack("<4sQ2H2I4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, 4, 4, len(data) - 22, 0)
    locator = struct.pack("<4sIQI", b"PK\x06\x07", 0, len(data) - 22, 1)
    longer = length + len(record) + len(locator)
    path.write_bytes(data[:-22] + record + locator + end[:12] + struct.pack("<II", longer, start) + end[20:])
    monkeypatch.setattr(zipfile, "ZipFile", None)
    assert refused(path) == "package-bad"


@pytest.mark.parametrize(
    "name",
    [
        "../evil.json",
        "/etc/evil",
        "a/../../evil",
        "C:evil",
        "a\\..\\evil",
        "photos/..",
        "a//b",
        "con.",
        "é.json",
        "A.JSON",
        "photos/\x00.jpg",
        ".hidden",
        "a/b/c/d/e.json",
    ],
)
def test_unsafe_names_are_refused(zipped, name):
    assert not safe_name(name)
    path, _ = zipped
    if "\x00" not in name:  # Python's zipfile cuts such a name itself
        repack(path, lambda f: {name: b"x"} | f)
        assert refused(path) == "package-unsafe"


def test_unsafe_or_doubled_names_in_the_manifest(zipped):
    path, _ = zipped

    def with_name(name):
        def change(files):
            listed = json.loads(files[MANIFEST])
            listed["files"][0]["name"] = name
            return files | {MANIFEST: json.dumps(listed).encode()}

        return change

    repack(path, with_name("../up.jpg"))
    assert refused(path) == "package-unsafe"
    repack(path, with_name("job.json"))
    assert refused(path) == "package-unsafe"


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip " * 50, b"[" * 100_000])
def test_no_package(tmp_path, data):
    path = tmp_path / "x.zip"
    path.write_bytes(data)
    assert refused(path) == "package-bad"
    assert refused(tmp_path / "none.zip") == "file-not-found"


@pytest.mark.parametrize(
    "manifest", [b"{}", b"[]", b"\xff", b"[" * 60_000, b'{"schema": "gapvision-package/9", "files": []}']
)
def test_manifests_that_cannot_be_read(zipped, manifest):
    path, _ = zipped
    repack(path, lambda f: f | {MANIFEST: manifest})
    assert refused(path) == "package-bad"


def test_an_unwritable_place_leaves_nothing(tmp_path):
    with pytest.raises(GapvisionError) as caught:
        write_package(tmp_path / "none" / "x.zip", [], {})
    assert caught.value.code == "folder-not-writable"

    def fails():
        raise RuntimeError("photo gone")

    with pytest.raises(RuntimeError):
        write_package(tmp_path / "x.zip", [("a.json", fails)], {})
    assert list(tmp_path.iterdir()) == []


KILLED = """
import os, signal, sys
{before}
from gapvision.formats.package import write_package
def dies():
    os.kill(os.getpid(), signal.SIGKILL)
write_package(sys.argv[1], [("a.json", lambda: b"the customer's name" * 5000), ("b.json", dies)], {{}})
"""


def killed(path, before=""):
    done = subprocess.run([sys.executable, "-c", KILLED.format(before=before), str(path)], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL


def test_a_killed_export_leaves_nothing(tmp_path):
    killed(tmp_path / "x.zip")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "x.zip").write_bytes(b"an earlier one")
    killed(tmp_path / "x.zip")
    assert [p.read_bytes() for p in tmp_path.iterdir()] == [b"an earlier one"]
    write_package(tmp_path / "x.zip", [], {})
    assert [p.name for p in tmp_path.iterdir()] == ["x.zip"]
    with Package(tmp_path / "x.zip") as package:
        assert package.problems() == []


def test_where_a_file_must_have_a_name_the_next_export_takes_the_killed_one_away(tmp_path, monkeypatch):
    killed(tmp_path / "x.zip", "del os.O_TMPFILE")
    (left,) = tmp_path.iterdir()
    assert left.name.startswith(".part-")
    monkeypatch.delattr(os, "O_TMPFILE")
    write_package(tmp_path / "y.zip", [], {})
    assert [p.name for p in tmp_path.iterdir()] == ["y.zip"]
