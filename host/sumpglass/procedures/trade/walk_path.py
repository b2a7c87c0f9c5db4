"""Walk the suction path by halving: the first point from the source without draw has the blockage just before it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sumpglass.procedures.conditions import settled
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import level_figure, level_words, side
from sumpglass.procedures.trade_test import Step, TradeTest, Verdict

DEFAULT_POINTS = (
    "manifold port",
    "before the restriction",
    "after the restriction",
    "end of the suction hose",
    "breather hose",
)
# A point without draw shows no pulses either, so the engine is not looked after here.
_PROOF = "It finds the first stoppage from the source; one behind it, or a leak, is not excluded."


def _halving(low: int, high: int) -> list[int]:
    """Indices between low and high in the order in which halving would visit them."""
    if low > high:
        return []
    middle = (low + high) // 2
    return [middle, *_halving(low, middle - 1), *_halving(middle + 1, high)]


def _known(index: int, points: Sequence[str]) -> Callable[[Sequence[Taken]], str | None]:
    """Skips a point about which the readings so far leave no question."""

    def skip(taken: Sequence[Taken]) -> str | None:
        for t in taken:
            at = t.values.get("index")
            if at is None or at == index:
                continue
            draws = t.mean_pa < -float(t.values.get("draws_beyond_pa", 30.0))
            if draws and index < at:
                return f"{points[at]} draws, so all before it does"
            if not draws and index > at:
                return f"{points[at]} does not draw, so nothing behind it can"
        return None

    return skip


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    points = tuple(settings["points"])
    beyond = max(30.0, 1.5 * float(settings["zero_u95_pa"]))
    return tuple(
        Step(
            f"point_{index}",
            f"Gauge on: {points[index]}",
            "Press, or wait until the level has settled.",
            condition=settled(6.0),
            condition_words="a level that has settled",
            reading=f"point {points[index]}",
            values={"index": index, "draws_beyond_pa": beyond},
            engine="any",
            settle_s=5.0,
            by_hand=number > 0,
            skip=_known(index, points),
            cautions=("running",) if number == 0 else (),
            mark=f"tap {points[index]}",
        )
        for number, index in enumerate(_halving(0, len(points) - 1))
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    points = tuple(settings["points"])
    seen = sorted((t for t in taken if "index" in t.values), key=lambda t: t.values["index"])
    figures = tuple(level_figure(t, settings) for t in seen)
    drawing = [t.values["index"] for t in seen if side(t, settings) == "vacuum"]
    dead = [t.values["index"] for t in seen if side(t, settings) != "vacuum"]
    listing = "; ".join(f"{points[t.values['index']]}: {level_words(t, settings)}" for t in seen)
    if drawing and dead and max(drawing) > min(dead):
        return Verdict(
            "undecided",
            f"The readings contradict each other ({listing}).",
            figures,
            "Read the points again: the engine or the hose changed in between.",
            _PROOF,
        )
    if not dead:
        return Verdict("good", f"The whole path draws, as far as it was walked ({listing}).", figures, "", _PROOF)
    if not drawing:
        return Verdict(
            "fault",
            (
                f"There is no draw at {points[min(dead)]} ({listing}): the stoppage lies before it, or the "
                "manifold has no vacuum."
            ),
            figures,
            "Gauge on the manifold itself.",
            _PROOF,
        )
    low, high = max(drawing), min(dead)
    return Verdict(
        "fault",
        f"The blockage lies between {points[low]} and {points[high]} ({listing}).",
        figures,
        "Open and clean that part, then read both points again.",
        _PROOF,
    )


TEST = TradeTest(
    "walk-path",
    "Walk the suction path",
    "Halving the path finds the blockage in the fewest moves.",
    "Points along the suction path that the gauge hose can be put on, from the manifold to the breather.",
    _PROOF,
    _plan,
    _judge,
    minutes=10.0,
    defaults={"points": DEFAULT_POINTS},
    order=60,
)
