"""What happened, in the trade's words: one sentence a happening, with sizes before and after."""

from __future__ import annotations

from sumpglass.records import Happening
from sumpglass.units import in_words

_KIND = {
    "sudden_loss": "Vacuum lost",
    "recovery": "Vacuum back",
    "rig_fault": "Rig fault",
}
_CAUSE = {
    "opening": "an opening. The engine kept running.",
    "closing": "an opening was closed.",
    "suction_lost": "the suction went, the engine kept running.",
    "suction_back": "the suction came back.",
    "blow_by_rise": "more blow-by than before.",
    "engine_stop": "the engine stopped.",
    "engine_start": "the engine started.",
    "speed_change": "the engine changed speed.",
    "tap_off": "the gauge hose came off. Push it on again.",
    "line_blocked": "the gauge line is blocked. Blow out the hose.",
    "sensor_fault": "the sensor failed. Check its plug.",
    "out_of_range": "deeper than the sensor reads.",
    "unknown": "cause not clear yet.",
}
SURE = 0.8
"""A cause less probable than this is told as likely, not as known."""


def clock(seconds: float) -> str:
    """Time in the recording as minutes and seconds: 0:31, 12:05, 1:02:05."""
    total = max(0, int(seconds))
    hours, rest = divmod(total, 3600)
    minutes, second = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{second:02d}" if hours else f"{minutes}:{second:02d}"


def ago(seconds: float) -> str:
    """How long since, in words that do not change faster than a person reads."""
    if seconds < 1:
        return "just now"
    if seconds < 120:
        return f"{int(seconds)} s ago"
    return f"{int(seconds // 60)} min ago"


def sentence(happening: Happening, now_s: float) -> str:
    """With its age: "Vacuum lost 12 s ago: an opening. The engine kept running."."""
    return f"{_what(happening)} {ago(now_s - happening.t_s)}: {_why(happening)}"


def what_happened(happening: Happening) -> str:
    """Without: "Vacuum lost: an opening. The engine kept running."."""
    return f"{_what(happening)}: {_why(happening)}"


def _what(happening: Happening) -> str:
    if happening.kind != "sign_reversal":
        return _KIND.get(happening.kind, "")
    after = happening.after_pa
    return "Crossed zero" if after is None else "Turned to pressure" if after > 0 else "Turned to vacuum"


def _why(happening: Happening) -> str:
    if happening.cause == "out_of_range" and happening.after_pa is not None and happening.after_pa > 0:
        cause = "more pressure than the sensor reads."
    else:
        cause = _CAUSE.get(happening.cause, _CAUSE["unknown"])
    if happening.cause != "unknown" and happening.p_cause < SURE:
        return f"likely {cause}"
    return cause


def sizes(happening: Happening, unit: str) -> str:
    """Before and after: "vacuum 0.64 → 0.04 kPa", "vacuum 0.20 → pressure 0.04 kPa", or what is known of it."""
    before = "?" if happening.before_pa is None else in_words(happening.before_pa, unit)
    after = "?" if happening.after_pa is None else in_words(happening.after_pa, unit)
    if happening.before_pa is None or happening.after_pa is None:
        return f"{before} → {after}"
    word = before.split(" ")[0]
    return f"{before.removesuffix(' ' + unit)} → {after.removeprefix(word + ' ')}"
