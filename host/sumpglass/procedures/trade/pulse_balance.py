"""Pulse balance: engine speed from the pulses, and whether one cylinder blows by more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from sumpglass.analysis.pulses import find_pulses
from sumpglass.procedures.conditions import engine_running, waited
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import need, newest
from sumpglass.procedures.trade_test import Figure, Step, TradeTest, Verdict

LEAST_RATE_HZ = 400.0
_PROOF = (
    "Once-a-cycle content says that a cylinder differs, not why: a misfire or a different stroke of the valve "
    "gear does so too."
)


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    return (
        Step(
            "start",
            "Start the engine",
            "Short stiff hose, gauge on an access port, sampling at 1 kHz.",
            condition=engine_running(),
            condition_words="engine pulses",
            cautions=("running",),
        ),
        Step(
            "steady",
            "Hold one speed, touch nothing",
            condition=waited(settings["seconds"]),
            condition_words=f"{settings['seconds']:g} s at one speed",
            reading="pulses",
            engine="running",
            keeps_trace=True,
            keeps_pulses=True,
            mark="note pulse balance",
        ),
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    reading = need(newest(tuple(taken), "pulses"), "pulses")
    if reading.trace is None:
        return Verdict("undecided", "The samples were not kept.", (), "Do the step again.", _PROOF)
    t, p = reading.trace
    rate = 1.0 / float(np.median(np.diff(t))) if len(t) > 1 else 0.0
    if rate < LEAST_RATE_HZ:
        return Verdict(
            "undecided",
            f"Sampled at {rate:.0f} Hz, too slow for pulses.",
            (),
            "Ask the board for 1 kHz (--rate-hz 1000).",
            _PROOF,
        )
    pulses = find_pulses(p, rate, settings["cylinders"], expected_hz=reading.values.get("firing_hz"))
    figures = (
        Figure("firing_hz", pulses.firing_hz, None, None, "Hz"),
        Figure(
            "rpm",
            pulses.rpm,
            None if pulses.rpm is None or pulses.rpm_u95 is None else pulses.rpm - pulses.rpm_u95,
            None if pulses.rpm is None or pulses.rpm_u95 is None else pulses.rpm + pulses.rpm_u95,
            "1/min",
        ),
        Figure("half_order_pa", pulses.half_order_pa, None, None, "Pa"),
        Figure("half_order_ratio", pulses.half_order_ratio, None, None, ""),
    )
    if pulses.firing_hz is None:
        return Verdict(
            "undecided",
            "No pulses to judge.",
            figures,
            "Shorten the hose, hold the speed steadier.",
            _PROOF,
            pulses.warnings,
        )
    speed = f"{pulses.rpm:.0f} rpm" if pulses.rpm is not None else f"firing at {pulses.firing_hz:.1f} Hz"
    if pulses.uneven is None:
        return Verdict(
            "undecided",
            f"{speed}; evenness cannot be told.",
            figures,
            "Give the number of cylinders.",
            _PROOF,
            pulses.warnings,
        )
    ratio = f"once-a-cycle content {100 * (pulses.half_order_ratio or 0.0):.1f} % of the pulses"
    if pulses.uneven:
        return Verdict(
            "fault",
            f"Uneven: {speed}, {ratio}. One cylinder differs from the rest.",
            figures,
            "Leak-down or compression of each cylinder names it.",
            _PROOF,
            pulses.warnings,
        )
    return Verdict("good", f"Even: {speed}, {ratio}.", figures, "", _PROOF, pulses.warnings)


TEST = TradeTest(
    "pulse-balance",
    "Pulse balance",
    "Engine speed from the pulses, and whether one cylinder blows by more than the rest.",
    "1 kHz or more, a short stiff hose on an access port, steady speed.",
    _PROOF,
    _plan,
    _judge,
    minutes=3.0,
    defaults={"seconds": 12.0},
    order=100,
)
