"""What the membrane feels: the port's pressure, and all that happens to it on the way."""

from __future__ import annotations

import numpy as np

from sumpglass.physics.gas import FloatArray
from sumpglass.simulate.noise import WanderNoise
from sumpglass.simulate.script import Scenario, Step
from sumpglass.simulate.sensor_line import Blockage, LineResponse
from sumpglass.simulate.sensor_output import Response
from sumpglass.simulate.tracks import Track


class Membrane:
    """Gauge hose (on or off its port, blocked, moved by hand), resonance, wind at the open side, response time."""

    def __init__(self, scenario: Scenario, step_rate_hz: float, rng: np.random.Generator, pulsating: bool) -> None:
        streams = rng.spawn(4)
        rig, self._vent, self._idle_rpm = scenario.rig, scenario.ventilation, scenario.engine.idle_rpm
        self._pulsating = pulsating
        self._attached, self._blocked, self._handling = Track(1.0), Track(0.0), Track(0.0)
        self._plug = Blockage(step_rate_hz)
        self._line = LineResponse(rig.line if pulsating else None, step_rate_hz)
        self._response = Response(rig.sensor.response_s if pulsating else 0.0, step_rate_hz)
        self._turbulence = WanderNoise(streams[0], step_rate_hz, 2e-3, rig.turbulence if pulsating else 0.0)
        self._bumps = WanderNoise(streams[1], step_rate_hz, 0.15, 1.0 if pulsating else 0.0)
        self._gusts = WanderNoise(streams[2], step_rate_hz, 0.8, rig.gust_pa if pulsating else 0.0)
        self._whistle_swell = WanderNoise(streams[3], step_rate_hz, 0.3, 0.3 if pulsating else 0.0)

    def hear(self, step: Step) -> None:
        """Hear of a step; those of other actions are passed over."""
        if step.action == "tap":
            self._attached.ramp(step.t_s, step.seconds, step.value)
        elif step.action == "line_block":
            self._blocked.ramp(step.t_s, step.seconds, step.value)
        elif step.action == "handle":
            self._handling.ramp(step.t_s, 0.1, step.value)
            self._handling.ramp(step.t_s + step.seconds, 0.1, 0.0)

    def take(self, t_s: FloatArray, port_pa: FloatArray, rpm: FloatArray) -> FloatArray:
        """Pressure difference over the membrane (n,) of one block, after the sensor's response time."""
        entering = port_pa * (1.0 + self._turbulence.take(len(t_s)))
        if self._pulsating and self._vent.whistle_pa > 0:
            # Air drawn past an edge sings, and swells as eddies come and go.
            size = self._vent.whistle_pa * np.clip(rpm / self._idle_rpm, 0.0, 1.0)
            swell = 1.0 + self._whistle_swell.take(len(t_s))
            entering = entering + size * swell * np.sin(2.0 * np.pi * self._vent.whistle_hz * t_s)
        entering = entering * self._attached.sample(t_s)
        handling = self._handling.sample(t_s)
        bumps = self._bumps.take(len(t_s))
        if handling.any():
            entering = entering + handling * bumps
        passed = self._line.take(self._plug.take(entering, self._blocked.sample(t_s)))
        return self._response.take(passed - self._gusts.take(len(t_s)))
