"""EXIF from hostile bytes: right fields, or none, and never an exception."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, TiffImagePlugin

from gapvision.intake.exif import ExifFields, read_directory, read_exif, write_exif
from tests.intake._pictures import exif

FULL = ExifFields(orientation=6, focal_mm=5.43, focal_35mm_mm=26.0, taken_at="2026-03-14T10:20:30")


@pytest.mark.parametrize(
    "fields", [FULL, ExifFields(), ExifFields(focal_mm=4.2), ExifFields(taken_at="1999-12-31T23:59:59")]
)
def test_write_then_read(fields):
    assert read_exif(write_exif(fields)) == fields


def test_pillow_reads_what_is_written():
    block = Image.Exif()
    block.load(write_exif(FULL))
    assert block[274] == 6
    sub = block.get_ifd(34665)
    assert (float(sub[37386]), sub[41989], sub[36867]) == (5.43, 26, "2026:03:14 10:20:30")


def test_reads_what_pillow_writes_in_both_byte_orders():
    block = exif(5, focal=5.7, focal35=28, time="2026:01:02 03:04:05")
    for endian in ("<", ">"):
        block.endian = endian
        assert read_exif(block.tobytes()) == ExifFields(
            orientation=5, focal_mm=pytest.approx(5.7), focal_35mm_mm=28.0, taken_at="2026-01-02T03:04:05"
        )


def test_the_program_and_digital_zoom_are_read():
    block = exif(1, focal=5.7, focal35=28, time="2026:01:02 03:04:05")
    block[0x0131] = "Painter 2.0\n"
    block.get_ifd(0x8769)[0xA404] = TiffImagePlugin.IFDRational(2, 1)
    assert (read_exif(block.tobytes()).app, read_exif(block.tobytes()).zoom) == ("Painter 2.0", 2.0)
    for none in (TiffImagePlugin.IFDRational(0, 1), TiffImagePlugin.IFDRational(0, 0)):
        block.get_ifd(0x8769)[0xA404] = none
        assert read_exif(block.tobytes()).zoom == 1.0, "0 says that none was used (EXIF 2.3)"


@given(st.binary(max_size=200))
def test_any_bytes_are_survived(data):
    for heading in (b"", b"Exif\x00\x00II*\x00\x08\x00\x00\x00", b"MM\x00*\x00\x00\x00\x08"):
        assert isinstance(read_exif(heading + data), ExifFields)


@given(st.data())
def test_any_damage_is_survived(data):
    block = bytearray(write_exif(FULL))
    for _ in range(data.draw(st.integers(1, 8))):
        block[data.draw(st.integers(0, len(block) - 1))] = data.draw(st.integers(0, 255))
    assert isinstance(read_exif(bytes(block)), ExifFields)


def test_a_directory_that_points_at_itself_ends():
    block = struct.pack("<2sHIHHHIII", b"II", 42, 8, 1, 34665, 4, 1, 8, 8)
    assert read_exif(block) == ExifFields()


def test_a_field_of_four_billion_values_is_left_out():
    block = struct.pack("<2sHIHHHIII", b"II", 42, 8, 1, 256, 4, 2**32 - 1, 8, 0)
    assert read_directory(block) == {}


@pytest.mark.parametrize("focal", [(0, 1), (5, 0), (0, 0), (2**32 - 1, 1)])
def test_absurd_focal_lengths(focal):
    good = write_exif(ExifFields(focal_mm=5.0))
    bad = good.replace(struct.pack("<II", 5, 1), struct.pack("<II", *focal))
    assert bad != good
    assert read_exif(bad).focal_mm is None
