"""Known openings: size of the unknown leak and the net draw, largest opening first."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sumpglass.errors import InputError
from sumpglass.physics.gas import kg_s_from_lpm
from sumpglass.procedures.conditions import engine_running, settled, settled_deeper
from sumpglass.procedures.leak_size import LeakSize, size_leak
from sumpglass.procedures.openings import OPENING_CD, WARM_GAS_K, Reading, Room, flux_kg_s_m2
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade._common import zero_u
from sumpglass.procedures.trade_test import Figure, Step, TradeTest, Verdict

OPENINGS_MM = (5.0, 4.0, 3.2, 2.5, 2.0, 1.5, 1.0)
REPEATABILITY = 0.01
"""Relative standard uncertainty with which an idling engine holds one vacuum over minutes: its speed and its blow-by
wander more slowly than a reading lasts (common practice, no source)."""
_FITS: dict[tuple[Any, ...], LeakSize] = {}
_PROOF = "It does not say where the leak is. Hot seals may leak otherwise than cold ones."


def _readings(taken: Sequence[Taken]) -> list[Reading]:
    newest = {t.values["opening_mm"]: t for t in taken if "opening_mm" in t.values}
    return [t.as_opening(mm, REPEATABILITY) for mm, t in newest.items()]


def _size(taken: Sequence[Taken], settings: Mapping[str, Any]) -> LeakSize:
    """The fit so far; kept for the last few calls, since steps, estimate and verdict ask for the same one."""
    key = (
        tuple((t.name, t.t0_s, t.mean_pa, t.u_pa) for t in taken if "opening_mm" in t.values),
        settings["room_pa"],
        settings["room_k"],
        settings["zero_u95_pa"],
        settings["limit_pa"],
    )
    if key not in _FITS:
        room = Room(settings["room_pa"], settings["room_k"], settings["gas_k"])
        while len(_FITS) >= 8:
            _FITS.pop(next(iter(_FITS)))
        _FITS[key] = size_leak(_readings(taken), room, zero_u(settings), limit_pa=settings["limit_pa"])
    return _FITS[key]


def _too_deep(opening_mm: float, settings: Mapping[str, Any]) -> Callable[[Sequence[Taken]], str | None]:
    """Skips an opening that would take the vacuum past the limit or the range, as far as the readings foretell it."""

    def skip(taken: Sequence[Taken]) -> str | None:
        if any(t.bound for t in taken if "opening_mm" in t.values):
            return "the last reading was at the limit"
        if len({t.values["opening_mm"] for t in taken if "opening_mm" in t.values}) < 2:
            return None
        try:
            size = _size(taken, settings)
        except InputError:
            return None
        limit = min(settings["limit_pa"], settings["range_pa"] or settings["limit_pa"])
        room = Room(settings["room_pa"], settings["room_k"], settings["gas_k"])
        # Skipped only if even the largest leak that the readings allow would not keep it within: the stop call is there
        # for the rest.
        leak_mm2 = size.hi95_mm2 if size.hi95_mm2 is not None else 2.0 * (size.area_mm2 or 0.0)
        area = 1e-6 * OPENING_CD * (leak_mm2 + math.pi / 4.0 * opening_mm**2)
        draw_kg_s = float(kg_s_from_lpm(size.net_draw_lpm or 0.0))
        if draw_kg_s > area * float(flux_kg_s_m2(limit, room)):
            return f"it would draw past {limit / 1000:g} kPa"
        return None

    return skip


def _plan(settings: Mapping[str, Any]) -> tuple[Step, ...]:
    sizes = sorted((float(mm) for mm in settings["openings_mm"]), reverse=True)
    if len(sizes) < 2 or sizes[-1] <= 0:
        raise InputError("known openings need at least two bores above 0 mm, largest first")
    steps = [
        Step(
            "start",
            f"Start with the {sizes[0]:g} mm plug in",
            "Breather hose on the gauge, plug in the access port, engine at idle. Never start closed.",
            condition=engine_running(),
            condition_words="engine pulses; press when the plug is in",
            by_hand=True,
            cautions=("running", "dead_end"),
        )
    ]
    for number, mm in enumerate(sizes):
        before = f"opening {sizes[number - 1]:g} mm" if number else None
        steps.append(
            Step(
                f"opening_{mm:g}",
                f"Plug of {mm:g} mm in",
                "It goes on by itself once the level has changed and settled.",
                condition=settled() if before is None else settled_deeper(before),
                reading=f"opening {mm:g} mm",
                condition_words="deeper than before, and settled" if number else "a level that has settled",
                values={"opening_mm": mm},
                engine="running",
                settle_s=5.0,
                mark=f"opening {mm:g} mm",
                skip=None if number == 0 else _too_deep(mm, settings),
            )
        )
    steps.append(
        Step(
            "closed",
            "Stop the access port: closed",
            condition=settled_deeper(f"opening {sizes[-1]:g} mm"),
            reading="closed",
            condition_words="deeper than before, and settled",
            values={"opening_mm": 0.0},
            engine="running",
            dead_ended=True,
            settle_s=10.0,
            mark="closed",
            skip=_too_deep(0.0, settings),
            cautions=("dead_end",),
        )
    )
    steps.append(
        Step(
            "let_go",
            "Gauge off: let it breathe",
            by_hand=True,
            condition_words="press when done",
            mark="note hose off",
        )
    )
    return tuple(steps)


def _estimate(taken: Sequence[Taken], settings: Mapping[str, Any]) -> str:
    if len({t.values["opening_mm"] for t in taken if "opening_mm" in t.values}) < 2:
        return ""
    size = _size(taken, settings)
    top = f"{size.hi95_mm:.1f}" if size.hi95_mm is not None else "?"
    more = f"; next best {size.next_opening_mm:g} mm" if size.next_opening_mm is not None else ""
    return f"leak like {size.equivalent_mm:.2f} mm ({size.lo95_mm:.1f} to {top}){more}"


def _judge(taken: Sequence[Taken], settings: Mapping[str, Any]) -> Verdict:
    size = _size(taken, settings)
    figures = (
        Figure("leak_mm", size.equivalent_mm, size.lo95_mm, size.hi95_mm, "mm"),
        Figure("leak_mm2", size.area_mm2, size.lo95_mm2, size.hi95_mm2, "mm2"),
        Figure("net_draw_lpm", size.net_draw_lpm, size.net_draw_lo95, size.net_draw_hi95, "L/min"),
    )
    more = (
        f"A reading with {size.next_opening_mm:g} mm would narrow it most." if size.next_opening_mm is not None else ""
    )
    details = {"bent": size.bent, "chi2": size.chi2, "p_value": size.p_value, "source": size.source}
    if size.lo95_mm is not None and size.lo95_mm <= 0:
        top = f"at most like a hole of {size.hi95_mm:.1f} mm" if size.hi95_mm is not None else "with no upper end"
        return Verdict(
            "good" if size.hi95_mm is not None and size.hi95_mm < 1.0 else "undecided",
            f"The leak cannot be told from none, {top}.",
            figures,
            more,
            _PROOF,
            size.warnings,
            details,
        )
    hi = f"{size.hi95_mm:.2f}" if size.hi95_mm is not None else "?"
    return Verdict(
        "told",
        (
            f"The crankcase leaks like a hole of {size.equivalent_mm:.2f} mm ({size.lo95_mm:.2f} to {hi}); net "
            f"draw {size.net_draw_lpm:.1f} L/min."
        ),
        figures,
        more or "Find the seal with the seal hunt.",
        _PROOF,
        size.warnings,
        details,
    )


TEST = TradeTest(
    "known-openings",
    "Known openings",
    "Sizes the unknown leak against drilled plugs; neither flow has to be known.",
    "Gauge on the breather hose, drilled plugs of known bore for an access port: largest first, going down.",
    _PROOF,
    _plan,
    _judge,
    minutes=10.0,
    defaults={"openings_mm": OPENINGS_MM, "room_pa": 101325.0, "room_k": 293.15, "gas_k": WARM_GAS_K},
    estimate=_estimate,
    order=50,
)
