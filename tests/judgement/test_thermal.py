"""Temperature and gaps; values worked out from coefficients read in J. Res. NIST 99 (1994) 31."""

import pytest

from gapvision.errors import GapvisionError
from gapvision.judgement.thermal import EXPANSION, thermal_change


def test_t_01_coefficients():
    # Source: J. Res. NIST 99 (1994) 31: steel 11.5e-6, aluminium 23.1e-6 per K.
    assert (EXPANSION["steel"].value, EXPANSION["aluminium"].value) == (11.5e-6, 23.1e-6)


def test_t_02_same_metal_same_temperature_is_next_to_nothing():
    # 4 mm of gap, steel in steel, 20 K: 11.5e-6 * 4 * 20 = 0.00092 mm, by hand.
    for length in (400, 1400):
        assert thermal_change(length, 20, gaps_mm=4).total_mm == pytest.approx(0.00092, abs=1e-6)


@pytest.mark.parametrize(
    ("panel", "panel_rise", "body_rise", "expected"),
    [("steel", 15, 0, -0.2415), ("aluminium", 15, 0, -0.4851), ("aluminium", 15, 15, -0.2436)],
)
def test_t_03_1400_mm_panel_15_kelvin(panel, panel_rise, body_rise, expected):
    # By hand: 11.5e-6 * 1400 * 15; 23.1e-6 * 1400 * 15; their difference.
    got = thermal_change(1400, panel_rise, body_rise, panel_metal=panel)
    assert got.total_mm == pytest.approx(expected, abs=1e-6)
    assert got.per_side_mm == pytest.approx(expected / 2, abs=1e-6)


def test_u_by_hand():
    # Panel alone: 10 % and 1 K * sqrt 2, both rectangular, k = 2.
    got = thermal_change(1000, 10, 0)
    part_metal = 0.1 / 3**0.5 * 11.5e-6 * 1000 * 10
    part_reading = (2 / 3) ** 0.5 * 11.5e-6 * 1000 * 2**0.5
    assert got.expanded_u_mm == pytest.approx(2 * (part_metal**2 + part_reading**2) ** 0.5, rel=1e-9)


@pytest.mark.parametrize(
    "bad", [{"panel_length_mm": 1}, {"panel_rise_k": 500}, {"panel_metal": "brass"}, {"gaps_mm": -1}]
)
def test_nonsense_is_refused(bad):
    with pytest.raises(GapvisionError) as caught:
        thermal_change(**{"panel_length_mm": 1000, "panel_rise_k": 5} | bad)
    assert caught.value.code == "value-out-of-range"
