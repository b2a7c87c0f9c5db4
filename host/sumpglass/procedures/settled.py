"""The settled part of a stretch, and its level with an uncertainty that knows of autocorrelation.

The change-over to a state may lie shortly before or after its mark, and after it the crankcase needs seconds to settle:
so the marks only say where to look, and the data say what has settled. The longest run of block means that shows
neither a step nor a trend beyond its own scatter counts, provided that it reaches near the end of the stretch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

LEAST_S = 1.0
LATE_S = 3.0
"""The next change-over may lie this long before its mark."""
LATE_SHARE = 0.2
MOST_BLOCKS = 80
TOLERANCE = 0.004
"""Trend or step, relative to the level, that is let pass whatever the scatter: a third of a typical uncertainty."""


@dataclass(frozen=True)
class SettledLevel:
    """Mean of a settled part, Pa gauge, with standard uncertainty from the part's own slow scatter.

    `swing_pa` (k,) are equally likely excursions of the pulses about the mean with the sensor's noise taken out;
    `noise_pa` is that noise. `t0_s`, `t1_s` bound the part.
    """

    t0_s: float
    t1_s: float
    mean_pa: float
    u_pa: float
    swing_pa: FloatArray
    noise_pa: float
    samples: int

    @property
    def swing_rms_pa(self) -> float:
        """RMS of the pulses."""
        return float(np.sqrt(np.mean(self.swing_pa**2)))


def settled_level(t_s: FloatArray, pressure_pa: FloatArray, t0_s: float, t1_s: float) -> SettledLevel | None:
    """The settled part of the samples in [t0_s, t1_s), or None where nothing settled."""
    first, last = np.searchsorted(t_s, [t0_s, t1_s])
    t, p = np.asarray(t_s[first:last], dtype=float), np.asarray(pressure_pa[first:last], dtype=float)
    good = np.isfinite(p)
    t, p = t[good], p[good]
    if len(t) < 8 or t[-1] - t[0] < LEAST_S:
        return None
    span = _settled_span(t, p)
    return None if span is None else level_of(t[span], p[span])


def level_of(t: FloatArray, p: FloatArray) -> SettledLevel:
    """Level of samples that are all of one settled state."""
    noise = noise_sd_pa(p)
    mean = float(p.mean())
    return SettledLevel(
        float(t[0]), float(t[-1]), mean, mean_u_pa(t, p), swing_shape_pa(p - mean, noise), noise, len(p)
    )


def is_flat(t: FloatArray, p: FloatArray, block_s: float) -> bool:
    """Is all of this one settled level? For live use: the same test as on recordings, on one stretch."""
    edges = np.searchsorted(t, t[0] + block_s * np.arange(int((t[-1] - t[0]) / block_s) + 1))
    starts, ends = edges[:-1], edges[1:]
    keep = ends > starts
    if keep.sum() < 6:
        return False
    sums = np.concatenate([[0.0], np.cumsum(p - p[0])])
    means = p[0] + (sums[ends[keep]] - sums[starts[keep]]) / (ends[keep] - starts[keep])
    scatter = 1.4826 * float(np.median(np.abs(np.diff(means)))) / math.sqrt(2.0)
    return _flat(means, scatter)


def _settled_span(t: FloatArray, p: FloatArray) -> slice | None:
    length = float(t[-1] - t[0])
    block_s = max(0.25, length / MOST_BLOCKS)
    edges = np.searchsorted(t, t[0] + block_s * np.arange(int(length / block_s) + 1))
    counts = np.diff(edges)
    keep = counts > 0
    starts, ends = edges[:-1][keep], edges[1:][keep]
    if len(starts) < 4:
        return None
    sums = np.concatenate([[0.0], np.cumsum(p - p[0])])
    means = p[0] + (sums[ends] - sums[starts]) / (ends - starts)
    late = max(1, round(min(LATE_S, max(0.35 * length, 0.5)) / block_s), round(LATE_SHARE * len(means)))
    chosen = _longest_flat(means, late)
    if chosen is None:
        return None
    i, j = chosen
    if t[ends[j] - 1] - t[starts[i]] < max(0.8 * LEAST_S, 0.15 * length):
        return None
    return slice(int(starts[i]), int(ends[j]))


def _longest_flat(means: FloatArray, late: int) -> tuple[int, int] | None:
    """First and last block of the longest run without step or trend, ending within `late` blocks of the end."""
    n = len(means)
    # Successive differences see the scatter and hardly the settling; the median is deaf to the change-over.
    scatter = 1.4826 * float(np.median(np.abs(np.diff(means)))) / math.sqrt(2.0)
    best: tuple[int, int] | None = None
    for j in range(n - 1, max(n - 1 - late, 2), -1):
        for i in range(j - 2):
            if best is not None and j - i <= best[1] - best[0]:
                break
            if _flat(means[i : j + 1], scatter):
                best = (i, j)
                break
    return best


def _flat(run: FloatArray, scatter: float) -> bool:
    n = len(run)
    centre = float(np.median(run))
    let_pass = TOLERANCE * abs(centre) + 0.2
    if float(np.max(np.abs(run - centre))) > 4.5 * scatter + let_pass:
        return False
    third = max(1, n // 3)
    u_third = scatter * math.sqrt(2.0 / third)
    head, tail, half = run[:third].mean(), run[-third:].mean(), n // 2
    if abs(head - tail) > 3.0 * u_third + let_pass:
        return False
    # The first blocks hold what is left of the settling: they are judged by themselves.
    edge = max(1, n // 8)
    rest = run[edge:].mean()
    return bool(
        abs(run[:edge].mean() - rest) <= 3.0 * scatter / math.sqrt(edge) + let_pass
        and abs(run[-edge:].mean() - run[:-edge].mean()) <= 3.0 * scatter / math.sqrt(edge) + let_pass
        and abs(run[:half].mean() - run[half:].mean()) <= 3.0 * scatter * math.sqrt(2.0 / half) + let_pass
    )


def mean_u_pa(t: FloatArray, p: FloatArray) -> float:
    """Standard uncertainty of the mean of a settled part, from its spectrum next to zero frequency.

    The variance of a mean of n samples is the spectral density at zero over the duration, whatever the colour of the
    noise; pulses stand far from zero frequency and count for nothing. Six ordinates give it with twelve degrees of
    freedom; the result is widened so that 1.96 of it holds 95 % (Heidelberger and Welch, Commun. ACM 24 (1981) 233).
    """
    from scipy.special import stdtrit

    n = len(p)
    if n < 4:
        return float(np.std(p)) or 1.0
    ordinates = int(min(6, max(1, n // 4)))
    phase = 2.0 * math.pi * (t - t[0]) / ((t[-1] - t[0]) * n / (n - 1))
    deviation = p - p.mean()
    power = [abs(np.sum(deviation * np.exp(-1j * k * phase))) ** 2 / n for k in range(1, ordinates + 1)]
    widened = float(stdtrit(2 * ordinates, 0.975)) / 1.96
    return widened * math.sqrt(float(np.mean(power)) / n)


def noise_sd_pa(p: FloatArray) -> float:
    """The sensor's white noise: floor of the spectrum's upper half, which pulses cross only as a few lines."""
    n = min(len(p), 1 << 16)
    if n < 32:
        return 0.0
    power = np.abs(np.fft.rfft((p[:n] - p[:n].mean()) * np.hanning(n))) ** 2
    upper = power[len(power) // 2 : -1]
    return math.sqrt(float(np.median(upper)) / math.log(2.0) / (0.375 * n))


def swing_shape_pa(deviation: FloatArray, noise: float, points: int = 256) -> FloatArray:
    """Quantiles of the pulses about their mean, shrunk so that their variance is that without the sensor's noise."""
    variance = float(np.mean(deviation**2))
    pulses = variance - noise**2
    if pulses <= 0.05 * noise**2 or pulses <= 0:
        return np.zeros(1)
    quantiles = np.quantile(deviation, (np.arange(points) + 0.5) / points)
    quantiles -= quantiles.mean()
    return quantiles * math.sqrt(pulses / max(float(np.mean(quantiles**2)), 1e-30))
