"""Open and close: proves that the rig sees a leak, and shows what one looks like."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.conditions import settled, settled_vacuum, vacuum_back, vacuum_lost
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import level_figure, level_words, need, newest, side, u95_with_rig
from sumpglass.procedures.trade_test import Step, TradeTest, Verdict

LEAST_PA = 50.0
"""Less vacuum than this is none to lose: the barb may stand open already."""
_PROOF = "It does not say how large any leak of the engine is."


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    return (
        Step(
            "closed",
            "Stop the barb",
            "Breather hose on the gauge, barb on the access port stopped.",
            condition=settled_vacuum(LEAST_PA, "is the barb stopped? Press if it is"),
            reading="closed",
            condition_words="a level that has settled",
            engine="running",
            dead_ended=True,
            settle_s=10.0,
            cautions=("running", "dead_end"),
            mark="closed",
        ),
        Step(
            "open",
            "Open the barb",
            condition=vacuum_lost("closed"),
            condition_words="the vacuum goes at once",
            engine="running",
            mark="note barb opened",
        ),
        Step(
            "opened",
            "Leave it open",
            condition=settled(3.0),
            condition_words="a level that has settled",
            reading="open",
            engine="running",
            settle_s=3.0,
        ),
        Step(
            "close",
            "Stop the barb again",
            condition=vacuum_back("closed"),
            condition_words="the vacuum comes back",
            engine="running",
            dead_ended=True,
            mark="closed",
        ),
        Step(
            "again",
            "Leave it stopped",
            condition=settled(),
            condition_words="a level that has settled",
            reading="closed again",
            engine="running",
            dead_ended=True,
            settle_s=10.0,
        ),
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    rows = tuple(taken)
    closed, opened, again = (need(newest(rows, n), n) for n in ("closed", "open", "closed again"))
    figures = tuple(level_figure(t, settings) for t in (closed, opened, again))
    listing = (
        f"stopped {level_words(closed, settings)}, open {level_words(opened, settings)}, stopped again "
        f"{level_words(again, settings)}"
    )
    if side(closed, settings) != "vacuum":
        return Verdict(
            "undecided",
            f"There was no vacuum to lose ({listing}).",
            figures,
            "Draw at the breather hose first.",
            _PROOF,
        )
    lost = closed.mean_pa - opened.mean_pa < -0.5 * abs(closed.mean_pa)
    back = abs(again.mean_pa) > 0.5 * abs(closed.mean_pa)
    if not lost:
        return Verdict(
            "fault",
            (
                f"Opening the barb did not take the vacuum away ({listing}): the gauge does not see the "
                "crankcase, or the barb is blocked."
            ),
            figures,
            "Clear barb and line of oil and swarf.",
            _PROOF,
        )
    if not back:
        return Verdict(
            "fault",
            f"The vacuum did not come back ({listing}).",
            figures,
            "Look for what else opened: a hose, the stopper.",
            _PROOF,
        )
    drift = abs(again.mean_pa - closed.mean_pa)
    same = drift <= 2.0 * u95_with_rig(closed, settings)
    return Verdict(
        "good",
        f"The rig sees a leak: the vacuum goes and comes back ({listing}).",
        figures,
        "" if same else f"It came back {drift:.0f} Pa elsewhere: let the engine warm up before sizing anything.",
        _PROOF,
    )


TEST = TradeTest(
    "open-close",
    "Open and close",
    "Proves that the rig sees a leak, and shows what one looks like.",
    "Gauge on the breather hose, a barb on an access port that a cap or a finger opens and stops.",
    _PROOF,
    _plan,
    _judge,
    minutes=3.0,
    order=40,
)
