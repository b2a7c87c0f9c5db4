"""What happened, in the trade's words: one sentence a happening, with sizes before and after."""

from __future__ import annotations

from sumpglass.records import Happening
from sumpglass.report.happening_words import CAUSE_WORDS, KIND_WORDS
from sumpglass.units import in_words

ADVICE = {
    "tap_off": "Push it on again.",
    "line_blocked": "Blow the hose out.",
    "sensor_fault": "Check its plug and supply.",
    "out_of_range": "Fit a wider sensor or a snubber.",
}
"""What to do about a fault of the rig; a fault of the engine is for the tests to find."""
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
    """What happened, how long ago and why: "Vacuum lost 12 s ago: an opening, the engine kept running."."""
    what = KIND_WORDS[happening.kind]
    if happening.kind == "sign_reversal" and happening.after_pa is not None:
        what = "Vacuum turned to pressure" if happening.after_pa > 0 else "Pressure turned to vacuum"
    cause = CAUSE_WORDS[happening.cause]
    if happening.cause != "unknown" and happening.p_cause < SURE:
        cause = f"likely {cause}"
    advice = f" {ADVICE[happening.cause]}" if happening.cause in ADVICE else ""
    return f"{what} {ago(now_s - happening.t_s)}: {cause}.{advice}"


def sizes(happening: Happening, unit: str) -> str:
    """Before and after: "vacuum 0.64 → 0.04 kPa", "vacuum 0.20 → pressure 0.04 kPa", or what is known of it."""
    before = "?" if happening.before_pa is None else in_words(happening.before_pa, unit)
    after = "?" if happening.after_pa is None else in_words(happening.after_pa, unit)
    if happening.before_pa is None or happening.after_pa is None:
        return f"{before} → {after}"
    word = before.split(" ")[0]
    return f"{before.removesuffix(' ' + unit)} → {after.removeprefix(word + ' ')}"
