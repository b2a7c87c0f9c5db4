"""How the crank turns: governed speed with wander and cycle jitter, starting, stopping, and what each cylinder adds."""

from __future__ import annotations

import numpy as np

from sumpglass.physics import crankcase
from sumpglass.physics.gas import GAMMA_AIR, FloatArray
from sumpglass.simulate.noise import WanderNoise
from sumpglass.simulate.plant import Engine
from sumpglass.simulate.tracks import Track

CRANKING_RPM = 200.0
_TABLE = 2048
_PULSE_START_DEG = 90.0


def blow_by_pulse(past_firing_deg: FloatArray) -> FloatArray:
    """Blow-by of one cylinder over its cycle, mean 1; argument -90..630 degrees past firing top dead centre.

    Follows the cylinder's pressure: a lopsided bell about 15 degrees past top dead centre (common practice, no source;
    the exact shape matters little behind the crankcase volume, which integrates it).
    """
    offset = past_firing_deg - 15.0
    width = np.where(offset < 0, 35.0, 55.0)
    # Mean of the bell over 720 degrees is sqrt(pi)/2 (35 + 55)/720; the tails cut off are below 1 %.
    return np.exp(-np.square(offset / width)) * 720.0 / (0.5 * np.sqrt(np.pi) * 90.0)


class CycleDraws:
    """One random number for each engine cycle (and cylinder), the same however time is cut into blocks."""

    def __init__(self, rng: np.random.Generator, columns: int) -> None:
        self._rng = rng
        self._values = rng.standard_normal((512, columns))

    def at(self, cycle: FloatArray, column: int) -> FloatArray:
        """Draws (n,) for cycle numbers (n,) counted from -2."""
        index = cycle.astype(int) + 2
        while index[-1] >= len(self._values) or index.max() >= len(self._values):
            self._values = np.vstack([self._values, self._rng.standard_normal(self._values.shape)])
        return self._values[np.maximum(index, 0), column]


class CrankMotion:
    """Crank angle, speed, gas volume and blow-by shape, block by block.

    `pulsating=False` gives the same engine with its pistons' volume and its blow-by spread evenly.
    """

    def __init__(self, engine: Engine, step_s: float, rpm: float, rng: np.random.Generator, pulsating: bool) -> None:
        streams = rng.spawn(4)
        self.engine = engine
        self.command = Track(rpm)
        """Governed speed, rev/min."""
        self._geometry = engine.geometry
        self._step_s = step_s
        self._pulsating = pulsating
        self._wander = WanderNoise(
            streams[0], 1.0 / step_s, engine.wander_time_s, engine.speed_wander if pulsating else 0.0
        )
        self._jitter = CycleDraws(streams[1], 1)
        self._strength_draws = CycleDraws(streams[2], engine.cylinders)
        self._ripple_draws = CycleDraws(streams[3], 1)
        strength = np.asarray(engine.cylinder_strength or (1.0,) * engine.cylinders, dtype=float)
        self._strength = strength / strength.mean()
        turn = np.linspace(0.0, 2.0 * np.pi, _TABLE + 1)
        swept = crankcase.swept_volume_m3(turn, self._geometry)
        self._swept_table = np.append(swept, swept[1]) - crankcase.mean_swept_volume_m3(self._geometry)
        angles = np.linspace(0.0, 720.0, 2 * _TABLE + 1) - _PULSE_START_DEG
        self._pulse_table = np.append(blow_by_pulse(angles), 0.0)
        self.turns = 0.0
        """Crank turns since the start, whole cycles are two."""
        self._governed_turns = 0.0
        self._turns_before = 0.0
        self._shape_before = float(self.blow_by_shape(np.zeros(1))[0])
        at_start = float(self._swept_table[0]) if pulsating else 0.0
        self.volume_m3 = engine.crankcase_volume_m3 - at_start
        """Gas volume where the pistons stand now."""

    def start(self, t_s: float, rpm: float, cranking_s: float) -> None:
        """Crank, flare up and settle."""
        self.command.forget_after(t_s)
        self.command.ramp(t_s, 0.2, CRANKING_RPM)
        self.command.ramp(t_s + 0.2, max(cranking_s - 0.2, 0.0), CRANKING_RPM)
        self.command.ramp(t_s + cranking_s, 0.5, 1.25 * rpm)
        self.command.ramp(t_s + cranking_s + 0.6, 0.9, rpm)

    def stop(self, t_s: float, coasting_s: float) -> None:
        """Coast down to rest."""
        self.command.forget_after(t_s)
        self.command.ramp(t_s, coasting_s, 0.0)

    def blip(self, t_s: float, rpm: float, seconds: float) -> None:
        """Up to `rpm` and back."""
        self.command.ramp(t_s, 0.35 * seconds, rpm, remember=True)
        self.command.ramp(t_s + 0.4 * seconds, 0.6 * seconds, None)

    def speed_rpm(self, t_s: FloatArray) -> FloatArray:
        """Speed (n,) of this block; moves the crank's cycle count on."""
        governed = self.command.sample(t_s)
        if not self._pulsating:
            return governed
        engine = self.engine
        speed = governed * (1.0 + self._wander.take(len(t_s)))
        if engine.hunting_share > 0:
            speed = speed * (1.0 + engine.hunting_share * np.sin(2.0 * np.pi * t_s / engine.hunting_s))
        turns = self._governed_turns + np.cumsum(speed) * (self._step_s / 60.0)
        self._governed_turns = float(turns[-1])
        return speed * (1.0 + engine.speed_jitter * self._jitter.at(np.floor(turns / 2.0), 0))

    def turn(self, rpm: FloatArray) -> FloatArray:
        """Crank angle in turns (n,) since the start."""
        turns = self.turns + np.cumsum(rpm) * (self._step_s / 60.0)
        self.turns = float(turns[-1])
        ripple = self.engine.speed_ripple if self._pulsating else 0.0
        if ripple <= 0:
            return turns
        # Speed dips before each firing and rises after it; each cycle a little more or less. The swing is nil at the
        # ends of a cycle, so angles join.
        per_turn = self.engine.cylinders / 2.0
        uneven = 1.0 + 0.2 * self._ripple_draws.at(np.floor(turns / 2.0), 0)
        return turns + ripple * uneven / (2.0 * np.pi * per_turn) * np.sin(2.0 * np.pi * per_turn * turns)

    def gas_volume(self, turns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gas volume (n,) and (volume before / volume now)^gamma (n,)."""
        volume = np.full(len(turns), self.engine.crankcase_volume_m3)
        if self._pulsating:
            place = (turns % 1.0) * _TABLE
            index = place.astype(int)
            table = self._swept_table
            volume -= table[index] + (place - index) * (table[index + 1] - table[index])
        before = np.concatenate(([self.volume_m3], volume[:-1]))
        self.volume_m3 = float(volume[-1])
        return volume, (before / volume) ** GAMMA_AIR

    def blow_by_over_steps(self, turns: FloatArray) -> FloatArray:
        """`blow_by_shape` (n,) averaged over the step that ends at each of `turns` (n,), by Simpson's rule."""
        before = np.concatenate(([self._turns_before], turns[:-1]))
        self._turns_before = float(turns[-1])
        both = self.blow_by_shape(np.concatenate((0.5 * (before + turns), turns)))
        middles, ends = both[: len(turns)], both[len(turns) :]
        begins = np.concatenate(([self._shape_before], ends[:-1]))
        self._shape_before = float(ends[-1])
        return (begins + 4.0 * middles + ends) / 6.0

    def blow_by_shape(self, turns: FloatArray) -> FloatArray:
        """Blow-by (n,) relative to its mean: the cylinders' pulses with their strengths."""
        if not self._pulsating:
            return np.ones(len(turns))
        total = np.zeros(len(turns))
        cylinders = len(self._strength)
        for number, fires_deg in enumerate(self._geometry.firing_deg):
            cycles = turns / 2.0 - (fires_deg - _PULSE_START_DEG) / 720.0
            whole = np.floor(cycles)
            place = (cycles - whole) * (2 * _TABLE)
            index = place.astype(int)
            pulse = self._pulse_table[index] + (place - index) * (
                self._pulse_table[index + 1] - self._pulse_table[index]
            )
            variation = 1.0 + self.engine.cycle_variation * self._strength_draws.at(whole, number)
            total += self._strength[number] / cylinders * np.maximum(variation, 0.0) * pulse
        return total
