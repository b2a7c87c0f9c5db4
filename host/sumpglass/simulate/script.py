"""What a simulated job is made of: an engine, its ventilation, a rig, and the happenings of a script.

Everything is a frozen dataclass in SI units; areas are effective (discharge coefficient times bore area).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from sumpglass.errors import InputError
from sumpglass.physics.crankcase import CrankGeometry, firing_angles_deg
from sumpglass.physics.orifice import DISCHARGE_COEFFICIENT
from sumpglass.records import SensorFacts, SensorLine

ACTIONS = (
    "opening", "engine", "speed", "load", "blip", "suction", "blow_by", "breather", "tap", "line_block", "sensor",
    "drift", "handle", "pump", "note",
)  # fmt: skip
SENSOR_MODES = ("well", "stuck", "rail_low", "rail_high", "dead", "missing", "dropouts")


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


@dataclass(frozen=True)
class Step:
    """One thing that is done or happens, from `t_s` on, made in `seconds`. Use the functions below to write one."""

    t_s: float
    action: str
    value: float = 0.0
    seconds: float = 0.05
    name: str = ""
    mark: str = ""
    """Text that a person would note at this moment; goes into the recording's marks."""

    def __post_init__(self) -> None:
        """Raises InputError for an action, a mode or a value that there is not."""
        if self.action not in ACTIONS:
            raise InputError(f"script step {self.action!r} is not known, expected one of {', '.join(ACTIONS)}")
        if self.action == "sensor" and self.name not in SENSOR_MODES:
            raise InputError(f"sensor mode {self.name!r} is not known, expected one of {', '.join(SENSOR_MODES)}")
        if self.action == "engine" and self.name not in ("start", "stop"):
            raise InputError(f"engine step {self.name!r} is not known, expected start or stop")
        if not all(map(math.isfinite, (self.t_s, self.value, self.seconds))) or self.seconds < 0:
            raise InputError(f"script step {self.action!r} has a time or value that is no plain number")


def opening(
    t_s: float,
    bore_mm: float | None = None,
    *,
    cda_m2: float | None = None,
    seconds: float = 0.05,
    name: str = "opening",
    mark: str = "",
) -> Step:
    """An opening between crankcase and room is made (or changed) to this bore or effective area."""
    area = cda_m2 if cda_m2 is not None else DISCHARGE_COEFFICIENT * math.pi / 4.0 * ((bore_mm or 0.0) * 1e-3) ** 2
    return Step(t_s, "opening", area, seconds, name, mark)


def closing(t_s: float, seconds: float = 0.05, name: str = "opening", mark: str = "") -> Step:
    """That opening is stopped."""
    return Step(t_s, "opening", 0.0, seconds, name, mark)


def engine_start(t_s: float, rpm: float | None = None, cranking_s: float = 1.0, mark: str = "") -> Step:
    """The engine is cranked for so long, flares up, and settles at `rpm` (default: its idle)."""
    return Step(t_s, "engine", rpm or 0.0, cranking_s, "start", mark)


def engine_stop(t_s: float, coasting_s: float = 1.0, mark: str = "") -> Step:
    """The engine is stopped, or stalls, and coasts down."""
    return Step(t_s, "engine", 0.0, coasting_s, "stop", mark)


def speed(t_s: float, rpm: float, seconds: float = 1.0, mark: str = "") -> Step:
    """The governed speed is set to `rpm`."""
    return Step(t_s, "speed", rpm, seconds, mark=mark)


def load(t_s: float, share: float, seconds: float = 0.5, mark: str = "") -> Step:
    """Load from 0 (idle manifold vacuum) to 1 (throttle wide open)."""
    return Step(t_s, "load", share, seconds, mark=mark)


def blip(t_s: float, rpm: float, seconds: float = 1.5, mark: str = "") -> Step:
    """The throttle is snapped open and let go: speed rises to `rpm` and comes back, in `seconds` in all."""
    return Step(t_s, "blip", rpm, seconds, mark=mark)


def suction(t_s: float, share: float, seconds: float = 0.1, mark: str = "") -> Step:
    """Share of the suction restriction that is left: 0 lost, 1 whole."""
    return Step(t_s, "suction", share, seconds, mark=mark)


def blow_by(t_s: float, factor: float, seconds: float = 0.5, mark: str = "") -> Step:
    """Blow-by becomes so many times what the engine has."""
    return Step(t_s, "blow_by", factor, seconds, mark=mark)


def breather(t_s: float, share: float, seconds: float = 0.2, mark: str = "") -> Step:
    """Share of the breather that is open: 0 dead-ended, 1 as driven."""
    return Step(t_s, "breather", share, seconds, mark=mark)


def tap(t_s: float, on: bool, seconds: float = 0.03, mark: str = "") -> Step:
    """The gauge hose comes off its port, or is put back."""
    return Step(t_s, "tap", 1.0 if on else 0.0, seconds, mark=mark)


def line_block(t_s: float, share: float = 1.0, seconds: float = 0.2, mark: str = "") -> Step:
    """Oil or condensate in the gauge line: 1 shuts it, 0.5 leaves a slow line, 0 clears it."""
    return Step(t_s, "line_block", share, seconds, mark=mark)


def sensor(t_s: float, mode: str) -> Step:
    """The sensor goes into one of `SENSOR_MODES`."""
    return Step(t_s, "sensor", 0.0, 0.0, mode)


def drift(t_s: float, pa_per_s: float) -> Step:
    """The reading wanders at this rate from now on."""
    return Step(t_s, "drift", pa_per_s, 0.0)


def handle(t_s: float, size_pa: float, seconds: float = 2.0) -> Step:
    """The hose is moved and squeezed: bumps of about `size_pa` for so long. Nothing has happened to the engine."""
    return Step(t_s, "handle", size_pa, seconds)


def pump(t_s: float, flow_lpm: float, seconds: float, mark: str = "") -> Step:
    """A hand pump draws so much (positive: out of the crankcase) for so long."""
    return Step(t_s, "pump", flow_lpm, seconds, mark=mark)


def note(t_s: float, text: str) -> Step:
    """Only a mark."""
    return Step(t_s, "note", mark=text)


@dataclass(frozen=True)
class Scenario:
    """A job from start to end. Steps at or before 0 s have already happened when it begins."""

    name: str = "unnamed"
    title: str = ""
    story: str = ""
    engine: Engine = field(default_factory=Engine)
    ventilation: Ventilation = field(default_factory=Ventilation)
    rig: Rig = field(default_factory=Rig)
    duration_s: float = 60.0
    start_rpm: float | None = None
    """Speed at the start; None is idle, 0 a stopped engine."""
    start_load: float = 0.0
    steps: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        """Raises InputError for figures that no rig or engine has."""
        if not self.duration_s > 0 or not 1.0 <= self.rig.rate_hz <= 20000.0:
            raise InputError(f"scenario {self.name!r}: expected a duration above 0 s and a rate of 1 to 20000 Hz")
        engine = self.engine
        if engine.cylinders * engine.bore_m**2 * engine.stroke_m > 2.0 * engine.crankcase_volume_m3:
            raise InputError(f"scenario {self.name!r}: expected a crankcase volume that leaves room for the pistons")
        strengths = engine.cylinder_strength
        if strengths and len(strengths) != self.engine.cylinders:
            raise InputError(f"scenario {self.name!r}: expected {self.engine.cylinders} cylinder strengths")
        if any(later.t_s < earlier.t_s for earlier, later in zip(self.steps, self.steps[1:])):
            object.__setattr__(self, "steps", tuple(sorted(self.steps, key=lambda step: step.t_s)))

    @property
    def rpm_at_start(self) -> float:
        """Speed before the first step."""
        return self.engine.idle_rpm if self.start_rpm is None else self.start_rpm

    def with_rig(self, **changes: object) -> Scenario:
        """The same job on another rig, `changes` as for `Rig`."""
        return replace(self, rig=replace(self.rig, **changes))  # type: ignore[arg-type]
