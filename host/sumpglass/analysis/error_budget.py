"""What a sensor's reading is worth: each source of error at a pressure, combined after the GUM (JCGM 100).

Datasheet limits are half-widths that hold every good part: a rectangular distribution, so a standard uncertainty of
the limit over sqrt(3). Noise is averaged over one second; its memory is allowed for by counting half the samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sumpglass.physics.sensor_parts import SensorPart

STAGES = ("as bought", "zeroed", "zeroed and calibrated")
COLUMN_RELATIVE_U = 0.002
"""Of a water column read by hand to 0.5 mm at both ends of +-1.5 kPa (153 mm): 0.5 / 153 / sqrt(2)."""
COLUMN_OFFSET_U_PA = 2.5
"""Of the column's zero, the same half millimetre over three or more readings: 4.9 Pa / sqrt(4)."""


@dataclass(frozen=True)
class BudgetLine:
    """One source of error: its standard uncertainty at the pressure asked for, Pa."""

    name: str
    u_pa: float


@dataclass(frozen=True)
class ErrorBudget:
    """All sources for one part, one pressure, one stage."""

    part: str
    pressure_pa: float
    stage: str
    lines: tuple[BudgetLine, ...]
    in_range: bool

    @property
    def u95_pa(self) -> float:
        """Half-width of the 95 % interval, coverage factor 2."""
        return 2.0 * math.sqrt(sum(line.u_pa**2 for line in self.lines))

    @property
    def largest(self) -> BudgetLine:
        """The source that is worth improving first."""
        return max(self.lines, key=lambda line: line.u_pa)


def error_budget(part: SensorPart, pressure_pa: float, stage: str, rate_hz: float = 1000.0) -> ErrorBudget:
    """Budget of `part` reading the size `pressure_pa` (vacuum or pressure), averaged over 1 s at `rate_hz`.

    `stage` is one of STAGES. Raises ValueError for another.
    """
    if stage not in STAGES:
        raise ValueError(f"stage {stage!r} is not known, expected one of {', '.join(STAGES)}")
    size = abs(pressure_pa)
    flat = 1.0 / math.sqrt(3.0)
    offset_pa = part.offset_pa if stage == "as bought" else part.zero_drift_pa
    gain = part.gain_relative * flat if stage != "zeroed and calibrated" else COLUMN_RELATIVE_U
    # A one-part-in-a-hundred supply error scales the whole output of a part that is not read ratiometrically: what is
    # proportional to the pressure counts as gain here, what shifts zero is taken away by the zero.
    supply_pa = part.supply_relative * size * flat if not part.ratiometric else 0.0
    if stage == "as bought" and not part.ratiometric:
        supply_pa = part.supply_relative * (size + part.scale.counts_at_zero * part.scale.quantum_pa) * flat
    samples = max(1.0, min(rate_hz, 0.35 / part.response_s) / 2.0)
    lines = [
        BudgetLine("offset" if stage == "as bought" else "zero drift", offset_pa * flat),
        BudgetLine("gain", gain * size),
        BudgetLine("nonlinearity", part.nonlinearity_pa * flat),
        BudgetLine("supply", supply_pa),
        BudgetLine("resolution", part.scale.quantum_pa / math.sqrt(12.0)),
        BudgetLine("noise", part.noise_rms_pa / math.sqrt(samples)),
    ]
    if stage == "zeroed and calibrated":
        lines.append(BudgetLine("water column", COLUMN_OFFSET_U_PA))
    reach = max(-part.range_low_pa, part.range_high_pa)
    return ErrorBudget(part.key, pressure_pa, stage, tuple(lines), size <= reach)
