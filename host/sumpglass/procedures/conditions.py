"""Conditions by which the signal itself confirms a step. Each factory returns a function of the view."""

from __future__ import annotations

from sumpglass.procedures.signal_view import NEED_S, SignalView, fallen_share, resting
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade_test import Condition, ConditionNow
from sumpglass.units import in_words

NO_SIGNAL = ConditionNow(False, "no signal yet")


def engine_running() -> Condition:
    """The pulses of a running engine for two seconds."""

    def condition(view: SignalView) -> ConditionNow:
        if view.engine == "running":
            return ConditionNow(view.in_step_s >= 2.0, "engine runs: seen")
        return ConditionNow(False, "no engine pulses yet: press if it does run")

    return condition


def at_rest(within_pa: float = 300.0, for_s: float = 3.0) -> Condition:
    """Open to the room, engine off: near zero, no pulses, flat."""

    def condition(view: SignalView) -> ConditionNow:
        if view.level_pa is None:
            return NO_SIGNAL
        if view.engine == "running":
            return ConditionNow(False, "engine pulses are still there")
        if not resting(view, within_pa):
            return ConditionNow(False, f"{in_words(view.level_pa)}: not open to the room yet")
        return ConditionNow(view.steady_s >= for_s, "at rest: seen" if view.steady_s >= for_s else "calming down")

    return condition


def settled(least_s: float = NEED_S + 1.0) -> Condition:
    """The level has been flat long enough to be read."""

    def condition(view: SignalView) -> ConditionNow:
        if view.level_pa is None:
            return NO_SIGNAL
        if view.in_step_s < least_s:
            return ConditionNow(False, f"{in_words(view.level_pa)}, wait")
        if view.steady_s >= NEED_S:
            return ConditionNow(True, f"settled at {in_words(view.level_pa)}")
        return ConditionNow(False, f"{in_words(view.level_pa)}, still moving")

    return condition


def settled_deeper(than_reading: str, least_pa: float = 5.0, share: float = 0.02) -> Condition:
    """Settled, at a vacuum deeper than the newest reading of that name, as a smaller opening makes it.

    A level that is not deeper is told and not taken: the button or a key takes it all the same.
    """
    flat = settled()

    def condition(view: SignalView) -> ConditionNow:
        before = view.last(than_reading)
        now = flat(view)
        if before is None or view.level_pa is None or not now.met:
            return now
        deeper = before.mean_pa - view.level_pa
        need = _beyond_chance(before, least_pa, share)
        levels = f"{in_words(view.level_pa)}, before {in_words(before.mean_pa)}"
        if deeper < -need:
            return ConditionNow(
                False, f"{levels}: less. Plugs go from the largest down; step back if the first was another"
            )
        if deeper < need:
            return ConditionNow(False, f"{levels}: no change. Fit the plug; step back if it was in already")
        return now

    return condition


def settled_vacuum(least_pa: float, else_words: str) -> Condition:
    """Settled, at a vacuum of at least so much; `else_words` ask for what may have been forgotten."""
    flat = settled()

    def condition(view: SignalView) -> ConditionNow:
        now = flat(view)
        if now.met and view.level_pa is not None and view.level_pa > -least_pa:
            return ConditionNow(False, f"{in_words(view.level_pa)}: {else_words}")
        return now

    return condition


def settled_capped(free_reading: str, capped: bool, name: str, share: float = 0.03) -> Condition:
    """Settled, where a cap on `name` can have brought the level: no shallower than free, and free as it was before.

    `free_reading` begins the names of the readings with nothing capped. Else it is told and taken by hand only.
    """
    flat = settled(6.0)

    def condition(view: SignalView) -> ConditionNow:
        now = flat(view)
        free = next((t for t in reversed(view.taken) if t.name.startswith(free_reading)), None)
        if free is None or view.level_pa is None or not now.met:
            return now
        deeper = free.mean_pa - view.level_pa
        need = _beyond_chance(free, 5.0, share)
        levels = f"{in_words(view.level_pa)}, with nothing capped {in_words(free.mean_pa)}"
        if deeper < -need:
            return ConditionNow(False, f"{levels}: a cap takes no vacuum away. What else was opened?")
        if not capped and deeper > need:
            return ConditionNow(False, f"{levels}: is {name} free again, and nothing else capped?")
        return now

    return condition


def _beyond_chance(reading: Taken, least_pa: float, share: float) -> float:
    return max(least_pa, share * abs(reading.mean_pa), 3.0 * reading.u_pa)


def vacuum_lost(reference: str, share: float = 0.5) -> Condition:
    """More than half of the vacuum of a reading is gone: an opening was made."""

    def condition(view: SignalView) -> ConditionNow:
        before = view.last(reference)
        if before is None or view.fast_pa is None:
            return NO_SIGNAL
        gone = fallen_share(view, before.mean_pa)
        return ConditionNow(gone > share, "opened: seen" if gone > share else f"{100 * gone:.0f} % of the vacuum gone")

    return condition


def vacuum_back(reference: str, share: float = 0.5) -> Condition:
    """The vacuum of a reading has come back by more than half."""

    def condition(view: SignalView) -> ConditionNow:
        before = view.last(reference)
        if before is None or view.fast_pa is None:
            return NO_SIGNAL
        back = 1.0 - fallen_share(view, before.mean_pa)
        return ConditionNow(back > share, "closed: seen" if back > share else f"{100 * back:.0f} % of the vacuum back")

    return condition


def pumped(least_pa: float) -> Condition:
    """A hand pump has drawn at least this vacuum (positive size)."""

    def condition(view: SignalView) -> ConditionNow:
        if view.fast_pa is None:
            return NO_SIGNAL
        done = view.fast_pa <= -least_pa
        return ConditionNow(
            done, f"{in_words(view.fast_pa)}" + (": enough" if done else f", pump to {in_words(-least_pa)}")
        )

    return condition


def decayed(share: float, longest_s: float, least_s: float = 5.0) -> Condition:
    """The vacuum at the step's deepest has fallen by `share`, or enough time has gone."""

    def condition(view: SignalView) -> ConditionNow:
        if view.fast_pa is None or view.deepest_pa is None:
            return NO_SIGNAL
        gone = fallen_share(view, view.deepest_pa)
        done = (gone >= share and view.in_step_s >= least_s) or view.in_step_s >= longest_s
        return ConditionNow(done, f"{100 * gone:.0f} % of it gone after {view.in_step_s:.0f} s")

    return condition


def speed_changed(reference: str, ratio: float = 1.15) -> Condition:
    """Settled, at an engine speed that differs from that of a reading by at least `ratio` either way."""
    flat = settled()

    def condition(view: SignalView) -> ConditionNow:
        now = flat(view)
        before = view.last(reference)
        hz = before.values.get("firing_hz") if before is not None else None
        if hz and view.firing_hz:
            factor = max(view.firing_hz / hz, hz / view.firing_hz)
            if factor < ratio:
                return ConditionNow(False, "the engine still turns at the speed of before")
        elif before is not None:
            return ConditionNow(False, "speed not seen: press when it holds the new speed" if now.met else now.words)
        return now

    return condition


def waited(seconds: float) -> Condition:
    """So much time in the step."""

    def condition(view: SignalView) -> ConditionNow:
        return ConditionNow(view.in_step_s >= seconds, f"{min(view.in_step_s, seconds):.0f} of {seconds:.0f} s")

    return condition
