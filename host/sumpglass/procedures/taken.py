"""A reading that a guided test took: level, swing, what was fitted, and all that is needed to compute with it again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sumpglass.analysis.clipping import resolution_of
from sumpglass.analysis.level import quantising_u95, widest_scatter
from sumpglass.analysis.statistics import mean_with_autocorrelation, student_95
from sumpglass.procedures.openings import Reading
from sumpglass.procedures.settled import SettledLevel
from sumpglass.records import FloatArray

QUANTILES = 64
LEAST_SAMPLES = 8


@dataclass(frozen=True)
class Taken:
    """Level over [t0_s, t1_s], Pa gauge, the zero subtracted. `u_pa` is the reading's own standard uncertainty.

    `bound` is "" for a level, "deeper" or "above" where it only is a bound. `swing_pa` are quantiles of the pulses
    about the mean; `trace` (times, pressures) is kept where a step asks for it.
    """

    name: str
    t0_s: float
    t1_s: float
    mean_pa: float
    u_pa: float
    bound: str = ""
    swing_pa: FloatArray = field(default_factory=lambda: np.zeros(1))
    noise_pa: float = 0.0
    settled: bool = True
    values: Mapping[str, Any] = field(default_factory=dict)
    trace: tuple[FloatArray, FloatArray] | None = None

    @property
    def u95_pa(self) -> float:
        """Half-width of the reading's own 95 % interval."""
        return 1.96 * self.u_pa

    @property
    def swing_rms_pa(self) -> float:
        """RMS of the pulses."""
        return float(np.sqrt(np.mean(self.swing_pa**2)))

    def as_opening(self, opening_mm: float, repeatability: float = 0.0) -> Reading:
        """As a reading with a known opening. `repeatability`: how well, relative, the engine comes back to a level."""
        u_pa = math.hypot(self.u_pa, repeatability * self.mean_pa)
        if self.bound == "deeper":
            return Reading(opening_mm, None, u_pa, -self.mean_pa, name=self.name)
        return Reading(opening_mm, -self.mean_pa, u_pa, shape_pa=-self.swing_pa, name=f"recorded {self.name}")

    def to_fields(self) -> dict[str, Any]:
        """Plain values for JSON."""
        fields: dict[str, Any] = {
            "name": self.name,
            "t0_s": self.t0_s,
            "t1_s": self.t1_s,
            "mean_pa": self.mean_pa,
            "u_pa": self.u_pa,
            "bound": self.bound,
            "swing_pa": [round(float(x), 4) for x in self.swing_pa],
            "noise_pa": self.noise_pa,
            "settled": self.settled,
            "values": dict(self.values),
        }
        if self.trace is not None:
            fields["trace"] = [[round(float(x), 5) for x in part] for part in self.trace]
        return fields

    @staticmethod
    def from_fields(fields: Mapping[str, Any]) -> Taken:
        """The inverse of `to_fields`."""
        plain = {k: v for k, v in fields.items() if k not in ("swing_pa", "trace")}
        trace = fields.get("trace")
        return Taken(
            **plain,
            swing_pa=np.asarray(fields["swing_pa"], dtype=float),
            trace=None if trace is None else (np.asarray(trace[0]), np.asarray(trace[1])),
        )


def reading_u_pa(level: SettledLevel) -> float:
    """Standard uncertainty of a level with what its own scatter does not show: the step of a coarse converter, and,
    where nothing swings, noise that wanders at times longer than the reading."""
    pressure_pa = level.pressure_pa
    if len(pressure_pa) < LEAST_SAMPLES:
        return level.u_pa
    u95 = 1.96 * level.u_pa
    if level.swing_rms_pa <= level.noise_pa:
        found = mean_with_autocorrelation(pressure_pa)
        u95 = max(u95, min(student_95(found.degrees_of_freedom) * found.u, widest_scatter([pressure_pa])))
    codes = quantising_u95(resolution_of(pressure_pa), float(np.std(pressure_pa)))
    return math.hypot(u95, codes) / 1.96


def taken_from(
    name: str,
    level: SettledLevel,
    values: Mapping[str, Any],
    bound: str = "",
    settled: bool = True,
    trace: tuple[FloatArray, FloatArray] | None = None,
) -> Taken:
    """A reading from a level; its swing is thinned to `QUANTILES` values that keep mean and RMS."""
    swing = level.swing_pa
    if len(swing) > QUANTILES:
        rms = level.swing_rms_pa
        swing = np.quantile(swing, (np.arange(QUANTILES) + 0.5) / QUANTILES)
        swing = swing - swing.mean()
        swing *= rms / max(float(np.sqrt(np.mean(swing**2))), 1e-12)
    # Rounded as they are kept, so that a verdict computed again from the casebook is the same to the last digit.
    swing = np.round(swing, 4)
    if trace is not None:
        trace = (np.round(trace[0], 5), np.round(trace[1], 5))
    return Taken(
        name,
        level.t0_s,
        level.t1_s,
        level.mean_pa,
        max(reading_u_pa(level), 0.02),
        bound,
        swing,
        level.noise_pa,
        settled,
        dict(values),
        trace,
    )
