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

from sumpglass.physics.crankcase import intake_flow_lpm
from sumpglass.physics.gas import FloatArray, kg_s_from_lpm
from sumpglass.records import Mark, Recording
from sumpglass.simulate import gas_path
from sumpglass.simulate.crank_motion import CrankMotion
from sumpglass.simulate.noise import WanderNoise
from sumpglass.simulate.script import Scenario, Step
from sumpglass.simulate.sensor_line import Blockage, LineResponse
from sumpglass.simulate.sensor_output import CountArray, Response, SensorOutput
from sumpglass.simulate.tracks import Track

if TYPE_CHECKING:
    from sumpglass.simulate.truth import TrueHappening, TrueStretch

BLOCK_S = 0.1
WARM_UP_BLOCKS = 15
LEAST_STEP_RATE_HZ = 4000.0
"""Against 32 kHz: swing within 0.2 % (0.7 % for eight cylinders at 6000 rpm), mean within 1 Pa."""


@dataclass(frozen=True)
class Chunk:
    """Samples in a row, all arrays (n,)."""

    t_s: FloatArray
    pressure_pa: FloatArray
    """As the sensor tells it: the codes by the data sheet's scale."""
    counts: CountArray
    port_pa: FloatArray
    """Gauge pressure in the crankcase, the truth."""
    sensed_pa: FloatArray
    """Gauge pressure at the membrane, without the sensor's errors, noise and range."""
    analogue_pa: FloatArray
    """The same with errors and noise, before range and converter: for stand-ins that do those themselves."""
    sensed_mean_pa: FloatArray
    """Mean of `sensed_pa` over the sample's period: does not alias where sampling is slower than the pulses."""
    port_mean_pa: FloatArray
    """Mean of `port_pa` likewise."""
    port_root: FloatArray
    """Mean of sign(p) sqrt|p| of `port_pa` likewise, sqrt(Pa): what drives flow through openings."""
    rpm: FloatArray
    turns: FloatArray
    """Crank angle in turns."""
    opening_cda_m2: FloatArray
    """All openings to the room together, seals and breather too."""
    suction_kg_s: FloatArray
    """What the suction would draw at zero gauge pressure, less the mean blow-by: the net draw."""
    present: npt.NDArray[np.bool_]
    """False where the sensor gave no sample; the other fields then hold what it would have given."""

    @staticmethod
    def join(chunks: list[Chunk]) -> Chunk:
        """All of them in a row."""
        names = Chunk.__dataclass_fields__
        return Chunk(**{name: np.concatenate([getattr(chunk, name) for chunk in chunks]) for name in names})

    def part(self, begin: int, end: int) -> Chunk:
        """Samples begin..end."""
        return Chunk(**{name: getattr(self, name)[begin:end] for name in Chunk.__dataclass_fields__})

    def arrived(self) -> Chunk:
        """Only what the sensor gave."""
        if self.present.all():
            return self
        return Chunk(**{name: getattr(self, name)[self.present] for name in Chunk.__dataclass_fields__})


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
        self._load = Track(scenario.start_load)
        self._suction, self._breather, self._blow_by = Track(1.0), Track(1.0), Track(1.0)
        self._attached, self._blocked, self._drift = Track(1.0), Track(0.0), Track(0.0)
        self._handling, self._pump_lpm = Track(0.0), Track(0.0)
        self._openings: dict[str, Track] = {}
        self._mode, self._mode_steps = "well", list[Step]()
        self._steps: list[Step] = []
        self._marks: list[Mark] = []
        hose = vent.breather_length_m
        self._constants = gas_path.GasConstants(
            step_s=1.0 / self._step_rate_hz,
            room_pa=vent.room_pa,
            room_k=vent.room_k,
            wall_k=scenario.engine.gas_k,
            wall_time_s=scenario.engine.wall_time_s,
            hose_area_per_length_m=math.pi / 4.0 * vent.breather_bore_m**2 / hose if hose > 0 and pulsating else 0.0,
        )
        self._line = LineResponse(rig.line if pulsating else None, self._step_rate_hz)
        self._plug = Blockage(self._step_rate_hz)
        self._response = Response(rig.sensor.response_s if pulsating else 0.0, self._step_rate_hz)
        self._output = SensorOutput(rig.sensor, rig.rate_hz, streams[1])
        self._turbulence = WanderNoise(streams[2], self._step_rate_hz, 2e-3, rig.turbulence if pulsating else 0.0)
        self._bumps = WanderNoise(streams[3], self._step_rate_hz, 0.15, 1.0)
        self._manifold_pa, self._valve_cda = math.nan, math.nan
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
        if not self._waiting:
            return self._empty()
        joined = Chunk.join(self._waiting)
        self._waiting = [joined.part(samples, len(joined.t_s))]
        self._given = end
        return joined.part(0, samples)

    # How it works.

    def _take(self, step: Step) -> None:
        t, value, seconds = step.t_s, step.value, step.seconds
        if step.mark:
            self._marks.append(Mark(max(t, 0.0), step.mark, "script"))
        simple = {
            "load": self._load, "suction": self._suction, "breather": self._breather, "blow_by": self._blow_by,
            "line_block": self._blocked, "drift": self._drift,
        }  # fmt: skip
        if step.action in simple:
            simple[step.action].ramp(t, seconds, value)
        elif step.action == "opening":
            self._openings.setdefault(step.name, Track(0.0)).ramp(t, seconds, value)
        elif step.action == "speed":
            self._motion.command.ramp(t, seconds, value)
        elif step.action == "engine":
            self._switch_engine(step)
        elif step.action == "blip":
            self._motion.blip(t, value, seconds)
            self._load.ramp(t, 0.05 * seconds, 0.9, remember=True)
            self._load.ramp(t + 0.35 * seconds, 0.05 * seconds, -0.1)
            self._load.ramp(t + 0.95 * seconds, 0.05 * seconds, None)
        elif step.action == "tap":
            self._attached.ramp(t, seconds, value)
            # Off, the port itself is open to the room.
            area = self.scenario.rig.port_cda_m2 * (1.0 - value)
            self._openings.setdefault("gauge port", Track(0.0)).ramp(t, seconds, area)
        elif step.action == "handle":
            self._handling.ramp(t, 0.1, value)
            self._handling.ramp(t + seconds, 0.1, 0.0)
        elif step.action == "pump":
            self._pump_lpm.ramp(t, 0.1, value)
            self._pump_lpm.ramp(t + seconds, 0.1, 0.0)
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
        rpm = self._motion.command.sample(before)
        load = self._load.sample(before)
        manifold = self._manifold_target(rpm, load)
        suction = self._suction_area(manifold) * self._suction.sample(before)
        opening, breather = self._opening_areas(before)
        blow_by = self._mean_blow_by(rpm, manifold) * self._blow_by.sample(before)
        self._manifold_pa = float(manifold[0])
        self._valve_cda = float(suction[0])
        everything = float(opening[0] + (breather[0] if self._constants.hose_area_per_length_m else 0.0))
        pressure = gas_path.steady_pressure_pa(
            everything, float(suction[0]), float(manifold[0]), float(blow_by[0]), self._constants
        )
        self._gas.pressure_pa = pressure
        self._gas.mass_kg = pressure * self._motion.volume_m3 / (gas_path.R_AIR_J_KG_K * self._constants.wall_k)

    def _manifold_target(self, rpm: FloatArray, load: FloatArray) -> FloatArray:
        engine, room = self.scenario.engine, self.scenario.ventilation.room_pa
        spinning = np.clip(rpm / (0.7 * engine.idle_rpm), 0.0, 1.0) ** 1.5
        vacuum = (room - engine.manifold_idle_pa) * (1.0 - load) * spinning
        return np.clip(room - vacuum, 20e3, room)

    def _suction_area(self, manifold: FloatArray) -> FloatArray:
        vent = self.scenario.ventilation
        if vent.valve is None:
            return np.full(len(manifold), vent.restriction_cda_m2)
        valve = vent.valve
        shut = 1.0 / (1.0 + np.exp(-(vent.room_pa - manifold - valve.spring_vacuum_pa) / valve.softness_pa))
        return valve.cruise_cda_m2 + (valve.idle_cda_m2 - valve.cruise_cda_m2) * shut

    def _opening_areas(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Openings without inertia, and the breather (part of the openings too when it has none)."""
        vent = self.scenario.ventilation
        opening = np.full(len(t_s), vent.seal_cda_m2)
        for track in self._openings.values():
            opening += track.sample(t_s)
        breather = vent.breather_cda_m2 * self._breather.sample(t_s)
        if not self._constants.hose_area_per_length_m:
            opening += breather
        return opening, breather

    def _mean_blow_by(self, rpm: FloatArray, manifold: FloatArray) -> FloatArray:
        engine = self.scenario.engine
        return kg_s_from_lpm(engine.blow_by_share * intake_flow_lpm(engine.displacement_m3, rpm, manifold))

    def _lag(self, target: FloatArray, last: float, time_s: float) -> FloatArray:
        from scipy.signal import lfilter

        pole = math.exp(-1.0 / (self._step_rate_hz * time_s))
        values, _ = lfilter([1.0 - pole], [1.0, -pole], target, zi=[pole * last])
        return values

    def _run_block(self) -> Chunk:
        count, sub, rate = self._block_samples, self._substeps, self.scenario.rig.rate_hz
        # A sample is taken at the last fine step of its period, so sample k of the recording stands at k/rate.
        first = self._block * count * sub - (sub - 1)
        t = (first + np.arange(count * sub)) / self._step_rate_hz
        motion = self._motion
        firings_before = math.floor(motion.turns * self.scenario.engine.cylinders / 2.0)
        rpm = motion.speed_rpm(t)
        turns = motion.turn(rpm)
        manifold = self._lag(self._manifold_target(rpm, self._load.sample(t)), self._manifold_pa, 0.12)
        self._manifold_pa = float(manifold[-1])
        area = self._suction_area(manifold) * self._suction.sample(t)
        if self.scenario.ventilation.valve is not None:
            area = self._lag(area, self._valve_cda, self.scenario.ventilation.valve.lag_s)
            self._valve_cda = float(area[-1])
        opening, breather = self._opening_areas(t)
        mean_blow_by = self._mean_blow_by(rpm, manifold) * self._blow_by.sample(t)
        volume, squeeze = motion.gas_volume(turns)
        pumped = kg_s_from_lpm(self._pump_lpm.sample(t))
        blown = mean_blow_by * motion.blow_by_shape(turns) - pumped
        inputs = gas_path.GasInputs(volume, squeeze, blown, opening, area, manifold, breather)
        pressure = gas_path.advance(self._gas, self._constants, inputs) - self._constants.room_pa
        sensed = self._at_the_membrane(t, pressure)
        picked = slice(sub - 1, None, sub)

        def over(fine: FloatArray) -> FloatArray:
            return fine.reshape(count, sub).mean(axis=1)

        draw = area[picked] * self._suction_flux(manifold[picked]) - mean_blow_by[picked]
        everything = opening[picked] + (breather[picked] if self._constants.hose_area_per_length_m else 0.0)
        times = (self._block * count + np.arange(count)) / rate
        firings = np.floor(turns[picked] * self.scenario.engine.cylinders / 2.0)
        struck = np.diff(np.concatenate(([firings_before], firings))).astype(np.int64)
        analogue = self._output.analogue(
            times, sensed[picked], turns[picked], rpm[picked], struck, self._drift.sample(times)
        )
        codes, present = self._converted(times, analogue)
        self._block += 1
        everywhere = (
            times, self._output.pascals(codes), codes, pressure[picked], sensed[picked], analogue,
            over(sensed), over(pressure), over(np.sign(pressure) * np.sqrt(np.abs(pressure))),
            rpm[picked], turns[picked], everything, draw, present,
        )  # fmt: skip
        return Chunk(*everywhere)

    def _at_the_membrane(self, t_s: FloatArray, port_pa: FloatArray) -> FloatArray:
        entering = port_pa * (1.0 + self._turbulence.take(len(t_s)))
        entering = entering * self._attached.sample(t_s)
        handling = self._handling.sample(t_s)
        bumps = self._bumps.take(len(t_s))
        if handling.any() and self._pulsating:
            entering = entering + handling * bumps
        passed = self._plug.take(entering, self._blocked.sample(t_s))
        return self._response.take(self._line.take(passed))

    def _suction_flux(self, manifold: FloatArray) -> FloatArray:
        from sumpglass.physics.orifice import mass_flow_kg_s

        return mass_flow_kg_s(1.0, self._constants.room_pa, manifold, self._constants.wall_k)

    def _converted(self, times: FloatArray, analogue: FloatArray) -> tuple[CountArray, npt.NDArray[np.bool_]]:
        began = 0
        while self._mode_steps and self._mode_steps[0].t_s <= times[-1]:
            step = self._mode_steps.pop(0)
            self._mode, began = step.name, int(np.searchsorted(times, step.t_s))
        return self._output.convert(analogue, self._mode, began)

    def _empty(self) -> Chunk:
        kinds = {"counts": np.int64, "present": np.bool_}
        return Chunk(**{name: np.zeros(0, dtype=kinds.get(name, np.float64)) for name in Chunk.__dataclass_fields__})


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
