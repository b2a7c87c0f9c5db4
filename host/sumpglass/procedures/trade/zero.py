"""Zero: what the rig reads open to the room, engine off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.conditions import at_rest
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade_test import Figure, Step, TradeTest, Verdict
from sumpglass.units import in_words

_PROOF = "It says nothing of the gain, nor of how far the zero wanders while the sensor warms up."
LARGEST_PA = 100.0


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    return (
        Step(
            "open",
            "Gauge hose open to the room",
            "Engine off.",
            condition=at_rest(2000.0, 1.0),
            engine="stopped",
            condition_words="no pulses, flat",
        ),
        Step(
            "rest",
            "Hands off: the zero is being read",
            condition=at_rest(2000.0, 8.0),
            reading="zero",
            engine="stopped",
            condition_words="eight seconds at rest",
            settle_s=8.0,
        ),
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    zero = taken[-1]
    figures = (
        Figure("zero_pa", zero.mean_pa, zero.mean_pa - zero.u95_pa, zero.mean_pa + zero.u95_pa, "Pa"),
        Figure("noise_pa", zero.noise_pa, None, None, "Pa"),
    )
    if not zero.settled or zero.swing_rms_pa > max(3.0 * zero.noise_pa, 3.0):
        return Verdict(
            "undecided",
            "Not at rest, so no zero was taken.",
            figures,
            "Stop the engine and pumps, keep hands and wind off the hose, then again.",
            _PROOF,
        )
    if abs(zero.mean_pa) > LARGEST_PA:
        return Verdict(
            "fault",
            f"The rig reads {zero.mean_pa:.0f} Pa open to the room: more than a zero should be.",
            figures,
            "Check that the hose is open and dry; calibrate the rig if it is.",
            _PROOF,
        )
    return Verdict(
        "told",
        f"Zero {in_words(zero.mean_pa, 'Pa', 1)}, known to ± {zero.u95_pa:.1f} Pa; noise {zero.noise_pa:.1f} Pa.",
        figures,
        "",
        _PROOF,
    )


TEST = TradeTest(
    "zero",
    "Zero",
    "Every later figure rests on what the rig reads when there is nothing to read.",
    "Engine off, the gauge hose off the engine and open to the room.",
    _PROOF,
    _plan,
    _judge,
    running_engine=False,
    minutes=1.0,
    order=10,
)
