"""A guided test as a pure state machine: samples, detector, button and keys in; steps, readings, stop calls, verdict
out.

It has no clock and does no I/O: time is that of the samples. What it knows can be written to JSON at any moment and
taken up later, with the readings so far.

A step goes on by itself when its condition has held for `HOLD_TICKS` looks at the signal, or at `press` (the board's
button, a key). `back` undoes the last step with its reading, `redo` begins the step anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sumpglass.errors import InputError
from sumpglass.procedures.guide_events import (
    GuideEvent,
    GuideStatus,
    Told,
)
from sumpglass.procedures.guide_keep import read_state, state_fields, verdict_fields
from sumpglass.procedures.guide_limits import Limits
from sumpglass.procedures.guide_readings import pieces
from sumpglass.procedures.guide_rig import FAULTS, UNPLUGGED, GoOn, Hold
from sumpglass.procedures.settled import SettledLevel
from sumpglass.procedures.signal_view import SignalView
from sumpglass.procedures.trade_test import CAUTIONS, ConditionNow, Step, Verdict, find_test
from sumpglass.procedures.way_to_room import LOOK_BACK_S, way_to_room
from sumpglass.records import FloatArray

TICK_S = 0.25
HOLD_TICKS = 3
MOVED_WITHIN_S = 15.0
SETTLES_S = 6.0
NOTED = "Noted. It is read as soon as it has settled; press again to read it now"
GAP_S = 1.0
"""A hole in the samples that is longer than this begins the step anew."""
LOST_S, LOST_FOR_S = 0.1, 3.0
"""Samples that are missing for so long were lost on the way; for so long after that a "silent sensor" is no more."""


class Guide(Limits):
    """One run of a test. Every method returns the events that it caused."""

    # --- what a screen shows ---------------------------------------------------------------------------------------

    @property
    def status(self) -> GuideStatus:
        """Everything at this moment."""
        step = self.step
        cautions: tuple[str, ...] = ()
        if step is not None:
            cautions = self.test.cautions if step.id == "cautions" else tuple(CAUTIONS[c] for c in step.cautions)
        left = None
        if self._dead_since is not None and self._view is not None:
            left = self.settings["dead_end_s"] - (self._view.now_s - self._dead_since)
        return GuideStatus(
            step,
            self._index + 1,
            len(self.steps),
            self._condition,
            self._view,
            left,
            self._stop,
            self._paused,
            self._estimate,
            self.verdict,
            cautions,
            float(self.settings["limit_pa"]),
        )

    # --- inputs ----------------------------------------------------------------------------------------------------

    def feed(self, t_s: FloatArray, pressure_pa: FloatArray) -> list[GuideEvent]:
        """Samples in order of time, the zero subtracted."""
        events: list[GuideEvent] = []
        if len(t_s) == 0 or self.verdict is not None:
            return events
        first = float(t_s[0])
        if self._sample_s is not None and first - self._sample_s > LOST_S + 2.0 * _step_s(t_s):
            self._lost_at_s = first
        self._sample_s = float(t_s[-1])
        known = self._keeper.now_s
        if known and (first - known > GAP_S or first < known):
            self._keeper.clear()
            events += self._again(f"{abs(first - known):.1f} s of samples are missing: the step begins anew")
        for piece in pieces(t_s, TICK_S):
            self._keeper.add(t_s[piece], pressure_pa[piece])
            if self._began_s is None:
                self._begin_at(self._keeper.now_s)
            if self._next_tick_s is None or self._keeper.now_s >= self._next_tick_s:
                self._next_tick_s = self._keeper.now_s + TICK_S * 0.999
                events += self._tick()
                if self.verdict is not None:
                    break
        return events

    def engine(self, state: str, firing_hz: float | None = None, rpm: float | None = None) -> list[GuideEvent]:
        """What the detector says of the engine: "running", "stopped" or "unknown".

        A speed is told only where the number of cylinders is known, so that number is learned from it.
        """
        if self.settings["cylinders"] is None and firing_hz and rpm:
            self.settings["cylinders"] = round(120.0 * firing_hz / rpm)
        self._keeper.engine_told = self._keeper.engine_told or state != "unknown"
        self._keeper.engine, self._keeper.firing_hz = state, firing_hz
        return []

    def happening(self, cause: str) -> list[GuideEvent]:
        """The detector flagged a cause that concerns the rig."""
        words = FAULTS.get(cause)
        if words is None or self.step is None or self.step.id == "cautions":
            return []
        if self.step.engine == "stopped":
            # With the engine off a hose open to the room and a still reading are what the step asks for: said, no more.
            return [Told(words.partition(":")[0] + ", it seems: with the engine off that may be as it should")]
        if self.step.by_hand and self.step.reading is None:
            return [Told(words.partition(":")[0] + ", it seems: look again once all is fitted")]
        if (cause == "line_blocked" and self._moved()) or (cause == "sensor_fault" and not self._sensor_failed()):
            return []
        if cause == "tap_off":
            return [] if self._paused else self._hold(self._rig.flag_hose(self._keeper.now_s))
        return self._pause(cause, words)

    def _sensor_failed(self) -> bool:
        """Neither is the pressure beyond its range, nor were the samples lost on the way: then it is the sensor."""
        lost = self._lost_at_s is not None and self._keeper.now_s - self._lost_at_s < LOST_FOR_S
        return not (self._beyond or lost)

    def _moved(self) -> bool:
        """Has the level just moved by a lot in this step? A gauge line that passes that is not blocked."""
        low, high = self._extremes
        view = self._view
        if low is None or high is None or view is None or view.in_step_s > MOVED_WITHIN_S:
            return False
        return high - low > max(30.0, 0.15 * max(abs(low), abs(high)))

    def connection(self, connected: bool) -> list[GuideEvent]:
        """The port went away or came back."""
        if not connected:
            return self._pause("port", UNPLUGGED)
        if self._pause_kind == "port":
            self._keeper.clear()
            return self._resume("The rig is back: the step begins anew")
        return []

    def acknowledge(self) -> list[GuideEvent]:
        """The deliberate yes to the cautions of a test with a running engine."""
        step = self.step
        if step is None or not step.needs_acknowledgement:
            return []
        return self._done(None)

    def press(self) -> list[GuideEvent]:
        """The board's button, or the key that goes on."""
        step = self.step
        if step is None:
            return []
        if step.needs_acknowledgement:
            return [Told("Acknowledge the cautions first: a running engine is about to be worked at")]
        if self._paused:
            return self._resume("Going on: the step begins anew")
        if self._stop:
            return [Told(self._stop)]
        if step.reading is None:
            return self._done(None)
        if step.by_hand and not self._armed and (self._steady_since is None or self._doubted(step)):
            self._armed = True
            why = self._condition.words if self._steady_since is not None else ""
            return [Told(f"{why} Press again to take it all the same" if why else NOTED)]
        level = self._level_by_hand()
        if level is None:
            return [Told("There are too few samples in this step to take a reading")]
        settled = self._steady_since is not None
        events = self._take(step, level, "", settled)
        if not settled:
            events.insert(0, Told("Taken by hand before it had settled: its uncertainty is widened"))
        return events

    def _doubted(self, step: Step) -> bool:
        """Steady for long enough to be read, and yet not what the step asks for?"""
        view = self._view
        long_enough = view is not None and view.in_step_s > max(step.settle_s, SETTLES_S)
        return long_enough and step.condition is not None and not self._condition.met

    # --- keeping ---------------------------------------------------------------------------------------------------

    def to_fields(self) -> dict[str, Any]:
        """State for JSON: the test can be taken up from it another day."""
        done = [self.steps[i].id for i in self._history]
        return state_fields(self.test.id, self.settings, self.steps[self._index].id, done, self.taken)

    @staticmethod
    def from_fields(fields: Mapping[str, Any]) -> Guide:
        """The guide as it was. Cautions must be read again. Raises InputError for a state that is none."""
        state = read_state(fields)
        guide = Guide(find_test(state.test), state.settings)
        guide.taken = list(state.taken)
        ids = [s.id for s in guide.steps]
        unknown = [name for name in (*state.done, state.step) if name not in ids]
        if unknown:
            raise InputError(
                f"the state of the guided test names the step {ascii(unknown[0])}, which the test {state.test} does "
                "not have; expected a state that this program wrote"
            )
        guide._history = [ids.index(name) for name in state.done]
        guide._index = ids.index(state.step)
        guide._refresh_estimate()
        return guide

    def result_fields(self) -> dict[str, Any]:
        """What the casebook keeps: the verdict, and everything needed to compute it again."""
        if self.verdict is None:
            raise InputError("the test has no verdict yet, expected it to be finished")
        return {
            **verdict_fields(self.verdict),
            "test": self.test.id,
            "title": self.test.title,
            "state": self.to_fields(),
        }

    # --- inside ----------------------------------------------------------------------------------------------------

    def _way(self) -> str:
        return way_to_room(*self._keeper.since(self._keeper.now_s - LOOK_BACK_S))

    def _tick(self) -> list[GuideEvent]:
        step = self.steps[self._index]
        if self._began_s is None:
            self._begin_at(self._keeper.now_s)
        began = self._began_s or 0.0
        level = self._keeper.settled(began)
        if level is None:
            self._steady_since = None
        elif self._steady_since is None:
            self._steady_since = level.t0_s
        steady = 0.0 if self._steady_since is None else self._keeper.now_s - self._steady_since
        view = self._keeper.view(began, self._step_level, self._extremes, steady, self.taken)
        self._view = view
        self._note_extremes(view)
        if step.id == "cautions":
            return []
        events: list[GuideEvent] = []
        word = self._rig.look(step, view, self._pause_kind, self._keeper.engine_told, self._way)
        if isinstance(word, Hold):
            events = self._hold(word)
        elif isinstance(word, GoOn):
            events = self._resume(word.words)
        if self._paused:
            return events
        events += self._look_after_limits(step, view)
        if self._index < len(self.steps) and self.steps[self._index] is not step:
            return events
        if self._stop or self.verdict is not None:
            return events
        return events + self._look_at_condition(step, view, level)

    def _note_extremes(self, view: SignalView) -> None:
        if view.level_pa is None:
            return
        low, high = self._extremes
        now = view.fast_pa if view.fast_pa is not None else view.level_pa
        self._extremes = (now if low is None else min(low, now), now if high is None else max(high, now))

    def _look_at_condition(self, step: Step, view: SignalView, level: SettledLevel | None) -> list[GuideEvent]:
        if step.condition is None:
            self._condition = ConditionNow(False, step.condition_words or "press when done")
            return []
        self._condition = step.condition(view)
        self._held = self._held + 1 if self._condition.met else 0
        if (step.by_hand and not self._armed) or self._held < HOLD_TICKS:
            return []
        if step.reading is None:
            return self._done(None)
        if step.keeps_trace:
            return self._take(step, level or self._level_by_hand(), "", True)
        steady = self._steady_level() or level or self._level_by_hand()
        return self._take(step, steady, "", level is not None) if steady is not None else []


def _step_s(t_s: FloatArray) -> float:
    return float(t_s[-1] - t_s[0]) / max(len(t_s) - 1, 1)


def judge_again(fields: Mapping[str, Any]) -> Verdict:
    """The verdict computed anew from what the casebook keeps. Raises InputError."""
    state = fields.get("state")
    if not isinstance(state, Mapping):
        raise InputError("the result has no readings to compute from")
    guide = Guide.from_fields(state)
    return guide.test.judge(guide.taken, guide.settings)
