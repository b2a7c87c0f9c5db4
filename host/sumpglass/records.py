"""The nouns that more than one layer speaks of: frozen dataclasses with units in their field names.

Pressures are pascals, gauge, vacuum negative. Times are seconds from the start of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Mark:
    """Something a person (or the board's button) noted at a moment. `text` is data: escape it before showing it."""

    t_s: float
    text: str
    origin: str = "host"
    """One of "host" (typed or the space bar), "board" (its button), "file" (a CSV column), "script" (the simulator)."""


@dataclass(frozen=True)
class SensorFacts:
    """What is known of one channel's sensor. Fields are None where the source does not say (CSV)."""

    part: str = "unknown"
    range_low_pa: float | None = None
    range_high_pa: float | None = None
    resolution_pa: float | None = None
    gain_relative_u95: float = 0.02
    """Half-width, relative, of the gain's 95 % interval when no calibration narrows it."""
    offset_u95_pa: float = 10.0
    """Half-width of the offset's 95 % interval when there is no zero."""


@dataclass(frozen=True)
class SensorLine:
    """Hose between port and sensor, for Bergh and Tijdeman's correction. Volume is that in front of the membrane."""

    bore_m: float
    length_m: float
    volume_m3: float


@dataclass(frozen=True)
class Zero:
    """What the rig reads when it is open to the room, to be subtracted."""

    pressure_pa: float
    u95_pa: float
    age_s: float | None = None
    """Seconds from the zero to the start of the recording; None if not known."""
    drift_pa_per_s: float = 0.0
    """One standard deviation of the zero's wander, for the uncertainty since the zero."""


@dataclass(frozen=True)
class LinkLosses:
    """What went wrong between board and host, counted."""

    frames: int = 0
    frames_lost: int = 0
    frames_damaged: int = 0
    frames_repeated: int = 0
    frames_unknown: int = 0
    samples_late: int = 0
    samples_overrun: int = 0


@dataclass(frozen=True)
class SensorFault:
    """A fault that the board (or the decoder) told, from `t0_s` to `t1_s` (None: still there at the end)."""

    t0_s: float
    t1_s: float | None
    kind: str
    """One of "no_answer", "bad_checksum", "stuck", "rail_low", "rail_high", "out_of_range", "not_ready"."""
    channel: int = 0


@dataclass(frozen=True)
class Recording:
    """One channel's readings as every computation takes them, from any source.

    `t_s` (n,) float64 increases strictly; `pressure_pa` (n,) float32 or float64, NaN where the sensor was at fault.
    The zero is *not* subtracted yet: computations do it, so that its uncertainty is theirs to count.
    """

    t_s: FloatArray
    pressure_pa: FloatArray
    marks: tuple[Mark, ...] = ()
    rate_hz: float | None = None
    """Nominal or median rate; None for a single sample."""
    missing: int = 0
    """Samples that should stand in gaps of over 1.5 periods, or were told as faulty."""
    sensor: SensorFacts = field(default_factory=SensorFacts)
    line: SensorLine | None = None
    zero: Zero | None = None
    losses: LinkLosses = field(default_factory=LinkLosses)
    sensor_faults: tuple[SensorFault, ...] = ()
    pressure_low_pa: FloatArray | None = None
    """(n,) least of each bin where the board decimated, else None."""
    pressure_high_pa: FloatArray | None = None
    """(n,) greatest of each bin, else None."""
    mean_square_pa2: FloatArray | None = None
    """(n,) mean square of each bin about zero gauge, else None."""
    cylinders: int | None = None
    name: str = ""
    source: str = ""
    """"casebook", "capture", "csv" or "simulation"."""
    warnings: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Seconds from the first sample to the last."""
        return float(self.t_s[-1] - self.t_s[0]) if len(self.t_s) else 0.0


HAPPENING_KINDS = ("sudden_loss", "recovery", "sign_reversal", "rig_fault")
CAUSES = (
    "opening", "closing", "suction_lost", "suction_back", "blow_by_rise", "engine_stop", "engine_start",
    "speed_change", "tap_off", "line_blocked", "sensor_fault", "out_of_range", "unknown",
)  # fmt: skip


@dataclass(frozen=True)
class Happening:
    """One flagged happening, as contract.md's `events` have it."""

    kind: str
    t_s: float
    t_raised_s: float
    before_pa: float | None
    after_pa: float | None
    cause: str
    p_cause: float
    key: int = 0
    """Stays the same while the live detector revises this happening."""
    withdrawn_s: float | None = None
    """When the live detector took the flag back; such happenings are struck through on screen, never in JSON."""
    settled: bool = False
    """True when cause and sizes will not change any more."""
