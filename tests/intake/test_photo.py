"""Reading photos: every format and depth, orientation exactly once, limits before decoding, plain refusals."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import pickle
import struct
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from gapvision.errors import GapvisionError
from gapvision.intake import photo as photo_module
from gapvision.intake.photo import find_photos, read_bytes, read_colour, read_photo
from gapvision.limits import MAX_PHOTO_BYTES, Limit
from gapvision.model import Photo
from tests.intake._pictures import (
    HEIGHT,
    WIDTH,
    cv2_bytes,
    encode,
    exif,
    heic,
    luma,
    packed_zeros,
    png,
    png_chunk,
    scene,
    stored_for,
    tiff,
)

LOSSLESS = {"PNG": {}, "TIFF": {}, "WEBP": {"lossless": True}}
FORMATS = {"JPEG": {"quality": 97, "subsampling": 0}, **LOSSLESS}


def refused(source: object, *args: object) -> GapvisionError:
    with pytest.raises(GapvisionError) as caught:
        read_photo(source, *args)
    assert caught.value.message.endswith(".")
    assert caught.value.next_step
    return caught.value


# --- formats and depths ---------------------------------------------------------------


@pytest.mark.parametrize("kind", FORMATS)
def test_grey_is_bt601_luma(kind):
    photo = read_photo(encode(Image.fromarray(scene()), kind, **FORMATS[kind]))
    assert photo.grey.dtype == np.uint8
    limit = 4 if kind == "JPEG" else 1
    assert np.abs(photo.grey.astype(int) - luma(scene())).max() <= limit


def test_jpeg_grey_equals_pillows_own_luma_plane():
    data = encode(Image.fromarray(scene()), "JPEG", quality=90)
    with Image.open(io.BytesIO(data)) as image:
        image.draft("L", None)
        assert np.array_equal(read_photo(data).grey, np.asarray(image))


def test_progressive_jpeg():
    data = encode(Image.fromarray(scene()), "JPEG", quality=95, progressive=True)
    assert np.abs(read_photo(data).grey.astype(int) - luma(scene())).mean() < 2


def test_heic_reads_as_pillow_heif_gives_it():
    photo = read_photo(heic(scene()), "a.heic")
    assert np.abs(photo.grey.astype(int) - luma(scene())).mean() < 2


def test_ten_bit_heic_keeps_its_depth():
    import pillow_heif

    deep = scene().astype(np.uint16) * 257
    out = io.BytesIO()
    pillow_heif.from_bytes("RGB;16", (WIDTH, HEIGHT), deep.tobytes()).save(out, quality=95, chroma=444)
    photo = read_photo(out.getvalue())
    assert photo.grey.dtype == np.uint16
    assert np.abs(photo.grey / 257 - luma(scene())).mean() < 2
    assert read_colour(out.getvalue()).dtype == np.uint8


@pytest.mark.parametrize("ending", [".png", ".tiff"])
@pytest.mark.parametrize("colour", [False, True])
def test_sixteen_bits_stay_sixteen(ending, colour):
    deep = scene()[..., ::-1].astype(np.uint16) * 250 + 77
    if not colour:
        deep = deep[..., 1]
    photo = read_photo(cv2_bytes(ending, deep))
    want = deep if not colour else np.round(deep[..., ::-1].astype(float) @ [0.299, 0.587, 0.114])
    assert photo.grey.dtype == np.uint16
    assert np.abs(photo.grey.astype(int) - want).max() <= 1
    shown = read_colour(cv2_bytes(ending, deep))
    assert np.abs(shown.astype(int) - (deep[..., ::-1] if colour else deep[..., None]) / 257).max() <= 1


@pytest.mark.parametrize(
    ("kind", "mode"),
    [*((k, m) for k in ("PNG", "TIFF") for m in ("L", "1", "P", "RGBA", "LA")), ("WEBP", "RGBA"), ("WEBP", "L")],
)
def test_modes_look_as_pillow_shows_them_over_white(kind, mode):
    image = Image.fromarray(scene()).convert(mode)
    if mode in ("RGBA", "LA"):
        alpha = Image.fromarray(np.tile(np.linspace(0, 255, WIDTH).astype(np.uint8), (HEIGHT, 1)))
        image.putalpha(alpha)
    data = encode(image, kind, **LOSSLESS[kind])
    white = Image.new("RGBA", image.size, "white")
    want = np.asarray(Image.alpha_composite(white, image.convert("RGBA")).convert("RGB")).astype(int)
    assert np.abs(read_colour(data).astype(int) - want).max() <= 1
    assert np.abs(read_photo(data).grey.astype(int) - luma(want)).max() <= 2


def test_palette_with_a_transparent_colour_is_laid_on_white():
    image = Image.fromarray(scene()).convert("P")
    data = encode(image, "PNG", transparency=0)
    white = Image.new("RGBA", image.size, "white")
    with Image.open(io.BytesIO(data)) as back:
        want = np.asarray(Image.alpha_composite(white, back.convert("RGBA")).convert("RGB")).astype(int)
    assert (np.asarray(image) == 0).any()
    assert np.abs(read_colour(data).astype(int) - want).max() <= 1


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_cmyk(kind):
    options = {"quality": 97, "subsampling": 0} if kind == "JPEG" else {}
    data = encode(Image.fromarray(scene()).convert("CMYK"), kind, **options)
    assert np.abs(read_colour(data).astype(int) - scene()).mean() < 3
    assert np.abs(read_photo(data).grey.astype(int) - luma(scene())).mean() < 3


def test_sixteen_bit_transparency_in_wide_numbers():
    deep = np.dstack([scene()[..., ::-1].astype(np.uint16) * 257, np.full((HEIGHT, WIDTH), 32768, np.uint16)])
    want = scene().astype(float) * 257 * 32768 / 65535 + 65535 - 32768
    photo = read_photo(cv2_bytes(".png", deep))
    assert np.abs(photo.grey - want @ [0.299, 0.587, 0.114]).max() <= 2


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"])
def test_tiff_compressions(compression):
    data = encode(Image.fromarray(scene()), "TIFF", compression=compression)
    assert np.abs(read_photo(data).grey.astype(int) - luma(scene())).mean() < 3


def test_tiff_where_zero_is_white():
    data = bytearray(tiff(8, 8))
    assert read_photo(bytes(data)).grey[0, 0] == 128
    white_first = tiff(8, 8, photometric=(262, 0))
    assert read_photo(white_first).grey[0, 0] == 127


# --- orientation -----------------------------------------------------------------------


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(
    "case", ["JPEG", "PNG", "TIFF", "WEBP", "HEIC", "JPEG CMYK", "TIFF CMYK", "TIFF LA", "PNG RGBA"]
)
def test_all_orientations_come_out_upright_once(case, orientation):
    stored = Image.fromarray(stored_for(scene(), orientation))
    kind, _, mode = case.partition(" ")
    if mode:
        stored = stored.convert(mode)
    if kind == "HEIC":
        data = heic(np.asarray(stored), exif(orientation))
    else:
        data = encode(stored, kind, exif(orientation), **FORMATS[kind])
    want = luma(scene()) if mode != "LA" else np.asarray(Image.fromarray(scene()).convert("L")).astype(int)
    photo = read_photo(data)
    assert photo.grey.shape == (HEIGHT, WIDTH)
    assert np.abs(photo.grey.astype(int) - want).mean() < 3
    shown = read_colour(data)
    assert shown.shape == (HEIGHT, WIDTH, 3)
    assert np.abs(luma(shown) - want).mean() < 3
    assert photo.grey.flags.c_contiguous
    assert photo.exif_orientation == (1 if kind == "HEIC" else orientation)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_agrees_with_pillow(orientation):
    data = encode(Image.fromarray(scene()), "PNG", exif(orientation))
    with Image.open(io.BytesIO(data)) as image:
        want = np.asarray(ImageOps.exif_transpose(image))
    assert np.array_equal(read_colour(data), want)


@pytest.mark.parametrize("orientation", [0, 9, 200])
def test_a_nonsense_orientation_is_ignored(orientation):
    block = exif()
    block[274] = orientation
    assert read_photo(encode(Image.fromarray(scene()), "JPEG", block)).grey.shape == (HEIGHT, WIDTH)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_previews_are_turned_alike(kind, orientation):
    large = cv2.resize(scene(), (WIDTH * 10, HEIGHT * 10), interpolation=cv2.INTER_LINEAR)
    data = encode(Image.fromarray(stored_for(large, orientation)), kind, exif(orientation), **FORMATS[kind])
    shown = read_colour(data, max_side_px=WIDTH)
    assert shown.shape == (HEIGHT, WIDTH, 3)
    assert np.abs(shown.astype(int) - scene()).mean() < 4


@pytest.mark.parametrize(
    ("limit", "shape"), [(None, (64, 96)), (500, (64, 96)), (96, (64, 96)), (48, (32, 48)), (1, (1, 1))]
)
def test_previews_are_never_enlarged(limit, shape):
    assert read_colour(encode(Image.fromarray(scene()), "JPEG"), limit).shape[:2] == shape


# --- colours at half size ---------------------------------------------------------------


def means_of_four(rgb):
    """Blue, green, red at half size: means of two by two pixels, an odd picture's last row and column once more."""
    odd = [(0, rgb.shape[0] % 2), (0, rgb.shape[1] % 2), (0, 0)]
    even = np.pad(rgb.astype(float), odd, mode="edge")
    return even.reshape(even.shape[0] // 2, 2, even.shape[1] // 2, 2, 3).mean((1, 3))[..., ::-1]


@pytest.mark.parametrize("cut", [(0, 0), (0, 1), (1, 0), (1, 1)])
@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_colours_are_halved_from_the_upright_top_left(kind, orientation, cut):
    """Every size and orientation: pairs of the upright picture, not of the stored one."""
    upright = scene()[: HEIGHT - cut[0], : WIDTH - cut[1]]
    data = encode(Image.fromarray(stored_for(upright, orientation)), kind, exif(orientation), **FORMATS[kind])
    photo = read_photo(data)
    assert photo.grey.shape == upright.shape[:2]
    assert photo.colour.dtype == np.uint8
    assert photo.colour.shape == (32, 48, 3)
    apart = np.abs(photo.colour - means_of_four(upright))
    # A wrong pairing shifts the ramps by a pixel: 2 and 3 levels.  A JPEG rings beside the two bright and dark boxes.
    assert np.median(apart) < 1
    assert apart.max() <= 1 if kind != "JPEG" else apart.mean() < 1.2


@pytest.mark.parametrize(
    "case", ["JPEG progressive", "JPEG 4:2:0", "HEIC", "JPEG CMYK", "TIFF CMYK", "PNG P", "PNG RGBA"]
)
def test_colours_of_other_kinds(case):
    kind, _, mode = case.partition(" ")
    image = Image.fromarray(scene())
    if kind == "HEIC":
        data = heic(scene())
    elif mode in ("CMYK", "RGBA", "P"):
        data = encode(image.convert(mode), kind, **FORMATS[kind])
    else:
        data = encode(image, kind, quality=97, **({"progressive": True} if mode == "progressive" else {}))
    colour = read_photo(data).colour
    assert colour.shape == (32, 48, 3)
    want = scene() if mode != "P" else np.asarray(image.convert("P").convert("RGB"))
    assert np.abs(colour - means_of_four(want)).mean() < 3


def test_sixteen_bit_colours_come_in_eight():
    deep = scene()[..., ::-1].astype(np.uint16) * 250 + 77
    for ending in (".png", ".tiff"):
        colour = read_photo(cv2_bytes(ending, deep)).colour
        assert colour.dtype == np.uint8
        assert np.abs(colour - means_of_four(deep[..., ::-1]) / 257).max() <= 1


@pytest.mark.parametrize("kind", FORMATS)
def test_a_grey_photo_has_no_colours(kind):
    image = Image.fromarray(scene()).convert("L")
    colour = read_photo(encode(image, kind, **FORMATS[kind])).colour
    if kind == "WEBP":  # has no grey: its three channels are alike
        assert np.ptp(colour, axis=2).max() <= 1
    else:
        assert colour is None


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("fault", [cv2.error("damaged"), MemoryError(), None, np.zeros((3, 3, 3), np.uint8)])
def test_lost_colours_do_not_lose_the_photo(fault, progressive, monkeypatch):
    data = encode(Image.fromarray(scene()), "JPEG", progressive=progressive)
    want = read_photo(data).grey
    decode = cv2.imdecode

    def fails_on_colour(raw, flags):
        if flags & cv2.IMREAD_REDUCED_COLOR_2 != cv2.IMREAD_REDUCED_COLOR_2:
            return decode(raw, flags)
        if isinstance(fault, Exception):
            raise fault
        return fault

    monkeypatch.setattr(cv2, "imdecode", fails_on_colour)
    photo = read_photo(data)
    assert photo.colour is None
    assert np.array_equal(photo.grey, want)


def test_a_photo_travels_between_processes():
    photo = read_photo(encode(Image.fromarray(scene()), "JPEG", exif(6)))
    back = pickle.loads(pickle.dumps(photo))
    assert np.array_equal(back.colour, photo.colour)
    assert np.array_equal(back.grey, photo.grey)


def test_colours_that_do_not_fit_are_refused():
    for wrong in (np.zeros((4, 4, 3), np.uint8), np.zeros((5, 4, 3), np.uint16), np.zeros((5, 4), np.uint8)):
        with pytest.raises(ValueError, match=r"colour: expected \(5, 4, 3\) uint8"):
            Photo(grey=np.zeros((9, 8), np.uint8), file="x", sha256="", colour=wrong)


# --- what travels with the pixels -------------------------------------------------------


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIC"])
def test_focal_length_and_time_in_every_format(kind):
    block = exif(1, focal=5.7, focal35=26, time="2026:03:14 10:20:30")
    data = heic(scene(), block) if kind == "HEIC" else encode(Image.fromarray(scene()), kind, block, **FORMATS[kind])
    photo = read_photo(data, "seam.x")
    assert photo.focal_mm == pytest.approx(5.7)
    assert photo.focal_35mm_mm == 26
    assert photo.taken_at == "2026-03-14T10:20:30"
    assert photo.file == "seam.x"
    assert photo.sha256 == hashlib.sha256(data).hexdigest()


def test_focal_length_in_a_tiff():
    """Pillow leaves the sub-directory out when it writes TIFF, so this one is put together by hand (TIFF 6.0)."""
    data = bytearray(tiff(8, 8, pointer=(34665, 1024)))
    sub = struct.pack("<HHHIIHHII", 2, 37386, 5, 1, 2048, 41989, 3, 1, 26) + bytes(4)
    data[1024 : 1024 + len(sub)] = sub
    data[2048:2056] = struct.pack("<II", 57, 10)
    photo = read_photo(bytes(data))
    assert (photo.focal_mm, photo.focal_35mm_mm) == (5.7, 26)


def test_missing_and_absurd_exif_is_none():
    data = encode(Image.fromarray(scene()), "JPEG", exif(1, focal=0.0, focal35=0, time="0000:00:00 00:00:00"))
    photo = read_photo(data)
    assert (photo.focal_mm, photo.focal_35mm_mm, photo.taken_at) == (None, None, None)


def test_path_and_bytes_give_the_same(tmp_path):
    path = tmp_path / "Türe 1.JPG"
    path.write_bytes(encode(Image.fromarray(scene()), "JPEG"))
    one, two = read_photo(path), read_photo(path.read_bytes(), "Türe 1.JPG")
    assert one.file == two.file == "Türe 1.JPG"
    assert one.sha256 == two.sha256
    assert np.array_equal(one.grey, two.grey)


@pytest.mark.parametrize("kind", FORMATS)
def test_a_wrong_ending_does_not_matter(kind, tmp_path):
    path = tmp_path / "photo.txt"
    path.write_bytes(encode(Image.fromarray(scene()), kind))
    assert read_photo(path).width_px == WIDTH


def test_only_the_first_of_many_pages_is_read():
    pages = [Image.new("L", (8, 8), v) for v in range(200)]
    data = encode(Image.fromarray(scene()), "TIFF", save_all=True, append_images=pages)
    assert np.abs(read_photo(data).grey.astype(int) - luma(scene())).max() <= 1


def test_data_behind_a_jpeg_is_ignored():
    data = encode(Image.fromarray(scene()), "JPEG")
    assert np.array_equal(read_photo(data + b"\xff\xda" * 5000).grey, read_photo(data).grey)


# --- refusals ---------------------------------------------------------------------------


def test_no_such_file(tmp_path):
    assert refused(tmp_path / "none.jpg").code == "file-not-found"


def test_a_file_used_as_folder(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"x")
    assert refused(tmp_path / "a.jpg" / "b.jpg").code == "file-not-found"


@pytest.mark.parametrize("name", ["a\x00b.jpg", "a" * 5000])
def test_impossible_names(name):
    assert refused(name).code == "file-not-found"


def test_a_folder(tmp_path):
    assert refused(tmp_path).code == "file-is-folder"


def test_an_empty_file(tmp_path):
    (tmp_path / "a.jpg").touch()
    assert refused(tmp_path / "a.jpg").message == "'a.jpg' is empty."
    assert refused(b"").code == "file-empty"


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = tmp_path / "a.jpg"
    path.write_bytes(encode(Image.fromarray(scene()), "JPEG"))

    def forbid(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", forbid)  # root may read anything, so the refusal has to be played
    assert refused(path).code == "file-not-permitted"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "a.jpg")
    assert refused(tmp_path / "a.jpg").code == "file-unreadable"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"hello, this is a text\n" * 9, "is not a picture"),
        (b"%PDF-1.7 ...........", "is a PDF"),
        (b"GIF89a..............", "is a GIF"),
        (b"PK\x03\x04..........", "is a zip archive"),
        (b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00isommp42", "is a film"),
        (b"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00mif1avif", "is an AVIF picture"),
        (b"II+\x00" + b"\x00" * 20, "is a BigTIFF"),
        (tiff(8, 8, dng=(50706, 1)), "is a raw camera file"),
    ],
    ids=["text", "pdf", "gif", "zip", "film", "avif", "bigtiff", "raw"],
)
def test_other_kinds_of_file_are_named(data, says):
    error = refused(data, "x.jpg")
    assert error.code == "file-kind-unknown"
    assert says in error.message


@pytest.mark.parametrize("kind", [*FORMATS, "HEIC", "JPEG progressive", "TIFF lzw"])
@pytest.mark.parametrize("share", [0.01, 0.1, 0.5, 0.9, 0.99])
def test_cut_off_files_are_refused(kind, share):
    if kind == "HEIC":
        data = heic(scene())
    else:
        name, _, extra = kind.partition(" ")
        options = {"": {}, "progressive": {"progressive": True}, "lzw": {"compression": "tiff_lzw"}}[extra]
        data = encode(Image.fromarray(scene()), name, **options)
    error = refused(data[: max(1, int(len(data) * share))], "a.jpg")
    assert error.code in ("file-cut-off", "file-unreadable", "file-kind-unknown")


@pytest.mark.parametrize("kind", [*FORMATS, "HEIC"])
def test_scrambled_bytes_never_give_a_traceback(kind):
    rng = np.random.default_rng(20260311)
    clean = heic(scene()) if kind == "HEIC" else encode(Image.fromarray(scene()), kind, exif(6, focal=5.7))
    for _ in range(150):
        data = bytearray(clean)
        for at in rng.integers(0, len(data), 12):
            data[at] = rng.integers(0, 256)
        for read in (read_photo, read_colour):
            with contextlib.suppress(GapvisionError):  # anything else fails the test
                read(bytes(data))


def test_random_bytes_behind_each_magic_never_give_a_traceback():
    rng = np.random.default_rng(7)
    magics = [b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\x00", b"MM\x00*", b"RIFF\xff\x00\x00\x00WEBPVP8X",
              b"RIFF\x10\x00\x00\x00WEBPVP8 ", b"\x00\x00\x00\x18ftypheic"]  # fmt: skip
    for magic in magics:
        for size in (0, 1, 5, 30, 300):
            assert refused(magic + rng.bytes(size)).code.startswith("file-")


def test_a_damaged_png_is_refused_by_its_checksum():
    data = bytearray(encode(Image.fromarray(scene()), "PNG"))
    data[len(data) // 2] ^= 0x55
    assert refused(bytes(data)).code == "file-unreadable"


def test_too_many_bytes(tmp_path, monkeypatch):
    path = tmp_path / "a.jpg"
    path.write_bytes(encode(Image.fromarray(scene()), "JPEG"))
    monkeypatch.setattr(photo_module, "MAX_PHOTO_BYTES", Limit(100, "byte", "a test", "computed"))
    assert refused(path).code == "file-too-large"
    assert refused(path.read_bytes()).code == "file-too-large"


def test_a_huge_sparse_file_is_not_read(tmp_path):
    path = tmp_path / "a.jpg"
    with path.open("wb") as file:
        file.truncate(int(MAX_PHOTO_BYTES.value) + 1)
    with pytest.raises(GapvisionError) as caught:
        read_bytes(path)
    assert caught.value.code == "file-too-large"


def webp_claiming(side: int) -> bytes:
    head = b"VP8L" + (10).to_bytes(4, "little") + b"\x2f" + ((side - 1) | (side - 1) << 14).to_bytes(4, "little")
    return b"RIFF" + (30).to_bytes(4, "little") + b"WEBP" + head + b"\x00" * 20


def heic_claiming(width: int, height: int) -> bytes:
    data = bytearray(heic(scene()))
    at = data.index(b"ispe") + 8
    data[at : at + 8] = width.to_bytes(4, "big") + height.to_bytes(4, "big")
    return bytes(data)


def jpeg_claiming(width: int, height: int, **options: object) -> bytes:
    data = bytearray(encode(Image.fromarray(scene()), "JPEG", **options))
    at = data.index(b"\xff\xc2" if options.get("progressive") else b"\xff\xc0") + 5
    data[at : at + 4] = height.to_bytes(2, "big") + width.to_bytes(2, "big")
    return bytes(data)


BOMBS = {
    "png": lambda: png(40000, 40000, 8, 0, b"\x00" * 1000),
    "png deep": lambda: png(10900, 10900, 16, 6, b"\x00" * 1000),
    "tiff": lambda: tiff(60000, 60000),
    "tiff rows": lambda: tiff(2**31, 2),
    "webp": lambda: webp_claiming(16383),
    "heic": lambda: heic_claiming(30000, 30000),
    "jpeg": lambda: jpeg_claiming(65535, 65535),
    "jpeg passes": lambda: jpeg_claiming(10900, 10900, progressive=True),
}


@pytest.mark.parametrize("bomb", BOMBS)
def test_a_picture_that_claims_too_much_is_refused_before_decoding(bomb, monkeypatch):
    def never(*_args, **_kwargs):
        raise AssertionError("decoded a picture that is too large")

    monkeypatch.setattr(cv2, "imdecode", never)
    error = refused(BOMBS[bomb](), "b.jpg")
    assert error.code == "file-too-large"


def test_a_png_whose_data_go_on_for_ever_gives_only_its_own_size():
    """A small picture whose packed data unpack to 200 MB: the decoder stops at the last row."""
    data = png(64, 64, 8, 0, b"", packed=packed_zeros(200))
    assert read_photo(data).grey.shape == (64, 64)


def noted_png(notes: int) -> bytes:
    """A PNG with notes that unpack to a million letters each."""
    note = b"\x00\x00" + packed_zeros(1)
    rows = b"\x00" * 65 * 64
    return png(64, 64, 8, 0, rows, before=b"".join(png_chunk(b"zTXt", b"note %d" % i + note) for i in range(notes)))


def test_the_exif_behind_a_pngs_picture_counts():
    block = exif(6, focal=5.7).tobytes().removeprefix(b"Exif\x00\x00")
    photo = read_photo(png(8, 4, 8, 0, b"\x00" * 9 * 4, behind=png_chunk(b"eXIf", block)))
    assert photo.exif_orientation == 6
    assert photo.grey.shape == (8, 4)
    assert photo.focal_mm == pytest.approx(5.7)


@pytest.mark.parametrize("kind", [2, 5, 10, 11, 12])
@pytest.mark.parametrize("tag", [273, 279])
def test_a_tiff_whose_strips_lie_at_no_whole_number_is_refused(tag, kind):
    """Text, fractions and floating point numbers, among them 1/0 and infinity."""
    for value in (8, 0x7F800000):
        assert refused(tiff(8, 8, {tag: kind}, place=(tag, value))).code == "file-cut-off"


@pytest.mark.parametrize("tile", [(2**16, 2**16), (0, 0)])
def test_a_tiff_with_absurd_tiles_is_refused(tile):
    data = tiff(8, 8, w=(322, tile[0]), h=(323, tile[1]), at=(324, 4096), n=(325, 64))
    assert refused(data).code == "file-unreadable"


def test_a_jpeg_of_a_thousand_passes_is_refused():
    data = encode(Image.fromarray(scene()), "JPEG", progressive=True)
    first = data.index(b"\xff\xda")
    one_scan = data[first : data.index(b"\xff", first + 20)]
    assert refused(data[:first] + one_scan * 1000 + data[first:]).code == "file-unreadable"


MEASURE_PEAK = """
import resource, sys
sys.path[:0] = {path!r}
from tests.intake._pictures import crowded_tiff, jpeg_with_exif, packed_zeros, png, scene
from tests.intake.test_photo import BOMBS, heic_claiming, jpeg_claiming, noted_png
from gapvision.errors import GapvisionError
from gapvision.intake.photo import read_photo, read_colour
def peak_mb(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
cases = [make() for make in BOMBS.values()]
cases += [png(64, 64, 8, 0, b"", packed=packed_zeros(200)), heic_claiming(9000, 9000), noted_png(64)]
cases += [jpeg_with_exif(scene(), crowded_tiff(1000, 13000)), crowded_tiff(1000, 65536), crowded_tiff(0, 0, 3000000)]
read_photo(jpeg_claiming(96, 64))
import pillow_heif
before = peak_mb()
for data in cases:
    for read in (read_photo, read_colour):
        try: read(data)
        except GapvisionError: pass
print(peak_mb() - before)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="the resource module is a Unix one")
@pytest.mark.slow
def test_bombs_cost_little_memory():
    """Peak memory of a process that opens every bomb, above what it took before them."""
    path = [str(Path(__file__).parent), *sys.path]
    done = subprocess.run(
        [sys.executable, "-c", MEASURE_PEAK.format(path=path)], capture_output=True, text=True, check=True
    )
    assert float(done.stdout.splitlines()[-1]) < 60


# --- pixels at hand ----------------------------------------------------------------------


@pytest.mark.parametrize("cut", [0, 1])
def test_an_array_is_read_as_a_lossless_file_of_it(cut):
    pixels = scene()[cut:, cut:]
    photo, filed = read_photo(pixels), read_photo(encode(Image.fromarray(pixels), "PNG"))
    assert np.array_equal(photo.grey, filed.grey)
    assert np.array_equal(photo.colour, filed.colour)
    assert photo.sha256 == hashlib.sha256(pixels.tobytes()).hexdigest()
    assert (photo.file, photo.focal_35mm_mm, photo.exif_orientation) == ("array", None, 1)


def test_a_grey_array_is_taken_as_it_is_and_not_changed_later():
    pixels = luma(scene()).astype(np.uint8)
    photo = read_photo(pixels, "seam")
    kept = pixels.copy()
    pixels[:] = 0
    assert np.array_equal(photo.grey, kept)
    assert (photo.colour, photo.file) == (None, "seam")


@pytest.mark.parametrize(
    "pixels", [np.zeros((4, 4, 4), np.uint8), np.zeros((4, 4)), np.zeros(4, np.uint8), np.zeros((0, 4), np.uint8)]
)
def test_another_array_is_a_mistake_of_the_caller(pixels):
    with pytest.raises(ValueError, match=r"expected \(H, W\) or \(H, W, 3\) uint8, got "):
        read_photo(pixels)


def test_a_very_large_array_is_refused():
    with pytest.raises(GapvisionError) as caught:
        read_photo(np.broadcast_to(np.zeros(1, np.uint8), (20_000, 20_000)))
    assert caught.value.code == "file-too-large"


# --- folders -----------------------------------------------------------------------------


def test_find_photos(tmp_path):
    for name in ("b.JPG", "a.heic", "c.txt", ".hidden.jpg"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    assert [p.name for p in find_photos(tmp_path)] == ["a.heic", "b.JPG"]
    (tmp_path / "IMG_0001").write_bytes(b"\xff\xd8\xff\xe0 a photo whose ending got lost")
    (tmp_path / "README").write_bytes(b"no photo")
    os.mkfifo(tmp_path / "pipe")
    assert [p.name for p in find_photos(tmp_path)] == ["IMG_0001", "a.heic", "b.JPG"]


def test_find_photos_in_nothing(tmp_path):
    for folder in (tmp_path, tmp_path / "none"):
        with pytest.raises(GapvisionError) as caught:
            find_photos(folder)
        assert caught.value.code == "file-not-found"
