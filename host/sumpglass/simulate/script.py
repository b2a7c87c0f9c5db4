"""What happens in a simulated job: the steps of a script, and the scenario that has them.

Everything is a frozen dataclass in SI units; areas are effective (discharge coefficient times bore area).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from sumpglass.errors import InputError
from sumpglass.physics.orifice import DISCHARGE_COEFFICIENT
from sumpglass.simulate.plant import Engine, Rig, Ventilation

ACTIONS = (
    "opening", "engine", "speed", "load", "blip", "suction", "blow_by", "breather", "tap", "line_block", "sensor",
    "drift", "handle", "pump", "note",
)  # fmt: skip
SENSOR_MODES = ("well", "stuck", "rail_low", "rail_high", "dead", "missing", "dropouts")


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
