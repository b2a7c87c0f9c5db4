"""Blow-by through a known opening, the suction stopped."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.blow_by_flow import blow_by
from sumpglass.procedures.conditions import engine_running, settled
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import level_figure, level_words, need, newest, side, u95_with_rig
from sumpglass.procedures.trade_test import Figure, Step, TradeTest, Verdict

_PROOF = "One figure is no diagnosis; gas that leaves by leaks is not in it."


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    mm = settings["opening_mm"]
    return (
        Step(
            "start",
            f"Stop the suction, {mm:g} mm plug in",
            "Suction hose stopped at the engine, the plug in the breather hose. Start the engine.",
            condition=engine_running(),
            condition_words="engine pulses; press when it is set up",
            by_hand=True,
            cautions=("running", "seals"),
        ),
        Step(
            "read",
            "Warm idle: wait",
            condition=settled(8.0),
            condition_words="a pressure that has settled",
            reading="pressure",
            values={"opening_mm": mm},
            engine="running",
            settle_s=8.0,
            dead_ended=True,
            mark=f"opening {mm:g} mm",
        ),
        Step("let_go", "Plug out, suction open", by_hand=True, condition_words="press when done"),
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    reading = need(newest(tuple(taken), "pressure"), "pressure")
    level = level_figure(reading, settings)
    if side(reading, settings) != "pressure" or reading.bound:
        return Verdict(
            "undecided",
            f"No steady pressure to compute from ({level_words(reading, settings)}).",
            (level,),
            "A smaller plug gives more pressure; see that the suction is stopped.",
            _PROOF,
        )
    swing = reading.mean_pa + reading.swing_pa
    root = float((abs(swing) ** 0.5 * (2.0 * (swing > 0) - 1.0)).mean())
    driving = math.copysign(root * root, root)
    if driving <= 0:
        return Verdict(
            "undecided",
            "The pulses are too large beside the mean to compute a flow.",
            (level,),
            "Damp the line, or use a smaller plug.",
            _PROOF,
        )
    flow = blow_by(
        settings["opening_mm"],
        driving,
        u95_with_rig(reading, settings),
        settings["gas_c"],
        displacement_l=settings["displacement_l"],
        rpm=settings["rpm"],
    )
    figures = (level, Figure("blow_by_lpm", flow.blow_by_lpm, flow.lo95, flow.hi95, "L/min"))
    words = f"Blow-by {flow.blow_by_lpm:.1f} L/min ({flow.lo95:.1f} to {flow.hi95:.1f})."
    if flow.verdict:
        words += {
            "within": " Within the usual range.",
            "above": " Above the usual range.",
            "below": " Below the usual range.",
        }.get(flow.verdict, " Undecided against the usual range.")
    return Verdict(
        "told",
        words,
        figures,
        "Compare with the same engine's earlier figures; the pulse balance says whether one cylinder stands out.",
        _PROOF,
        flow.warnings,
    )


TEST = TradeTest(
    "blow-by",
    "Blow-by through a known opening",
    "Steady pressure behind a drilled plug gives the blow-by in L/min.",
    "Suction stopped, breather through a drilled plug, gauge on an access port.",
    _PROOF,
    _plan,
    _judge,
    minutes=5.0,
    defaults={"opening_mm": 3.0, "gas_c": None, "displacement_l": None, "rpm": None},
    order=90,
)
