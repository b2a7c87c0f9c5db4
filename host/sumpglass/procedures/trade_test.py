"""What a trade test is: why, set-up, cautions, steps with the condition that the signal must show, and a judgement.

A test is one module in `sumpglass.procedures.trade` with a constant `TEST`; `all_tests` finds them. Adding a test is
adding a file.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sumpglass.errors import InputError
from sumpglass.procedures.signal_view import SignalView
from sumpglass.procedures.taken import Taken

CAUTIONS: dict[str, str] = {
    "running": "Running engine: fan, belts, hot parts, hands and hoses clear; wheels chocked, brake on, out of gear.",
    "monoxide": "Carbon monoxide kills: outdoors or with an exhaust extractor. Open doors do not make it safe.",
    "vapour": (
        "Crankcase vapour burns: no flame, no sparks; electronics away from the port, low voltage only; a catch "
        "loop keeps oil out of the sensor."
    ),
    "air": "Never blow compressed air into a crankcase.",
    "dead_end": (
        "Never dead-end the breather for longer than the reading takes: the clock on screen counts. Stop at the "
        "limit set for the seals."
    ),
    "dead_end_unwatched": (
        "Never dead-end the breather for longer than the reading takes; stop at the limit set for the seals: 3.5 kPa "
        "either way unless the maker's manual says otherwise."
    ),
    "manual": (
        "Maker's manual and local rules come first; emission parts may be regulated. This tool assists a "
        "competent person and certifies nothing."
    ),
    "thread": "Taper threads seal by wedging: do not over-tighten into a thin cover; keep swarf out.",
    "seals": "Old seals: never deep, never with pressure.",
}
"""Cautions that a person always sees, by name. Carbon monoxide: NIOSH publication 96-118a."""
SESSION_CAUTIONS = ("manual", "vapour", "air")
"""Shown before the first step of any test."""
RUNNING_CAUTIONS = ("running", "monoxide")
SEARCH_CAUTIONS = (*RUNNING_CAUTIONS, "vapour", "air", "dead_end_unwatched", "manual")
"""Shown where the search for a fault sends somebody to an engine: all tests of the layouts are at warm idle."""


@dataclass(frozen=True)
class ConditionNow:
    """Whether the signal shows what the step waits for. `words` say what is seen, or what is missing."""

    met: bool
    words: str


Condition = Callable[[SignalView], ConditionNow]


@dataclass(frozen=True)
class Step:
    """One thing to do. `words` in large type, `detail` under it.

    With `reading` set, the settled level at the end of the step is taken under that name, with `values` beside it.
    `by_hand`: only the button or a key ends it. `skip` looks at what has been taken and returns why the step is not
    needed, or None. `engine` is what the engine must do during the step: "running", "stopped" or "any".
    """

    id: str
    words: str
    detail: str = ""
    condition: Condition | None = None
    condition_words: str = ""
    """What the signal must show, for the screen, before anything is seen of it."""
    reading: str | None = None
    values: Mapping[str, Any] = field(default_factory=dict)
    by_hand: bool = False
    needs_acknowledgement: bool = False
    cautions: tuple[str, ...] = ()
    engine: str = "any"
    dead_ended: bool = False
    settle_s: float = 0.0
    """Time that settling should take."""
    keeps_trace: bool = False
    """The whole trace of the step is kept with its reading (a decay)."""
    keeps_pulses: bool = False
    """That trace is kept sample by sample, not thinned."""
    skip: Callable[[Sequence[Taken]], str | None] | None = None
    mark: str = ""
    """Mark to set when the step begins, so that the recording can be judged again without the guide."""


@dataclass(frozen=True)
class Figure:
    """A computed figure with its 95 % interval; None where it is not known."""

    name: str
    value: float | None
    lo95: float | None
    hi95: float | None
    unit: str


@dataclass(frozen=True)
class Verdict:
    """What a test says. `state`: "good", "fault", "undecided" or "told" (a figure without a limit)."""

    state: str
    sentence: str
    figures: tuple[Figure, ...] = ()
    next_step: str = ""
    """What would decide it, or what to do next."""
    does_not_prove: str = ""
    warnings: tuple[str, ...] = ()
    details: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class TradeTest:
    """A test of the trade. `plan` makes the steps from the settings; `judge` the verdict from the readings taken;
    `estimate` (may be None) a running estimate, in words, while readings come in."""

    id: str
    title: str
    why: str
    set_up: str
    does_not_prove: str
    plan: Callable[[Mapping[str, Any]], tuple[Step, ...]]
    judge: Callable[[Sequence[Taken], Mapping[str, Any]], Verdict]
    running_engine: bool = True
    minutes: float = 5.0
    defaults: Mapping[str, Any] = field(default_factory=dict)
    estimate: Callable[[Sequence[Taken], Mapping[str, Any]], str] | None = None
    order: int = 50

    @property
    def cautions(self) -> tuple[str, ...]:
        """Sentences shown before the first step."""
        names = (*RUNNING_CAUTIONS, *SESSION_CAUTIONS) if self.running_engine else SESSION_CAUTIONS
        return tuple(CAUTIONS[name] for name in names)

    def settings(self, given: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """Defaults with what was given. Raises InputError for a setting that the test does not have."""
        merged = {**COMMON_SETTINGS, **self.defaults}
        for name, value in (given or {}).items():
            if name not in merged:
                raise InputError(f"the test {self.id} has no setting {name!r}, expected one of {', '.join(merged)}")
            merged[name] = value
        return merged


COMMON_SETTINGS: dict[str, Any] = {
    "limit_pa": 3500.0,
    "range_pa": None,
    "zero_pa": 0.0,
    "zero_u95_pa": 10.0,
    "cylinders": None,
    "dead_end_s": 40.0,
}
"""Settings of every test. The zero is already subtracted from what the guide is fed: `zero_u95_pa` is how well it is
known. The limit is the greatest crankcase vacuum or pressure that a published service manual allows a used engine."""


def all_tests() -> dict[str, TradeTest]:
    """Every test found in `sumpglass.procedures.trade`, in the order in which a job would meet them."""
    from sumpglass.procedures import trade

    found = [
        importlib.import_module(f"{trade.__name__}.{module.name}").TEST
        for module in pkgutil.iter_modules(trade.__path__)
        if not module.name.startswith("_")
    ]
    return {test.id: test for test in sorted(found, key=lambda t: t.order)}


def find_test(name: str) -> TradeTest:
    """The test with that id. Raises InputError with the names there are."""
    tests = all_tests()
    if name not in tests:
        raise InputError(f"there is no test {name!r}, expected one of {', '.join(tests)}")
    return tests[name]
