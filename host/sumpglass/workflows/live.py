"""What a live or replayed source tells a screen: frozen records with units, made off the screen's thread."""

from __future__ import annotations

from dataclasses import dataclass

from sumpglass.records import FloatArray, Happening, Mark


@dataclass(frozen=True)
class Samples:
    """Readings (n,) as they came, the zero subtracted, NaN where the sensor was at fault."""

    t_s: FloatArray
    pressure_pa: FloatArray
    low_pa: FloatArray | None = None
    high_pa: FloatArray | None = None


@dataclass(frozen=True)
class Reading:
    """The level now. `age_s` is None when there never was a reading."""

    t_s: float | None = None
    level_pa: float | None = None
    u95_pa: float | None = None
    state: str = "no_reading"
    """"vacuum", "pressure", "undecided" or "no_reading"."""
    clipped: bool = False
    age_s: float | None = None
    connected: bool = True
    sensor_fault: str | None = None
    """What is wrong with the sensor in words, or None."""
    range_pa: tuple[float, float] | None = None
    """Least and greatest that the sensor can read, None before the first sample."""
    beyond_pa: float | None = None
    """The end of the sensor's range beyond which the board says the pressure is; it then sends no samples."""


@dataclass(frozen=True)
class Pulses:
    """Engine speed and evenness now; None where there are no pulses, or no number of cylinders was given."""

    firing_hz: float | None = None
    rpm: float | None = None
    rpm_u95: float | None = None
    uneven: bool | None = None
    engine: str = "unknown"
    """"running", "stopped" or "unknown"."""
    spectrum_pa: tuple[float, ...] = ()
    """Amplitudes from zero up, `spectrum_step_hz` apart."""
    spectrum_step_hz: float = 1.0


@dataclass(frozen=True)
class RigHealth:
    """What the line at the foot tells. None: not known, or does not apply to this source."""

    source: str = ""
    """Port or file."""
    rate_hz: float | None = None
    frames_lost: int = 0
    frames_damaged: int = 0
    samples_late: int = 0
    samples_overrun: int = 0
    clipped_share: float = 0.0
    zero_age_s: float | None = None
    zero_known: bool = False
    recording: str | None = None
    """Name of the file that is being written, None if nothing is recorded."""
    disk_free_bytes: int | None = None
    watchers: int | None = None
    """Second screens that are watching; None where none can."""
    trouble: str | None = None
    """A sentence from the link, the board or the disk: what is wrong and what to do."""


@dataclass(frozen=True)
class MarkNow:
    """A mark was set, or an earlier one (same key) was named."""

    key: str
    mark: Mark


@dataclass(frozen=True)
class HappeningNow:
    """A happening was flagged, revised or withdrawn."""

    happening: Happening


@dataclass(frozen=True)
class Restarted:
    """What was shown before is void (a seek, another source): clear it."""


@dataclass(frozen=True)
class Ended:
    """The source has no more to give."""

    sentence: str


@dataclass(frozen=True)
class Playing:
    """Where a replay stands."""

    t_s: float
    duration_s: float
    speed: float
    paused: bool


LiveEvent = Samples | Reading | Pulses | RigHealth | MarkNow | HappeningNow | Restarted | Ended | Playing
