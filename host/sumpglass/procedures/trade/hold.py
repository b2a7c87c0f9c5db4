"""Hold, engine off: the leak from the decay of a small vacuum."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.errors import RefusedError
from sumpglass.procedures.conditions import at_rest, decayed, pumped
from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import need, newest
from sumpglass.procedures.trade_test import Figure, Step, TradeTest, Verdict
from sumpglass.records import Recording, Zero

_PROOF = "It does not say where the leak is, nor what leaks only on a running engine."


_LAWS = {"orifice": "an opening", "laminar": "a capillary", "mixed": "something between an opening and a capillary"}


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    return (
        Step(
            "stop",
            "Stop both hose ends",
            "Engine off, gauge on an access port.",
            condition=at_rest(),
            condition_words="no pulses, near zero",
            engine="stopped",
        ),
        Step(
            "pump",
            "Pump gently to 2 kPa",
            "A vacuum, by hand; then stop the pump's hose.",
            condition=pumped(1600.0),
            condition_words="1.6 kPa or deeper",
            engine="stopped",
            cautions=("seals", "air"),
        ),
        Step(
            "watch",
            "Hands off: it is being watched",
            "Half of it must go for the law of the leak to be told.",
            condition=decayed(0.8, 120.0),
            condition_words="most of the vacuum gone, or two minutes",
            reading="decay",
            engine="stopped",
            keeps_trace=True,
            mark="note hold begins",
        ),
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    decay = need(newest(tuple(taken), "decay"), "decay")
    if decay.trace is None:
        return Verdict("undecided", "The trace of the decay was not kept.", (), "Do the step again.", _PROOF)
    t, p = decay.trace
    recording = Recording(t - t[0], p, zero=Zero(0.0, max(float(settings["zero_u95_pa"]), 0.5)))
    try:
        hold = judge_hold(recording, settings["volume_l"])
    except RefusedError as error:
        return Verdict("undecided", f"{str(error)[:1].upper()}{str(error)[1:]}.", (), "Pump again.", _PROOF)
    figures = [
        Figure("half_time_s", hold.half_time_s, hold.half_time_lo95_s, hold.half_time_hi95_s, "s"),
        Figure("exponent", hold.exponent, hold.exponent_lo95, hold.exponent_hi95, ""),
    ]
    if hold.half_time_s is None:
        at_most = (
            f", at most like a hole of {hold.equivalent_hi95_mm:.2f} mm" if hold.equivalent_hi95_mm is not None else ""
        )
        words = f"The vacuum holds: no fall beyond chance{at_most}."
        return Verdict("good", words, tuple(figures), "", _PROOF, hold.warnings, {"model": hold.model})
    law = _LAWS[hold.model]
    words = f"Half of the vacuum goes in {hold.half_time_s:.1f} s; the leak behaves like {law}."
    if hold.leak_lpm_at_500pa is not None:
        figures.append(Figure("leak_lpm_at_500pa", hold.leak_lpm_at_500pa, hold.leak_lo95, hold.leak_hi95, "L/min"))
        figures.append(Figure("leak_mm", hold.equivalent_mm, hold.equivalent_lo95_mm, hold.equivalent_hi95_mm, "mm"))
        words += f" It leaks like a hole of {hold.equivalent_mm:.2f} mm."
    return Verdict(
        "told",
        words,
        tuple(figures),
        "A second decay with a known opening sizes it without the volume.",
        _PROOF,
        hold.warnings,
        {"model": hold.model},
    )


TEST = TradeTest(
    "hold",
    "Hold, engine off",
    "The leak from the decay of a small vacuum, with no engine running.",
    (
        "Engine off; hose ends stopped; a small hand pump; gauge on an access port. Never deep, never with "
        "pressure on old seals."
    ),
    _PROOF,
    _plan,
    _judge,
    running_engine=False,
    minutes=5.0,
    defaults={"volume_l": None},
    order=80,
)
