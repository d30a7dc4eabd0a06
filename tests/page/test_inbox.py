"""The inbox: photos and drafts are on disk at once and found again."""

import hashlib
import os
import time

import pytest

from gapvision.errors import GapvisionError
from gapvision.page.inbox import Inbox


@pytest.fixture
def inbox(tmp_path):
    return Inbox(tmp_path / "inbox")


def test_photos_come_back_unchanged_and_once(inbox):
    ticket = inbox.new_ticket()
    first = inbox.add(ticket, "a.jpg", b"first")
    inbox.add(ticket, "b.jpg", b"second")
    again = inbox.add(ticket, "copy.jpg", b"first")
    assert again.sha256 == first.sha256 == hashlib.sha256(b"first").hexdigest()
    found = Inbox(inbox.root).photos(ticket)
    assert [(p.name, p.read()) for p in found] == [("a.jpg", b"first"), ("b.jpg", b"second")]
    inbox.remove(ticket, first.sha256)
    assert [p.name for p in inbox.photos(ticket)] == ["b.jpg"]


def test_what_a_screen_shows_already_can_be_looked_at_for_a_while_after_it_was_taken_out(tmp_path):
    inbox, ticket = Inbox(tmp_path), "a" * 20
    one = inbox.add(ticket, "a.jpg", b"first")
    inbox.remove(ticket, one.sha256)
    assert inbox.find(ticket, one.sha256) is None
    assert inbox.to_look_at(ticket, one.sha256).read_bytes() == b"first"
    assert inbox.to_look_at(ticket, "0" * 64) is None
    again = inbox.add(ticket, "a.jpg", b"first")
    assert [p.sha256 for p in inbox.photos(ticket)] == [one.sha256], "it can come back"
    inbox.remove(ticket, again.sha256)
    (gone,) = (tmp_path / ticket).glob("*.gone")
    os.utime(gone, (0, 0))
    inbox.sweep()
    assert not list((tmp_path / ticket).iterdir()), "then it is gone"


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\x\\seam.jpg", "seam.jpg"),
        ("", "photo"),
        ("a\nb.jpg", "ab.jpg"),
        ("x" * 300 + ".jpg", "x" * 120),
    ],
)
def test_names_are_only_for_people(inbox, name, kept):
    photo = inbox.add(inbox.new_ticket(), name, b"1")
    assert photo.name == kept
    assert photo.path.parent.parent == inbox.root


@pytest.mark.parametrize("word", ["", "..", "../../x", "A" * 20, "a" * 19, "a" * 21, "a/b" + "c" * 17])
def test_only_tickets_become_paths(inbox, word):
    assert not Inbox.is_ticket(word)
    with pytest.raises(ValueError, match="ticket"):
        inbox.add(word, "a.jpg", b"1")


def test_tickets_cannot_be_guessed(inbox):
    assert len({inbox.new_ticket() for _ in range(500)}) == 500


def test_empty_photo_and_full_disk(inbox, monkeypatch):
    ticket = inbox.new_ticket()
    with pytest.raises(GapvisionError) as caught:
        inbox.add(ticket, "a.jpg", b"")
    assert caught.value.code == "file-empty"

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(GapvisionError) as caught:
        inbox.add(ticket, "a.jpg", b"1")
    assert caught.value.code == "folder-not-writable"
    inbox.save_draft(ticket, {"remarks": "x"})  # must not raise
    assert inbox.photos(ticket) == []
    assert not list((inbox.root / ticket).glob(".part-*"))


def test_draft(inbox):
    ticket = inbox.new_ticket()
    assert inbox.load_draft(ticket) == {}
    inbox.save_draft(ticket, {"remarks": "Tür klemmt", "latched": True})
    assert inbox.load_draft(ticket) == {"remarks": "Tür klemmt", "latched": True}
    (inbox.root / ticket / "draft.json").write_text("[torn")
    assert inbox.load_draft(ticket) == {}


def test_too_many(inbox, monkeypatch):
    monkeypatch.setattr("gapvision.page.inbox.MOST_PHOTOS", 2)
    ticket = inbox.new_ticket()
    inbox.add(ticket, "a", b"1")
    inbox.add(ticket, "b", b"2")
    with pytest.raises(GapvisionError) as caught:
        inbox.add(ticket, "c", b"3")
    assert caught.value.code == "too-many-photos"


def test_sweep_drops_only_old_tickets(inbox):
    old, new = inbox.new_ticket(), inbox.new_ticket()
    inbox.add(old, "a", b"1")
    inbox.add(new, "b", b"2")
    month_ago = time.time() - 31 * 86400
    os.utime(inbox.root / old, (month_ago, month_ago))
    inbox.sweep()
    assert inbox.photos(old) == []
    assert len(inbox.photos(new)) == 1
