"""Happenings of a simulated recording, by the contract's definitions."""

from __future__ import annotations

import math

import numpy as np

from sumpglass.records import CAUSES, HAPPENING_KINDS
from sumpglass.simulate.samples import Chunk
from sumpglass.simulate.script import Scenario
from sumpglass.simulate.script_changes import Change, Levels
from sumpglass.simulate.truth import TrueHappening

LOSS_WITHIN_S = 2.0
RECOVERY_HOLDS_S = 0.3
RANGE_HOLDS_S = 0.5
LEAST_LEVEL_PA = 15.0
"""Settled vacuum below which nobody would speak of a loss."""
RIG_CAUSES = ("tap_off", "line_blocked", "sensor_fault", "out_of_range")


class Teller:
    """Goes through the changes of one recording in order."""

    def __init__(self, scenario: Scenario, samples: Chunk, levels: Levels) -> None:
        self._scenario, self._samples, self._levels = scenario, samples, levels
        self._zero_u95 = scenario.rig.sensor.offset_u95_pa
        self._lost: tuple[float, bool] | None = None
        """Level of the last loss that has not come back, and whether that loss was sure."""
        self._told: list[TrueHappening] = []

    def loss(self, change: Change) -> None:
        """A vacuum loses more than half of its level within two seconds, for at least half a second."""
        before = change.before_pa
        if before > -LEAST_LEVEL_PA:
            return
        took = {share: self._levels.fall_s(self._levels.level, change, share * before) for share in (0.6, 0.5, 0.42)}
        if took[0.5] > LOSS_WITHIN_S:
            if took[0.6] < 1.15 * LOSS_WITHIN_S or took[0.5] < 8.0:
                self._tell("sudden_loss", change, change.onset_s, optional=True)
            return
        sure = (
            took[0.42] < 0.85 * LOSS_WITHIN_S and before < -3.0 * self._zero_u95 and change.rested_s > 2.0
            and change.settled and self._plain(change)
            and self._levels.fall_s(self._levels.seen_level, change, 0.45 * before) < LOSS_WITHIN_S
        )  # fmt: skip
        self._tell("sudden_loss", change, change.onset_s, optional=not sure)
        self._lost = (before, sure)

    def recovery(self, change: Change) -> None:
        """After a loss the vacuum comes back to more than half of the lost level, for at least 0.3 s."""
        if self._lost is None or change.before_pa < 0.5 * self._lost[0]:
            return
        lost_pa, lost_surely = self._lost
        trace = self._levels.level[change.begin : change.end]
        if self._levels.held(trace, 0.5 * lost_pa, RECOVERY_HOLDS_S, deeper=True) is None:
            if self._levels.held(trace, 0.42 * lost_pa, RECOVERY_HOLDS_S, deeper=True) is not None:
                self._tell("recovery", change, change.onset_s, optional=True)
            return
        sure = (
            lost_surely and self._plain(change)
            and self._levels.held(trace, 0.6 * lost_pa, RECOVERY_HOLDS_S, deeper=True) is not None
        )  # fmt: skip
        self._tell("recovery", change, change.onset_s, optional=not sure)
        self._lost = None

    @staticmethod
    def _plain(change: Change) -> bool:
        """False for what a bench should not insist on: the rig's own doings, and a blip that comes and goes."""
        return change.step.action not in ("tap", "line_block", "sensor", "blip") and not change.deaf

    def reversal(self, change: Change) -> None:
        """The settled level crosses zero by more than its uncertainty."""
        before, after = change.before_pa, change.after_pa
        if before * after >= 0 or min(abs(before), abs(after)) < 0.5 * self._zero_u95:
            return
        # The last half cycle reaches into what comes next.
        reach = self._levels.samples(min(0.2, 0.1 * (change.end - change.begin) / self._scenario.rig.rate_hz))
        trace = self._levels.level[change.begin : change.end - reach]
        other_side = np.flatnonzero(np.sign(trace) != np.sign(after))
        at = change.begin + (int(other_side[-1]) + 1 if len(other_side) else 0)
        sure = min(abs(before), abs(after)) > 3.0 * self._zero_u95 and self._plain(change)
        self._tell("sign_reversal", change, float(self._levels.t[min(at, len(self._levels.t) - 1)]), optional=not sure)

    def _tell(self, kind: str, change: Change, t_s: float, optional: bool = False) -> None:
        also: tuple[str, ...] = ()
        if change.cause == "unknown":
            also = ("closing", "tap_off", "line_blocked", "sensor_fault")
        if change.cause == "engine_start" and kind == "recovery":
            also = ("speed_change",)
        if kind != "rig_fault" and self._leaves_range(change):
            also = (*also, "out_of_range")  # What is told beside a reading beyond the range may carry its cause.
        if change.step.name == "dead":
            also = (*also, "tap_off")  # A sensor that hangs about zero looks like a hose in the open air.
        self._told.append(TrueHappening(kind, t_s, change.before_pa, change.after_pa, change.cause, optional, also))

    def _leaves_range(self, change: Change) -> bool:
        """Whether the level itself stands beyond the sensor's range, for half a second, before the next change."""
        sensor, level = self._scenario.rig.sensor, self._levels.level[change.begin : change.end]
        beyond = (level < sensor.range_low_pa) | (level > sensor.range_high_pa)
        return int(np.count_nonzero(beyond)) > self._levels.samples(RANGE_HOLDS_S)

    def _audible(self, change: Change) -> bool:
        """Whether a line that shuts, or a sensor that stands still, can be told from a quiet engine at all."""
        sensor = self._scenario.rig.sensor
        before = self._samples.sensed_pa[max(0, change.begin - self._levels.samples(2.0)) : change.begin]
        noise = math.hypot(sensor.white_pa, sensor.flicker_pa, sensor.resolution_pa / math.sqrt(12.0))
        if change.step.action == "line_block":
            return float(np.std(before)) > 3.0 * noise
        if change.step.name in ("stuck", "dead"):
            return float(np.std(before)) + noise > 1.5 * sensor.resolution_pa and not change.deaf
        # A recording that merely ends is no fault that its reader could know of.
        return not change.deaf and bool(self._samples.present[change.begin :].any())

    def _allow(self, change: Change) -> None:
        """What may be told about a change's passing moments, and need not be."""
        allowed = {
            "blip": ("sudden_loss", "recovery", "sign_reversal"),
            "engine": ("sudden_loss", "sign_reversal") if change.step.name == "start" else (),
            "tap": HAPPENING_KINDS, "line_block": HAPPENING_KINDS, "sensor": HAPPENING_KINDS,
        }.get(change.step.action, HAPPENING_KINDS if change.deaf else ())  # fmt: skip
        end_s = change.step.t_s + change.step.seconds + 3.0
        for kind in allowed:
            # A blip ends where it began: a tenth of what is left between the two may lie anywhere.
            onset_s = change.step.t_s if change.step.action == "blip" else change.onset_s
            if not any(h.near(kind, onset_s, 0.5) for h in self._told):
                self._told.append(
                    TrueHappening(
                        kind, change.step.t_s, change.before_pa, change.after_pa, change.cause, True, CAUSES, end_s
                    )
                )

    def out_of_range(self) -> None:
        """The level itself stood beyond the sensor's range for half a second."""
        sensor = self._scenario.rig.sensor
        beyond = (self._levels.level < sensor.range_low_pa) | (self._levels.level > sensor.range_high_pa)
        last_s, again_s = -1e9, 10.0
        edges = np.flatnonzero(np.diff(np.concatenate(([0], beyond.astype(np.int8), [0]))))
        for begin, end in edges.reshape(-1, 2):
            begin_s, end_s = float(self._levels.t[begin]), float(self._levels.t[min(end, len(self._levels.t) - 1)])
            apart_s, last_s = begin_s - last_s, end_s
            if end_s - begin_s < RANGE_HOLDS_S or apart_s < again_s:
                continue
            deep = np.max(np.abs(self._levels.level[begin:end])) > 1.1 * max(-sensor.lowest_pa, sensor.highest_pa)
            self._told.append(TrueHappening("rig_fault", begin_s, None, None, "out_of_range", optional=not deep))

    def all(self) -> tuple[TrueHappening, ...]:
        """Every happening, by onset."""
        for change in self._levels.changes():
            if change.cause in RIG_CAUSES:
                partly = change.step.value not in (0.0, 1.0)
                self._tell("rig_fault", change, change.onset_s, optional=partly or not self._audible(change))
            self.recovery(change)
            self.loss(change)
            self.reversal(change)
            self._allow(change)
        self.out_of_range()
        if self._levels.clipped_share > 0.01:
            end_s = float(self._levels.t[-1])
            self._told.append(TrueHappening("rig_fault", 0.0, None, None, "out_of_range", True, (), end_s))
        return tuple(sorted(self._told, key=lambda happening: happening.t_s))
