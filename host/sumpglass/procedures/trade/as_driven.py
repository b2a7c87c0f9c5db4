"""Crankcase closed up as driven, at idle, raised speed and load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.conditions import engine_running, settled, speed_changed
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import level_figure, level_words, newest, side
from sumpglass.procedures.trade_test import Step, TradeTest, Verdict

CONDITIONS = (
    ("idle", "Warm idle"),
    ("raised", "Raised speed"),
    ("load", "The same with load on"),
)
_PROOF = (
    "It does not say why the suction is lost or how much blow-by there is; three steady conditions are not every drive."
)


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    return (
        Step(
            "idle_start",
            "Start the engine",
            "Breather connected as driven, gauge on an access port.",
            condition=engine_running(),
            condition_words="engine pulses",
            cautions=("running",),
        ),
        Step(
            "idle",
            f"{CONDITIONS[0][1]}: wait",
            condition=settled(),
            condition_words="a level that has settled",
            reading="idle",
            engine="running",
            settle_s=6.0,
            mark="note warm idle",
        ),
        Step(
            "raised",
            "Hold three times idle",
            "A raised speed, held steady.",
            condition=speed_changed("idle"),
            condition_words="another speed, settled",
            reading="raised",
            engine="running",
            settle_s=6.0,
            cautions=("running",),
            mark="note raised speed",
        ),
        Step(
            "load",
            CONDITIONS[2][1],
            "Lights, heater, pump or hill: press when it is on.",
            condition=settled(),
            condition_words="press when the load is on",
            reading="load",
            engine="running",
            settle_s=6.0,
            by_hand=True,
            mark="note load",
        ),
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    found = [(words, newest(tuple(taken), name)) for name, words in CONDITIONS]
    seen = [(words, t) for words, t in found if t is not None]
    sides = [side(t, settings) for _, t in seen]
    figures = tuple(level_figure(t, settings) for _, t in seen)
    listing = "; ".join(f"{words.split(',')[0].lower()}: {level_words(t, settings)}" for words, t in seen)
    if "pressure" in sides:
        where = seen[sides.index("pressure")][0].split(",")[0].lower()
        return Verdict(
            "fault",
            f"Above the room's pressure at {where} ({listing}): suction lost, or more blow-by than it can carry.",
            figures,
            "Draw at the breather hose tells the one from the other.",
            _PROOF,
        )
    if "undecided" in sides or len(seen) < 3:
        return Verdict(
            "undecided",
            f"Not decided at every condition ({listing}).",
            figures,
            "Take a fresh zero, or a sensor of finer resolution: the level lies within the zero's uncertainty.",
            _PROOF,
        )
    return Verdict("good", f"Slight vacuum at every condition ({listing}).", figures, "", _PROOF)


TEST = TradeTest(
    "as-driven",
    "Crankcase as driven, three conditions",
    "A slight vacuum is wanted at idle, at speed and under load.",
    "Everything connected as driven; gauge on an access port of the crankcase.",
    _PROOF,
    _plan,
    _judge,
    minutes=6.0,
    order=30,
)
