"""Suction side, fresh-air side, seals and openings of a script, as areas, pressures and flows over time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sumpglass.physics.crankcase import intake_flow_lpm
from sumpglass.physics.gas import FloatArray, kg_s_from_lpm
from sumpglass.physics.orifice import mass_flow_kg_s
from sumpglass.simulate.script import Scenario, Step
from sumpglass.simulate.tracks import Track

MANIFOLD_TIME_S = 0.12
"""Filling time of the intake manifold through its throttle (common practice, no source)."""


@dataclass(frozen=True)
class Flows:
    """One block, arrays (n,)."""

    manifold_pa: FloatArray
    suction_cda_m2: FloatArray
    opening_cda_m2: FloatArray
    """Openings both ways, without inertia."""
    outward_cda_m2: FloatArray
    """A breather behind a reed: lets gas out only."""
    breather_cda_m2: FloatArray
    """A breather whose gas has inertia."""
    mean_blow_by_kg_s: FloatArray
    pumped_kg_s: FloatArray


class VentilationPath:
    """What moves gas in and out, driven by the script."""

    def __init__(self, scenario: Scenario, step_rate_hz: float, pulsating: bool) -> None:
        self._engine, self._vent, self._rig = scenario.engine, scenario.ventilation, scenario.rig
        self._step_rate_hz = step_rate_hz
        vent = self._vent
        self.inertia = vent.breather_length_m > 0 and pulsating and not vent.breather_one_way
        self._load, self._pump_lpm = Track(scenario.start_load), Track(0.0)
        self._suction, self._breather, self._blow_by = Track(1.0), Track(1.0), Track(1.0)
        self._openings: dict[str, Track] = {}
        self._manifold_pa, self._valve_cda = math.nan, math.nan

    @property
    def hose_area_per_length_m(self) -> float:
        """Cross-section over length of the breather hose; 0 where its inertia is left out."""
        return math.pi / 4.0 * self._vent.breather_bore_m**2 / self._vent.breather_length_m if self.inertia else 0.0

    def take(self, step: Step) -> None:
        """Hear of a step; those of other actions are passed over."""
        t, value, seconds = step.t_s, step.value, step.seconds
        simple = {
            "load": self._load, "suction": self._suction, "breather": self._breather, "blow_by": self._blow_by,
        }  # fmt: skip
        if step.action in simple:
            simple[step.action].ramp(t, seconds, value)
        elif step.action == "opening":
            self._opening(step.name).ramp(t, seconds, value)
        elif step.action == "tap":
            # Off, the port itself is open to the room.
            self._opening("gauge port").ramp(t, seconds, self._rig.port_cda_m2 * (1.0 - value))
        elif step.action == "blip":
            self._load.ramp(t, 0.05 * seconds, 0.9, remember=True)
            self._load.ramp(t + 0.35 * seconds, 0.05 * seconds, -0.1)
            self._load.ramp(t + 0.95 * seconds, 0.05 * seconds, None)
        elif step.action == "pump":
            self._pump_lpm.ramp(t, 0.1, value)
            self._pump_lpm.ramp(t + seconds, 0.1, 0.0)

    def _opening(self, name: str) -> Track:
        return self._openings.setdefault(name, Track(0.0))

    def flows(self, t_s: FloatArray, rpm: FloatArray) -> Flows:
        """This block. The first call stands at its balance; later ones lag as manifold and valve do."""
        target = self._manifold_target(rpm, self._load.sample(t_s))
        if math.isnan(self._manifold_pa):
            self._manifold_pa = float(target[0])
        manifold = self._lag(target, self._manifold_pa, MANIFOLD_TIME_S)
        self._manifold_pa = float(manifold[-1])
        area = self._suction_area(manifold) * self._suction.sample(t_s)
        if self._vent.valve is not None:
            start = float(area[0]) if math.isnan(self._valve_cda) else self._valve_cda
            area = self._lag(area, start, self._vent.valve.lag_s)
            self._valve_cda = float(area[-1])
        opening = np.full(len(t_s), self._vent.seal_cda_m2)
        for track in self._openings.values():
            opening += track.sample(t_s)
        breather, none = self._vent.breather_cda_m2 * self._breather.sample(t_s), np.zeros(len(t_s))
        if not self.inertia and not self._vent.breather_one_way:
            opening += breather
        return Flows(
            manifold_pa=manifold,
            suction_cda_m2=area,
            opening_cda_m2=opening,
            outward_cda_m2=breather if self._vent.breather_one_way else none,
            breather_cda_m2=breather if self.inertia else none,
            mean_blow_by_kg_s=self._mean_blow_by(rpm, manifold) * self._blow_by.sample(t_s),
            pumped_kg_s=kg_s_from_lpm(self._pump_lpm.sample(t_s)),
        )

    def net_draw_kg_s(self, flows: Flows) -> FloatArray:
        """Draw at zero gauge pressure less mean blow-by (n,)."""
        room = self._vent.room_pa
        drawn = mass_flow_kg_s(flows.suction_cda_m2, room, flows.manifold_pa, self._engine.gas_k)
        return drawn - flows.mean_blow_by_kg_s

    def _manifold_target(self, rpm: FloatArray, load: FloatArray) -> FloatArray:
        engine, room = self._engine, self._vent.room_pa
        spinning = np.clip(rpm / (0.7 * engine.idle_rpm), 0.0, 1.0) ** 1.5
        vacuum = (room - engine.manifold_idle_pa) * (1.0 - load) * spinning
        return np.clip(room - vacuum, 20e3, room)

    def _suction_area(self, manifold: FloatArray) -> FloatArray:
        if self._vent.valve is None:
            return np.full(len(manifold), self._vent.restriction_cda_m2)
        valve = self._vent.valve
        shut = 1.0 / (1.0 + np.exp(-(self._vent.room_pa - manifold - valve.spring_vacuum_pa) / valve.softness_pa))
        return valve.cruise_cda_m2 + (valve.idle_cda_m2 - valve.cruise_cda_m2) * shut

    def _mean_blow_by(self, rpm: FloatArray, manifold: FloatArray) -> FloatArray:
        engine = self._engine
        return kg_s_from_lpm(engine.blow_by_share * intake_flow_lpm(engine.displacement_m3, rpm, manifold))

    def _lag(self, target: FloatArray, last: float, time_s: float) -> FloatArray:
        from scipy.signal import lfilter

        pole = math.exp(-1.0 / (self._step_rate_hz * time_s))
        values, _ = lfilter([1.0 - pole], [1.0, -pole], target, zi=[pole * last])
        return values
