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
    "sensor_fault": "the sensor failed, or readings are missing",
    "out_of_range": "beyond the sensor's range",
    "unknown": "cause not told",
}


def clock(t_s: float) -> str:
    """Minutes and seconds: 31.2 is "0:31.2"."""
    minutes = int(t_s // 60)
    return f"{minutes}:{t_s - 60 * minutes:04.1f}"


def length_words(duration_s: float) -> str:
    """How long a recording is: "29.8 s", "1 min 31.9 s"."""
    minutes, seconds = divmod(round(duration_s, 1), 60.0)
    return f"{minutes:.0f} min {seconds:.1f} s" if minutes else f"{seconds:.1f} s"


def counted(number: int, what: str) -> str:
    """ "1 sample", "3 samples"."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def percent(p: float) -> str:
    """A probability in per cent, never 0 % or 100 %, which nothing here can show."""
    if p < 0.01:
        return "<1 %"
    return ">99 %" if p > 0.99 else f"{100 * p:.0f} %"


def sentence(happening: Happening, unit: str = "kPa") -> str:
    """One line: what happened when, its sizes, why and how sure."""
    kind = KIND_WORDS[happening.kind]
    if happening.kind == "sign_reversal" and happening.after_pa is not None:
        kind = "Vacuum turned to pressure" if happening.after_pa > 0 else "Pressure turned to vacuum"
    sizes = ""
    if happening.before_pa is not None and happening.after_pa is not None:
        before, after = in_words(happening.before_pa, unit), in_words(happening.after_pa, unit)
        sizes = f", {before} to {after}" if before != after else f", {before}"
    return f"{kind} at {clock(happening.t_s)}{sizes}: {CAUSE_WORDS[happening.cause]} ({percent(happening.p_cause)})"
