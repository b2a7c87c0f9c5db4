"""The settled part of a stretch, and its level with an uncertainty that knows of autocorrelation.

The change-over to a state may lie shortly before or after its mark, and after it the crankcase needs seconds to settle:
so the marks only say where to look, and the data say what has settled. The longest run of block means that shows
neither a step nor a trend beyond its own scatter counts, provided that it reaches near the end of the stretch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sumpglass.procedures.settling_tail import fit_tail
from sumpglass.records import FloatArray

LEAST_S = 1.0
LATE_S = 3.0
"""The next change-over may lie this long before its mark."""
LATE_SHARE = 0.2
MOST_BLOCKS = 80
SLOW_ORDINATES = 6
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
    u_settling_pa: float = 0.0
    """Part of `u_pa` for the rest of the settling that was taken off."""
    t_s: FloatArray = field(default_factory=lambda: np.zeros(0), repr=False)
    pressure_pa: FloatArray = field(default_factory=lambda: np.zeros(0), repr=False)
    """The part's samples, with the rest of the settling taken off."""

    def root_u_pa(self, zero_pa: float) -> float:
        """Standard uncertainty, as mean pressure, of the mean flow that the samples drive through an opening.

        Where pulses cross the room's pressure the mean of the signed square root scatters more than the mean does:
        few phases of the pulses are seen when they run close to a fraction of the sampling rate.
        """
        gauge = self.pressure_pa - zero_pa
        if self.swing_rms_pa < 0.05 * abs(self.mean_pa - zero_pa) or len(gauge) < 8:
            return self.u_pa
        step = max(3.0 * self.noise_pa, 0.02 * self.swing_rms_pa, 1.0)
        slope = float(np.mean(_signed_root(gauge + step) - _signed_root(gauge - step))) / (2.0 * step)
        u = mean_u_pa(self.t_s, _signed_root(gauge)) / slope if slope > 0 else self.u_pa
        return math.hypot(u, self.u_settling_pa)

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
    blocks = _block_means(t, p)
    if blocks is None:
        return None
    run = _settled_run(t, blocks)
    tail = fit_tail(blocks.middle_s, blocks.means_pa, run)
    if run is None:
        if tail is None:
            return None
        run = tail.first, tail.last
    span = slice(int(blocks.starts[run[0]]), int(blocks.ends[run[1]]))
    t, p = t[span], p[span]
    if tail is None:
        return level_of(t, p)
    left = tail.left_pa(t)
    # What an exponential cannot tell of the real settling: a fifth of what it took off.
    return level_of(t, p - left, math.hypot(tail.u_pa, 0.2 * abs(float(left.mean()))))


def level_of(t: FloatArray, p: FloatArray, u_settling_pa: float = 0.0) -> SettledLevel:
    """Level of samples that are all of one settled state."""
    noise = noise_sd_pa(p)
    mean = float(p.mean())
    u = math.hypot(mean_u_pa(t, p), u_settling_pa)
    return SettledLevel(
        float(t[0]), float(t[-1]), mean, u, swing_shape_pa(p - mean, noise), noise, len(p), u_settling_pa, t, p
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


def _signed_root(pressure_pa: FloatArray) -> FloatArray:
    return np.sign(pressure_pa) * np.sqrt(np.abs(pressure_pa))


@dataclass(frozen=True)
class _Blocks:
    """Means over blocks of equal length; `starts`, `ends` index the samples."""

    length_s: float
    starts: npt.NDArray[np.intp]
    ends: npt.NDArray[np.intp]
    middle_s: FloatArray
    means_pa: FloatArray


def _block_means(t: FloatArray, p: FloatArray) -> _Blocks | None:
    length = float(t[-1] - t[0])
    block_s = max(0.25, length / MOST_BLOCKS)
    edges = np.searchsorted(t, t[0] + block_s * np.arange(int(length / block_s) + 1))
    keep = np.diff(edges) > 0
    starts, ends = edges[:-1][keep], edges[1:][keep]
    if len(starts) < 4:
        return None
    sums = np.concatenate([[0.0], np.cumsum(p - p[0])])
    means = p[0] + (sums[ends] - sums[starts]) / (ends - starts)
    return _Blocks(block_s, starts, ends, 0.5 * (t[starts] + t[ends - 1]), means)


def _settled_run(t: FloatArray, blocks: _Blocks) -> tuple[int, int] | None:
    """First and last block of the settled run, None where nothing settled."""
    length, means = float(t[-1] - t[0]), blocks.means_pa
    late = max(1, round(min(LATE_S, max(0.35 * length, 0.5)) / blocks.length_s), round(LATE_SHARE * len(means)))
    chosen = _longest_flat(means, late)
    if chosen is None:
        return None
    i, j = chosen
    if t[blocks.ends[j] - 1] - t[blocks.starts[i]] < max(0.8 * LEAST_S, 0.15 * length):
        return None
    return chosen


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
    power = slow_powers_pa2(t, p)
    widened = float(stdtrit(2 * len(power), 0.975)) / 1.96
    # A wander of a second or more falls off within those ordinates: the first three speak for it.
    return widened * math.sqrt(max(float(np.mean(power)), float(np.mean(power[:3]))) / n)


def slow_powers_pa2(t: FloatArray, p: FloatArray) -> FloatArray:
    """The first ordinates of the periodogram (up to 6,), slowest first; their expectation is the white noise's variance
    where the noise is white."""
    n = len(p)
    ordinates = int(min(SLOW_ORDINATES, max(1, n // 4)))
    phase = 2.0 * math.pi * (t - t[0]) / ((t[-1] - t[0]) * n / (n - 1))
    deviation = p - p.mean()
    turn = np.exp(-1j * phase)
    power, at = np.empty(ordinates), np.ones_like(turn)
    for k in range(ordinates):
        at = at * turn
        power[k] = abs(np.dot(deviation, at)) ** 2 / n
    return power


def wander_factor(levels: Sequence[SettledLevel]) -> float:
    """By how much the levels of several stretches scatter more than each one's own wander says; 1 for white noise.

    Noise that grows towards slow times, as that of engines and sensors does, goes on growing at times longer than a
    stretch. The slope of the periodograms (all stretches together) tells; for a density that goes as 1/f, means over
    a fifth of a recording scatter about 2.4 times as much as the first ordinates say.
    """
    powers = [slow_powers_pa2(v.t_s, v.pressure_pa) for v in levels]
    # A signal that rests on one code has none.
    profiles = [p / p.mean() for p in powers if len(p) == SLOW_ORDINATES and p.mean() > 0]
    if not profiles:
        return 1.0
    steep = -float(np.polyfit(np.log(np.arange(1, SLOW_ORDINATES + 1)), np.log(np.mean(profiles, axis=0)), 1)[0])
    return 1.0 + 1.4 * float(np.clip(steep - 0.15, 0.0, 1.0))


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
