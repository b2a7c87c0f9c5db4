"""What the detector is told about the rig, and what it tells between samples."""

from __future__ import annotations

from dataclasses import dataclass

from sumpglass.errors import InputError


@dataclass(frozen=True)
class DetectorSettings:
    """Facts of the rig that the detector may use; None where the source does not say."""

    rate_hz: float | None = None
    range_low_pa: float | None = None
    range_high_pa: float | None = None
    resolution_pa: float | None = None
    zero_pa: float = 0.0
    """Subtracted from every reading."""
    zero_u95_pa: float = 10.0
    """Half-width of the zero's 95 % interval: a level nearer to zero than this has no known direction."""
    cylinders: int | None = None

    def __post_init__(self) -> None:
        """Raises InputError for a rate or a number of cylinders that no rig or engine has."""
        if self.rate_hz is not None and not self.rate_hz > 0:
            raise InputError(f"the rate is {self.rate_hz} Hz, expected a number above 0")
        if self.cylinders is not None and not 1 <= self.cylinders <= 8:
            raise InputError(f"the engine has {self.cylinders} cylinders, expected 1 to 8")


@dataclass(frozen=True)
class LiveState:
    """What the detector knows now, for a screen. Pressures in pascals with the zero subtracted."""

    t_s: float = 0.0
    level_pa: float | None = None
    """Cycle mean of the last moments."""
    level_u95_pa: float | None = None
    state: str = "no_reading"
    """One of "vacuum", "pressure", "undecided", "no_reading"."""
    clipped: bool = False
    engine: str = "unknown"
    """One of "running", "stopped", "unknown"."""
    firing_hz: float | None = None
    rpm: float | None = None
    rpm_u95: float | None = None
    pulse_rms_pa: float | None = None
    """RMS of the pulses about the level."""
    half_order_pa: float | None = None
    half_order_ratio: float | None = None
    uneven: bool | None = None
