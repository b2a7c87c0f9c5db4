"""A hold test in words and as the fields of its JSON object."""

from __future__ import annotations

import dataclasses
from typing import Any

from sumpglass.procedures.hold_result import Hold
from sumpglass.report.terminal_text import safe
from sumpglass.units import decimals_for, in_words

_LAWS = {
    "orifice": "an opening (the square root of the vacuum falls linearly)",
    "laminar": "a fine crack or a capillary (the vacuum falls exponentially)",
    "mixed": "something between an opening and a capillary",
}


def hold_fields(result: Hold) -> dict[str, Any]:
    """Fields of `sumpglass/hold/1`."""
    fields = dataclasses.asdict(result)
    del fields["rate_lo95"], fields["rate_hi95"]
    fields["warnings"] = list(result.warnings)
    return fields


def hold_text(result: Hold) -> str:
    """The same for a person."""
    holds = result.half_time_s is None
    what = "it holds, no fall beyond chance" if holds else f"the leak behaves like {_LAWS[result.model]}"
    lines = [f"Hold from {in_words(-result.start_pa)}: {what}."]
    if result.exponent is not None and result.exponent_lo95 is not None and result.exponent_hi95 is not None:
        lines.append(
            f"Exponent {result.exponent:.2f} (the data allow {result.exponent_lo95:.2f} to {result.exponent_hi95:.2f})."
        )
    if result.half_time_s is not None and result.half_time_lo95_s is not None:
        far = result.half_time_hi95_s if result.half_time_hi95_s is not None else 2.0 * result.half_time_s
        digits = decimals_for((far - result.half_time_lo95_s) / 2.0, 2)
        lines.append(f"Half of the vacuum is lost in {result.half_time_s:.{digits}f} s.")
    if result.leak_lpm_at_500pa is not None and result.leak_lo95 is not None and result.leak_hi95 is not None:
        digits = max(2, decimals_for((result.leak_hi95 - result.leak_lo95) / 2.0, 6))
        lines.append(
            f"Leak at 0.50 kPa: {result.leak_lpm_at_500pa:.{digits}f} L/min "
            f"({result.leak_lo95:.{digits}f} to {result.leak_hi95:.{digits}f})"
            + (
                f"; if no heat reached the gas, {result.leak_adiabatic_lpm_at_500pa:.{digits}f}."
                if result.leak_adiabatic_lpm_at_500pa is not None
                else "."
            )
        )
    if (
        result.equivalent_mm is not None
        and result.equivalent_lo95_mm is not None
        and result.equivalent_hi95_mm is not None
    ):
        digits = max(2, decimals_for((result.equivalent_hi95_mm - result.equivalent_lo95_mm) / 2.0, 2))
        lines.append(
            f"It leaks like a hole of {result.equivalent_mm:.{digits}f} mm "
            f"({result.equivalent_lo95_mm:.{digits}f} to {result.equivalent_hi95_mm:.{digits}f})."
        )
    lines.append("It does not say where the leak is, nor what leaks only when the engine runs.")
    return "\n".join([*lines, *(f"Note: {safe(w, 400)}" for w in result.warnings)])
