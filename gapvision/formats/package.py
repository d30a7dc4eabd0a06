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
import itertools
import json
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Literal

from msgspec import Meta

from gapvision.errors import GapvisionError, require
from gapvision.formats.atomic import not_written, whole_file
from gapvision.formats.declared import Loose, read_declared, read_json, shown
from gapvision.limits import MAX_PHOTO_BYTES

SCHEMA = "gapvision-package/1"
MANIFEST = "manifest.json"
#: What a plain zip can hold.
_MOST_BYTES = 4_000_000_000
_MOST_FILES = 20_000
_MOST_MANIFEST_BYTES = 10_000_000
_SAFE = re.compile(r"^(?:[a-z0-9][a-z0-9_.-]{0,120}/){0,3}[a-z0-9][a-z0-9_.-]{0,120}$")
_DOS_DATE = (1 << 5) | 1  # 1 January 1980: a zip's time stamps would tell nothing and differ each time
_LOCAL, _CENTRAL, _END = struct.Struct("<4s5H3I2H"), struct.Struct("<4s6H3I5H2I"), struct.Struct("<4s4H2IH")
Progress = Callable[[int, int], None]


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


class _Frame:
    """All bytes of a zip that are not its files': they follow from the files."""

    def __init__(self) -> None:
        self.offset, self._listed = 0, list[bytes]()

    def before(self, name: str, size: int, crc: int) -> bytes:
        """What stands before a file's bytes."""
        raw = name.encode("ascii")
        same = (20, 0, 0, 0, _DOS_DATE, crc, size, size, len(raw), 0)
        head = (b"PK\x01\x02", (3 << 8) | 20, *same, 0, 0, 0, 0o100644 << 16, self.offset)
        self._listed.append(_CENTRAL.pack(*head) + raw)
        self.offset += _LOCAL.size + len(raw) + size
        return _LOCAL.pack(b"PK\x03\x04", *same) + raw

    def behind(self) -> bytes:
        """What stands behind the last file."""
        count, listed = len(self._listed), b"".join(self._listed)
        return listed + _END.pack(b"PK\x05\x06", 0, 0, count, count, len(listed), self.offset, 0)


def write_package(
    path: str | os.PathLike[str],
    files: Sequence[tuple[str, Callable[[], bytes]]],
    about: dict[str, Any],
    *,
    progress: Progress | None = None,
) -> str:
    """Write a package, whole or not at all.

    Parameters
    ----------
    path : path
        Of the zip.
    files : sequence of (name, callable that gives the bytes)
        In their order; one at a time is held in memory.
    about : dict
        Goes into the manifest beside the list of files.
    progress : callable, optional
        Called with (files done, files in all).

    Returns
    -------
    str
        The seal: SHA-256 of the manifest.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``, ``disk-full``, ``package-too-large``.
    """
    target, frame, listed = Path(path), _Frame(), list[dict[str, Any]]()

    def put(out: BinaryIO, name: str, data: bytes) -> None:
        if not safe_name(name):
            raise ValueError(f"not a safe name: {name!r}")
        require("package-too-large", frame.offset + len(data) <= _MOST_BYTES and len(listed) <= _MOST_FILES)
        out.write(frame.before(name, len(data), zlib.crc32(data)))
        out.write(data)

    try:
        with whole_file(target) as out:
            for number, (name, give) in enumerate(files, 1):
                data = give()
                put(out, name, data)
                listed.append({"name": name, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()})
                if progress is not None:
                    progress(number, len(files))
            manifest = json.dumps({"schema": SCHEMA, **about, "files": listed}, ensure_ascii=False, indent=1).encode()
            put(out, MANIFEST, manifest)
            out.write(frame.behind())
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        raise not_written(path, error) from None
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
            self._entries = {f.name: f for f in self.files}
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
        require("package-bad", _END.size <= size <= _MOST_BYTES + 100_000_000)
        self._file.seek(max(size - _END.size - 20, 0))
        before, end = (tail := self._file.read())[: -_END.size], tail[-_END.size :]
        sign, disk, disk2, here, count, length, start, comment = _END.unpack(end)
        # A list that fits into memory, with nothing behind it, and no second one for zips of more than 4 GB.
        found = (sign, disk, disk2, here, comment, start + length + _END.size)
        require("package-bad", found == (b"PK\x05\x06", 0, 0, count, 0, size) and length <= _MOST_FILES * 256)
        require("package-bad", not before.startswith(b"PK\x06\x07"))
        try:
            listed = zipfile.ZipFile(self._file).infolist()
        except (zipfile.BadZipFile, NotImplementedError, ValueError, struct.error):
            raise GapvisionError("package-bad") from None
        places: dict[str, tuple[int, int]] = {}
        for entry in listed:
            name = entry.orig_filename
            said = f"The zip holds a file with the unsafe name {shown(name)}."
            require("package-unsafe", safe_name(name), said)
            plain = entry.compress_type == zipfile.ZIP_STORED and entry.compress_size == entry.file_size
            require("package-unsafe", plain and name not in places, f"The file '{name}' is compressed or there twice.")
            at = entry.header_offset + _LOCAL.size + len(name)
            require("package-bad", at + entry.file_size <= start)
            places[name] = (at, entry.file_size)
        in_order = sorted(places.values())
        apart = all(at + size <= behind for (at, size), (behind, _) in itertools.pairwise(in_order))
        require("package-unsafe", apart, "Two files of the zip share their bytes.")
        require("package-bad", MANIFEST in places and places[MANIFEST][1] <= _MOST_MANIFEST_BYTES)
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
            ``package-altered``, ``package-unsafe``.
        """
        there = name in self._entries and name in self._places
        require("package-altered", there, f"The file {name} is missing.")
        small = self._places[name][1] <= MAX_PHOTO_BYTES.value
        require("package-unsafe", small, f"The file {name} is larger than gapvision will open.")
        data = self._raw(name)
        entry, sha256 = self._entries[name], hashlib.sha256(data).hexdigest()
        require("package-altered", (len(data), sha256) == (entry.size, entry.sha256), f"The file {name} was altered.")
        return data

    def _summed(self, name: str) -> tuple[int, str, int]:
        """Size, SHA-256 and CRC-32 of a file, a piece at a time: it may be larger than the memory."""
        (at, left), read, sha256, crc = self._places[name], 0, hashlib.sha256(), 0
        self._file.seek(at)
        while piece := self._file.read(min(left - read, 1 << 20)):
            sha256.update(piece)
            crc, read = zlib.crc32(piece, crc), read + len(piece)
        return read, sha256.hexdigest(), crc

    def problems(self, progress: Progress | None = None) -> list[str]:
        """Check every byte; return what was altered, in words.  An empty list: nothing was."""
        wrong = [f"{n}: not in the manifest" for n in self._places if n != MANIFEST and n not in self._entries]
        # What the zip must look like, byte for byte, if the manifest is true.
        frame, same_frame = _Frame(), True
        for number, entry in enumerate([*self.files, PackedFile(MANIFEST, len(self.manifest_bytes), self.seal)], 1):
            if entry.name not in self._places:
                wrong.append(f"{entry.name}: missing")
                continue
            size, sha256, crc = self._summed(entry.name)
            if (size, sha256) != (entry.size, entry.sha256):
                wrong.append(f"{entry.name}: altered")
            self._file.seek(frame.offset)
            local = frame.before(entry.name, size, crc)
            same_frame &= self._file.read(len(local)) == local
            same_frame &= self._places[entry.name][0] + size == frame.offset
            if progress is not None:
                progress(number, len(self.files) + 1)
        self._file.seek(frame.offset)
        behind = frame.behind()
        same_frame &= self._file.read(len(behind) + 1) == behind
        if not same_frame and not wrong:
            wrong.append("the zip itself: packed again or changed, though every file in it is intact")
        return wrong


def _parse_manifest(data: bytes) -> tuple[dict[str, Any], list[PackedFile]]:
    manifest = read_json(data, "the export's manifest", "package-bad")
    files = read_declared(_Manifest, manifest, "the export's manifest", "package-bad").files
    sound = all(safe_name(f.name) for f in files) and len({f.name for f in files}) == len(files)
    require("package-unsafe", sound, "The manifest names a file outside its folder, or one twice.")
    return manifest, files
