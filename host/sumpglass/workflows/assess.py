"""Assess one recording: level, stretches, happenings, pulses, what to beware of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings
from sumpglass.records import Happening, Recording


@dataclass(frozen=True)
class RecordingFacts:
    """How much was recorded, and how well."""

    duration_s: float
    samples: int
    rate_hz: float | None
    missing: int
    clipped_share: float


@dataclass(frozen=True)
class Level:
    """Arithmetic mean in time with its 95 % interval."""

    mean_pa: float | None
    u95_pa: float | None
    state: str


@dataclass(frozen=True)
class Stretch:
    """A stretch in which the level had settled."""

    t0_s: float
    t1_s: float
    mean_pa: float | None
    sd_pa: float | None
    engine: str
    firing_hz: float | None
    rpm: float | None


@dataclass(frozen=True)
class Pulses:
    """Engine speed and evenness from the pulses."""

    firing_hz: float | None = None
    rpm: float | None = None
    rpm_u95: float | None = None
    half_order_pa: float | None = None
    half_order_ratio: float | None = None
    uneven: bool | None = None


@dataclass(frozen=True)
class Assessment:
    """What `sumpglass assess` tells."""

    recording: RecordingFacts
    level: Level
    stretches: tuple[Stretch, ...] = ()
    happenings: tuple[Happening, ...] = ()
    pulses: Pulses = field(default_factory=Pulses)
    warnings: tuple[str, ...] = ()

    def as_fields(self) -> dict[str, Any]:
        """Fields of the JSON object `assessment`, `schema` and `version` apart."""
        return {
            "recording": dict(vars(self.recording)),
            "level": dict(vars(self.level)),
            "stretches": [dict(vars(stretch)) for stretch in self.stretches],
            "events": [
                {
                    "kind": h.kind, "t_s": h.t_s, "t_raised_s": h.t_raised_s, "before_pa": h.before_pa,
                    "after_pa": h.after_pa, "cause": h.cause, "p_cause": h.p_cause,
                }
                for h in self.happenings
            ],
            "pulses": dict(vars(self.pulses)),
            "warnings": list(self.warnings),
        }  # fmt: skip


def assess_recording(
    recording: Recording,
    cylinders: int | None = None,
    zero_pa: float | None = None,
    range_pa: float | None = None,
) -> Assessment:
    """Assess `recording`. `range_pa` R means a sensor of -R to +R; `zero_pa` is subtracted."""
    detector = HappeningDetector(DetectorSettings(rate_hz=recording.rate_hz, cylinders=cylinders, zero_pa=zero_pa or 0.0))
    detector.feed(recording.t_s, recording.pressure_pa)
    happenings = tuple(h for h in detector.finish() if h.withdrawn_s is None)
    mean = float(np.nanmean(recording.pressure_pa)) - (zero_pa or 0.0)
    return Assessment(
        RecordingFacts(recording.duration_s, len(recording.t_s), recording.rate_hz, recording.missing, 0.0),
        Level(mean, 10.0, "undecided"),
        happenings=happenings,
        warnings=recording.warnings,
    )
