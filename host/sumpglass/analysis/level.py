"""The level: arithmetic mean in time with its 95 % interval, after the GUM."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.statistics import Mean, block_means, mean_and_variance, mean_with_autocorrelation, student_95
from sumpglass.records import FloatArray

PIECE = 1 << 15


@dataclass(frozen=True)
class LevelReading:
    """Mean in pascals, zero subtracted; None where there is no reading."""

    mean_pa: float | None
    u95_pa: float | None
    state: str
    parts_pa: dict[str, float]
    """Half-widths of the parts of the interval, for the report: "scatter", "zero", "gain", "resolution", "drift"."""


FEWEST_FOR_RANGE, RANGE_BLOCKS = 8, 20
TREND_BLOCKS, TREND_SHARE = 40, 0.92
"""A straight line that explains more than this share of the variance of so many short means is the pressure's own way:
noise with a memory, of a quarter of the stretch even, or of density 1/f, does so once in a hundred times or less."""
SENSOR_DRIFT_U95_PA_S = 2.0 / 60.0
"""How fast the zero of a cheap part may run by itself (common practice, no source)."""
NO_LEVEL = LevelReading(None, None, "no_reading", {})


def mean_in_time(t_s: FloatArray, pressure_pa: FloatArray, period_s: float) -> float:
    """Mean of samples (n,) by the time that each stands for: a period, to within half of one, and 1.25 beside a gap.

    In pieces that stay in the processor's cache, of which those without an odd step tell no more than their sum.
    """
    total, count = float(np.sum(pressure_pa, dtype=np.float64)), float(len(pressure_pa))
    for at in range(0, len(t_s) - 1, PIECE):
        steps = np.diff(t_s[at : at + PIECE + 1])
        if float(steps.max()) < 1.5 * period_s and float(steps.min()) > 0.5 * period_s:
            continue
        odd = np.flatnonzero((steps >= 1.5 * period_s) | (steps <= 0.5 * period_s))
        more = np.minimum(steps[odd] / period_s, 1.5) - 1.0
        sides = np.asarray(pressure_pa[at + odd], np.float64) + pressure_pa[at + odd + 1]
        total += 0.5 * float(more @ sides)
        count += float(more.sum())
    return total / count


def scatter(pieces: list[FloatArray]) -> Mean:
    """Mean of all pieces together, each a stationary stretch of its own, weighted by length."""
    means = [mean_with_autocorrelation(piece) for piece in pieces if len(piece)]
    counts = np.array([len(piece) for piece in pieces if len(piece)], dtype=float)
    share = counts / counts.sum()
    value = float(sum(w * m.value for w, m in zip(share, means)))
    variances = np.array([(w * m.u) ** 2 for w, m in zip(share, means)])
    total = float(variances.sum())
    if not np.isfinite(total) or total <= 0:
        return Mean(value, 0.0 if total <= 0 else float("inf"), 1.0, float(len(counts)))
    freedom = total**2 / float(sum(v**2 / m.degrees_of_freedom for v, m in zip(variances, means)))
    return Mean(value, float(np.sqrt(total)), freedom, float(sum(m.effective for m in means)))


def widest_scatter(pieces: list[FloatArray]) -> float:
    """Half-width in pascals beyond which scatter cannot carry the mean: the way that short means went in each piece.

    Where a series wanders, or is short against its memory, Student's factor for one or two effective readings asks
    for many times what was ever seen. A mean that lies farther off than all that was read is far apart would need a
    pressure that never showed: with six independent readings or more their range holds the median with 97 %
    (distribution-free, David and Nagaraja, Order Statistics, 2003, ch. 7). Infinite for fewer than eight readings.
    """
    if any(0 < len(piece) < FEWEST_FOR_RANGE for piece in pieces):
        return float("inf")
    total = sum(len(piece) for piece in pieces)
    ways = [
        len(piece) / total * float(np.ptp(block_means(piece, max(1, len(piece) // RANGE_BLOCKS))))
        for piece in pieces
        if len(piece)
    ]
    return float(np.sqrt(sum(way * way for way in ways))) if ways else float("inf")


def without_trend(piece: FloatArray) -> tuple[FloatArray, float]:
    """`piece` (n,) about its straight line where that is what it follows, and how far the line goes; else as it is, 0.

    What is told is the mean in time. Where the pressure itself goes steadily, that is known as well as the noise about
    the line allows, and how far the line goes is no doubt about it.
    """
    means = block_means(piece, max(1, len(piece) // TREND_BLOCKS))
    if len(means) < FEWEST_FOR_RANGE:
        return piece, 0.0
    x = np.arange(len(means)) - 0.5 * (len(means) - 1)
    off = means - means.mean()
    slope = float(x @ off) / float(x @ x)
    if not slope * slope * float(x @ x) > TREND_SHARE * float(off @ off):
        return piece, 0.0
    way = slope * len(means)
    return piece - way * (np.arange(len(piece)) / len(piece) - 0.5), abs(way)


def quantising_u95(code_pa: float, spread_pa: float) -> float:
    """Half-width in pascals that codes of `code_pa` (0: none known) leave in a mean of such that scatter so."""
    return float(undithered_u95(code_pa, np.array(spread_pa**2))) if code_pa > 0 else 0.0


def undithered_u95(code_pa: float, variance_pa2: FloatArray) -> FloatArray:
    """Half-widths in pascals, of any shape, that codes of `code_pa` > 0 leave in means of codes of such variances.

    A reading that rests on one code may lie anywhere within half of it. Scatter dithers the converter, and the bias
    falls as exp(-2 (pi s/q)^2) with the scatter s before the converter (Widrow and Kollar, Quantization Noise, 2008,
    ch. 6); of the scatter behind it up to half a code may be the converter's own.
    """
    before2 = np.maximum(variance_pa2 - code_pa**2 / 4.0, 0.0)
    return 0.475 * code_pa * np.exp(-2.0 * np.pi**2 * before2 / code_pa**2)


def read_level(
    mean_pa: float,
    pieces: list[FloatArray],
    zero_u95_pa: float,
    gain_relative_u95: float,
    code_pa: float,
    drift_u95_pa: float = 0.0,
    seconds: float = 0.0,
    variances_pa2: list[float] | None = None,
) -> LevelReading:
    """Level of `mean_pa` whose scatter shows in `pieces` (settled stretches) of `seconds` together, of `variances_pa2`
    where they are known."""
    trends = [without_trend(piece) for piece in pieces]
    way = max((part for _, part in trends), default=0.0)
    if way:
        # The zero may have done a part of it.
        pieces, variances_pa2 = [piece for piece, _ in trends], None
        drift_u95_pa = float(np.hypot(drift_u95_pa, min(way, SENSOR_DRIFT_U95_PA_S * seconds) / 2.0))
    found = scatter(pieces)
    spread = float(np.sqrt(np.mean(variances_pa2 or [mean_and_variance(piece)[1] for piece in pieces])))
    parts = {
        "scatter": min(student_95(found.degrees_of_freedom) * found.u, widest_scatter(pieces)),
        "zero": zero_u95_pa,
        "gain": gain_relative_u95 * abs(mean_pa),
        "resolution": quantising_u95(code_pa, spread),
        "drift": drift_u95_pa,
    }
    u95 = float(np.sqrt(sum(part**2 for part in parts.values())))
    # Readings that are all one value, by a converter whose step nobody told: the step may be of any size.
    # (Their variance may be a rounding error above nought.)
    unknown_step = code_pa <= 0.0 and any(len(piece) > 1 for piece in pieces) and not any(map(np.ptp, pieces))
    if not np.isfinite(u95) or unknown_step:
        return LevelReading(mean_pa, None, "undecided", parts)
    state = "undecided" if abs(mean_pa) <= u95 else "vacuum" if mean_pa < 0 else "pressure"
    return LevelReading(mean_pa, u95, state, parts)
