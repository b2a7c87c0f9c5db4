"""The simulator: a script goes in, samples come out, with the truth beside them.

    result = simulate(scenario, seed=1)
    live = EngineSimulator(scenario, seed=1)
    chunk = live.advance(0.05)
    live.apply(opening(0.0, 2.0))          # times in the past mean now

Time runs in blocks of about a tenth of a second, whatever pieces are asked for: the same seed gives the same samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sumpglass.physics.gas import FloatArray
from sumpglass.records import Mark, Recording
from sumpglass.simulate import gas_path
from sumpglass.simulate.crank_motion import CrankMotion
from sumpglass.simulate.membrane import Membrane
from sumpglass.simulate.samples import Chunk
from sumpglass.simulate.script import Scenario, Step
from sumpglass.simulate.sensor_output import CountArray, SensorOutput
from sumpglass.simulate.tracks import Track
from sumpglass.simulate.ventilation_path import VentilationPath

if TYPE_CHECKING:
    from sumpglass.simulate.truth import TrueHappening, TrueStretch

BLOCK_S = 0.1
WARM_UP_BLOCKS = 15
LEAST_STEP_RATE_HZ = 4000.0
"""Against 32 kHz: swing within 0.3 %, mean within 1 Pa (tests/benchmarks/bench_simulator.py)."""


class EngineSimulator:
    """One engine, its ventilation and a rig, advanced as far as asked. `pulsating=False`: no pulses, no noise."""

    def __init__(self, scenario: Scenario, seed: int = 0, pulsating: bool = True) -> None:
        self.scenario = scenario
        rig, vent = scenario.rig, scenario.ventilation
        self._pulsating = pulsating
        self._substeps = max(1, math.ceil((LEAST_STEP_RATE_HZ if pulsating else 1000.0) / rig.rate_hz))
        self._step_rate_hz = rig.rate_hz * self._substeps
        self._block_samples = max(1, round(BLOCK_S * rig.rate_hz))
        streams = np.random.default_rng(seed).spawn(4)
        self._motion = CrankMotion(
            scenario.engine, 1.0 / self._step_rate_hz, scenario.rpm_at_start, streams[0], pulsating
        )
        self._path = VentilationPath(scenario, self._step_rate_hz, pulsating)
        self._drift = Track(0.0)
        self._mode, self._mode_steps = "well", list[Step]()
        self._marks: list[Mark] = []
        self._constants = gas_path.GasConstants(
            step_s=1.0 / self._step_rate_hz,
            room_pa=vent.room_pa,
            room_k=vent.room_k,
            wall_k=scenario.engine.gas_k,
            wall_time_s=scenario.engine.wall_time_s,
            hose_area_per_length_m=self._path.hose_area_per_length_m,
        )
        self._membrane = Membrane(scenario, self._step_rate_hz, streams[2], pulsating)
        self._output = SensorOutput(rig.sensor, rig.rate_hz, streams[1])
        self._late = streams[3]
        self._gas = gas_path.GasState(vent.room_pa, 1.0)
        self._block = -WARM_UP_BLOCKS
        self._waiting: list[Chunk] = []
        self._owed_s = 0.0
        self._given = 0
        for step in scenario.steps:
            self._take(replace(step, t_s=-1e9, seconds=0.0) if step.t_s <= 0 else step)
        self._settle()

    # What a person may do.

    @property
    def now_s(self) -> float:
        """Time of the next sample to be given."""
        return self._given / self.scenario.rig.rate_hz

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Marks that the script set up to now."""
        return tuple(mark for mark in self._marks if mark.t_s <= self.now_s)

    def apply(self, step: Step) -> Step:
        """Add a step while running; one in the past happens at the next block. Returns it with the time it got."""
        earliest = self._block * self._block_samples / self.scenario.rig.rate_hz
        placed = replace(step, t_s=max(step.t_s, earliest))
        self._take(placed)
        return placed

    def advance(self, seconds: float) -> Chunk:
        """The next `seconds` of samples that arrive. Fractions of a sample are owed and given later."""
        rate = self.scenario.rig.rate_hz
        self._owed_s += seconds
        wanted = math.floor(self._owed_s * rate + 1e-6)
        self._owed_s -= wanted / rate
        return self.take(wanted).arrived()

    def take(self, samples: int) -> Chunk:
        """The next so many samples, those that do not arrive among them."""
        end = self._given + samples
        while self._block * self._block_samples < end:
            chunk = self._run_block()
            if self._block > 0:
                self._waiting.append(chunk)
        joined = Chunk.join(self._waiting)
        self._waiting = [joined.part(samples, len(joined.t_s))]
        self._given = end
        return joined.part(0, samples)

    # How it works.

    def _take(self, step: Step) -> None:
        if step.mark:
            self._marks.append(Mark(max(step.t_s, 0.0), step.mark, "script"))
        self._path.take(step)
        self._membrane.hear(step)
        if step.action == "speed":
            self._motion.command.ramp(step.t_s, step.seconds, step.value)
        elif step.action == "engine":
            self._switch_engine(step)
        elif step.action == "blip":
            self._motion.blip(step.t_s, step.value, step.seconds)
        elif step.action == "drift":
            self._drift.ramp(step.t_s, step.seconds, step.value)
        elif step.action == "sensor":
            self._mode_steps.append(step)
            self._mode_steps.sort(key=lambda entry: entry.t_s)

    def _switch_engine(self, step: Step) -> None:
        if step.name == "stop":
            self._motion.stop(step.t_s, step.seconds)
        elif step.t_s < -1e6:
            self._motion.command.ramp(step.t_s, 0.0, step.value or self.scenario.engine.idle_rpm)
        else:
            self._motion.start(step.t_s, step.value or self.scenario.engine.idle_rpm, step.seconds)

    def _settle(self) -> None:
        """Start from the balance of flows, so that a deep vacuum need not be drawn before the recording."""
        before = np.array([-1e6])
        flows = self._path.flows(before, self._motion.command.sample(before))
        both_ways = float(flows.opening_cda_m2[0] + flows.breather_cda_m2[0])
        pressure = gas_path.steady_pressure_pa(
            both_ways, float(flows.suction_cda_m2[0]), float(flows.manifold_pa[0]),
            float(flows.mean_blow_by_kg_s[0]), self._constants, float(flows.outward_cda_m2[0]),
        )  # fmt: skip
        self._gas.pressure_pa = pressure
        self._gas.mass_kg = pressure * self._motion.volume_m3 / (gas_path.R_AIR_J_KG_K * self._constants.wall_k)

    def _run_block(self) -> Chunk:
        count, sub, rate = self._block_samples, self._substeps, self.scenario.rig.rate_hz
        # A sample is taken at the last fine step of its period, so sample k of the recording stands at k/rate.
        first = self._block * count * sub - (sub - 1)
        t = (first + np.arange(count * sub)) / self._step_rate_hz
        motion = self._motion
        firings_before = math.floor(motion.turns * self.scenario.engine.cylinders / 2.0)
        rpm = motion.speed_rpm(t)
        turns = motion.turn(rpm)
        flows = self._path.flows(t, rpm)
        volume, squeeze = motion.gas_volume(turns)
        inputs = gas_path.GasInputs(
            volume_m3=volume, squeeze=squeeze,
            blow_by_kg_s=flows.mean_blow_by_kg_s * motion.blow_by_over_steps(turns) - flows.pumped_kg_s,
            opening_cda_m2=flows.opening_cda_m2, suction_cda_m2=flows.suction_cda_m2, manifold_pa=flows.manifold_pa,
            breather_cda_m2=flows.breather_cda_m2, outward_cda_m2=flows.outward_cda_m2,
        )  # fmt: skip
        pressure = gas_path.advance(self._gas, self._constants, inputs) - self._constants.room_pa
        sensed = self._membrane.take(t, pressure, rpm)

        def over(fine: FloatArray) -> FloatArray:
            return fine.reshape(count, sub).mean(axis=1)

        picked = self._sampling_steps(count)
        times = (self._block * count + np.arange(count)) / rate
        firings = np.floor(turns[picked] * self.scenario.engine.cylinders / 2.0)
        struck = np.diff(np.concatenate(([firings_before], firings))).astype(np.int64)
        analogue = self._output.analogue(
            times, sensed[picked], turns[picked], rpm[picked], struck, self._drift.sample(times)
        )
        codes, present = self._converted(times, analogue)
        self._block += 1
        return Chunk(
            t_s=times + (picked + 1 - sub * np.arange(1, count + 1)) / self._step_rate_hz,
            pressure_pa=self._output.pascals(codes), counts=codes,
            port_pa=pressure[picked], sensed_pa=sensed[picked], analogue_pa=analogue,
            sensed_mean_pa=over(sensed), port_mean_pa=over(pressure),
            port_root=over(np.sign(pressure) * np.sqrt(np.abs(pressure))),
            rpm=rpm[picked], turns=turns[picked],
            opening_cda_m2=(flows.opening_cda_m2 + flows.breather_cda_m2)[picked],
            suction_kg_s=self._path.net_draw_kg_s(flows)[picked], present=present,
        )  # fmt: skip

    def _sampling_steps(self, count: int) -> npt.NDArray[np.int64]:
        """Fine step (count,) at which each sample is taken: the last of its period, sooner where the clock jitters."""
        sub, jitter_s = self._substeps, self.scenario.rig.time_jitter_s
        steps = np.arange(1, count + 1) * sub - 1
        if jitter_s <= 0 or not self._pulsating:
            return steps
        early = np.rint(np.abs(self._late.normal(0.0, jitter_s * self._step_rate_hz, count))).astype(np.int64)
        return steps - np.minimum(early, sub - 1)

    def _converted(self, times: FloatArray, analogue: FloatArray) -> tuple[CountArray, npt.NDArray[np.bool_]]:
        began = 0
        while self._mode_steps and self._mode_steps[0].t_s <= times[-1]:
            step = self._mode_steps.pop(0)
            self._mode, began = step.name, int(np.searchsorted(times, step.t_s))
        return self._output.convert(analogue, self._mode, began)


@dataclass(frozen=True)
class Simulation:
    """A scenario carried out: the recording, and what is true of it."""

    scenario: Scenario
    seed: int
    everything: Chunk
    """All samples, those that did not arrive among them."""
    marks: tuple[Mark, ...] = ()

    @cached_property
    def samples(self) -> Chunk:
        """What arrived."""
        return self.everything.arrived()

    @property
    def t_s(self) -> FloatArray:
        """Times (n,)."""
        return self.samples.t_s

    @property
    def pressure_pa(self) -> FloatArray:
        """Readings (n,)."""
        return self.samples.pressure_pa

    @property
    def counts(self) -> CountArray:
        """Codes (n,)."""
        return self.samples.counts

    @property
    def port_pa(self) -> FloatArray:
        """True gauge pressure in the crankcase (n,)."""
        return self.samples.port_pa

    @property
    def rpm(self) -> FloatArray:
        """True speed (n,)."""
        return self.samples.rpm

    @cached_property
    def _told(self) -> tuple[tuple[TrueHappening, ...], tuple[TrueStretch, ...]]:
        from sumpglass.simulate.truth import tell

        return tell(self.scenario, self.everything)

    @property
    def truth(self) -> tuple[TrueHappening, ...]:
        """True happenings in the order of their onset."""
        return self._told[0]

    @property
    def stretches(self) -> tuple[TrueStretch, ...]:
        """Settled stretches between steps."""
        return self._told[1]

    def recording(self, cylinders_known: bool = True) -> Recording:
        """The same as any source would give it."""
        return Recording(
            t_s=self.t_s,
            pressure_pa=self.pressure_pa,
            marks=self.marks,
            rate_hz=self.scenario.rig.rate_hz,
            missing=_missing_inside(self.everything.present),
            sensor=self.scenario.rig.sensor.facts,
            line=self.scenario.rig.line,
            cylinders=self.scenario.engine.cylinders if cylinders_known else None,
            name=self.scenario.name,
            source="simulation",
        )


def _missing_inside(present: npt.NDArray[np.bool_]) -> int:
    """Samples that did not arrive, between the first and the last that did."""
    there = np.flatnonzero(present)
    return int(there[-1] - there[0] + 1 - len(there)) if len(there) else 0


def simulate(scenario: Scenario, seed: int = 0) -> Simulation:
    """Carry out the whole scenario."""
    simulator = EngineSimulator(scenario, seed)
    everything = simulator.take(round(scenario.duration_s * scenario.rig.rate_hz))
    return Simulation(scenario, seed, everything, simulator.marks)
