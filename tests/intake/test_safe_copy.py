"""A copy to give away holds the same picture and nothing about place or person."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from gapvision.errors import GapvisionError
from gapvision.intake.photo import read_colour, read_photo
from gapvision.intake.safe_copy import safe_copy
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


def test_the_colour_profile_stays_and_other_profiles_go():
    data = private_jpeg(icc_profile=b"p" * 200)
    with Image.open(io.BytesIO(safe_copy(data))) as image:
        assert image.info["icc_profile"] == b"p" * 200


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
