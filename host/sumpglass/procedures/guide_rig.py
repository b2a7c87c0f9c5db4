"""Is the engine running and the rig alive, as far as a step needs it? Says when to wait and when to go on."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from sumpglass.procedures.signal_view import SignalView
from sumpglass.procedures.trade_test import Step
from sumpglass.procedures.way_to_room import LEAP, RUN_DOWN

ENGINE_OFF_S = 1.5
ENGINE_ON_S = 2.0
TELL_AFTER_S, TELL_UNTIL_S = 0.7, 2.5
"""After a flag of the detector: when the signal has been at rest for long enough to say how it went there, and when it
is too late to wait for that."""
AS_HEARD_SHARE, AS_HEARD_PA = 0.6, 10.0
HEARD_FADES_S = 8.0
"""A signal that swings, and lies, as it did when the engine was last heard is that of an engine that runs on: its speed
has only become unsure. Longer ago than this it may have been another opening or speed."""
FAULTS = {
    "tap_off": "The gauge hose came off: put it back, the step begins anew",
    "line_blocked": "The gauge line seems blocked: clear it of oil and condensate, then press",
    "sensor_fault": "The sensor is at fault: look at its wiring, then press",
}
"""Causes of the detector that hold a test up, and what is said."""
ENGINE_STOPPED = "The engine stopped: start it again, the step begins anew"
EITHER = "The engine stopped, or the gauge hose came off: put it right, the step begins anew"
"""Both leave a port without pulses at the room's pressure; how it went there tells, where the samples show it."""
UNPLUGGED = "The rig is unplugged: plug it in again, the test goes on where it is"


@dataclass(frozen=True)
class Hold:
    """The test has to wait. `kind`: "engine", "quiet", "port", or a cause of `FAULTS`."""

    kind: str
    words: str


@dataclass(frozen=True)
class GoOn:
    """What the test waited for is back."""

    words: str


Way = Callable[[], str]
"""How the signal went to the room's pressure (`way_to_room`), worked out when it is asked for."""


class RigWatch:
    """Looks at each view of the signal; `kind` of what the test waits for now is told to it, "" for nothing."""

    def __init__(self) -> None:
        self._off_since: float | None = None
        self._on_since: float | None = None
        self._quiet_since: float | None = None
        self._flagged_since: float | None = None
        self._best_swing = 0.0
        self._shallowest_pa = math.inf
        self._off_size_pa = 0.0
        self._heard_s = -math.inf
        self._heard_swing_pa = self._heard_size_pa = 0.0

    def forget(self) -> None:
        """The test goes on: what was seen before counts no more."""
        self._off_since = self._on_since = self._quiet_since = self._flagged_since = None
        self._shallowest_pa = math.inf

    def flag_hose(self, now_s: float) -> Hold:
        """The detector says that the hose came off: hold at once; `look` says soon what the signal has to add."""
        self._flagged_since = now_s
        return Hold("engine", EITHER)

    def look(self, step: Step, view: SignalView, kind: str, engine_told: bool, way: Way) -> Hold | GoOn | None:
        """What to do now; `engine_told`: the detector has said what the engine does."""
        if view.engine == "running":
            self._hear(view)
        if kind == "engine" and self._flagged_since is not None:
            word = self._tell(view.now_s - self._flagged_since, way)
            if word is not None:
                return word
        if kind == "quiet" or kind in FAULTS:
            drawn = kind == "tap_off" and self._draws(view)
            back = drawn or (_alive(view, kind) and view.engine != "stopped")
            return GoOn("The signal is back: the step begins anew") if self._on_for(back, view.now_s) else None
        if step.engine != "running" and kind != "engine":
            return None
        return self._mind_engine(view, kind, way) if engine_told else self._mind_quiet(view, way)

    def _tell(self, since_s: float, way: Way) -> Hold | None:
        """Engine or hose, some time after the detector's flag; the signal itself has the last word."""
        if since_s < TELL_AFTER_S:
            return None
        how = way()
        if how == RUN_DOWN:
            self._flagged_since = None
            return Hold("engine", ENGINE_STOPPED)
        if how == LEAP or since_s >= TELL_UNTIL_S:
            self._flagged_since = None
            return Hold("tap_off", FAULTS["tap_off"])
        return None

    def _on_for(self, on: bool, now_s: float) -> bool:
        if not on:
            self._on_since = None
            return False
        self._on_since = now_s if self._on_since is None else self._on_since
        return now_s - self._on_since >= ENGINE_ON_S

    def _draws(self, view: SignalView) -> bool:
        """Has the level gone away from the room's again since the hold? Only an engine makes it do that."""
        if view.fast_pa is None:
            return False
        size = abs(view.fast_pa)
        self._shallowest_pa = min(self._shallowest_pa, size)
        return size > 1.3 * self._shallowest_pa + 30.0

    def _mind_engine(self, view: SignalView, kind: str, way: Way) -> Hold | GoOn | None:
        # Near a deep dead-ended vacuum the pulses may be too small for the detector: the draw itself is a sign as well.
        if kind == "engine" and self._draws(view):
            return GoOn("The engine runs again: the step begins anew") if self._on_for(True, view.now_s) else None
        size = abs(view.fast_pa or 0.0)
        if view.engine == "stopped" and not self._as_heard(view, size):
            self._on_since = None
            if self._off_since is None:
                self._off_since, self._off_size_pa = view.now_s, size
            # A level far from the room's that does not fall off is drawn by an engine, whatever its pulses.
            kept = size > 300.0 and size > 0.9 * self._off_size_pa
            if not kind and view.now_s - self._off_since >= ENGINE_OFF_S and not kept:
                return _stopped_or_off(way(), "engine")
        elif view.engine == "running":
            self._off_since = None
            if kind == "engine" and self._on_for(True, view.now_s):
                return GoOn("The engine runs again: the step begins anew")
        return None

    def _hear(self, view: SignalView) -> None:
        """Keep the greatest swing and level of the last seconds: the detector still hears an engine just stopped."""
        fade = math.exp(-(view.now_s - self._heard_s) / HEARD_FADES_S)
        self._heard_s = view.now_s
        self._heard_swing_pa = max(fade * self._heard_swing_pa, view.swing_pa)
        self._heard_size_pa = max(fade * self._heard_size_pa, abs(view.fast_pa or 0.0))

    def _as_heard(self, view: SignalView, size_pa: float) -> bool:
        """Is the signal still as it was while the engine was heard?"""
        swings = view.swing_pa >= AS_HEARD_SHARE * self._heard_swing_pa > 0.0
        return swings and size_pa >= AS_HEARD_SHARE * self._heard_size_pa - AS_HEARD_PA

    def _mind_quiet(self, view: SignalView, way: Way) -> Hold | None:
        """Without a detector's word: pulses that were there and are gone, with the level near zero."""
        self._best_swing = max(self._best_swing * 0.999, view.swing_pa)
        dead = self._best_swing > 12.0 and view.swing_pa < 0.15 * self._best_swing
        if not (dead and view.level_pa is not None and abs(view.level_pa) < 60.0):
            self._quiet_since = None
            return None
        self._quiet_since = view.now_s if self._quiet_since is None else self._quiet_since
        if view.now_s - self._quiet_since < ENGINE_OFF_S:
            return None
        return _stopped_or_off(way(), "quiet")


def _stopped_or_off(how: str, kind: str) -> Hold:
    if how == LEAP:
        return Hold("tap_off", FAULTS["tap_off"])
    return Hold(kind, ENGINE_STOPPED if how == RUN_DOWN else EITHER)


def _alive(view: SignalView, kind: str) -> bool:
    """Does the signal show that what the test was held up for is over?"""
    if kind == "sensor_fault":
        return view.swing_pa > 0.05
    level_alive = view.level_pa is not None and abs(view.level_pa) > 60.0
    return view.swing_pa > 4.0 or (level_alive and kind != "line_blocked")
