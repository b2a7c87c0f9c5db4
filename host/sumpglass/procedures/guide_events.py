"""What a guided test tells: a step begins, a reading was taken, stop, wait, a mark is wanted, the verdict."""

from __future__ import annotations

from dataclasses import dataclass

from sumpglass.procedures.signal_view import SignalView
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade_test import ConditionNow, Step, Verdict


@dataclass(frozen=True)
class StepBegan:
    """A step is at hand."""

    step: Step
    number: int
    of: int


@dataclass(frozen=True)
class ReadingTaken:
    """A reading was taken."""

    taken: Taken


@dataclass(frozen=True)
class StopCall:
    """Stop now: what to open or stop, and why."""

    words: str


@dataclass(frozen=True)
class Paused:
    """The step waits for something that is none of its own: engine, hose, port."""

    words: str


@dataclass(frozen=True)
class Resumed:
    """What it waited for is back; the step begins anew."""

    words: str


@dataclass(frozen=True)
class Told:
    """Something to know."""

    words: str


@dataclass(frozen=True)
class MarkWanted:
    """A mark for the recording, so that it can be judged again without the guide."""

    text: str


@dataclass(frozen=True)
class Finished:
    """The verdict."""

    verdict: Verdict


GuideEvent = StepBegan | ReadingTaken | StopCall | Paused | Resumed | Told | MarkWanted | Finished


@dataclass(frozen=True)
class GuideStatus:
    """All that a screen shows of a guided test."""

    step: Step | None
    number: int
    of: int
    condition: ConditionNow
    view: SignalView | None
    dead_end_left_s: float | None
    stop: str
    paused: str
    estimate: str
    verdict: Verdict | None
    cautions: tuple[str, ...]
    limit_pa: float
