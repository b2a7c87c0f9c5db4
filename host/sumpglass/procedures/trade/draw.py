"""Draw at the breather hose: does the whole path draw?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.conditions import engine_running, settled
from sumpglass.procedures.signal_view import SignalView
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import level_figure, level_words, need, newest, side
from sumpglass.procedures.trade_test import ConditionNow, Step, TradeTest, Verdict
from sumpglass.units import in_words

_PROOF = "It does not say where a missing draw is stopped up, nor whether a shallow one is a weak draw or a leak."
DEEP_PA = 1000.0
"""A dead-ended crankcase that gets this deep is tight enough for the size of its leak to be measured well
(common practice, no source)."""


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    return (
        Step(
            "idle",
            "Start the engine, let it idle warm",
            condition=engine_running(),
            condition_words="engine pulses",
            cautions=("running",),
        ),
        Step(
            "dead_end",
            "Gauge on the breather hose",
            "Off the filter box, its end on the gauge. Everything else stays shut.",
            condition=settled(),
            condition_words="a level that has settled",
            reading="draw",
            engine="running",
            dead_ended=True,
            settle_s=10.0,
            cautions=("dead_end",),
            mark="closed",
        ),
        Step(
            "let_go",
            "Gauge off: let it breathe",
            condition=_let_go,
            condition_words="back near zero",
            mark="note hose off",
        ),
    )


def _let_go(view: SignalView) -> ConditionNow:
    """Near the room's pressure, whatever the engine does."""
    draw = view.last("draw")
    if view.fast_pa is None or draw is None:
        return ConditionNow(False, "no signal yet")
    gone = abs(view.fast_pa) < max(0.3 * abs(draw.mean_pa), 30.0)
    return ConditionNow(gone, "let go: seen" if gone else in_words(view.fast_pa))


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    draw = need(newest(tuple(taken), "draw"), "draw")
    figures = (level_figure(draw, settings),)
    words = level_words(draw, settings)
    where = side(draw, settings)
    if where == "vacuum":
        deep = draw.bound == "deeper" or draw.mean_pa < -DEEP_PA
        more = "Tight enough for the known openings." if deep else "Size the leak with known openings, largest first."
        return Verdict("good", f"The path draws: {words}.", figures, more, _PROOF)
    if where == "pressure":
        return Verdict(
            "fault",
            f"The crankcase goes to {words}: blow-by has no way out.",
            figures,
            "Walk the suction path; measure blow-by.",
            _PROOF,
        )
    return Verdict(
        "fault" if draw.settled else "undecided",
        f"No draw to be seen: {words}.",
        figures,
        "Open and close the oil filler cap to see that the rig lives, then walk the suction path.",
        _PROOF,
    )


TEST = TradeTest(
    "draw",
    "Draw at the breather hose",
    "The whole path from the manifold to the breather draws, or it does not.",
    "Gauge hose ready for the end of the breather hose; engine warm.",
    _PROOF,
    _plan,
    _judge,
    minutes=4.0,
    order=20,
)
