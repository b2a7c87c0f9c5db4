"""Resolution, noise and clipping of a channel, read off its samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.statistics import distinct
from sumpglass.records import FloatArray

LOOKED_AT = 40_000


@dataclass(frozen=True)
class Clipping:
    """Share of samples on a rail, and which rails."""

    share: float
    low: bool
    high: bool
    limit_low_pa: float | None = None
    limit_high_pa: float | None = None


def resolution_of(pressure_pa: FloatArray) -> float:
    """Least step between different readings, in pascals: the code, as far as they show it; 0 where there is none."""
    some = pressure_pa[:: max(1, len(pressure_pa) // LOOKED_AT)]
    values = distinct(some[np.isfinite(some)])
    if len(values) < 2:
        return 0.0
    steps = np.diff(values)
    steps = steps[steps > 1e-9 * max(1.0, float(np.abs(values).max()))]
    if not len(steps):
        return 0.0
    # A channel that was written with two decimals or float32 jitters about its codes: take the common small step.
    return float(np.quantile(steps, 0.05))


def sample_noise(pressure_pa: FloatArray) -> float:
    """Standard deviation of the noise from sample to sample, from third differences that pass pulses by."""
    part = pressure_pa[: min(len(pressure_pa), LOOKED_AT)].astype(np.float64)
    if len(part) < 8:
        return 0.0
    return float(np.median(np.abs(np.diff(part, 3))) / 0.6745 / np.sqrt(20.0))


def find_clipping(pressure_pa: FloatArray, low_pa: float | None, high_pa: float | None) -> Clipping:
    """Clipped share of valid samples (n,), in the sensor's own pascals (zero not subtracted).

    With a known range: samples within one code or the noise of it. Without: of the largest value either way, if the
    signal rests on it (many equal extremes, where a free signal would thin out).
    """
    n = len(pressure_pa)
    if n == 0:
        return Clipping(0.0, False, False)
    if low_pa is not None or high_pa is not None:
        span = abs((high_pa or 0.0) - (low_pa or 0.0))
        margin = max(resolution_of(pressure_pa), min(sample_noise(pressure_pa), 0.01 * span)) * 1.001
        low = int(np.count_nonzero(pressure_pa <= low_pa + margin)) if low_pa is not None else 0
        high = int(np.count_nonzero(pressure_pa >= high_pa - margin)) if high_pa is not None else 0
        return Clipping((low + high) / n, low > 0, high > 0, low_pa, high_pa)
    low_count, high_count = _resting(pressure_pa, -1), _resting(pressure_pa, 1)
    return Clipping(
        (low_count + high_count) / n, low_count > 0, high_count > 0,
        float(pressure_pa.min()) if low_count else None, float(pressure_pa.max()) if high_count else None,
    )  # fmt: skip


def _resting(pressure_pa: FloatArray, side: int) -> int:
    """Samples on the extreme, or 0 where the signal does not rest on it."""
    values = pressure_pa * side
    extreme = float(values.max())
    if float(values.min()) == extreme:
        return 0
    at = values >= extreme - 1e-6 * max(1.0, abs(extreme))
    count = int(np.count_nonzero(at))
    if count < 6 or count < 0.0005 * len(values):
        return 0
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], at.astype(np.int8), [0]]))))[::2]
    code = resolution_of(pressure_pa)
    below = int(np.count_nonzero((values >= extreme - 1.5 * code) & ~at)) if code else 0
    return count if int(runs.max()) >= 3 and count > 4 * below else 0
