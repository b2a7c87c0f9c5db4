"""What a simulated job is made on: an engine, its ventilation, and a rig that listens to it.

Everything is a frozen dataclass in SI units; areas are effective (discharge coefficient times bore area).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sumpglass.physics.crankcase import CrankGeometry, firing_angles_deg
from sumpglass.records import SensorFacts, SensorLine


@dataclass(frozen=True)
class Engine:
    """A four-stroke engine. Defaults are a two-litre four with a slightly worn set of rings."""

    name: str = "four"
    cylinders: int = 4
    bore_m: float = 0.0825
    stroke_m: float = 0.085
    rod_m: float = 0.139
    layout: str = "inline"
    bank_deg: float = 90.0
    crankcase_volume_m3: float = 6e-3
    """Gas volume at the pistons' mean place."""
    gas_k: float = 343.15
    """Temperature of walls and oil mist, to which the gas is brought."""
    wall_time_s: float = 0.08
    """Time constant of heat between gas and walls: pulses are near adiabatic, slow changes isothermal."""
    idle_rpm: float = 800.0
    manifold_idle_pa: float = 35e3
    """Absolute manifold pressure at idle without load."""
    blow_by_share: float = 0.01
    """Mean blow-by as part of the gas drawn in."""
    cylinder_strength: tuple[float, ...] = ()
    """Blow-by of each cylinder in firing order, relative to the others; empty: all the same."""
    cycle_variation: float = 0.15
    """Standard deviation of one cylinder's blow-by from cycle to cycle, relative."""
    speed_jitter: float = 0.003
    """Standard deviation of speed from cycle to cycle, relative."""
    speed_wander: float = 0.004
    """Standard deviation of the governed speed's slow wander, relative."""
    wander_time_s: float = 1.5
    speed_ripple: float = 0.02
    """Amplitude of the speed's swing from firing to firing, relative."""
    hunting_share: float = 0.0
    """Amplitude of a hunting governor, relative; its period is `hunting_s`."""
    hunting_s: float = 2.5

    @property
    def geometry(self) -> CrankGeometry:
        """Cylinders and firing order, as `physics.crankcase` takes them."""
        angles = firing_angles_deg(self.cylinders, self.layout, self.bank_deg)
        return CrankGeometry(self.bore_m, self.stroke_m, self.rod_m, angles)

    @property
    def displacement_m3(self) -> float:
        """Swept volume of all cylinders."""
        return self.geometry.displacement_m3


@dataclass(frozen=True)
class SprungValve:
    """A ventilation valve that a spring opens as manifold vacuum falls (cruise) and vacuum pulls nearly shut (idle)."""

    idle_cda_m2: float = 1.2e-6
    cruise_cda_m2: float = 4.0e-6
    spring_vacuum_pa: float = 40e3
    """Manifold vacuum at which it stands half way."""
    softness_pa: float = 6e3
    lag_s: float = 0.04


@dataclass(frozen=True)
class Ventilation:
    """Suction side, fresh-air side and the seals."""

    restriction_cda_m2: float = 1.4e-6
    valve: SprungValve | None = None
    """Takes the place of the fixed restriction when given."""
    breather_cda_m2: float = 15e-6
    """Baffle, hose and filter in one."""
    breather_length_m: float = 0.0
    """Length of the hose for its gas's inertia; 0 leaves it out."""
    breather_bore_m: float = 0.016
    breather_one_way: bool = False
    """A reed lets gas out by the breather and none in: usual on singles and twins, whose pistons then pump it."""
    whistle_pa: float = 0.0
    """Amplitude of a tone that the drawn air makes, at `whistle_hz`."""
    whistle_hz: float = 140.0
    seal_cda_m2: float = 0.5e-6
    """All seals together: the unknown leak of a leak test."""
    room_pa: float = 101325.0
    room_k: float = 293.15


@dataclass(frozen=True)
class Sensor:
    """A differential pressure sensor with its converter. Noise figures are at its output, in pascals."""

    part: str = "membrane 2 kPa"
    range_low_pa: float = -2000.0
    range_high_pa: float = 2000.0
    headroom: float = 0.05
    """How far past its range, relative to half its span, the sensor still follows before it stands still."""
    bits: int = 12
    response_s: float = 0.5e-3
    """Time constant (10-90 % rise time over ln 9)."""
    gain_error: float = 0.0
    offset_pa: float = 0.0
    white_pa: float = 2.0
    """Standard deviation of white noise in each sample."""
    flicker_pa: float = 0.5
    """Standard deviation of 1/f noise over about two minutes."""
    drift_pa_per_s: float = 0.0
    hum_pa: float = 0.0
    """Amplitude of 50 Hz mains hum (a third of it at 150 Hz)."""
    spike_pa: float = 0.0
    """Size of ignition spikes; three in ten firings reach a sample."""
    shake_pa: float = 0.0
    """Amplitude at crank speed of a membrane that shakes with the engine, at 1000 rpm; grows with speed squared."""
    sticky_codes: int = 0
    """Converter error: codes this near to 1/8, 3/8, 5/8 and 7/8 of the scale all read as that one."""
    gain_u95: float = 0.02
    offset_u95_pa: float = 10.0

    @property
    def lowest_pa(self) -> float:
        """Pressure of code 0."""
        return self.range_low_pa - self.headroom * (self.range_high_pa - self.range_low_pa) / 2.0

    @property
    def highest_pa(self) -> float:
        """Pressure of the top code."""
        return self.range_high_pa + self.headroom * (self.range_high_pa - self.range_low_pa) / 2.0

    @property
    def resolution_pa(self) -> float:
        """Pascals of one code."""
        return (self.highest_pa - self.lowest_pa) / (2**self.bits - 1)

    @property
    def facts(self) -> SensorFacts:
        """What a recording tells of this sensor."""
        return SensorFacts(
            part=self.part,
            range_low_pa=self.range_low_pa,
            range_high_pa=self.range_high_pa,
            resolution_pa=self.resolution_pa,
            gain_relative_u95=self.gain_u95,
            offset_u95_pa=self.offset_u95_pa,
        )


@dataclass(frozen=True)
class Rig:
    """Hose, sensor and sampling. `turbulence` is broadband pressure noise at the port, relative to the flow level."""

    sensor: Sensor = field(default_factory=Sensor)
    line: SensorLine | None = field(default_factory=lambda: SensorLine(4e-3, 0.6, 1e-6))
    rate_hz: float = 1000.0
    turbulence: float = 0.01
    port_cda_m2: float = 5e-6
    """Opening that the port itself makes when the gauge hose comes off."""
    gust_pa: float = 0.0
    """Standard deviation of wind at the sensor's open side, slow over about a second."""
    time_jitter_s: float = 0.0
    """Standard deviation of the sampling clock's lateness; times told are the true ones."""
