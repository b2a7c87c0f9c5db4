"""An assessment as text for a person."""

from __future__ import annotations

from typing import Any

from sumpglass.report.happening_words import clock, counted, length_words, sentence
from sumpglass.report.terminal_text import as_sentence, safe
from sumpglass.units import decimals_for, in_words

STATE_WORDS = {"vacuum": "VACUUM", "pressure": "PRESSURE", "undecided": "UNDECIDED", "no_reading": "NO READING"}
MOST_STRETCHES = 40


def assess_text(assessment: Any, name: str) -> str:
    """Lines for a terminal; `assessment` is `sumpglass.workflows.assess.Assessment`."""
    a = assessment
    facts = a.recording
    rate = "rate unknown" if facts.rate_hz is None else f"{facts.rate_hz:g} Hz"
    lines = [f"{safe(name)}: {length_words(facts.duration_s)}, {counted(facts.samples, 'sample')}, {rate}"]
    lines.append("Level     " + _level(a.level))
    lines.append("Engine    " + _pulses(a.pulses))
    lines.append("")
    lines.append("Happenings" if a.happenings else "Nothing sudden happened.")
    lines += [f"  {sentence(h)}" for h in a.happenings]
    if a.stretches:
        lines += ["", "Settled stretches"]
        lines += [f"  {_stretch(s)}" for s in a.stretches[:MOST_STRETCHES]]
        if len(a.stretches) > MOST_STRETCHES:
            lines.append(f"  and {len(a.stretches) - MOST_STRETCHES} more")
    if a.warnings:
        lines += ["", "Beware"]
        lines += [f"  - {as_sentence(safe(warning, 400))}" for warning in a.warnings]
    return "\n".join(lines)


def _level(level: Any) -> str:
    if level.mean_pa is None:
        return STATE_WORDS[level.state]
    if level.u95_pa is None:
        return f"{STATE_WORDS[level.state]}  {in_words(level.mean_pa, 'Pa')}, interval not known"
    decimals = min(1, decimals_for(level.u95_pa))
    return (
        f"{STATE_WORDS[level.state]}  {in_words(level.mean_pa, 'Pa', decimals)}, "
        f"\N{PLUS-MINUS SIGN} {level.u95_pa:.{decimals}f} Pa with 95 % chance"
    )


def _pulses(pulses: Any) -> str:
    if pulses.firing_hz is None:
        return "no pulses"
    told = f"firing {pulses.firing_hz:.2f} Hz"
    if pulses.rpm is not None:
        told += f", {pulses.rpm:.0f} rpm"
        if pulses.rpm_u95 is not None:
            told += f" \N{PLUS-MINUS SIGN} {pulses.rpm_u95:.1f}"
    if pulses.half_order_pa is not None and pulses.half_order_ratio is not None:
        told += f"; half order {pulses.half_order_pa:.1f} Pa, {100 * pulses.half_order_ratio:.0f} % of the pulses"
    if pulses.uneven is not None:
        told += ": UNEVEN, one cylinder differs from its neighbours" if pulses.uneven else ": even"
    return told


def _stretch(stretch: Any) -> str:
    level = in_words(stretch.mean_pa, "Pa")
    told = f"{clock(stretch.t0_s)} to {clock(stretch.t1_s)}  {level:>18}, engine {stretch.engine}"
    if stretch.rpm is not None:
        told += f" at {stretch.rpm:.0f} rpm"
    elif stretch.firing_hz is not None:
        told += f", firing {stretch.firing_hz:.1f} Hz"
    return told
