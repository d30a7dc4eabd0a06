"""Photos and typed words on their way in: on disk at once, so that nothing is lost.

A phone drops the page's connection while its camera is open, a browser tab is closed
by mistake, a view crashes: whatever was uploaded or typed lies in the inbox under the
page's ticket, a random word that is part of the page's address, and is there again
after a reload.  The inbox knows nothing of Streamlit.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import os
import re
import secrets
import shutil
import time
from pathlib import Path
from typing import Any, NamedTuple

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import put_in_place
from gapvision.records import data_folder

_TICKET = re.compile(r"^[a-z0-9]{20}$")
_SET = re.compile(r"^[0-9a-f]{16}$")
_LETTERS = "abcdefghijkmnpqrstuvwxyz23456789"
_KEEP_DAYS = 30.0
#: How long a photo that was taken out can still be looked at [s].
_GONE_S = 300.0
MOST_PHOTOS = 200


class InboxPhoto(NamedTuple):
    """One photo in the inbox: its unchanged bytes, its name on the phone (for people), their SHA-256.

    Photos with the same ``set_id`` show one seam in one state: they are measured together.
    """

    path: Path
    name: str
    sha256: str
    set_id: str

    def read(self) -> bytes:
        """The bytes of the photo."""
        return self.path.read_bytes()


class Inbox:
    """Folder of tickets, each with its photos and its draft; inside the data folder unless told otherwise."""

    def __init__(self, root: Path | None = None) -> None:
        self.root = root or data_folder() / "inbox"

    @classmethod
    def of_studies(cls) -> Inbox:
        """Where photos of gauge pieces lie, apart from those of seams; they are not swept away."""
        return cls(data_folder() / "studies")

    def new_ticket(self) -> str:
        """Make a ticket that cannot be guessed (20 letters of 32: 100 bits)."""
        return "".join(secrets.choice(_LETTERS) for _ in range(20))

    @staticmethod
    def is_ticket(word: str) -> bool:
        """Whether a word has the form of a ticket; nothing else may become part of a path."""
        return bool(_TICKET.match(word))

    @staticmethod
    def own_set(sha256: str) -> str:
        """The set of a photo that came by itself."""
        return sha256[:16]

    @staticmethod
    def is_set(word: str) -> bool:
        """Whether a word has the form of a set's name."""
        return bool(_SET.match(word))

    def add(self, ticket: str, name: str, data: bytes, into: str = "") -> InboxPhoto:
        """Keep a photo; the same bytes twice are kept once.  ``into``: the set that it joins, else one of its own.

        Raises
        ------
        GapvisionError
            ``file-empty``, ``folder-not-writable``, ``too-many-photos``.
        """
        if not data:
            raise GapvisionError("file-empty")
        folder = self._folder(ticket)
        sha = hashlib.sha256(data).hexdigest()
        plain = "".join(c for c in Path(name.replace("\\", "/")).name if c.isprintable())[:120] or "photo"
        path = folder / f"{sha}.photo"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._forget_gone(ticket)
            if not path.exists():
                if len(list(folder.glob("*.photo"))) >= MOST_PHOTOS:
                    raise GapvisionError("too-many-photos")
                # Some phones call every photo alike: in a set each needs its own name.
                taken = {photo.name for photo in self.photos(ticket)}
                stem, dot, end = plain.rpartition(".")
                names = (f"{stem or end} ({number}){dot}{end if stem else ''}" for number in itertools.count(2))
                plain = next(x for x in itertools.chain([plain], names) if x not in taken)
                self._note(path, name=plain, added=time.time(), set=into or self.own_set(sha))
                put_in_place(path, data)
        except OSError as error:
            raise GapvisionError("folder-not-writable", f"The photo could not be kept: {error.strerror}.") from None
        return self.find(ticket, sha) or InboxPhoto(path, plain, sha, into or self.own_set(sha))

    def photos(self, ticket: str) -> list[InboxPhoto]:
        """Photos of a ticket, oldest first."""
        found = []
        folder = self._folder(ticket)
        for path in folder.glob("*.photo") if folder.is_dir() else ():
            about = self._about(path)
            one = str(about.get("set", self.own_set(path.stem)))
            photo = InboxPhoto(path, str(about.get("name", "photo")), path.stem, one)
            found.append((float(about.get("added", 0.0)), photo))
        return [photo for _, photo in sorted(found, key=lambda x: (x[0], x[1].sha256))]

    def find(self, ticket: str, sha256: str) -> InboxPhoto | None:
        """One photo of a ticket."""
        return next((p for p in self.photos(ticket) if p.sha256 == sha256), None)

    def remove(self, ticket: str, sha256: str) -> None:
        """Take a photo out of the inbox; its picture can be looked at for some minutes more.

        What is on a screen already may ask for it once more before the page has been told.
        """
        photo = self.find(ticket, sha256)
        if photo is not None:
            with contextlib.suppress(OSError):
                photo.path.with_suffix(".json").unlink(missing_ok=True)
                os.replace(photo.path, photo.path.with_suffix(".gone"))
                os.utime(photo.path.with_suffix(".gone"))
        self._forget_gone(ticket)

    def to_look_at(self, ticket: str, sha256: str) -> Path | None:
        """Where a photo lies, even if it was taken out a moment ago."""
        photo = self.find(ticket, sha256)
        if photo is not None:
            return photo.path
        return next((p for p in self._folder(ticket).glob("*.gone") if p.stem == sha256), None)

    def _forget_gone(self, ticket: str) -> None:
        for path in self._folder(ticket).glob("*.gone"):
            with contextlib.suppress(OSError):
                if time.time() - path.stat().st_mtime > _GONE_S:
                    path.unlink()

    def move(self, ticket: str, sha256: str, into: str) -> None:
        """Put a photo into another set."""
        photo = self.find(ticket, sha256)
        if photo is not None:
            with contextlib.suppress(OSError):
                self._note(photo.path, **{**self._about(photo.path), "set": into})

    @staticmethod
    def _about(path: Path) -> dict[str, Any]:
        try:
            about = json.loads(path.with_suffix(".json").read_text())
        except (OSError, ValueError):
            return {}
        return about if isinstance(about, dict) else {}

    @staticmethod
    def _note(path: Path, **about: Any) -> None:
        put_in_place(path.with_suffix(".json"), json.dumps(about).encode())

    def save_draft(self, ticket: str, draft: dict[str, Any]) -> None:
        """Keep what was typed.  A full disk must not break the page: then the session alone has it."""
        folder = self._folder(ticket)
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            put_in_place(folder / "draft.json", json.dumps(draft).encode())

    def load_draft(self, ticket: str) -> dict[str, Any]:
        """What was typed; empty when there is nothing."""
        try:
            draft = json.loads((self._folder(ticket) / "draft.json").read_text())
        except (OSError, ValueError):
            return {}
        return draft if isinstance(draft, dict) else {}

    def sweep(self) -> None:
        """Drop tickets that nobody touched for a month, and photos that were taken out."""
        for folder in self.root.iterdir() if self.root.is_dir() else ():
            if self.is_ticket(folder.name):
                self._forget_gone(folder.name)
            if self.is_ticket(folder.name) and time.time() - folder.stat().st_mtime > _KEEP_DAYS * 86400:
                shutil.rmtree(folder, ignore_errors=True)

    def _folder(self, ticket: str) -> Path:
        if not self.is_ticket(ticket):
            raise ValueError(f"not a ticket: {ticket!r}")
        return self.root / ticket
