"""The simulator as a source, without any firmware: for machines on which the virtual board cannot run."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from sumpglass.link.source import Arrival, Readings, SourceFacts
from sumpglass.records import Zero
from sumpglass.simulate.engine import EngineSimulator
from sumpglass.simulate.script import Scenario, Step

PIECE_S = 0.05
"""Readings come in pieces of so long, as from a board."""


class SimulatedSource:
    """Gives a scenario's readings by the clock; after the script the engine simply runs on."""

    def __init__(self, scenario: Scenario, seed: int = 0, clock: Callable[[], float] = time.monotonic) -> None:
        rig = scenario.rig
        zero = Zero(rig.sensor.offset_pa, 5.0, 0.0)
        self.facts = SourceFacts(
            "simulator", "VIRTUAL", rig.sensor.facts, zero, scenario.engine.cylinders, scenario.title, rig.rate_hz
        )
        self.simulator = EngineSimulator(scenario, seed)
        self._clock = clock
        self._start = clock()
        self._marks_given = 0

    @property
    def true_time_s(self) -> float:
        """Seconds since the engine was first watched."""
        return self._clock() - self._start

    def apply(self, step: Step) -> Step:
        """Something happens now; returns the step with the time it got."""
        return self.simulator.apply(step)

    def poll(self, wait_s: float = 0.0) -> list[Arrival]:
        """The pieces that are due, and the script's marks."""
        due = self.true_time_s - self.simulator.now_s
        if due < PIECE_S:
            time.sleep(max(0.0, min(wait_s, PIECE_S - due)))
            return []
        chunk = self.simulator.advance(PIECE_S * int(due / PIECE_S))
        arrivals: list[Arrival] = [Readings(chunk.t_s, chunk.pressure_pa)] if len(chunk.t_s) else []
        marks = self.simulator.marks
        arrivals += marks[self._marks_given :]
        self._marks_given = len(marks)
        return arrivals

    def request(self, kind: int, fields: dict[str, Any] | None = None) -> int | None:
        """There is no board to ask."""
        del kind, fields
        return None

    def restart(self) -> None:
        """There is no board to begin anew."""

    def close(self) -> None:
        """Nothing to let go of."""
