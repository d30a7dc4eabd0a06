"""A copy to give away holds the same picture and nothing about place or person."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms

from gapvision.errors import GapvisionError
from gapvision.intake.photo import read_colour, read_photo
from gapvision.intake.safe_copy import place_in_name, safe_copy
from tests.intake._pictures import HEIGHT, WIDTH, encode, exif, heic, luma, scene, stored_for

PRIVATE = (b"MAKER-NAME", b"MODEL-NAME", b"OWNER-NAME", b"secret-note", b"xmp-place", b"\x88%")
CAMERA = {"focal": 5.7, "focal35": 26, "time": "2026:03:14 10:20:30"}


def private_jpeg(orientation: int = 6, **options: object) -> bytes:
    stored = Image.fromarray(stored_for(scene(), orientation))
    return encode(stored, "JPEG", exif(orientation, gps=True, **CAMERA), quality=95, comment=b"secret-note",
                  xmp=b"xmp-place", **options)  # fmt: skip


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_keeps_its_picture_bit_for_bit(progressive):
    data = private_jpeg(progressive=progressive)
    before = bytes(data)
    copy = safe_copy(data)
    assert data == before
    one, two = read_photo(data), read_photo(copy)
    assert np.array_equal(one.grey, two.grey)
    for name in ("focal_mm", "focal_35mm_mm", "taken_at", "exif_orientation"):
        assert getattr(one, name) == getattr(two, name)


@pytest.mark.parametrize("progressive", [False, True])
def test_nothing_private_is_left_in_a_jpeg(progressive):
    data = private_jpeg(progressive=progressive)
    copy = safe_copy(data)
    for words in PRIVATE[:-1]:
        assert words in data
        assert words not in copy
    with Image.open(io.BytesIO(copy)) as image:
        block = image.getexif()
        assert 34853 not in block
        assert set(block) <= {274, 34665}
        assert set(block.get_ifd(34665)) == {36867, 37386, 41989}
        assert block.get_ifd(34665)[37386] == pytest.approx(5.7)
        assert "comment" not in image.info
        assert "xmp" not in image.info


def test_what_lies_behind_the_picture_is_dropped():
    second = private_jpeg()
    assert safe_copy(private_jpeg() + second) == safe_copy(private_jpeg())


def test_notes_between_the_passes_are_dropped():
    data = private_jpeg(progressive=True)
    second_scan = data.index(b"\xff\xda", data.index(b"\xff\xda") + 2)
    note = b"\xff\xfe" + (13).to_bytes(2, "big") + b"secret-note"
    copy = safe_copy(data[:second_scan] + note + data[second_scan:])
    assert b"secret-note" not in copy
    assert np.array_equal(read_photo(copy).grey, read_photo(data).grey)


def icc_profile(**more: bytes) -> bytes:
    """Little CMS's sRGB profile, as Pillow gives it, with more tags (ICC.1:2022, 7.3: signature, offset, size)."""
    whole = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    count = int.from_bytes(whole[128:132], "big")
    rows = [struct.unpack_from(">4sII", whole, 132 + 12 * k) for k in range(count)]
    tags = {name: whole[at : at + size] for name, at, size in rows} | {k.encode(): v for k, v in more.items()}
    table, body, at = b"", b"", 132 + 12 * len(tags)
    for name, data in tags.items():
        table += struct.pack(">4sII", name, at + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = bytearray(whole[:128])
    head[48:56] = b"MADEMODL"  # who made the device, and which it is
    rest = len(tags).to_bytes(4, "big") + table + body
    return (len(head) + len(rest)).to_bytes(4, "big") + bytes(head[4:]) + rest


def test_the_colour_profile_keeps_its_colours_and_nothing_else():
    """What Little CMS makes of the copy is the same to the bit; private tags and texts are gone."""
    private = {"mmod": b"mmod\0\0\0\0SERIAL-NUMBER", "desc": b"desc\0\0\0\0\0\0\0\x0bOWNER-NAME\0" + bytes(78)}
    profile = icc_profile(**private)
    data = private_jpeg(icc_profile=profile)
    copy = safe_copy(data)
    with Image.open(io.BytesIO(data)) as one, Image.open(io.BytesIO(copy)) as two:
        lab, shown = ImageCms.createProfile("LAB"), []
        for x in (one, two):
            own = io.BytesIO(x.info["icc_profile"])
            shown.append(np.asarray(ImageCms.profileToProfile(x.convert("RGB"), own, lab, outputMode="LAB")))
        assert np.array_equal(*shown)
    for words in (b"SERIAL-NUMBER", b"OWNER-NAME", b"MADE", b"MODL"):
        assert words in data
        assert words not in copy


def test_a_profile_that_is_none_goes():
    with Image.open(io.BytesIO(safe_copy(private_jpeg(icc_profile=b"p" * 200)))) as image:
        assert "icc_profile" not in image.info


def test_what_other_segments_hold_goes():
    """ITU-T T.81, table B.1: the reserved markers; and what stands behind Adobe's transform in its own segment."""
    data = encode(Image.fromarray(scene()), "JPEG", quality=95)
    adobe = b"\xff\xee" + (14 + 11).to_bytes(2, "big") + b"Adobe\0\x64\0\0\0\0\x01" + b"secret-note"
    reserved = b"".join(bytes([0xFF, m, 0, 13]) + b"secret-note" for m in (0xF0, 0xFD, 0xC8, 0xDE, 0x02))
    copy = safe_copy(data[:2] + adobe + b"secret-note" + reserved + data[2:])
    assert b"secret-note" not in copy
    assert b"Adobe" in copy
    assert np.array_equal(read_colour(copy), read_colour(data[:2] + adobe[:2] + b"\0\x0e" + adobe[4:16] + data[2:]))


@pytest.mark.parametrize(
    ("name", "place"),
    [
        ("IMG_48.50417_9.05833.jpg", "48.50417_9.05833"),
        ("door 48.5042,-9.0583.jpg", "48.5042,-9.0583"),
        ("48.504N 9.058E sill.jpg", "48.504N 9.058E"),
        ("IMG_20260302_101112.jpg", ""),
        ("gap 4.762 4.901.jpg", ""),
        ("door 4.76 mm.jpg", ""),
        ("photo 148.5042 909.0583.jpg", ""),
    ],
)
def test_a_place_in_a_name_is_found(name, place):
    assert place_in_name(name) == place


def test_a_cmyk_jpeg_keeps_its_colours():
    data = encode(Image.fromarray(scene()).convert("CMYK"), "JPEG", quality=95)
    assert np.array_equal(read_colour(safe_copy(data)), read_colour(data))


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP", "HEIC"])
def test_other_kinds_become_an_upright_jpeg(kind):
    stored, block = stored_for(scene(), 8), exif(8, gps=True, **CAMERA)
    data = heic(stored, block) if kind == "HEIC" else encode(Image.fromarray(stored), kind, block)
    copy = safe_copy(data)
    assert copy[:3] == b"\xff\xd8\xff"
    for words in PRIVATE:
        assert words not in copy
    photo = read_photo(copy)
    assert photo.exif_orientation == 1
    assert photo.grey.shape == (HEIGHT, WIDTH)
    assert np.abs(photo.grey.astype(int) - luma(scene())).mean() < 4
    assert photo.taken_at == read_photo(data).taken_at


def test_a_photo_without_exif():
    data = encode(Image.fromarray(scene()), "JPEG")
    assert np.array_equal(read_photo(safe_copy(data)).grey, read_photo(data).grey)


def test_a_cut_off_jpeg_is_refused():
    with pytest.raises(GapvisionError) as caught:
        safe_copy(private_jpeg()[:-40])
    assert caught.value.code == "file-cut-off"


def test_the_file_on_disk_is_not_touched(tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(private_jpeg())
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    safe_copy(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
