"""How much a difference in temperature changes a gap.

A gap is what a panel leaves of its opening.  Both grow with heat: the opening
with the body's metal, the panel with its own.  With the same metal at the same
temperature only the gap itself scales, which is next to nothing; a panel in the
sun, or an aluminium panel in a steel body, is another matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gapvision.errors import require
from gapvision.limits import Limit

#: Lengths are stated at this temperature (ISO 1; read in J. Res. NIST 99 (1994) 31) [degree Celsius].
REFERENCE_C = Limit(20.0, "degC", "J. Res. NIST 99 (1994) 31: reference temperature for dimensions", "read")
EXPANSION = {
    "steel": Limit(11.5e-6, "1/K", "J. Res. NIST 99 (1994) 31", "read"),
    "aluminium": Limit(23.1e-6, "1/K", "J. Res. NIST 99 (1994) 31", "read"),
}
#: Other tables give steel 11 to 13 and aluminium 23 to 24 (1e-6/K): half-width, as a share.
EXPANSION_HALF_WIDTH = Limit(0.10, "1", "spread of published tables, half-width", "read")
#: A contact thermometer on a workshop panel [K], half-width.
TEMPERATURE_HALF_WIDTH_K = Limit(1.0, "K", "cheap contact thermometer", "common practice")


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalChange:
    """Change of the room round a panel between two temperatures.

    Attributes
    ----------
    total_mm : float
        Of both gaps of the panel together; positive: more room [mm].
    per_side_mm : float
        Half of it, for a panel that stays in the middle [mm].
    expanded_u_mm : float
        U of ``total_mm``, k = 2 [mm].
    """

    total_mm: float
    per_side_mm: float
    expanded_u_mm: float


def thermal_change(
    panel_length_mm: float,
    panel_rise_k: float,
    body_rise_k: float | None = None,
    *,
    panel_metal: str = "steel",
    body_metal: str = "steel",
    gaps_mm: float = 0.0,
) -> ThermalChange:
    """Work out how the room round a panel changes with temperature.

    Parameters
    ----------
    panel_length_mm : float
        Length of the panel across its gaps [mm].
    panel_rise_k, body_rise_k : float
        How much warmer panel and body are at the second visit [K]; one given serves for both.
    panel_metal, body_metal : str
        ``steel`` or ``aluminium``.
    gaps_mm : float
        Both gaps together at the first visit [mm].

    Returns
    -------
    ThermalChange

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` for a length or temperature that makes no sense.

    Notes
    -----
    ``change = a_body * (L + gaps) * rise_body - a_panel * L * rise_panel``.
    Expansion coefficients and temperatures enter U as rectangular distributions.
    """
    body = panel_rise_k if body_rise_k is None else body_rise_k
    sense = 50 <= panel_length_mm <= 5000 and max(abs(panel_rise_k), abs(body)) <= 120 and 0 <= gaps_mm <= 100
    require("value-out-of-range", sense, "A length or temperature is outside what makes sense for a panel.")
    for metal in (panel_metal, body_metal):
        known = metal in EXPANSION
        require("value-out-of-range", known, f"'{metal}' is no metal known here.", "Use steel or aluminium.")
    a_panel, a_body = EXPANSION[panel_metal].value, EXPANSION[body_metal].value
    of_body, of_panel = a_body * (panel_length_mm + gaps_mm), a_panel * panel_length_mm
    total = of_body * body - of_panel * panel_rise_k
    spread = EXPANSION_HALF_WIDTH.value / math.sqrt(3)
    # One body of data for one metal: its error is shared by panel and body.
    shared = panel_metal == body_metal
    from_metal = spread * (total if shared else math.hypot(of_body * body, of_panel * panel_rise_k))
    reading = TEMPERATURE_HALF_WIDTH_K.value * math.sqrt(2) / math.sqrt(3)  # read at both visits
    from_reading = reading * (of_body - of_panel if body_rise_k is None else math.hypot(of_body, of_panel))
    u = 2 * math.hypot(from_metal, from_reading)
    return ThermalChange(total_mm=total, per_side_mm=total / 2, expanded_u_mm=u)
