"""Seal hunt: cap, pinch or grease one suspect at a time; which of them moved the reading by more than chance?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.conditions import settled, settled_capped
from sumpglass.procedures.seal_shares import CappedReading, seal_hunt
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade_test import Condition, Figure, Step, TradeTest, Verdict

SUSPECTS = ("filler cap", "dipstick tube", "valve cover", "front cover")
FREE = "nothing capped"
_PROOF = "A seal that could not be capped is not cleared; one that grease does not reach may still leak."


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    def reading(step_id: str, words: str, name: str, capped: tuple[str, ...], mark: str, condition: Condition) -> Step:
        first = not steps
        how = "Breather hose on the gauge." if first else "Cap, pinch or grease it. Press when it is done."
        if not first and not capped:
            how = "Press when it is done."
        return Step(
            step_id,
            words,
            f"{how} The level is taken once it has settled.",
            condition=condition,
            condition_words="settled; press when it is done" if not first else "a level that has settled",
            reading=name,
            values={"capped": list(capped)},
            engine="running",
            settle_s=8.0,
            by_hand=not first,
            mark=mark,
            cautions=("running", "dead_end") if first else (),
        )

    steps: list[Step] = []
    steps.append(reading("nothing", "Cap nothing yet", FREE, (), "closed", settled(6.0)))
    for name in settings["suspects"]:
        on, off = settled_capped(FREE, True, name), settled_capped(FREE, False, name)
        steps.append(reading(f"cap_{name}", f"Cap: {name}", f"capped {name}", (name,), f"cap {name}", on))
        steps.append(reading(f"uncap_{name}", f"Free again: {name}", f"{FREE} after {name}", (), f"uncap {name}", off))
    return tuple(steps)


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    rows = [
        CappedReading(frozenset(t.values["capped"]), t.as_opening(0.0), 0.5 * (t.t0_s + t.t1_s))
        for t in taken
        if "capped" in t.values
    ]
    hunt = seal_hunt(rows)
    figures = tuple(Figure(f"share {s.name}", s.share, s.lo95, s.hi95, "of the leak") for s in hunt.seals)
    found = [s for s in hunt.seals if s.leaks]
    details = {"p_holm": {s.name: s.p_holm for s in hunt.seals}, "unexplained": hunt.unexplained}
    rest = (
        f"What no suspect carries: {100 * hunt.unexplained:.0f} % ({100 * hunt.unexplained_lo95:.0f} to "
        f"{100 * hunt.unexplained_hi95:.0f})."
    )
    if not found:
        return Verdict(
            "undecided",
            f"No suspect moved the reading by more than chance. {rest}",
            figures,
            "Try the next suspects: covers, crankshaft seals, the dipstick tube at its foot.",
            _PROOF,
            hunt.warnings,
            details,
        )
    words = ", ".join(f"{s.name} {100 * s.share:.0f} % ({100 * s.lo95:.0f} to {100 * s.hi95:.0f})" for s in found)
    return Verdict(
        "fault",
        f"Leaking: {words} of the leak. {rest}",
        figures,
        "Renew what leaks most, then compare before and after.",
        _PROOF,
        hunt.warnings,
        details,
    )


TEST = TradeTest(
    "seal-hunt",
    "Seal hunt",
    "Finds which seal leaks and what share of the leak it carries.",
    "Gauge on the breather hose, everything else as for the draw; caps, clamps and grease at hand.",
    _PROOF,
    _plan,
    _judge,
    minutes=12.0,
    defaults={"suspects": SUSPECTS},
    order=70,
)
