"""What the large level says: a size, a word that is never left out, and its interval. No screen library here."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sumpglass.units import from_pascals
from sumpglass.workflows.live import Reading

OLD_AFTER_S = 0.5
"""A reading older than this is never shown as live."""
_MOST_DECIMALS = {"Pa": 0, "kPa": 3, "mbar": 2, "mmH2O": 1, "inH2O": 2, "inHg": 3, "psi": 4}
_RESERVED = {
    "Pa": "0000",
    "kPa": "0.00",
    "mbar": "00.0",
    "mmH2O": "000",
    "inH2O": "0.00",
    "inHg": "0.00",
    "psi": "0.00",
}


@dataclass(frozen=True)
class LevelView:
    """What to draw. `tone` is "vacuum", "pressure", "undecided" or "stale"; `number` may be empty."""

    number: str
    unit: str
    word: str
    note: str
    tone: str
    reserved: str = "0.00"


def decimals_shown(u95: float, unit: str, before: int | None) -> int:
    """Decimals that an interval of this half-width allows; sticks to `before` near a change so that digits stay put."""
    most = _MOST_DECIMALS[unit]
    if not u95 > 0 or not math.isfinite(u95):
        return most if before is None else before
    exact = -math.log10(u95)
    if before is not None and before - 0.25 <= exact < before + 1.25:
        return before
    return max(0, min(most, math.floor(exact) + (1 if exact % 1 > 0.001 else 0)))


def level_view(reading: Reading, unit: str, decimals: int) -> LevelView:
    """The size, word and small print for a reading."""
    reserved = _RESERVED[unit]
    number, interval = _figures(reading, unit, decimals)
    if not reading.connected:
        return LevelView("", unit, "NO RIG", "the port is gone: plug the rig in again", "stale", reserved)
    if reading.age_s is None:
        return LevelView("", unit, "WAITING", "no reading yet", "stale", reserved)
    if reading.age_s > OLD_AFTER_S:
        return LevelView(number, unit, "OLD", f"last reading {_age(reading.age_s)} old", "stale", reserved)
    if reading.sensor_fault:
        return LevelView("", unit, "NO READING", reading.sensor_fault, "stale", reserved)
    if reading.level_pa is None or reading.state == "no_reading":
        return LevelView("", unit, "NO READING", "the sensor gives no reading", "stale", reserved)
    if reading.clipped:
        side = "vacuum deeper" if reading.level_pa < 0 else "pressure more"
        tone = "vacuum" if reading.level_pa < 0 else "pressure"
        return LevelView(f">{number}", unit, "CLIPPED", f"{side} than the sensor reads", tone, reserved)
    if reading.state == "undecided":
        return LevelView(number, unit, "UNDECIDED", interval, "undecided", reserved)
    return LevelView(number, unit, reading.state.upper(), interval, reading.state, reserved)


def _figures(reading: Reading, unit: str, decimals: int) -> tuple[str, str]:
    if reading.level_pa is None:
        return "", ""
    value = from_pascals(reading.level_pa, unit)
    number = f"{abs(value):.{decimals}f}"
    if reading.u95_pa is None:
        return number, "interval not known yet"
    half = from_pascals(reading.u95_pa, unit)
    # One digit more than the large figure, so that the interval is not rounded to nothing.
    places = min(decimals + 1, 4)
    low, high = sorted((abs(value) - half, abs(value) + half))
    if low < 0:
        return number, f"{_side(value - half, places)} to {_side(value + half, places)} {unit}, 95 %"
    return number, f"{low:.{places}f} to {high:.{places}f} {unit}, 95 %"


def _side(value: float, places: int) -> str:
    size = f"{abs(value):.{places}f}"
    return f"{'vacuum' if value < 0 else 'pressure'} {size}"


def _age(seconds: float) -> str:
    if seconds < 10:
        return f"{seconds:.1f} s"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
