"""Blow-by in words and as the fields of its JSON object."""

from __future__ import annotations

from typing import Any

from sumpglass.procedures.blow_by_flow import BlowBy
from sumpglass.units import decimals_for

_VERDICTS = {
    "within": "Within the usual range.",
    "above": "Above the usual range: measure again warm, then look for the cylinder with the pulse balance.",
    "below": "Below the usual range: either a tight engine, or gas that leaves by a leak past the opening.",
    "undecided": "Undecided against the usual range: the interval crosses its end.",
}


def blow_by_fields(result: BlowBy) -> dict[str, Any]:
    """Fields of `sumpglass/blow-by/1`."""
    low, high = result.expected_lpm or (None, None)
    return {
        "blow_by_lpm": result.blow_by_lpm,
        "lo95": result.lo95,
        "hi95": result.hi95,
        "gas_c": result.gas_c,
        "discharge_coefficient": result.discharge_coefficient,
        "usual_lo_lpm": low,
        "usual_hi_lpm": high,
        "verdict": result.verdict or None,
        "warnings": list(result.warnings),
    }


def blow_by_text(result: BlowBy) -> str:
    """The same for a person."""
    digits = decimals_for((result.hi95 - result.lo95) / 2.0, 2)
    lines = [
        f"Blow-by: {result.blow_by_lpm:.{digits}f} L/min ({result.lo95:.{digits}f} to {result.hi95:.{digits}f}) "
        "of air at 20 degC and 101325 Pa."
    ]
    if result.verdict:
        lines.append(_VERDICTS[result.verdict])
    return "\n".join([*lines, *(f"Note: {w}" for w in result.warnings)])
