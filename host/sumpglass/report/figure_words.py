"""Figures of a verdict as a person reads them: named in words, a pressure as a size and a word, never a bare minus."""

from __future__ import annotations

import math

from sumpglass.report.terminal_text import safe
from sumpglass.units import decimals_for, direction_word

NAMES = {
    "leak_mm": "leak, as a bore",
    "leak_mm2": "leak, as an area",
    "net_draw_lpm": "net draw",
    "blow_by_lpm": "blow-by",
    "zero_pa": "zero",
    "noise_pa": "noise",
    "half_time_s": "half time",
    "leak_lpm_at_500pa": "leak at 0.5 kPa",
    "change_pa": "change",
    "firing_hz": "firing",
    "rpm": "speed",
    "half_order_pa": "once-a-cycle",
    "half_order_ratio": "of the pulses",
}
AMPLITUDES = ("noise_pa", "half_order_pa")
"""In pascals, but sizes without a direction."""


def figure_name(name: str) -> str:
    """What a figure is called where a person reads it."""
    return NAMES.get(name, safe(name, 30))


def figure_words(name: str, value: float | None, lo95: float | None, hi95: float | None, unit: str) -> str:
    """Value, unit and interval: "1.31 mm  (1.22 to 1.41)", "vacuum 1950 Pa  (1856 to 2045)"."""
    known = lo95 is not None and hi95 is not None and math.isfinite(hi95 - lo95)
    digits = decimals_for((hi95 - lo95) / 2.0, 3) if known and hi95 != lo95 else 2  # type: ignore[operator]

    def shown(number: float | None) -> str:
        return "?" if number is None else f"{number:.{digits}f}"

    unit = safe(unit, 20)
    bare = lo95 is None and hi95 is None
    if unit != "Pa" or name in AMPLITUDES or value is None:
        return f"{shown(value)} {unit}".rstrip() + ("" if bare else f"  ({shown(lo95)} to {shown(hi95)})")

    def told(number: float, with_unit: bool) -> str:
        size = shown(abs(number)) + (" Pa" if with_unit else "")
        if float(shown(abs(number))) == 0:
            return size
        word = direction_word(number)
        return f"{size} towards {word}" if name == "change_pa" else f"{word} {size}"

    if lo95 is None or hi95 is None:
        ends = "" if bare else "  (one end is not known)"
    elif lo95 * hi95 > 0:
        ends = f"  ({shown(min(abs(lo95), abs(hi95)))} to {shown(max(abs(lo95), abs(hi95)))})"
    else:
        ends = f"  ({told(lo95, False)} to {told(hi95, False)})"
    return told(value, True) + ends
