"""What a test read, how far it may be off, and the chance of it where the network predicts a pressure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.faults.normal import normal_cdf

FloatArray = npt.NDArray[np.float64]

ASSUMED_RELATIVE_SD = 0.03
ASSUMED_SD_PA = 20.0
"""Standard deviation taken for a reading that comes without its uncertainty, and for readings still to be made."""
LEAST_RELATIVE_SD = 0.025
LEAST_SD_PA = 15.0
"""A reading is never believed closer than this: gauges are called better than they are (see the benchmarks)."""
MODEL_RELATIVE_SD = 0.01
MODEL_SD_PA = 6.0
"""What the network leaves out (pulses, temperature, coefficients that move with flow): added to every reading."""
WILD_SHARE = 0.01
"""Chance that a reading is wild: set-up wrong, hose slipped, figure mistyped (practice, no source)."""
SCALE_PA = ASSUMED_SD_PA / ASSUMED_RELATIVE_SD
WILD_SPAN = 2.0 * float(np.arcsinh(20000.0 / SCALE_PA))
"""A wild reading is taken as uniform over this span of asinh(p/SCALE_PA): -20 to 20 kPa."""


@dataclass(frozen=True)
class Reading:
    """What a test read: one of `pressure_pa` (gauge), `deeper_than_pa` or `above_pa` (beyond the sensor's range)."""

    test: str
    pressure_pa: float | None = None
    u95_pa: float | None = None
    deeper_than_pa: float | None = None
    above_pa: float | None = None

    @property
    def level_pa(self) -> float:
        """The pressure, or the limit that it lies beyond."""
        for value in (self.pressure_pa, self.deeper_than_pa, self.above_pa):
            if value is not None:
                return value
        raise ValueError("a reading without a value")

    @property
    def censored(self) -> int:
        """-1 below `deeper_than_pa`, 1 above `above_pa`, 0 for a plain reading."""
        return 0 if self.pressure_pa is not None else (-1 if self.deeper_than_pa is not None else 1)

    @property
    def sd_pa(self) -> float:
        """Standard deviation of the reading about what the network predicts."""
        level = abs(self.level_pa)
        if self.u95_pa is None:
            own = float(np.hypot(ASSUMED_RELATIVE_SD * level, ASSUMED_SD_PA))
        else:
            own = max(self.u95_pa / 1.96, float(np.hypot(LEAST_RELATIVE_SD * level, LEAST_SD_PA)))
        return float(np.sqrt(own**2 + (MODEL_RELATIVE_SD * level) ** 2 + MODEL_SD_PA**2))


def chances_of(readings: Sequence[Reading], predicted_pa: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(draws, readings) chance or density of each reading that is not wild, and (readings,) the share of wild ones."""
    level = np.array([reading.level_pa for reading in readings])
    sd = np.array([reading.sd_pa for reading in readings])
    censored = np.array([reading.censored for reading in readings], dtype=int)
    off = (level - predicted_pa) / sd if len(readings) else np.empty_like(predicted_pa)
    chances = np.exp(-0.5 * np.square(off)) / (sd * np.sqrt(2.0 * np.pi)) if len(readings) else off
    if censored.any():
        chances = np.where(censored == 0, chances, normal_cdf(-off * censored))
    floor = np.where(censored == 0, WILD_SHARE / WILD_SPAN / np.hypot(level, SCALE_PA), WILD_SHARE * 0.25)
    return np.asarray(chances), floor
