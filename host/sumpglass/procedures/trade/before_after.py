"""Before and after: the repair changed the reading by so much, if the set-up is the same."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.comparison import unlike
from sumpglass.procedures.conditions import settled
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import GAIN_U95, level_figure, level_words, need, newest
from sumpglass.procedures.trade_test import Figure, Step, TradeTest, Verdict

REPEATABILITY = 0.02
"""Relative standard uncertainty with which a warm engine comes back to the same level another day: an assumption."""
_PROOF = "A better figure shows that this reading changed, not that the repair is what changed it."


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    set_up = settings["set_up"]
    words = (
        ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in sorted(set_up.items()))
        or "the same set-up as then"
    )
    steps = []
    if settings["before"] is None:
        steps.append(
            Step(
                "before",
                "Before the repair: set it up",
                f"Set-up: {words}.",
                condition=settled(8.0),
                condition_words="a level that has settled",
                reading="before",
                values={"set_up": dict(set_up)},
                engine="running",
                settle_s=8.0,
                cautions=("running",),
                mark="note before",
            )
        )
        steps.append(
            Step(
                "repair",
                "Do the repair",
                "Then bring the engine back to the same condition. It can be broken off and taken up another day.",
                by_hand=True,
                condition_words="press when it is done",
            )
        )
    after = settings["set_up_after"] if settings["set_up_after"] is not None else set_up
    steps.append(
        Step(
            "after",
            "After the repair: set it up",
            f"Set-up: {words}.",
            condition=settled(8.0),
            condition_words="a level that has settled",
            reading="after",
            values={"set_up": dict(after)},
            engine="running",
            settle_s=8.0,
            cautions=("running",),
            mark="note after",
            by_hand=True,
        )
    )
    return tuple(steps)


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    rows = tuple(taken)
    after = need(newest(rows, "after"), "after")
    before = (
        Taken.from_fields(settings["before"])
        if settings["before"] is not None
        else need(newest(rows, "before"), "before")
    )
    figures = (level_figure(before, settings, "before"), level_figure(after, settings, "after"))
    differing = unlike(_set_up(before), _set_up(after))
    listing = f"before {level_words(before, settings)}, after {level_words(after, settings)}"
    if differing:
        return Verdict(
            "undecided",
            f"Not comparable: {'; '.join(differing)} ({listing}).",
            figures,
            "Repeat one of them under the other's conditions.",
            _PROOF,
        )
    if before.bound or after.bound:
        return Verdict(
            "undecided",
            f"One of the readings is only a bound ({listing}).",
            figures,
            "Repeat with an opening that keeps the level within range.",
            _PROOF,
        )
    change = after.mean_pa - before.mean_pa
    # The gain error is common to both readings and only scales the change; the zeros are two.
    zeros = math.sqrt(2.0) * float(settings["zero_u95_pa"]) / 1.96
    repeats = REPEATABILITY * math.hypot(before.mean_pa, after.mean_pa)
    u = math.sqrt(before.u_pa**2 + after.u_pa**2 + zeros**2 + repeats**2 + (GAIN_U95 / 1.96 * change) ** 2)
    lo, hi = change - 1.96 * u, change + 1.96 * u
    figure = Figure("change_pa", change, lo, hi, "Pa")
    if lo <= 0.0 <= hi:
        return Verdict(
            "undecided",
            f"No change beyond chance ({listing}).",
            (*figures, figure),
            "More readings on both sides would narrow it.",
            _PROOF,
        )
    word = "more vacuum" if change < 0 else "less vacuum"
    return Verdict(
        "told",
        (
            f"Changed by {abs(change):.0f} Pa ({min(abs(lo), abs(hi)):.0f} to {max(abs(lo), abs(hi)):.0f}) "
            f"towards {word} ({listing})."
        ),
        (*figures, figure),
        "",
        _PROOF,
    )


def _set_up(taken: Taken) -> dict[str, Any]:
    set_up = dict(taken.values.get("set_up", {}))
    if "firing_hz" in taken.values:
        set_up["firing_hz"] = taken.values["firing_hz"]
    return set_up


TEST = TradeTest(
    "before-after",
    "Before and after",
    "Whether the repair changed the reading, and by how much.",
    "The same port, opening, engine speed and temperature on both occasions.",
    _PROOF,
    _plan,
    _judge,
    minutes=4.0,
    defaults={"set_up": {}, "set_up_after": None, "before": None},
    order=120,
)
