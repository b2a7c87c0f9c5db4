"""Spectra in pascals: Welch's averaged periodograms with the window's own corrections.

Welch 1967, IEEE Trans. Audio Electroacoust. 15, 70-73. Amplitudes need the coherent gain of the window (sum of the
weights), densities its noise bandwidth (sum of their squares); Heinzel, Ruediger and Schilling 2002 set out both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.statistics import distinct
from sumpglass.records import FloatArray

MOST_SEGMENTS = 48


@dataclass(frozen=True)
class Spectrum:
    """One-sided averaged spectrum; arrays (bins,)."""

    hz: FloatArray
    density_pa2_hz: FloatArray
    """Power spectral density: its sum times `bin_hz` is the variance."""
    bin_hz: float
    noise_bandwidth_bins: float
    """Width of the window's response in bins: 1.5 for Hann."""
    segments: int
    averages: float
    """Independent segments to which the overlapping ones amount."""

    def amplitude_pa(self) -> FloatArray:
        """Amplitude (bins,) of a sine that stands in each bin."""
        return np.sqrt(2.0 * self.density_pa2_hz * self.bin_hz * self.noise_bandwidth_bins)


def welch(pressure_pa: FloatArray, rate_hz: float, segment: int, most: int = MOST_SEGMENTS) -> Spectrum:
    """Welch spectrum of evenly sampled `pressure_pa` (n,), `segment` samples long, Hann, half overlapping.

    Each segment is freed of its straight-line trend. More than `most` segments are thinned out evenly. Raises
    ValueError when there are fewer samples than one segment.
    """
    n = len(pressure_pa)
    if segment < 4 or n < segment:
        raise ValueError("fewer samples than one segment")
    starts = np.arange(0, n - segment + 1, max(1, segment // 2))
    if len(starts) > most:
        starts = starts[np.linspace(0, len(starts) - 1, most).astype(int)]
    window = hann(segment)
    axis = np.arange(segment) - (segment - 1) / 2
    norm = float(axis @ axis)
    total = np.zeros(segment // 2 + 1)
    for begin in range(0, len(starts), 16):
        rows = np.stack([pressure_pa[s : s + segment] for s in starts[begin : begin + 16]]).astype(np.float64)
        rows -= rows.mean(axis=1, keepdims=True)
        rows -= np.outer(rows @ axis / norm, axis)
        lines = np.fft.rfft(rows * window, axis=1)
        total += (lines.real**2 + lines.imag**2).sum(axis=0)
    density = 2.0 * total / (len(starts) * rate_hz * float(window @ window))
    density[0] /= 2.0
    if segment % 2 == 0:
        density[-1] /= 2.0
    width = segment * float(window @ window) / float(window.sum()) ** 2
    # Hann at half overlap: neighbouring segments share 1/36 of their power (Welch 1967, eq. 17).
    averages = len(starts) / (1.0 + 2.0 * (1 - 1 / len(starts)) / 36.0)
    return Spectrum(
        np.arange(segment // 2 + 1) * (rate_hz / segment), density, rate_hz / segment, width, len(starts), averages
    )


def hann(samples: int) -> FloatArray:
    """Periodic Hann window (samples,)."""
    return 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(samples) / samples)


def powers_at(rows: FloatArray, window: FloatArray, per_sample: FloatArray) -> FloatArray:
    """Squared magnitudes (rows, k) of the Fourier sums of windowed rows (rows, n) at `per_sample` (k,) cycles a sample.

    For a narrow band it is quicker than a whole transform.
    """
    turns = np.outer(np.arange(len(window)), 2.0 * np.pi * per_sample)
    in_phase, across = (rows @ (part(turns) * window[:, None]) for part in (np.cos, np.sin))
    return in_phase * in_phase + across * across


def noise_floor(spectrum: Spectrum, octaves: float = 0.7, least_bins: int = 9) -> FloatArray:
    """Smooth density (bins,) under the lines: running lower quartile, scaled to the mean that noise would have.

    The width grows with frequency, so that the slope of a wandering sensor is followed and a comb of lines is not.
    """
    n = len(spectrum.hz)
    logs = np.log(spectrum.density_pa2_hz + 1e-30)
    at = distinct(np.concatenate([np.arange(1, min(12, n), 2), np.geomspace(12, max(13, n - 1), 24).astype(int)]))
    at = at[at < n]
    values = np.empty(len(at))
    for row, k in enumerate(at):
        half = max(least_bins, int(k * (2 ** (octaves / 2) - 1)))
        lo, hi = max(1, k - half), min(n, k + half + 1)
        values[row] = np.partition(logs[lo:hi], int(0.3 * (hi - lo - 1)))[int(0.3 * (hi - lo - 1))]
    floor = np.interp(np.arange(n), at, values)
    return np.exp(floor) / _quantile_share(spectrum.averages, 0.3)


def _quantile_share(averages: float, quantile: float) -> float:
    """Quantile of averaged exponential scatter, as a part of its mean (Wilson and Hilferty 1931)."""
    nu = 2.0 * averages
    z = {0.3: -0.5244}[quantile]
    return float((1 - 2 / (9 * nu) + z * np.sqrt(2 / (9 * nu))) ** 3)


def exceeded_by_chance(averages: float, chance: float) -> float:
    """Ratio to the mean that an averaged periodogram of noise exceeds with this chance (Wilson and Hilferty 1931)."""
    from statistics import NormalDist

    nu = 2.0 * averages
    z = NormalDist().inv_cdf(1.0 - chance)
    ratio = float((1 - 2 / (9 * nu) + z * np.sqrt(2 / (9 * nu))) ** 3)
    return max(ratio, -np.log(chance)) if averages < 1.5 else ratio
