"""Pressure units at the borders; everything inside is in pascals, gauge, vacuum negative.

Conventional water and mercury columns: NIST SP 811 (1000 kg/m3 and 13595.1 kg/m3 at standard gravity 9.80665 m/s2).
"""

from __future__ import annotations

PASCALS_PER_UNIT: dict[str, float] = {
    "Pa": 1.0,
    "kPa": 1000.0,
    "mbar": 100.0,
    "mmH2O": 9.80665,
    "inH2O": 249.08891,
    "inHg": 3386.38864,
    "psi": 6894.757293168,
}
"""Pascals in one of each unit that a screen can show; the order is that in which a key press steps through them."""

COLUMN_UNITS: dict[str, float] = {f"pressure_{name.lower()}": factor for name, factor in PASCALS_PER_UNIT.items()}
"""Names of CSV columns that hold a pressure, with the pascals in one of their unit."""

STANDARD_GRAVITY_M_S2 = 9.80665
STANDARD_ATMOSPHERE_PA = 101325.0
REFERENCE_TEMPERATURE_K = 293.15
ZERO_CELSIUS_K = 273.15


def from_pascals(pressure_pa: float, unit: str) -> float:
    """Value of `pressure_pa` in `unit`, a key of `PASCALS_PER_UNIT`. Raises KeyError for another unit."""
    return pressure_pa / PASCALS_PER_UNIT[unit]


def to_pascals(value: float, unit: str) -> float:
    """Pascals in `value` of `unit`, a key of `PASCALS_PER_UNIT`. Raises KeyError for another unit."""
    return value * PASCALS_PER_UNIT[unit]


def direction_word(pressure_pa: float, uncertainty_pa: float = 0.0) -> str:
    """ "vacuum", "pressure", or "undecided" when the value is no further from zero than its uncertainty."""
    if abs(pressure_pa) <= uncertainty_pa:
        return "undecided"
    return "vacuum" if pressure_pa < 0 else "pressure"


def decimals_for(uncertainty: float, most: int = 3) -> int:
    """Decimals with which to print a figure of this uncertainty: two significant digits of it, at most `most`."""
    import math

    if not uncertainty > 0 or not math.isfinite(uncertainty):
        return most
    return max(0, min(most, 1 - math.floor(math.log10(uncertainty))))


def in_words(pressure_pa: float, unit: str = "kPa", decimals: int | None = None) -> str:
    """A size and a word, never a bare minus sign: "vacuum 0.42 kPa", "pressure 0.10 kPa"."""
    if decimals is None:
        decimals = {"Pa": 0, "kPa": 2, "mbar": 1, "mmH2O": 0, "inH2O": 2, "inHg": 3, "psi": 3}[unit]
    size = f"{abs(from_pascals(pressure_pa, unit)):.{decimals}f}"
    if float(size) == 0:
        return f"{size} {unit}"
    return f"{direction_word(pressure_pa)} {size} {unit}"
