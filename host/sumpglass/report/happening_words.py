"""Happenings in the trade's words, for text, screen and pages."""

from __future__ import annotations

from sumpglass.records import Happening
from sumpglass.units import in_words

KIND_WORDS = {
    "sudden_loss": "Vacuum lost",
    "recovery": "Vacuum back",
    "sign_reversal": "Crossed zero",
    "rig_fault": "Rig fault",
}
CAUSE_WORDS = {
    "opening": "an opening, the engine kept running",
    "closing": "the opening was stopped",
    "suction_lost": "the suction is lost",
    "suction_back": "the suction is back",
    "blow_by_rise": "more blow-by than the suction carries",
    "engine_stop": "the engine stopped",
    "engine_start": "the engine started",
    "speed_change": "the engine changed speed",
    "tap_off": "the gauge hose came off",
    "line_blocked": "the gauge line is blocked",
    "sensor_fault": "the sensor failed",
    "out_of_range": "beyond the sensor's range",
    "unknown": "cause not told",
}


def clock(t_s: float) -> str:
    """Minutes and seconds: 31.2 is "0:31.2"."""
    minutes = int(t_s // 60)
    return f"{minutes}:{t_s - 60 * minutes:04.1f}"


def sentence(happening: Happening, unit: str = "kPa") -> str:
    """One line: what happened when, its sizes, why and how sure."""
    kind = KIND_WORDS[happening.kind]
    if happening.kind == "sign_reversal" and happening.after_pa is not None:
        kind = "Vacuum turned to pressure" if happening.after_pa > 0 else "Pressure turned to vacuum"
    sizes = ""
    if happening.before_pa is not None and happening.after_pa is not None:
        sizes = f", {in_words(happening.before_pa, unit)} to {in_words(happening.after_pa, unit)}"
    return f"{kind} at {clock(happening.t_s)}{sizes}: {CAUSE_WORDS[happening.cause]} ({happening.p_cause:.0%})"
