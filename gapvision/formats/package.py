"""A job as one zip that tells whether it was altered.

The zip holds its files as they are (stored, not compressed: photos do not get
smaller, and nothing can blow up when it is opened), in the order of its
manifest, with nothing between or behind them.  The manifest names each file
with its size and SHA-256.  Every byte of the zip follows from these files, so
that a change anywhere is found.  The SHA-256 of the manifest (the seal) is
printed when the zip is made: who has it can tell that nobody made the whole
zip anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import struct
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Literal

from msgspec import Meta

from gapvision.errors import GapvisionError
from gapvision.formats.declared import Loose, read_declared, read_json

SCHEMA = "gapvision-package/1"
MANIFEST = "manifest.json"
#: What a plain zip can hold.
_MOST_BYTES = 4_000_000_000
_MOST_FILES = 20_000
_MOST_MANIFEST_BYTES = 10_000_000
_SAFE = re.compile(r"^(?:[a-z0-9][a-z0-9_.-]{0,120}/){0,3}[a-z0-9][a-z0-9_.-]{0,120}$")
_DOS_DATE = (1 << 5) | 1  # 1 January 1980: a zip's time stamps would tell nothing and differ each time
_LOCAL, _CENTRAL, _END = struct.Struct("<4s5H3I2H"), struct.Struct("<4s6H3I5H2I"), struct.Struct("<4s4H2IH")


@dataclass(frozen=True, slots=True)
class PackedFile:
    """One file of a package: its name, size and SHA-256."""

    name: str
    size: int
    sha256: str


class _Manifest(Loose):
    schema: Literal["gapvision-package/1"]
    files: Annotated[list[PackedFile], Meta(max_length=_MOST_FILES)]


def safe_name(name: str) -> bool:
    """Tell whether a name stays inside the folder it is unpacked to, on any system."""
    parts = name.split("/")
    return _SAFE.match(name) is not None and not any(p.endswith(".") or ".." in p for p in parts)


def _headers(name: str, data_size: int, crc: int, offset: int) -> tuple[bytes, bytes]:
    raw = name.encode("ascii")
    same = (20, 0, 0, 0, _DOS_DATE, crc, data_size, data_size, len(raw), 0)
    local = _LOCAL.pack(b"PK\x03\x04", *same) + raw
    central = _CENTRAL.pack(b"PK\x01\x02", (3 << 8) | 20, *same, 0, 0, 0, 0o100644 << 16, offset) + raw
    return local, central


def write_package(
    path: str | os.PathLike[str],
    files: Iterable[tuple[str, Callable[[], bytes]]],
    about: dict[str, Any],
    *,
    total: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> str:
    """Write a package, whole or not at all.

    Parameters
    ----------
    path : path
        Of the zip.
    files : iterable of (name, callable that gives the bytes)
        In their order; one at a time is held in memory.
    about : dict
        Goes into the manifest beside the list of files.
    total : int
        How many files, for ``progress``.
    progress : callable, optional
        Called with (files done, total).

    Returns
    -------
    str
        The seal: SHA-256 of the manifest.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``, ``package-too-large``.
    """
    target = Path(path)
    part = target.with_name(f".{target.name}.part")
    try:
        with open(part, "wb") as out:
            seal = _write(out, files, about, total, progress)
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, target)
    except OSError:
        raise GapvisionError("folder-not-writable", f"'{path}' could not be written.") from None
    finally:
        part.unlink(missing_ok=True)
    return seal


def _write(
    out: BinaryIO,
    files: Iterable[tuple[str, Callable[[], bytes]]],
    about: dict[str, Any],
    total: int,
    progress: Callable[[int, int], None] | None,
) -> str:
    listed: list[dict[str, Any]] = []
    central: list[bytes] = []
    offset = 0

    def put(name: str, data: bytes) -> None:
        nonlocal offset
        if not safe_name(name):
            raise ValueError(f"not a safe name: {name!r}")
        if offset + len(data) > _MOST_BYTES or len(listed) > _MOST_FILES:
            raise GapvisionError("package-too-large")
        local, entry = _headers(name, len(data), zlib.crc32(data), offset)
        out.write(local)
        out.write(data)
        central.append(entry)
        offset += len(local) + len(data)

    for number, (name, give) in enumerate(files, 1):
        data = give()
        put(name, data)
        listed.append({"name": name, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()})
        if progress is not None:
            progress(number, max(total, number))
    manifest = json.dumps({"schema": SCHEMA, **about, "files": listed}, ensure_ascii=False, indent=1).encode()
    put(MANIFEST, manifest)
    tail = b"".join(central)
    out.write(tail)
    out.write(_END.pack(b"PK\x05\x06", 0, 0, len(central), len(central), len(tail), offset, 0))
    return hashlib.sha256(manifest).hexdigest()


class Package:
    """A package opened for reading; every read is bounded and checked.

    Parameters
    ----------
    path : path
        Of the zip.

    Raises
    ------
    GapvisionError
        ``file-not-found``; ``package-bad`` when it is no package of gapvision;
        ``package-unsafe`` when a name points out of its folder, or the zip
        holds compressed, doubled or hidden files.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        try:
            self._file: BinaryIO = open(self.path, "rb")  # closed in close()
        except OSError:
            raise GapvisionError("file-not-found", f"'{path}' was not found.") from None
        try:
            self._places = self._read_places()
            self.manifest_bytes = self._raw(MANIFEST)
            self.manifest, self.files = _parse_manifest(self.manifest_bytes)
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Package:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    @property
    def seal(self) -> str:
        """SHA-256 of the manifest."""
        return hashlib.sha256(self.manifest_bytes).hexdigest()

    def _read_places(self) -> dict[str, tuple[int, int]]:
        """Read the list at the zip's end: name -> (offset of the data, size)."""
        size = self.path.stat().st_size
        if size < _END.size or size > _MOST_BYTES + 100_000_000:
            raise GapvisionError("package-bad")
        self._file.seek(size - _END.size)
        sign, disk, disk2, here, count, length, start, comment = _END.unpack(self._file.read(_END.size))
        if sign != b"PK\x05\x06" or disk or disk2 or here != count or comment:
            raise GapvisionError("package-bad")
        if start + length + _END.size != size or length > _MOST_FILES * 256:
            raise GapvisionError("package-bad")
        self._file.seek(start)
        data = self._file.read(length)
        places: dict[str, tuple[int, int]] = {}
        at = 0
        for _ in range(count):
            if at + _CENTRAL.size > len(data):
                raise GapvisionError("package-bad")
            entry = _CENTRAL.unpack_from(data, at)
            name_length, extra, note = entry[10], entry[11], entry[12]
            raw = data[at + _CENTRAL.size : at + _CENTRAL.size + name_length]
            name = raw.decode("utf-8", "replace")
            if not safe_name(name):
                shown = "".join(c if c.isprintable() else "?" for c in name[:80])
                raise GapvisionError("package-unsafe", f"The zip holds a file with the unsafe name '{shown}'.")
            if entry[4] != 0 or entry[8] != entry[9] or name in places:
                raise GapvisionError("package-unsafe", f"The zip's file '{name}' is compressed or there twice.")
            offset = entry[16]
            if offset + _LOCAL.size + name_length + entry[9] > start:
                raise GapvisionError("package-bad")
            places[name] = (offset + _LOCAL.size + name_length, entry[9])
            at += _CENTRAL.size + name_length + extra + note
        if MANIFEST not in places or places[MANIFEST][1] > _MOST_MANIFEST_BYTES:
            raise GapvisionError("package-bad")
        return places

    def _raw(self, name: str) -> bytes:
        at, size = self._places[name]
        self._file.seek(at)
        return self._file.read(size)

    def read(self, name: str) -> bytes:
        """Return a file after checking it against the manifest.

        Raises
        ------
        GapvisionError
            ``package-altered``.
        """
        entry = next((f for f in self.files if f.name == name), None)
        if entry is None or name not in self._places:
            raise GapvisionError("package-altered", f"The file {name} is missing.")
        data = self._raw(name)
        if len(data) != entry.size or hashlib.sha256(data).hexdigest() != entry.sha256:
            raise GapvisionError("package-altered", f"The file {name} was altered.")
        return data

    def problems(self, progress: Callable[[int, int], None] | None = None) -> list[str]:
        """Check every byte; return what was altered, in words.  An empty list: nothing was."""
        wrong: list[str] = []
        names = [f.name for f in self.files]
        wrong += [f"{n}: not in the manifest" for n in self._places if n != MANIFEST and n not in set(names)]
        # What the zip must look like, byte for byte, if the manifest is true.
        offset, central, same_frame = 0, [], True
        for number, entry in enumerate([*self.files, PackedFile(MANIFEST, len(self.manifest_bytes), self.seal)], 1):
            if entry.name not in self._places:
                wrong.append(f"{entry.name}: missing")
                continue
            data = self._raw(entry.name)
            if len(data) != entry.size or hashlib.sha256(data).hexdigest() != entry.sha256:
                wrong.append(f"{entry.name}: altered")
            local, end = _headers(entry.name, len(data), zlib.crc32(data), offset)
            self._file.seek(offset)
            same_frame &= self._file.read(len(local)) == local and self._places[entry.name][0] == offset + len(local)
            central.append(end)
            offset += len(local) + len(data)
            if progress is not None:
                progress(number, len(self.files) + 1)
        tail = b"".join(central)
        tail += _END.pack(b"PK\x05\x06", 0, 0, len(central), len(central), len(tail), offset, 0)
        self._file.seek(offset)
        same_frame &= self._file.read(len(tail) + 1) == tail
        if not same_frame and not wrong:
            wrong.append("the zip itself: packed again or changed, though every file in it is intact")
        return wrong


def _parse_manifest(data: bytes) -> tuple[dict[str, Any], list[PackedFile]]:
    manifest = read_json(data, "the export's manifest", "package-bad")
    files = read_declared(_Manifest, manifest, "the export's manifest", "package-bad").files
    if any(not safe_name(f.name) for f in files) or len({f.name for f in files}) != len(files):
        raise GapvisionError("package-unsafe", "The manifest names a file outside its folder, or one twice.")
    return manifest, files
