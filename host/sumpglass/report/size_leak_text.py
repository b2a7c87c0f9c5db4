"""A leak size in words and as the fields of its JSON object."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sumpglass.procedures.leak_size import LeakSize
from sumpglass.procedures.openings import Reading
from sumpglass.report.terminal_text import safe
from sumpglass.units import decimals_for, in_words


def leak_size_fields(result: LeakSize, readings: Sequence[Reading], warnings: Sequence[str]) -> dict[str, Any]:
    """Fields of `sumpglass/leak-size/1`."""
    return {
        "leak": {
            name: getattr(result, name)
            for name in ("equivalent_mm", "lo95_mm", "hi95_mm", "area_mm2", "lo95_mm2", "hi95_mm2")
        },
        "net_draw_lpm": result.net_draw_lpm,
        "net_draw_lo95": result.net_draw_lo95,
        "net_draw_hi95": result.net_draw_hi95,
        "net_draw_at_cd_lo95": result.net_draw_at_cd_lo95,
        "net_draw_at_cd_hi95": result.net_draw_at_cd_hi95,
        "fit": {
            "points": result.points,
            "chi2": result.chi2,
            "p_value": result.p_value,
            "bent": result.bent,
            "bend_chance": result.bend_chance,
            "source": result.source,
            "source_ends_at_pa": result.source_ends_at_pa,
        },
        "readings": [
            {
                "opening_mm": r.opening_mm,
                "pressure_pa": None if r.vacuum_pa is None else -r.vacuum_pa,
                "u95_pa": 1.96 * r.u_pa,
                "deeper_than_pa": None if r.deeper_than_pa is None else -r.deeper_than_pa,
                "ac_rms_pa": float((r.shape_pa**2).mean() ** 0.5),
            }
            for r in readings
        ],
        "next_opening_mm": result.next_opening_mm,
        "warnings": [*warnings, *result.warnings],
    }


def leak_size_text(result: LeakSize, readings: Sequence[Reading], warnings: Sequence[str]) -> str:
    """The same for a person."""
    lines = ["Readings with known openings:"]
    for r in readings:
        opening = "closed" if r.opening_mm == 0 else f"{r.opening_mm:g} mm"
        if r.vacuum_pa is None:
            level = f"deeper than {in_words(-(r.deeper_than_pa or 0.0))}"
        else:
            level = f"{in_words(-r.vacuum_pa)} ± {1.96 * r.u_pa / 1000:.3f}"
        lines.append(f"  {opening:>8}  {level}")
    lines.append("")
    lines.append(_leak_line(result))
    lines.append(_draw_line(result))
    if result.chi2 is not None:
        lines.append(
            f"Fit: {result.points} readings, chi-square {result.chi2:.1f}"
            + (f", p {result.p_value:.2f}" if result.p_value is not None else "")
            + (", the line bends." if result.bent else ", straight." if result.bent is False else ".")
        )
    if result.next_opening_mm is not None:
        lines.append(f"Next opening for the tightest interval: {result.next_opening_mm:g} mm.")
    lines.append("It does not say where the leak is.")
    lines += [f"Note: {safe(w, 400)}" for w in (*warnings, *result.warnings)]
    return "\n".join(lines)


def _leak_line(result: LeakSize) -> str:
    if result.equivalent_mm is None or result.lo95_mm is None:
        return "Leak: not known."
    if result.hi95_mm is None:
        return f"Leak: like a hole of {result.equivalent_mm:.1f} mm or more; at least {result.lo95_mm:.1f} mm."
    digits = max(1, decimals_for((result.hi95_mm - result.lo95_mm) / 2.0))
    if result.lo95_mm <= 0:
        return f"Leak: cannot be told from none; at most like a hole of {result.hi95_mm:.{digits}f} mm."
    return (
        f"Leak: like a hole of {result.equivalent_mm:.{digits}f} mm "
        f"({result.lo95_mm:.{digits}f} to {result.hi95_mm:.{digits}f}), {result.area_mm2:.{digits}f} mm2."
    )


def _draw_line(result: LeakSize) -> str:
    if result.net_draw_lpm is None or result.net_draw_lo95 is None or result.net_draw_hi95 is None:
        return "Net draw: not known."
    digits = decimals_for((result.net_draw_hi95 - result.net_draw_lo95) / 2.0, 2)
    text = (
        f"Net draw: {result.net_draw_lpm:.{digits}f} L/min "
        f"({result.net_draw_lo95:.{digits}f} to {result.net_draw_hi95:.{digits}f})"
    )
    if result.net_draw_at_cd_lo95 is not None and result.net_draw_at_cd_hi95 is not None:
        text += (
            f"; if the openings' discharge coefficient were known, {result.net_draw_at_cd_lo95:.{digits}f} "
            f"to {result.net_draw_at_cd_hi95:.{digits}f}"
        )
    return text + "."
