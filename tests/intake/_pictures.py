"""Small pictures in every format, made with libraries other than the reader under test where one exists."""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
from PIL import Image

#: (x, y, w, h, colour): an asymmetric scene that tells all eight orientations apart.
WIDTH, HEIGHT = 96, 64


def scene() -> np.ndarray:
    """(H, W, 3) RGB uint8, smooth enough for lossy formats, different in every corner."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    rgb = np.empty((HEIGHT, WIDTH, 3), np.uint8)
    rgb[..., 0] = 20 + 2 * x
    rgb[..., 1] = 30 + 3 * y
    rgb[..., 2] = 40 + x + y
    rgb[4:20, 6:30] = (250, 250, 250)
    rgb[40:60, 70:80] = (5, 5, 5)
    return rgb


def luma(rgb: np.ndarray) -> np.ndarray:
    """BT.601 luma, the definition JPEG uses (ITU-T T.871)."""
    return np.round(rgb.astype(float) @ [0.299, 0.587, 0.114]).astype(int)


def stored_for(upright: np.ndarray, orientation: int) -> np.ndarray:
    """What a camera stores so that this orientation tag makes it upright again.

    EXIF 2.3, tag 274: which side of the upright scene the stored row 0 and column 0 are.
    """
    flip = {
        1: lambda a: a, 2: lambda a: a[:, ::-1], 3: lambda a: a[::-1, ::-1], 4: lambda a: a[::-1],
        5: lambda a: a.swapaxes(0, 1), 6: lambda a: a.swapaxes(0, 1)[::-1],
        7: lambda a: a.swapaxes(0, 1)[::-1, ::-1], 8: lambda a: a.swapaxes(0, 1)[:, ::-1],
    }  # fmt: skip
    return np.ascontiguousarray(flip[orientation](upright))


def exif(orientation: int | None = None, gps: bool = False, **camera: object) -> Image.Exif:
    """EXIF as Pillow writes it."""
    block = Image.Exif()
    if orientation:
        block[274] = orientation
    if camera:
        sub = block.get_ifd(34665)
        for tag, value in {"focal": 37386, "focal35": 41989, "time": 36867}.items():
            if tag in camera:
                sub[value] = camera[tag]
    if gps:
        place = block.get_ifd(34853)
        place[1], place[2], place[3], place[4] = "N", (12.0, 34.0, 56.0), "E", (65.0, 43.0, 21.0)
        block[271], block[272] = "MAKER-NAME", "MODEL-NAME"
        block[315] = "OWNER-NAME"
    return block


def encode(image: Image.Image, kind: str, block: Image.Exif | None = None, **options: object) -> bytes:
    """Bytes of an image in a format, with EXIF."""
    out = io.BytesIO()
    if block is not None:
        options["exif"] = block
    image.save(out, kind, **options)
    return out.getvalue()


def heic(rgb: np.ndarray, block: Image.Exif | None = None) -> bytes:
    """HEIC whose container holds the rotation, as phones write it."""
    import pillow_heif

    picture = pillow_heif.from_bytes("RGB", (rgb.shape[1], rgb.shape[0]), np.ascontiguousarray(rgb).tobytes())
    out = io.BytesIO()
    extra = {} if block is None else {"exif": block.tobytes()}
    picture.save(out, quality=95, chroma=444, **extra)
    return out.getvalue()


def cv2_bytes(ending: str, array: np.ndarray) -> bytes:
    """Bytes of an array (BGR order) written by OpenCV."""
    done, data = cv2.imencode(ending, array)
    assert done
    return data.tobytes()


def packed_zeros(megabytes: int) -> bytes:
    """What ``zlib.compress`` makes of so many million zeros, put together from one million packed once.

    A full flush ends a block at a whole byte and forgets what came before (RFC 1951), so blocks can be repeated; the
    check sum (RFC 1950) of ``n`` zeros is 1 in its low half and ``n`` modulo 65521 in its high one.
    """
    packer = zlib.compressobj(9, wbits=-15)
    block = packer.compress(bytes(1_000_000)) + packer.flush(zlib.Z_FULL_FLUSH)
    check = (megabytes * 1_000_000 % 65521) << 16 | 1
    return b"\x78\xda" + block * megabytes + packer.flush() + struct.pack(">I", check)


def png_chunk(tag: bytes, payload: bytes) -> bytes:
    """One piece of a PNG with its checksum (W3C PNG, section 5)."""
    return struct.pack(">I", len(payload)) + tag + payload + struct.pack(">I", zlib.crc32(tag + payload))


def png(
    width: int, height: int, bits: int, colour: int, rows: bytes, *, packed: bytes = b"", before: bytes = b"",
    behind: bytes = b"",
) -> bytes:  # fmt: skip
    """A PNG put together by hand, so that its heading can claim anything.

    ``packed`` takes the place of ``rows`` where these have been packed already; ``before`` and ``behind`` the picture
    come further pieces.
    """
    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    picture = png_chunk(b"IDAT", packed or zlib.compress(rows, 9))
    return b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", head) + before + picture + behind + png_chunk(b"IEND", b"")


def tiff(width: int, height: int, kinds: dict[int, int] | None = None, **tags: tuple[int, int]) -> bytes:
    """A grey 8-bit little-endian TIFF put together by hand (TIFF 6.0), with further (tag, value) fields.

    ``kinds`` gives a tag another field type than LONG.
    """
    fields = {256: width, 257: height, 258: 8, 259: 1, 262: 1, 273: 4096, 277: 1, 278: height, 279: 64}
    fields.update(dict(tags.values()))
    out = struct.pack("<2sHIH", b"II", 42, 8, len(fields))
    for tag in sorted(fields):
        out += struct.pack("<HHII", tag, (kinds or {}).get(tag, 4), 1, fields[tag])
    return (out + struct.pack("<I", 0)).ljust(4096, b"\x00") + b"\x80" * 64


def crowded_tiff(fields: int, values: int, further: int = 0) -> bytes:
    """The same, with many fields that all claim the same ``values`` LONG numbers, of which the file holds one lot.

    With ``further``, the strips' places and sizes are lists of that many numbers.
    """
    head = {256: 8, 257: 8, 258: 8, 259: 1, 262: 1, 277: 1, 278: 8}
    entries = [(tag, 1, value) for tag, value in head.items()]
    at = 8 + 2 + 12 * (len(head) + 2 + fields) + 4
    lists = struct.pack("<I", at) * further + struct.pack("<I", 64) * further if further else b""
    entries += [(273, further or 1, at), (279, further or 1, at + 4 * further if further else 64)]
    entries += [(40000 + i, values, at) for i in range(fields)]
    out = struct.pack("<2sHIH", b"II", 42, 8, len(entries))
    out += b"".join(struct.pack("<HHII", tag, 4, count, value) for tag, count, value in sorted(entries))
    return out + bytes(4) + lists.ljust(max(64, 4 * values), b"\x80")


def jpeg_with_exif(rgb: np.ndarray, block: bytes) -> bytes:
    """A JPEG whose EXIF segment holds these bytes, whatever they are."""
    data, payload = encode(Image.fromarray(rgb), "JPEG"), b"Exif\x00\x00" + block
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(payload) + 2) + payload + data[2:]
