"""The limits of a guided test: of the seals, of the time that a hose is dead-ended, and of the sensor's range."""

from __future__ import annotations

from sumpglass.procedures.guide_course import Course
from sumpglass.procedures.guide_events import GuideEvent, Resumed, StopCall, Told
from sumpglass.procedures.signal_view import SignalView
from sumpglass.procedures.trade_test import Step
from sumpglass.units import in_words

BEYOND_READINGS = 20
"""Readings in a row, a tenth of a second apart, that say "beyond the range" before they are taken as a bound."""
CLIPPED_FOR_S = 2.0
RELIEVED = 0.6
"""A stop call ends when the size of the level is below this part of the limit."""


def past_limit(pressure_pa: float, limit_pa: float) -> str:
    """The stop call: why, and what to do now."""
    return f"{in_words(pressure_pa)} is past the limit of {limit_pa / 1000:g} kPa: open the hose now"


class Limits(Course):
    """A course that calls stop, and takes what lies beyond a limit as the bound that it is."""

    def clipping(self, clipped: bool) -> list[GuideEvent]:
        """Whether the level now stands on samples at the end of the sensor's range."""
        self._keeper.clipped_told = clipped
        return []

    def beyond_range(self, bound_pa: float | None) -> list[GuideEvent]:
        """To be told at every reading of the level, ten times a second: the end of the sensor's range beyond which the
        board says the pressure is, for which it sends no samples; None while it says nothing of the kind."""
        step = self.step
        self._beyond = self._beyond + 1 if bound_pa is not None else 0
        if bound_pa is None or step is None or step.reading is None:
            return []
        events: list[GuideEvent] = []
        if self._pause_kind == "sensor_fault":
            events += self._resume("The sensor is well: the pressure is beyond its range")
        if self._beyond < BEYOND_READINGS or self._paused or self._stop:
            return events
        self._beyond = 0
        limit, view = self.settings["limit_pa"], self._view
        if abs(bound_pa) >= limit and view is not None:
            return [*events, *self._call_stop(step, view, past_limit(bound_pa, limit), limit)]
        more = "deeper" if bound_pa < 0 else "more"
        told = Told(
            f"The pressure is beyond the sensor's range: the reading only says {more} than {in_words(bound_pa)}"
        )
        return [*events, told, *self._take_bound(step, bound_pa)]

    def _look_after_limits(self, step: Step, view: SignalView) -> list[GuideEvent]:
        limit = float(self.settings["limit_pa"])
        fast = view.fast_pa or 0.0
        if self._stop:
            return self._relieved(step, view, fast, limit)
        if abs(fast) > limit:
            return self._call_stop(step, view, past_limit(fast, limit), limit)
        if view.clipped and step.reading is not None:
            self._clipped_since = view.now_s if self._clipped_since is None else self._clipped_since
            if view.now_s - self._clipped_since >= CLIPPED_FOR_S and view.level_pa is not None:
                words = (
                    "The sensor is at the end of its range: the reading only says "
                    f"{'deeper' if view.level_pa < 0 else 'more'} than {in_words(view.level_pa)}"
                )
                return [Told(words), *self._take_bound(step, view.level_pa)]
        else:
            self._clipped_since = None
        if (
            self._dead_since is not None
            and step.dead_ended
            and view.now_s - self._dead_since > self.settings["dead_end_s"]
        ):
            return self._call_stop(
                step, view, f"Dead-ended for {self.settings['dead_end_s']:g} s: open the hose, let it breathe", None
            )
        return []

    def _relieved(self, step: Step, view: SignalView, fast_pa: float, limit_pa: float) -> list[GuideEvent]:
        """Is what the stop was called for over?"""
        if abs(fast_pa) >= RELIEVED * limit_pa:
            return []
        overdue = self._dead_since is not None and view.now_s - self._dead_since > self.settings["dead_end_s"]
        if overdue and not (step.dead_ended and _fallen(fast_pa, self._extremes)):
            return []
        words = "Opened: going on" if overdue else "Relieved: going on"
        self._stop = ""
        if overdue:
            self._dead_since = None
        self._enter(self._index)
        return [Resumed(words)]

    def _call_stop(self, step: Step, view: SignalView, words: str, limit: float | None) -> list[GuideEvent]:
        self._stop = words
        events: list[GuideEvent] = [StopCall(words)]
        if step.reading is not None and limit is not None and not step.keeps_trace:
            bound = -limit if (view.fast_pa or 0.0) < 0 else limit
            events += self._take_bound(step, bound)
        return events


def _fallen(fast_pa: float, extremes: tuple[float | None, float | None]) -> bool:
    """Has the level come back by more than half from its deepest in this step?"""
    deepest = extremes[0]
    return deepest is None or deepest >= 0 or fast_pa > 0.5 * deepest
