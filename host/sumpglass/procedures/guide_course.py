"""The course of a guided test: which step is at hand, what was taken so far, what it waits for, and its verdict."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sumpglass.errors import InputError
from sumpglass.procedures.guide_events import (
    Finished,
    GuideEvent,
    MarkWanted,
    Paused,
    ReadingTaken,
    Resumed,
    StepBegan,
    Told,
)
from sumpglass.procedures.guide_readings import bound_level, level_by_hand, steady_level, trace_since
from sumpglass.procedures.guide_rig import Hold, RigWatch
from sumpglass.procedures.settled import SettledLevel
from sumpglass.procedures.signal_view import SignalKeeper, SignalView
from sumpglass.procedures.taken import Taken, taken_from
from sumpglass.procedures.trade_test import ConditionNow, Step, TradeTest, Verdict


class Course:
    """Steps forth and back; every method that changes something returns the events that it caused."""

    def __init__(self, test: TradeTest, settings: Mapping[str, Any] | None = None) -> None:
        self.test = test
        self.settings = test.settings(settings)
        self.steps = (self._caution_step(), *test.plan(self.settings))
        self.taken: list[Taken] = []
        self.verdict: Verdict | None = None
        self._index = 0
        self._history: list[int] = []
        """Steps that were done, for `back`."""
        self._keeper = SignalKeeper(self.settings["range_pa"])
        self._began_s: float | None = None
        self._step_level: float | None = None
        self._extremes: tuple[float | None, float | None] = (None, None)
        self._next_tick_s: float | None = None
        self._held = 0
        self._armed = False
        """Somebody said that the step is done; its reading waits for the level to settle."""
        self._steady_since: float | None = None
        self._dead_since: float | None = None
        self._stop = ""
        self._paused = ""
        self._pause_kind = ""
        self._rig = RigWatch()
        self._clipped_since: float | None = None
        self._sample_s: float | None = None
        """Time of the newest sample, be it a reading or a failure to read."""
        self._lost_at_s: float | None = None
        self._beyond = 0
        self._condition = ConditionNow(False, "")
        self._view: SignalView | None = None
        self._estimate = ""

    def _caution_step(self) -> Step:
        words = "Read the cautions, then say that you have" if self.test.running_engine else "Read the cautions"
        return Step(
            "cautions",
            words,
            self.test.set_up,
            by_hand=True,
            needs_acknowledgement=self.test.running_engine,
            condition_words="a key" if not self.test.running_engine else "your word that you have read them",
        )

    @property
    def step(self) -> Step | None:
        """The step at hand; None after the verdict."""
        return None if self.verdict is not None else self.steps[self._index]

    def begin(self) -> list[GuideEvent]:
        """The first step, or after `from_fields` the one that was broken off."""
        return self._enter(self._index)

    def back(self) -> list[GuideEvent]:
        """Undo the last step, with the reading that it took."""
        self.verdict = None
        if self._history:
            index = self._history.pop()
            name = self.steps[index].reading
            if name is not None:
                at = max((i for i, t in enumerate(self.taken) if t.name == name), default=None)
                if at is not None:
                    del self.taken[at]
            self._index = index
        self._refresh_estimate()
        return self._enter(self._index)

    def redo(self) -> list[GuideEvent]:
        """Begin this step anew."""
        return self._enter(self._index)

    def _enter(self, index: int) -> list[GuideEvent]:
        self._index = index
        step = self.steps[index]
        self._began_s = None
        self._armed = False
        self._held, self._steady_since, self._clipped_since = 0, None, None
        self._extremes = (None, None)
        self._condition = ConditionNow(False, step.condition_words)
        if not step.dead_ended:
            self._dead_since = None
        events: list[GuideEvent] = [StepBegan(step, index + 1, len(self.steps))]
        if step.mark:
            events.append(MarkWanted(step.mark))
        return events

    def _begin_at(self, now_s: float) -> None:
        self._began_s = now_s
        self._step_level = self._keeper.mean(1.0)
        self._keeper.keep_from_s = now_s if self.steps[self._index].keeps_trace else None
        if self.steps[self._index].dead_ended and self._dead_since is None:
            self._dead_since = now_s

    def _again(self, words: str) -> list[GuideEvent]:
        """Begin the step anew because of the signal; nothing that was taken is lost."""
        step = self.step
        if step is None or step.id == "cautions":
            return []
        self._enter(self._index)
        return [Told(words)]

    def _pause(self, kind: str, words: str) -> list[GuideEvent]:
        if self._pause_kind == kind or self.step is None:
            return []
        self._paused, self._pause_kind = words, kind
        self._dead_since = None
        return [Paused(words)]

    def _hold(self, word: Hold) -> list[GuideEvent]:
        """Wait, or say better what is waited for."""
        if self._paused == word.words:
            return []
        self._pause_kind = ""
        return self._pause(word.kind, word.words)

    def _resume(self, words: str) -> list[GuideEvent]:
        self._paused = self._pause_kind = ""
        self._rig.forget()
        self._enter(self._index)
        return [Resumed(words)]

    def _steady_level(self) -> SettledLevel | None:
        return steady_level(self._keeper, self._steady_since)

    def _level_by_hand(self) -> SettledLevel | None:
        return level_by_hand(self._keeper, self._steady_since, self._began_s)

    def _take(self, step: Step, level: SettledLevel | None, bound: str, settled: bool) -> list[GuideEvent]:
        if level is None or step.reading is None:
            return []
        values = dict(step.values)
        if self._keeper.firing_hz is not None:
            values["firing_hz"] = self._keeper.firing_hz
        trace = trace_since(self._keeper, self._began_s or 0.0, step.keeps_pulses) if step.keeps_trace else None
        taken = taken_from(step.reading, level, values, bound, settled, trace)
        return self._done(taken)

    def _take_bound(self, step: Step, bound_pa: float) -> list[GuideEvent]:
        level = bound_level(self._keeper, bound_pa)
        return self._take(step, level, "deeper" if bound_pa < 0 else "above", False)

    def _done(self, taken: Taken | None) -> list[GuideEvent]:
        events: list[GuideEvent] = []
        if taken is not None:
            self.taken.append(taken)
            events.append(ReadingTaken(taken))
        self._history.append(self._index)
        self._refresh_estimate()
        for index in range(self._index + 1, len(self.steps)):
            step = self.steps[index]
            why = step.skip(self.taken) if step.skip is not None else None
            if why is None:
                return events + self._enter(index)
            events.append(Told(f"Not needed: {step.words[0].lower()}{step.words[1:]} ({why})"))
        return events + self._finish()

    def _finish(self) -> list[GuideEvent]:
        try:
            self.verdict = self.test.judge(self.taken, self.settings)
        except InputError as error:
            self.verdict = Verdict(
                "undecided", str(error)[:1].upper() + str(error)[1:] + ".", does_not_prove=self.test.does_not_prove
            )
        self._dead_since = None
        return [Finished(self.verdict)]

    def _refresh_estimate(self) -> None:
        if self.test.estimate is None:
            self._estimate = ""
            return
        try:
            self._estimate = self.test.estimate(self.taken, self.settings)
        except InputError:
            self._estimate = ""
