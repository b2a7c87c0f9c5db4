"""What is true of a simulated recording: settled levels, and the happenings that a perfect ear would tell.

Sizes come from the noise-free pressure at the membrane, averaged over whole engine cycles. Onsets (a tenth of the
change made) come from the same scenario run without pulses, so that averaging does not smear them. Happenings that a
careful judge could see either way (a loss of about half, a level within the zero's uncertainty) are `optional`: a
bench should count them neither as found nor as missed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sumpglass.physics.gas import FloatArray, lpm_from_kg_s
from sumpglass.records import CAUSES, HAPPENING_KINDS
from sumpglass.simulate.script import Scenario, Step

if TYPE_CHECKING:
    from sumpglass.simulate.engine import Chunk

LOSS_WITHIN_S = 2.0
LOSS_HOLDS_S = 0.5
RECOVERY_HOLDS_S = 0.3
LEAST_LEVEL_PA = 15.0
"""Settled vacuum below which nobody would speak of a loss."""
RIG_CAUSES = ("tap_off", "line_blocked", "sensor_fault", "out_of_range")


@dataclass(frozen=True)
class TrueHappening:
    """One happening as the contract's words have it. `optional`: right to tell, and no fault to leave out."""

    kind: str
    t_s: float
    before_pa: float | None
    after_pa: float | None
    cause: str
    optional: bool = False
    also_causes: tuple[str, ...] = ()
    """Other causes that would be right too."""
    until_s: float | None = None
    """An optional one may be told at any moment from `t_s` to here (None: at `t_s`)."""

    def near(self, kind: str, t_s: float, within_s: float = 1.0) -> bool:
        """Whether a happening told at `t_s` is this one."""
        end_s = self.t_s if self.until_s is None else self.until_s
        return kind == self.kind and self.t_s - within_s <= t_s <= end_s + within_s


@dataclass(frozen=True)
class TrueStretch:
    """Between two steps, from the moment the level has settled."""

    t0_s: float
    t1_s: float
    mean_pa: float
    """At the membrane, without the sensor's errors."""
    sd_pa: float
    flow_level_pa: float
    """Level that drives the flow, at the port."""
    port_mean_pa: float
    rpm: float
    engine: str
    opening_cda_m2: float
    """Everything between crankcase and room: seals, breather, openings."""
    net_draw_lpm: float
    """At zero gauge pressure."""


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


def cycle_mean(t_s: FloatArray, values: FloatArray, turns: FloatArray, longest_s: float = 0.4) -> FloatArray:
    """Mean over an engine cycle (two turns) about each sample; at most `longest_s` where the crank hardly turns."""
    if len(t_s) < 3:
        return np.asarray(values, dtype=float)
    step = float(np.median(np.diff(t_s)))
    sums = np.concatenate(([0.0], np.cumsum(values)))
    edges = np.arange(len(sums)) - 0.5
    # Strictly increasing crank angle is needed to turn it back into a sample number.
    climbing = turns + 1e-9 * np.arange(len(turns))
    numbers = np.arange(len(turns), dtype=float)
    low = np.interp(climbing - 1.0, climbing, numbers)
    high = np.interp(climbing + 1.0, climbing, numbers)
    reach = longest_s / step / 2.0
    low, high = np.maximum(low, numbers - reach), np.minimum(high, numbers + reach)
    half = np.maximum(np.maximum(numbers - low, high - numbers), 0.5)
    # Near the ends a whole cycle does not fit: the nearest whole one stands for them.
    first = int(np.argmax(numbers - half >= -0.5)) if np.any(numbers - half >= -0.5) else len(turns) // 2
    fits = np.flatnonzero(numbers + half <= len(turns) - 0.5)
    last = int(fits[-1]) if len(fits) else len(turns) // 2
    begin, end = np.clip(numbers - half, -0.5, None), np.clip(numbers + half, None, len(turns) - 0.5)
    means = (np.interp(end, edges, sums) - np.interp(begin, edges, sums)) / (end - begin)
    means[:first], means[last + 1 :] = means[first], means[last]
    return means


@dataclass(frozen=True)
class _Change:
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


class _Teller:
    """Goes through the changes of one recording in order."""

    def __init__(self, scenario: Scenario, samples: Chunk) -> None:
        from sumpglass.simulate.engine import EngineSimulator

        self.scenario, self.t, self.sensed = scenario, samples.t_s, samples.sensed_mean_pa
        self.samples = samples
        self.level = cycle_mean(samples.t_s, samples.sensed_mean_pa, samples.turns)
        sensor = scenario.rig.sensor
        seen = np.clip(samples.sensed_pa, sensor.lowest_pa, sensor.highest_pa)
        self.clipped_share = float(np.mean(seen != samples.sensed_pa))
        self.seen_level = self.level if self.clipped_share == 0 else cycle_mean(samples.t_s, seen, samples.turns)
        """The same as a sensor of this range shows it."""
        calm = EngineSimulator(scenario, 0, pulsating=False)
        trace = calm.take(round(scenario.duration_s * scenario.rig.rate_hz))
        self.calm = np.interp(self.t, trace.t_s, trace.sensed_pa)
        self.zero_u95 = sensor.offset_u95_pa
        self.lost: tuple[float, bool] | None = None
        """Level of the last loss that has not come back, and whether that loss was sure."""
        self.told: list[TrueHappening] = []

    def changes(self) -> list[_Change]:
        """Steps that may be heard, with the levels before and after."""
        steps = self.scenario.steps
        heard = [(s, c) for s in steps if 0 < s.t_s < self.t[-1] and (c := cause_of(s, steps, self.scenario))]
        begins = [int(np.searchsorted(self.t, step.t_s)) for step, _ in heard] + [len(self.t)]
        found, last_end_s = [], 0.0
        for (step, cause), begin, end in zip(heard, begins, begins[1:]):
            if end - begin < 3 or begin < 3:
                continue
            before = self._settled(max(0, begin - self._samples(2.0)), begin)
            after = self._settled(max(begin, end - self._samples(2.0), (begin + end) // 2), end)
            onset, rested = self._onset(step, begin, end), step.t_s - last_end_s
            still = self._still(max(0, begin - self._samples(1.5)), begin)
            found.append(_Change(step, cause, begin, end, onset, before, after, rested, still, self._deaf(step)))
            last_end_s = step.t_s + step.seconds
        return found

    def _deaf(self, step: Step) -> bool:
        """Whether the rig was at fault when this step was made."""
        earlier = [other for other in self.scenario.steps if other.t_s < step.t_s]
        last = {other.action: other for other in earlier}
        off = "tap" in last and last["tap"].value < 1.0
        shut = "line_block" in last and last["line_block"].value > 0.5
        return off or shut or ("sensor" in last and last["sensor"].name != "well")

    def _samples(self, seconds: float) -> int:
        return round(seconds * self.scenario.rig.rate_hz)

    def _settled(self, begin: int, end: int) -> float:
        """Mean of the cycle means, ends left out so that no cycle reaches over the step."""
        margin = min(self._samples(0.2), (end - begin) // 4)
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

    def loss(self, change: _Change) -> None:
        """A vacuum loses more than half of its level within two seconds, for at least half a second."""
        before = change.before_pa
        if before > -LEAST_LEVEL_PA:
            return
        took = {share: self._fall_s(self.level, change, share * before) for share in (0.6, 0.5, 0.42)}
        if took[0.5] > LOSS_WITHIN_S:
            if took[0.6] < 1.15 * LOSS_WITHIN_S or took[0.5] < 8.0:
                self._tell("sudden_loss", change, change.onset_s, optional=True)
            return
        sure = (
            took[0.42] < 0.85 * LOSS_WITHIN_S and before < -3.0 * self.zero_u95 and change.rested_s > 2.0
            and change.settled and self._plain(change)
            and self._fall_s(self.seen_level, change, 0.45 * before) < LOSS_WITHIN_S
        )  # fmt: skip
        self._tell("sudden_loss", change, change.onset_s, optional=not sure)
        self.lost = (before, sure)

    def recovery(self, change: _Change) -> None:
        """After a loss the vacuum comes back to more than half of the lost level, for at least 0.3 s."""
        if self.lost is None or change.before_pa < 0.5 * self.lost[0]:
            return
        lost_pa, lost_surely = self.lost
        trace = self.level[change.begin : change.end]
        if self._held(trace, 0.5 * lost_pa, RECOVERY_HOLDS_S, deeper=True) is None:
            if self._held(trace, 0.42 * lost_pa, RECOVERY_HOLDS_S, deeper=True) is not None:
                self._tell("recovery", change, change.onset_s, optional=True)
            return
        sure = (
            lost_surely and self._plain(change)
            and self._held(trace, 0.6 * lost_pa, RECOVERY_HOLDS_S, deeper=True) is not None
        )  # fmt: skip
        self._tell("recovery", change, change.onset_s, optional=not sure)
        self.lost = None

    def _fall_s(self, level: FloatArray, change: _Change, above_pa: float) -> float:
        """Time from onset until the level is above `above_pa` to stay; infinite if it never is."""
        at = self._held(level[change.begin : change.end], above_pa, LOSS_HOLDS_S, deeper=False)
        return float("inf") if at is None else float(self.t[change.begin + at]) - change.onset_s

    @staticmethod
    def _plain(change: _Change) -> bool:
        """False for what a bench should not insist on: the rig's own doings, and a blip that comes and goes."""
        return change.step.action not in ("tap", "line_block", "sensor", "blip") and not change.deaf

    def reversal(self, change: _Change) -> None:
        """The settled level crosses zero by more than its uncertainty."""
        before, after = change.before_pa, change.after_pa
        if before * after >= 0 or min(abs(before), abs(after)) < 0.5 * self.zero_u95:
            return
        # The last half cycle reaches into what comes next.
        reach = self._samples(min(0.2, 0.1 * (change.end - change.begin) / self.scenario.rig.rate_hz))
        trace = self.level[change.begin : change.end - reach]
        other_side = np.flatnonzero(np.sign(trace) != np.sign(after))
        at = change.begin + (int(other_side[-1]) + 1 if len(other_side) else 0)
        sure = min(abs(before), abs(after)) > 3.0 * self.zero_u95 and self._plain(change)
        self._tell("sign_reversal", change, float(self.t[min(at, len(self.t) - 1)]), optional=not sure)

    def _held(self, trace: FloatArray, level_pa: float, seconds: float, deeper: bool) -> int | None:
        """First sample from which the trace stays beyond `level_pa` for so long (to its end, if that comes first)."""
        beyond = trace < level_pa if deeper else trace > level_pa
        need = min(self._samples(seconds), len(trace))
        runs = np.convolve(beyond, np.ones(need), mode="valid") >= need - 0.5
        return int(np.argmax(runs)) if runs.any() else None

    def _tell(self, kind: str, change: _Change, t_s: float, optional: bool = False) -> None:
        also: tuple[str, ...] = ()
        if change.cause == "unknown":
            also = ("closing", "tap_off", "line_blocked", "sensor_fault")
        if change.cause == "engine_start" and kind == "recovery":
            also = ("speed_change",)
        if change.step.name == "dead":
            also = ("tap_off",)  # A sensor that hangs about zero looks like a hose in the open air.
        self.told.append(TrueHappening(kind, t_s, change.before_pa, change.after_pa, change.cause, optional, also))

    def _audible(self, change: _Change) -> bool:
        """Whether a line that shuts, or a sensor that stands still, can be told from a quiet engine at all."""
        sensor = self.scenario.rig.sensor
        before = self.samples.sensed_pa[max(0, change.begin - self._samples(2.0)) : change.begin]
        noise = math.hypot(sensor.white_pa, sensor.flicker_pa, sensor.resolution_pa / math.sqrt(12.0))
        if change.step.action == "line_block":
            return float(np.std(before)) > 3.0 * noise
        if change.step.name in ("stuck", "dead"):
            return float(np.std(before)) + noise > 1.5 * sensor.resolution_pa and not change.deaf
        # A recording that merely ends is no fault that its reader could know of.
        return not change.deaf and bool(self.samples.present[change.begin :].any())

    def _allow(self, change: _Change) -> None:
        """What may be told about a change's passing moments, and need not be."""
        allowed = {
            "blip": ("sudden_loss", "recovery", "sign_reversal"),
            "engine": ("sudden_loss", "sign_reversal") if change.step.name == "start" else (),
            "tap": HAPPENING_KINDS, "line_block": HAPPENING_KINDS, "sensor": HAPPENING_KINDS,
        }.get(change.step.action, HAPPENING_KINDS if change.deaf else ())  # fmt: skip
        end_s = change.step.t_s + change.step.seconds + 3.0
        for kind in allowed:
            if not any(h.near(kind, change.onset_s, 0.5) for h in self.told):
                self.told.append(
                    TrueHappening(
                        kind, change.step.t_s, change.before_pa, change.after_pa, change.cause, True, CAUSES, end_s
                    )
                )

    def out_of_range(self) -> None:
        """The level itself stood beyond the sensor's range for half a second."""
        sensor = self.scenario.rig.sensor
        beyond = (self.level < sensor.range_low_pa) | (self.level > sensor.range_high_pa)
        last_s, again_s = -1e9, 10.0
        edges = np.flatnonzero(np.diff(np.concatenate(([0], beyond.astype(np.int8), [0]))))
        for begin, end in edges.reshape(-1, 2):
            begin_s, end_s = float(self.t[begin]), float(self.t[min(end, len(self.t) - 1)])
            apart_s, last_s = begin_s - last_s, end_s
            if end_s - begin_s < 0.5 or apart_s < again_s:
                continue
            deep = np.max(np.abs(self.level[begin:end])) > 1.1 * max(-sensor.lowest_pa, sensor.highest_pa)
            self.told.append(TrueHappening("rig_fault", begin_s, None, None, "out_of_range", optional=not deep))

    def all(self) -> tuple[TrueHappening, ...]:
        """Every happening, by onset."""
        for change in self.changes():
            if change.cause in RIG_CAUSES:
                partly = change.step.value not in (0.0, 1.0)
                self._tell("rig_fault", change, change.onset_s, optional=partly or not self._audible(change))
            self.recovery(change)
            self.loss(change)
            self.reversal(change)
            self._allow(change)
        self.out_of_range()
        if self.clipped_share > 0.01:
            end_s = float(self.t[-1])
            self.told.append(TrueHappening("rig_fault", 0.0, None, None, "out_of_range", True, (), end_s))
        return tuple(sorted(self.told, key=lambda happening: happening.t_s))


def _signed_square(root: float) -> float:
    return root * abs(root)


def _stretches(scenario: Scenario, samples: Chunk, level: FloatArray) -> tuple[TrueStretch, ...]:
    t = samples.t_s
    edges = [0.0, *(s.t_s for s in scenario.steps if 0 < s.t_s < t[-1] and s.action not in ("note", "drift")), t[-1]]
    told = []
    for start_s, end_s in zip(edges, edges[1:]):
        begin, end = np.searchsorted(t, [start_s, end_s])
        if end - begin < 10:
            continue
        tail = level[(begin + end) // 2 : end]
        near = max(0.05 * abs(float(np.mean(tail))), 3.0 * float(np.std(tail)), 3.0)
        off = np.abs(level[begin:end] - np.mean(tail)) > near
        unsettled = np.flatnonzero(off[: (end - begin) // 2])
        begin += int(unsettled[-1]) + 1 if len(unsettled) else 0
        cut = slice(begin, end)
        rpm = float(np.mean(samples.rpm[cut]))
        told.append(
            TrueStretch(
                t0_s=float(t[begin]),
                t1_s=float(t[end - 1]),
                mean_pa=float(np.mean(samples.sensed_mean_pa[cut])),
                sd_pa=float(np.std(samples.sensed_pa[cut])),
                flow_level_pa=_signed_square(float(np.mean(samples.port_root[cut]))),
                port_mean_pa=float(np.mean(samples.port_mean_pa[cut])),
                rpm=rpm,
                engine="running" if np.min(samples.rpm[cut]) > 50.0 else "stopped" if rpm < 50.0 else "unknown",
                opening_cda_m2=float(np.mean(samples.opening_cda_m2[cut])),
                net_draw_lpm=float(lpm_from_kg_s(np.mean(samples.suction_kg_s[cut]))),
            )
        )
    return tuple(told)


def allowed(truth: tuple[TrueHappening, ...], kind: str, t_s: float, within_s: float = 1.0) -> bool:
    """Whether a happening told at `t_s` is true or may pass: what is left is a false alarm."""
    return any(happening.near(kind, t_s, within_s) for happening in truth)


def tell(scenario: Scenario, samples: Chunk) -> tuple[tuple[TrueHappening, ...], tuple[TrueStretch, ...]]:
    """Happenings and settled stretches of a recording that was made from `scenario`."""
    if len(samples.t_s) < 10:
        return (), ()
    teller = _Teller(scenario, samples)
    return teller.all(), _stretches(scenario, samples, teller.level)
