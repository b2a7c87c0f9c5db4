"""Acceptance, calibration and zero of a rig as text for a terminal."""

from __future__ import annotations

import math
from typing import Any

from sumpglass.analysis.acceptance import FAILED, PASSED, Check
from sumpglass.analysis.calibration import Calibration
from sumpglass.analysis.zero import ZeroTaken
from sumpglass.report.terminal_text import as_sentence, safe
from sumpglass.units import decimals_for

SIGNS = {PASSED: "ok  ", FAILED: "FAIL"}


def checks_text(checks: tuple[Check, ...]) -> str:
    """One line a check; below those that did not pass, limit and reason."""
    lines = []
    for check in checks:
        lines.append(f"{SIGNS.get(check.outcome, ' ?  ')}  {check.name}: {safe(check.measured)}")
        if check.outcome != PASSED:
            lines.append(f"      limit: {check.limit}. {check.reason[:1].upper()}{check.reason[1:]}.")
    return "\n".join(lines) + "\n"


def acceptance_sentence(checks: tuple[Check, ...]) -> str:
    """Whether the rig is accepted, which checks failed, and which could not be decided."""
    failed = [check.name for check in checks if check.outcome == FAILED]
    unknown = [check.name for check in checks if check.outcome not in (PASSED, FAILED)]
    verdict = f"Not accepted: {', '.join(failed)}." if failed else "Accepted: no check failed."
    return verdict + (f" Not known: {', '.join(unknown)}." if unknown else "")


def calibration_text(calibration: Calibration) -> str:
    """Line, its interval, and each point with its residual."""
    u_gain = calibration.coverage * math.sqrt(calibration.covariance[1][1])
    u_offset = calibration.coverage * math.sqrt(calibration.covariance[0][0])
    digits = decimals_for(u_gain, 6)
    lines = [
        f"true pressure = {calibration.gain:.{digits}f} (± {u_gain:.{digits}f}) x shown "
        f"{'+' if calibration.offset_pa >= 0 else '-'} {abs(calibration.offset_pa):.1f} (± {u_offset:.1f}) Pa",
        f"{'column mm':>10} {'shown Pa':>10} {'off the line Pa':>16}",
    ]
    for point, residual in zip(calibration.points, calibration.residuals_pa):
        lines.append(f"{point.reading_mm:>10.1f} {point.indicated_pa:>10.1f} {residual:>+16.1f}")
    if calibration.p_value is not None:
        lines.append(
            f"fit: chi2 {calibration.chi2:.2f} with {calibration.degrees} degrees of freedom, "
            f"p {calibration.p_value:.2f}"
        )
    lines += [f"Note: {as_sentence(safe(warning, 400))}" for warning in calibration.warnings]
    return "\n".join(lines) + "\n"


def calibration_json(calibration: Calibration, number: int | None) -> dict[str, Any]:
    """Fields of `sumpglass/rig-calibration/1`."""
    return {
        "number": number,
        "board_id": calibration.rig,
        "channel": calibration.channel,
        "part": calibration.part,
        "date": calibration.date,
        "gain": calibration.gain,
        "gain_u95": calibration.coverage * math.sqrt(calibration.covariance[1][1]),
        "offset_pa": calibration.offset_pa,
        "offset_u95_pa": calibration.coverage * math.sqrt(calibration.covariance[0][0]),
        "covariance": calibration.covariance,
        "low_pa": calibration.low_pa,
        "high_pa": calibration.high_pa,
        "fit": {"points": len(calibration.points), "chi2": calibration.chi2, "p_value": calibration.p_value},
        "points": [
            {"reading_mm": p.reading_mm, "shown_pa": p.indicated_pa, "u_pa": p.u_indicated_pa, "residual_pa": r}
            for p, r in zip(calibration.points, calibration.residuals_pa)
        ],
        "warnings": list(calibration.warnings),
    }


def zero_text(taken: ZeroTaken) -> str:
    """One sentence."""
    zero = taken.zero
    digits = decimals_for(zero.u95_pa)
    word = "vacuum" if zero.pressure_pa < 0 else "pressure"
    return (
        f"Open to the room the rig shows {word} {abs(zero.pressure_pa):.{digits}f} Pa ± {zero.u95_pa:.{digits}f} Pa "
        f"(noise {taken.rest.noise_pa:.2g} Pa a sample, {taken.duration_s:.1f} s)\n"
    )
