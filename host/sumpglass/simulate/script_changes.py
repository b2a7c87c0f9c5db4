"""What a script changes, when, and from which level to which: the ground on which happenings are judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.physics.gas import FloatArray
from sumpglass.simulate.cycle_mean import cycle_mean
from sumpglass.simulate.samples import Chunk
from sumpglass.simulate.script import Scenario, Step


def cause_of(step: Step, steps: tuple[Step, ...], scenario: Scenario) -> str | None:
    """The contract's word for what a step does; None for those that do nothing to the reading's meaning."""
    before = _value_before(step, steps, scenario)
    grows, falls = step.value > before, step.value < before
    if step.action in ("opening", "breather"):
        return "opening" if grows else "closing" if falls else None
    if step.action == "suction":
        return "suction_back" if grows else "suction_lost" if falls else None
    if step.action == "blow_by":
        return "blow_by_rise" if grows else "unknown" if falls else None
    if step.action == "engine":
        return "engine_start" if step.name == "start" else "engine_stop"
    if step.action in ("speed", "load", "blip"):
        return "speed_change"
    if step.action == "tap":
        return "tap_off" if falls else "unknown" if grows else None
    if step.action == "line_block":
        return "line_blocked" if grows else "unknown" if falls else None
    if step.action == "sensor":
        return "sensor_fault" if step.name != "well" else "unknown"
    return None


def _value_before(step: Step, steps: tuple[Step, ...], scenario: Scenario) -> float:
    start = {"suction": 1.0, "breather": 1.0, "blow_by": 1.0, "tap": 1.0, "load": scenario.start_load,
             "speed": scenario.rpm_at_start}.get(step.action, 0.0)  # fmt: skip
    same = [s for s in steps if s.action == step.action and s.t_s < step.t_s]
    if step.action == "opening":
        same = [s for s in same if s.name == step.name]
    return same[-1].value if same else start


@dataclass(frozen=True)
class Change:
    """One step (or several at once) between two settled stretches, as sample numbers."""

    step: Step
    cause: str
    begin: int
    end: int
    """First sample of the next change."""
    onset_s: float
    before_pa: float
    after_pa: float
    rested_s: float
    """How long nothing had happened before."""
    settled: bool
    """Whether the level had stopped moving before."""
    deaf: bool
    """The rig could not hear it: hose off, line shut or sensor at fault."""


class Levels:
    """Levels of one recording over time: averaged over cycles, as the sensor's range shows them, and pulse-free."""

    def __init__(self, scenario: Scenario, samples: Chunk) -> None:
        from sumpglass.simulate.engine import EngineSimulator

        self.scenario, self.t = scenario, samples.t_s
        self.level = cycle_mean(samples.t_s, samples.sensed_mean_pa, samples.turns)
        sensor = scenario.rig.sensor
        seen = np.clip(samples.sensed_pa, sensor.lowest_pa, sensor.highest_pa)
        self.clipped_share = float(np.mean(seen != samples.sensed_pa))
        self.seen_level = self.level if self.clipped_share == 0 else cycle_mean(samples.t_s, seen, samples.turns)
        """The same as a sensor of this range shows it."""
        calm = EngineSimulator(scenario, 0, pulsating=False)
        trace = calm.take(round(scenario.duration_s * scenario.rig.rate_hz))
        self.calm = np.interp(self.t, trace.t_s, trace.sensed_pa)

    def changes(self) -> list[Change]:
        """Steps that may be heard, with the levels before and after."""
        steps = self.scenario.steps
        heard = [(s, c) for s in steps if 0 < s.t_s < self.t[-1] and (c := cause_of(s, steps, self.scenario))]
        begins = [int(np.searchsorted(self.t, step.t_s)) for step, _ in heard] + [len(self.t)]
        found, last_end_s = [], 0.0
        for (step, cause), begin, end in zip(heard, begins, begins[1:]):
            if end - begin < 3 or begin < 3:
                continue
            before = self._settled(max(0, begin - self.samples(2.0)), begin)
            after = self._settled(max(begin, end - self.samples(2.0), (begin + end) // 2), end)
            onset, rested = self._onset(step, begin, end), step.t_s - last_end_s
            still = self._still(max(0, begin - self.samples(1.5)), begin)
            found.append(Change(step, cause, begin, end, onset, before, after, rested, still, self._deaf(step)))
            last_end_s = step.t_s + step.seconds
        return found

    def _deaf(self, step: Step) -> bool:
        """Whether the rig was at fault when this step was made."""
        earlier = [other for other in self.scenario.steps if other.t_s < step.t_s]
        last = {other.action: other for other in earlier}
        off = "tap" in last and last["tap"].value < 1.0
        shut = "line_block" in last and last["line_block"].value > 0.5
        return off or shut or ("sensor" in last and last["sensor"].name != "well")

    def samples(self, seconds: float) -> int:
        """Number of samples in so long."""
        return round(seconds * self.scenario.rig.rate_hz)

    def _settled(self, begin: int, end: int) -> float:
        """Mean of the cycle means, ends left out so that no cycle reaches over the step."""
        margin = min(self.samples(0.2), (end - begin) // 4)
        return float(np.mean(self.level[begin + margin : end - margin]))

    def _still(self, begin: int, end: int) -> bool:
        """Whether the pulse-free level moved by less than a twentieth here."""
        return bool(np.ptp(self.calm[begin:end]) < max(0.05 * abs(float(self.calm[end - 1])), 3.0))

    def _onset(self, step: Step, begin: int, end: int) -> float:
        """When the pulse-free trace had made a tenth of its change; of the step itself where it made none."""
        calm = self.calm[begin:end]
        whole = float(np.mean(calm[-max(1, len(calm) // 10) :])) - float(self.calm[begin - 1])
        if step.action in ("tap", "line_block", "sensor") or abs(whole) < 1.0:
            return step.t_s + 0.1 * step.seconds
        made = (calm - self.calm[begin - 1]) / whole
        return float(self.t[begin + int(np.argmax(made >= 0.1))])

    def held(self, trace: FloatArray, level_pa: float, seconds: float, deeper: bool) -> int | None:
        """First sample from which the trace stays beyond `level_pa` for so long (to its end, if that comes first)."""
        beyond = trace < level_pa if deeper else trace > level_pa
        need = min(self.samples(seconds), len(trace))
        runs = np.convolve(beyond, np.ones(need), mode="valid") >= need - 0.5
        return int(np.argmax(runs)) if runs.any() else None

    def fall_s(self, level: FloatArray, change: Change, above_pa: float, holds_s: float = 0.5) -> float:
        """Time from onset until the level is above `above_pa` for `holds_s`; infinite if it never is."""
        at = self.held(level[change.begin : change.end], above_pa, holds_s, deeper=False)
        return float("inf") if at is None else float(self.t[change.begin + at]) - change.onset_s
