"""One answer of the fault search: the ranking, how well it fits, and what to do next."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sumpglass.faults import next_test, verdict
from sumpglass.faults.layout import HEALTHY, Layout
from sumpglass.faults.next_test import Prospect, Span
from sumpglass.faults.ranking import UNSOLVED_TOLD_FROM, Evidence, weigh
from sumpglass.faults.reading import Reading
from sumpglass.faults.twins import twins_of
from sumpglass.faults.verdict import Shift, Split

TWINS_TOLD_FROM = 0.3
"""Twins are named once they hold this probability together."""

TOLD_AT_MOST = 8
"""Faults that one warning names."""


@dataclass(frozen=True)
class Finding:
    """Everything that one call knows; reports only put it into words."""

    layout: Layout
    evidence: Evidence
    prospects: tuple[Prospect, ...]
    next: Prospect | None
    split: Split | None
    settled: bool
    unexplained: bool
    shifts: tuple[Shift, ...]
    warnings: tuple[str, ...]

    @property
    def ranking(self) -> list[tuple[str, float]]:
        """(fault id, probability), the most likely first; sums to 1."""
        order = np.argsort(-self.evidence.probabilities, kind="stable")
        return [(self.layout.faults[f].id, float(self.evidence.probabilities[f])) for f in order]

    @property
    def is_fault(self) -> bool:
        """True when the answer is a fault, or that none explains the readings."""
        return self.unexplained or (bool(self.evidence.readings) and self.settled and self.ranking[0][0] != HEALTHY)


def find_fault(
    layout: Layout,
    readings: Sequence[Reading],
    refused: Collection[str] = (),
    seed: int = 0,
    range_pa: Span = next_test.RANGE_PA,
) -> Finding:
    """Rank the faults, judge the fit, and name the next test, to be read by a sensor of `range_pa`."""
    evidence = weigh(layout, readings, seed)
    unexplained, set_aside = verdict.misfits(evidence)
    if unexplained:
        evidence = verdict.doubted(evidence)
    likely = bool(np.max(evidence.probabilities) >= next_test.SETTLED_AT)
    prospects = next_test.prospects(evidence, refused, seed, range_pa)
    settled = verdict.settled(evidence, prospects)
    worth = [prospect for prospect in prospects if prospect.worth_it]
    following = None if likely or not worth else worth[0]
    return Finding(
        layout=layout,
        evidence=evidence,
        prospects=tuple(prospects),
        next=following,
        split=None if following is None else verdict.best_split(evidence, following),
        settled=settled,
        unexplained=unexplained,
        shifts=tuple(verdict.shifts(evidence)),
        warnings=tuple(_warnings(evidence, settled and not likely, unexplained, set_aside, refused)),
    )


def _warnings(
    evidence: Evidence, undecided: bool, unexplained: bool, set_aside: tuple[str, ...], refused: Collection[str]
) -> list[str]:
    layout, words = evidence.layout, []
    if unexplained:
        words.append(
            "no fault of the layout explains these readings: check the set-up, repeat the last test, "
            "or suspect two faults at once"
        )
    # The name for a person, and the one by which a file of readings calls it.
    labels = {test.id: f"'{test.label}' ({test.id})" for test in layout.tests}
    for test in set_aside:
        words.append(
            f"the reading of {labels[test]} fits none of the leading faults and was set aside as wild: repeat it"
        )
    if evidence.unsolved_share > UNSOLVED_TOLD_FROM:
        words.append(
            f"{100 * evidence.unsolved_share:.0f} % of the simulated engines could not be solved in the time allowed "
            "and were left out: the probabilities are rough"
        )
    assumed = [labels[told.test] for told in evidence.readings if told.censored == 0 and told.u95_pa is None]
    if assumed:
        words.append(
            f"no uncertainty given for {'; '.join(assumed)}: one standard deviation of 3 % and 20 Pa is assumed"
        )
    share = {fault.id: p for fault, p in zip(layout.faults, evidence.probabilities)}
    for twins in twins_of(layout):
        if sum(share[name] for name in twins) >= TWINS_TOLD_FROM:
            words.append(f"no test of this layout can tell these apart: {_named(layout, twins)}")
    if undecided:
        names = _named(layout, [layout.faults[f].id for f in verdict.leftover(evidence)])
        rest = " that has not been refused" if refused else ""
        words.append(f"no test left{rest} is worth its minutes and tells these apart: {names}")
    return words


def _named(layout: Layout, ids: Sequence[str]) -> str:
    """Faults in words and by their ids, of very many the first."""
    labels = [f"{layout.fault(name).label} ({name})".lstrip() for name in ids[:TOLD_AT_MOST]]
    return ", ".join(labels) + (f" and {len(ids) - TOLD_AT_MOST} more" if len(ids) > TOLD_AT_MOST else "")


def fields_of(finding: Finding, explain: bool = False) -> dict[str, Any]:
    """The finding as `find-fault --json` gives it; `explain` adds `reasoning` and `prospects`."""
    following = finding.next
    fields: dict[str, Any] = {
        "ranking": [{"fault": name, "p": p} for name, p in finding.ranking],
        "unexplained": finding.unexplained,
        "next": None
        if following is None
        else {"test": following.test.id, "gain_bits": following.gain_bits, "minutes": following.test.minutes},
        "settled": finding.settled,
        "warnings": list(finding.warnings),
    }
    if explain:
        ids = [fault.id for fault in finding.layout.faults]
        fields["reasoning"] = [
            {
                "test": shift.reading.test,
                "before": dict(zip(ids, shift.before.tolist())),
                "after": dict(zip(ids, shift.after.tolist())),
            }
            for shift in finding.shifts
        ]
        fields["prospects"] = [
            {"test": item.test.id, "gain_bits": item.gain_bits, "minutes": item.test.minutes}
            for item in finding.prospects
        ]
    return fields
