"""Means with honest intervals, and Allan deviation, for readings that are not independent of each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray


@dataclass(frozen=True)
class Mean:
    """Mean with its standard uncertainty from scatter alone."""

    value: float
    u: float
    degrees_of_freedom: float
    effective: float
    """Independent readings to which the correlated ones amount."""


CACHED = 1 << 14
FLICKER_BLOCKS = 128
FLICKER_FROM, FLICKER_TO = 0.38, 0.55
"""Allan deviation of long averages over that of short ones: white noise falls to 0.35 with a scatter of a quarter; from
the first on the long deviation bounds the mean in part, from the second on fully."""

FLICKER_SHARES = np.geomspace(0.02, 400.0, 15)
"""Density of 1/f noise at the tenth ordinate over that of the white noise under it."""
FLICKER_LEAD = 8.0
"""Log odds by which a short memory has to be likelier before 1/f noise is given up, which does the greater harm."""


def distinct(values: FloatArray) -> FloatArray:
    """The different ones among `values` (n,), in order; numpy's own tries hashing first, and takes longer."""
    ordered = np.sort(values, axis=None)
    return ordered[np.concatenate([[True], ordered[1:] != ordered[:-1]])] if len(ordered) else ordered


def block_means(values: FloatArray, size: int) -> FloatArray:
    """Means (blocks,) of `size` values each, the rest at the end left out."""
    blocks = len(values) // size
    return values[: blocks * size].reshape(blocks, size).mean(axis=1) if blocks else np.empty(0)


def mean_and_variance(values: FloatArray) -> tuple[float, float]:
    """Mean and variance (over n) of a series (n,), read once, in pieces that stay in the processor's cache.

    The pieces are joined as by Chan, Golub and LeVeque 1983 (The American Statistician 37, 242-247).
    """
    mean = square = 0.0
    for at in range(0, len(values), CACHED):
        part = np.asarray(values[at : at + CACHED], np.float64)
        own = float(part.mean())
        off = part - own
        step = own - mean
        square += float(off @ off) + step * step * at * len(part) / (at + len(part))
        mean += step * len(part) / (at + len(part))
    return mean, square / len(values)


def mean_with_autocorrelation(values: FloatArray, most_blocks: int = 400, longest_order: int = 8) -> Mean:
    """Mean of a stationary series (n,) with the uncertainty that its autocorrelation leaves.

    The variance of a mean is the spectral density at zero frequency over n. It is estimated from block means by an
    autoregression (Burg), whose order is chosen by the corrected Akaike criterion (Hurvich and Tsai 1989), and never
    taken below that of independent blocks. The degrees of freedom shrink with the effective number of readings, so
    Student's factor widens the interval where the memory is long against the series.
    """
    n = len(values)
    if n < 2:
        return Mean(float(values[0]) if n else float("nan"), float("inf"), 1.0, float(n))
    size = max(1, n // most_blocks)
    blocks = block_means(values, size)
    m = len(blocks)
    mean = float(blocks.sum() * size + values[m * size :].sum()) / n
    spread = float(blocks.var(ddof=1)) if m > 1 else float("inf")
    if not spread > 0 or m < 8:
        u2 = spread / max(m, 1) if np.isfinite(spread) else float("inf")
        return Mean(mean, float(np.sqrt(u2)), max(1.0, m - 1.0), float(m))
    coefficients, innovation = _burg(blocks - blocks.mean(), min(longest_order, m // 5))
    sum_of = float(coefficients.sum())
    # A root near 1 is estimated too low in short series (Kendall 1954: by (1 + 3 r)/m for order one).
    corrected = min(0.995, sum_of + (1 + 3 * max(sum_of, 0.0)) / m)
    long_run = max(innovation / (1 - corrected) ** 2, spread * 0.2)
    effective = min(float(m), m * spread / long_run)
    # What was taken as the mean is itself uncertain, which makes the sample variance too small by 1 - 1/effective.
    long_run /= max(0.25, 1 - 1 / max(effective, 1.2))
    # The long-run variance is itself known from few independent readings; what Student's factor leaves open was found
    # by simulation over memories of 0.05 to 5 s.
    long_run *= 1 + 3 / max(effective, 3.0)
    u, floor = float(np.sqrt(long_run / m)), _flicker_floor(blocks)
    if floor > u:
        u = max(u, floor * np.sqrt(_flicker_chance(blocks - blocks.mean(), coefficients, innovation)))
    return Mean(mean, u, max(2.0, 0.8 * effective - 1.0), effective * size)


def _flicker_floor(blocks: FloatArray) -> float:
    """Least standard uncertainty of the mean of `blocks` (m,) where averaging longer hardly helps, else 0.

    Where the Allan deviation does not fall from averages of m/64 to those of m/8, the noise is 1/f or slower: a mean
    then wanders by about that deviation, however long it is (NIST SP 1065, 3.2). White noise falls to 0.35 of it; 1/f
    noise under white noise lies between, and the bound comes in by degrees.
    """
    m = len(blocks)
    if m < FLICKER_BLOCKS:
        return 0.0
    short, long = allan_deviation(blocks, [m // 64, m // 8])
    part = (long / short - FLICKER_FROM) / (FLICKER_TO - FLICKER_FROM) if short > 0 else 1.0
    return float(long * min(1.0, max(0.0, part)))


def _flicker_chance(off: FloatArray, coefficients: FloatArray, innovation: float) -> float:
    """Chance that blocks (m,) about their mean are 1/f noise over white noise and no autoregression, whose short memory
    keeps the Allan deviation from falling just as well. By Whittle's likelihood (Arkiv for Matematik 2 (1953) 423)."""
    m = len(off)
    k = np.arange(1, m // 2)
    lines = np.fft.rfft(off)[1 : m // 2]
    power = (lines.real**2 + lines.imag**2) / m
    order = len(coefficients)
    turns = np.exp(-2j * np.pi / m * np.outer(k, np.arange(1, order + 1)))
    memory = innovation / np.abs(1.0 - turns @ coefficients) ** 2
    memory *= float(np.mean(power / memory))
    memory_cost = float(np.sum(np.log(memory))) + len(k) + order + 1
    flicker = 1.0 + FLICKER_SHARES[:, None] * 10.0 / k
    floors = np.mean(power / flicker, axis=1)
    flicker_cost = float(np.min(np.sum(np.log(flicker), axis=1) + len(k) * np.log(floors))) + len(k) + 2.0
    return float(1.0 / (1.0 + np.exp(np.clip(flicker_cost - memory_cost - FLICKER_LEAD, -50.0, 50.0))))


def _burg(values: FloatArray, most: int) -> tuple[FloatArray, float]:
    """Autoregression of the order that the criterion likes best: (coefficients (order,), innovation variance)."""
    n = len(values)
    forward, backward = values[1:].copy(), values[:-1].copy()
    a = np.empty(0)
    variance = float(values @ values) / n
    best = (np.empty(0), variance)
    least = n * np.log(variance) + 2.0 * n / (n - 2)
    for order in range(1, most + 1):
        power = float(forward @ forward + backward @ backward)
        if power <= 0:
            break
        k = 2.0 * float(forward @ backward) / power
        a = np.concatenate([a - k * a[::-1], [k]])
        variance *= 1 - k * k
        forward, backward = forward[1:] - k * backward[1:], backward[:-1] - k * forward[:-1]
        free = n - order - 2
        if variance <= 0 or free <= 0:
            break
        score = n * np.log(variance) + 2.0 * n * (order + 1) / free
        if score < least:
            least, best = score, (a, variance * n / max(1, n - order - 1))
    return best


def student_95(degrees_of_freedom: float) -> float:
    """Two-sided 95 % factor of Student's t (Abramowitz and Stegun 26.7.5, below 4 by table)."""
    nu = max(1.0, degrees_of_freedom)
    if nu < 4:
        return float(np.interp(nu, [1.0, 2.0, 3.0, 4.0], [12.706, 4.303, 3.182, 2.776]))
    z = 1.959964
    g1 = (z**3 + z) / 4
    g2 = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    g4 = (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160
    return z + g1 / nu + g2 / nu**2 + g3 / nu**3 + g4 / nu**4


def lag_one(values: FloatArray) -> float:
    """Autocorrelation of a series (n,) at lag one, as NIST's reference sets define it."""
    off = values - values.mean()
    return float(off[1:] @ off[:-1] / (off @ off))


def allan_deviation(values: FloatArray, sizes: list[int]) -> FloatArray:
    """Overlapping Allan deviation (sizes,) of readings (n,) over averages of each size (NIST SP 1065, eq. 5.2.4)."""
    total = np.concatenate([[0.0], np.cumsum(values - values.mean())])
    out = []
    for m in sizes:
        steps = (total[2 * m :] - 2 * total[m:-m] + total[: -2 * m]) / m
        out.append(np.sqrt(0.5 * np.mean(steps**2)) if len(steps) else np.nan)
    return np.array(out)
