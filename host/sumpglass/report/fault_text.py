"""A finding for a person: the ranking, what moved it, how well it fits, and the next test with its reason."""

from __future__ import annotations

import numpy as np

from sumpglass.faults.finding import Finding
from sumpglass.faults.layout import Layout
from sumpglass.faults.reading import Reading
from sumpglass.faults.verdict import Shift, Split
from sumpglass.procedures.trade_test import CAUTIONS, SEARCH_CAUTIONS
from sumpglass.report.happening_words import percent
from sumpglass.report.terminal_text import as_sentence, safe
from sumpglass.units import in_words

SHOWN_FAULTS = 6


def fault_text(finding: Finding) -> str:
    """The finding as text, lines ending with a newline."""
    lines = [f"Layout: {safe(finding.layout.title)}", ""]
    if finding.shifts:
        lines += ["What each reading said:"]
        lines += [f"  {line}" for shift in finding.shifts for line in shift_lines(finding.layout, shift)]
        lines += [""]
    lines += ["Faults, most likely first:" if finding.shifts else "Faults before any reading:"]
    lines += [f"  {line}" for line in ranking_lines(finding)]
    lines += ["", verdict_sentence(finding)]
    lines += next_lines(finding)
    lines += [f"Note: {as_sentence(safe(warning, 500))}" for warning in finding.warnings]
    if finding.next is not None:  # somebody goes to a running engine now
        lines += ["", "Cautions:", *(f"  - {CAUTIONS[name]}" for name in SEARCH_CAUTIONS)]
    return "\n".join(lines) + "\n"


def ranking_lines(finding: Finding, most: int = SHOWN_FAULTS) -> list[str]:
    """A bar, a percentage and a label for each leading fault."""
    labels = {fault.id: safe(fault.label) for fault in finding.layout.faults}
    shown = [(name, p) for name, p in finding.ranking[:most] if p >= 0.005]
    lines = [f"{percent(p):>6}  {bar(p)}  {labels[name]}" for name, p in shown]
    rest = 1.0 - sum(p for _, p in shown)
    others = len(finding.ranking) - len(shown)
    return lines + ([f"{percent(rest):>6}  {bar(rest)}  the other {others} together"] if others else [])


def bar(p: float, width: int = 20) -> str:
    """A bar of `width` cells."""
    full = round(p * width)
    return "█" * full + "·" * (width - full)


def reading_words(reading: Reading) -> str:
    """The reading as a size and a word."""
    if reading.pressure_pa is not None:
        u95 = "" if reading.u95_pa is None else f" ± {reading.u95_pa / 1000:.2f} kPa"
        return in_words(reading.pressure_pa) + u95
    side = "deeper than" if reading.censored < 0 else "above"
    return f"{side} {in_words(reading.level_pa)}"


def shift_lines(layout: Layout, shift: Shift, most: int = 3) -> list[str]:
    """Which faults one reading moved, and how much: the largest changes of probability first."""
    moved = shift.after - shift.before
    order = [int(f) for f in np.argsort(-np.abs(moved)) if abs(moved[f]) >= 0.01][:most]
    head = f"{safe(layout.test(shift.reading.test).label)}: {reading_words(shift.reading)}"
    if not order:
        return [head, "    moved nothing"]
    changes = [f"{safe(layout.faults[f].label)} {percent(shift.before[f])} -> {percent(shift.after[f])}" for f in order]
    return [head, *(f"    {change}" for change in changes)]


def verdict_sentence(finding: Finding) -> str:
    """The state of the search in one sentence."""
    labels = {fault.id: safe(fault.label) for fault in finding.layout.faults}
    first, p = finding.ranking[0]
    if finding.unexplained:
        return "UNEXPLAINED: no fault of this layout explains the readings."
    if not finding.settled:
        return "Not settled."
    if p >= 0.95:
        return f"SETTLED: {labels[first]} ({percent(p)})."
    return f"As far as the tests go: {labels[first]} ({percent(p)})."


def next_lines(finding: Finding) -> list[str]:
    """The next test, what it costs and why, or nothing."""
    if finding.next is None:
        return []
    test = finding.next.test
    lines = [
        f"Next: {safe(test.label)} ({safe(test.id)}), {test.minutes:g} min, {finding.next.gain_bits:.2f} bits expected."
    ]
    return [*lines, f"Why: {why_sentence(finding.layout, finding.split)}"]


def why_sentence(layout: Layout, split: Split | None) -> str:
    """What the test would tell apart, in one sentence."""
    if split is None:
        return "of the tests left it tells most about the suspects for its minutes."
    level = in_words(split.at_pa)
    if abs(split.at_pa) < 15.0:
        low, high = "any vacuum", "none"
    elif split.at_pa < 0:
        low, high = f"a vacuum deeper than {level.removeprefix('vacuum ')}", "less, or pressure,"
    else:
        low, high = f"less than {level}", "more"
    below, above = _named(layout, split.below), _named(layout, split.above)
    return f"it splits the suspects: {low} speaks for {below}; {high} for {above}."


def _named(layout: Layout, faults: tuple[int, ...], most: int = 3) -> str:
    names = [safe(layout.faults[f].label, 80) for f in faults[:most]]
    if len(faults) > most:
        names.append(f"{len(faults) - most} more")
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
