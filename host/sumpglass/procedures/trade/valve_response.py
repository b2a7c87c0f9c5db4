"""Valve response: does a sprung suction valve move between idle, a snap of the throttle and cruise?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.analysis.statistics import student_95
from sumpglass.procedures.conditions import engine_running, settled, speed_changed
from sumpglass.procedures.seal_shares import REPEATABILITY
from sumpglass.procedures.signal_view import SignalView
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import GAIN_U95, level_figure, level_words, need, newest
from sumpglass.procedures.trade_test import ConditionNow, Figure, Step, TradeTest, Verdict

REPEATS = 4
"""Pairs of readings that the assumed repeatability of an idle counts for."""
_PROOF = (
    "A level that moves shows that the draw moves; blow-by moves with speed too, so it is a sign and no proof. "
    "A fixed orifice does not move at all."
)


def _snapped(view: SignalView) -> ConditionNow:
    """The level left its place by a fifth, and five seconds have gone."""
    idle = view.last("idle")
    if idle is None or view.deepest_pa is None or view.highest_pa is None:
        return ConditionNow(False, "snap it")
    reach = max(abs(view.deepest_pa - idle.mean_pa), abs(view.highest_pa - idle.mean_pa))
    moved = reach > max(0.2 * abs(idle.mean_pa), 5.0 * idle.u_pa, 10.0)
    return ConditionNow(moved and view.in_step_s > 4.0, "snap seen" if moved else "nothing yet")


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    return (
        Step(
            "start",
            "Start the engine",
            "Breather hose on the gauge through a 4 to 5 mm plug.",
            condition=engine_running(),
            condition_words="engine pulses; press when it is set up",
            by_hand=True,
            cautions=("running",),
        ),
        Step(
            "idle",
            "Warm idle: wait",
            condition=settled(),
            condition_words="a level that has settled",
            reading="idle",
            engine="running",
            settle_s=6.0,
            mark="note idle",
        ),
        Step(
            "snap",
            "Snap the throttle once",
            "Let it fall back.",
            condition=_snapped,
            condition_words="the level jumps",
            engine="running",
            mark="note snap",
            cautions=("running",),
        ),
        Step(
            "back",
            "Idle again: wait",
            condition=settled(6.0),
            condition_words="a level that has settled",
            reading="idle again",
            engine="running",
            settle_s=6.0,
        ),
        Step(
            "cruise",
            "Hold 2000 to 2500 rpm",
            "Cruising speed, held steady.",
            condition=speed_changed("idle again"),
            condition_words="another speed, settled",
            reading="cruise",
            engine="running",
            settle_s=6.0,
            mark="note cruise",
        ),
    )


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    rows = tuple(taken)
    idle, again, cruise = (need(newest(rows, n), n) for n in ("idle", "idle again", "cruise"))
    figures = [level_figure(t, settings) for t in (idle, again, cruise)]
    rest = 0.5 * (idle.mean_pa + again.mean_pa)
    change = cruise.mean_pa - rest
    u95 = _change_u95(idle, again, cruise)
    figures.append(Figure("change_pa", change, change - u95, change + u95, "Pa"))
    listing = (
        f"idle {level_words(idle, settings)}, idle again {level_words(again, settings)}, cruise "
        f"{level_words(cruise, settings)}"
    )
    if abs(change) <= u95:
        return Verdict(
            "undecided",
            f"No movement to be seen beyond chance ({listing}).",
            tuple(figures),
            "If a sprung valve is fitted, shake it: it should rattle; compare with a new one.",
            _PROOF,
        )
    deeper = change < 0
    words = (
        "draws more at cruise: the valve opens"
        if deeper
        else "draws less at cruise: blow-by grows, or the valve does not open"
    )
    return Verdict(
        "good" if deeper else "undecided",
        f"The path {words} ({listing}).",
        tuple(figures),
        "" if deeper else "Blow-by through a known opening at both speeds tells the one from the other.",
        _PROOF,
    )


def _change_u95(idle: Taken, again: Taken, cruise: Taken) -> float:
    """Half-width of the change from the mean of both idles to cruise, Pa.

    How well the engine comes back to a level is known beforehand as from `REPEATS` earlier pairs, and the two idles are
    one pair more (a normal variance with its conjugate prior); the zero is the same in all and drops out.
    """
    rest = 0.5 * (idle.mean_pa + again.mean_pa)
    own = math.hypot(math.hypot(idle.u_pa, again.u_pa) / 2.0, cruise.u_pa)
    apart = 0.5 * (idle.mean_pa - again.mean_pa) ** 2
    repeats = math.sqrt((REPEATS * (REPEATABILITY * rest) ** 2 + apart) / (REPEATS + 1))
    scatter = student_95(REPEATS + 1) * repeats * math.sqrt(1.5)
    return math.hypot(1.96 * own, math.hypot(scatter, GAIN_U95 * (cruise.mean_pa - rest)))


TEST = TradeTest(
    "valve-response",
    "Valve response",
    "Whether a sprung suction valve moves with the manifold vacuum.",
    "Gauge on the breather hose through a drilled plug; throttle within reach.",
    _PROOF,
    _plan,
    _judge,
    minutes=4.0,
    order=110,
)
