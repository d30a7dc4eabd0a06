"""The sRGB curve against an independent implementation and published pairs."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage import color

from gapvision.intake.light import decode_srgb, encode_srgb, linear_table, to_linear


def test_against_scikit_image():
    """scikit-image's rgb2xyz of a grey: Y is the linear light (its own sRGB decoding)."""
    levels = np.arange(256) / 255
    y = color.rgb2xyz(np.repeat(levels[:, None], 3, axis=1)[None])[0, :, 1]
    assert np.abs(linear_table(256) - y / y[-1]).max() < 1e-6


@pytest.mark.parametrize(
    ("level", "linear"),
    [
        (0, 0.0),
        (1, 0.000303527),
        (10, 0.003035270),
        (11, 0.003346536),
        (128, 0.215860501),
        (188, 0.502886458),
        (255, 1.0),
    ],
)
def test_known_levels(level, linear):
    """8-bit sRGB to linear, as printed in many tables; from memory, recalculated by the formula."""
    assert linear_table(256)[level] == pytest.approx(linear, abs=5e-9, rel=5e-7)


def test_sixteen_bit_table_goes_through_the_eight_bit_one():
    assert np.abs(linear_table(65536)[::257] - linear_table(256)).max() < 1e-7
    assert (np.diff(linear_table(65536)) > 0).all()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("part", [np.s_[:, :], np.s_[3:9, 2:7], np.s_[::2, ::3], np.s_[0], np.s_[:0]])
def test_to_linear_takes_any_part_of_a_photo(dtype, part):
    grey = np.random.default_rng(1).integers(0, np.iinfo(dtype).max + 1, (12, 17)).astype(dtype)
    out = to_linear(grey[part])
    assert out.dtype == np.float32
    assert np.allclose(out, decode_srgb(grey[part] / np.iinfo(dtype).max), atol=1e-6)


@given(st.floats(0, 1))
def test_there_and_back(value):
    assert decode_srgb(encode_srgb(np.array(value))) == pytest.approx(value, abs=1e-6)


def test_wrong_types():
    with pytest.raises(ValueError, match="expected uint8 or uint16, got float64"):
        to_linear(np.zeros((2, 2)))
    with pytest.raises(ValueError, match="levels: expected 256 or 65536"):
        linear_table(1024)
