"""Lines of a spectrum that an engine may have made: found, placed, sized, and told from hum and from ringing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.spectrum import Spectrum, exceeded_by_chance, hann, powers_at
from sumpglass.records import FloatArray

LOWEST_RPM, HIGHEST_RPM = 380.0, 6300.0
FALSE_CLAIM = 1e-4
"""Chance that noise alone shows a line somewhere in the spectrum."""
MOST_PEAKS = 24
APART, WIDE, HUMP = 0.045, 0.03, 0.4
"""Peaks closer than this (relative) are one line; a line reaches so far about its middle, and with more than this part
of its power in the ring beyond, it is none."""
MAINS_HZ = 0.15
BLOCK_S, TIMEKEEPING_RAD = 0.5, 0.15
"""The phase of hum, read in blocks so long, stays so near to an even run."""
MOST_BLOCKS, MOST_EVEN_BLOCKS = 200, 120
EVENLY_S, SWELLS = 0.35, 0.45
"""The power of an engine's line in blocks so long has a relative variance below this; narrow noise has about 1."""


@dataclass(frozen=True)
class Lines:
    """Significant lines of a spectrum, strongest first; arrays (lines,)."""

    hz: FloatArray
    amplitude_pa: FloatArray
    mains: np.ndarray
    """True for a line that may be mains hum: at a multiple of 50 or 60 Hz, and sharp."""

    def __len__(self) -> int:
        return len(self.hz)


NO_LINES = Lines(np.empty(0), np.empty(0), np.empty(0, bool))


def significant_lines(spectrum: Spectrum, floor: FloatArray, highest_hz: float) -> Lines:
    """Local maxima that noise exceeds with a chance of `FALSE_CLAIM` over the whole spectrum."""
    p, hz = spectrum.density_pa2_hz, spectrum.hz
    limit = exceeded_by_chance(spectrum.averages, FALSE_CLAIM / max(1, len(p)))
    inner = np.arange(2, len(p) - 1)
    inner = inner[(hz[inner] > LOWEST_RPM / 120 * 0.95) & (hz[inner] < highest_hz)]
    top = inner[(p[inner] > p[inner - 1]) & (p[inner] >= p[inner + 1]) & (p[inner] > limit * 1.5 * floor[inner])]
    if not len(top):
        return NO_LINES
    order = top[np.argsort(p[top])[::-1][: MOST_PEAKS * 2]]
    kept: list[int] = []
    for k in order:
        if all(abs(k - other) > max(5.0, APART * max(k, other)) for other in kept):
            kept.append(int(k))
    excess = np.maximum(p - floor, 0.0)
    kept = [k for k in kept[:MOST_PEAKS] if not _hump(excess, k)]
    if not kept:
        return NO_LINES
    line_hz = np.array([_middle(excess, k) for k in kept]) * spectrum.bin_hz
    amplitude = np.array([line_amplitude(spectrum, floor, float(f), 0.5 * WIDE) for f in line_hz])
    amplitude = np.maximum(amplitude, 1e-9)
    order = np.argsort(-amplitude)
    return Lines(line_hz[order], amplitude[order], np.zeros(len(order), bool))


def _middle(excess: FloatArray, k: int) -> float:
    """Place (bins) of a line whose highest bin is `k`: the middle of its power, which wanders with the speed."""
    half = max(2, int(0.5 * WIDE * k))
    lo, hi = max(1, k - half), min(len(excess), k + half + 1)
    part = excess[lo:hi]
    return float(part @ np.arange(lo, hi) / part.sum())


def _hump(excess: FloatArray, k: int) -> bool:
    """True for what is too wide for an engine's line at steady speed: a resonance of the hose, a whistle, shaking."""
    half = WIDE * k
    if half < 3:
        return False
    inner, outer = int(half), min(int(2 * half), len(excess) - 1 - k)
    around = float(excess[k - 2 * int(half) : k - inner].sum() + excess[k + inner + 1 : k + outer + 1].sum())
    return around > HUMP * float(excess[k - inner : k + inner + 1].sum())


def smeared_share(spectrum: Spectrum, floor: FloatArray, lines: Lines) -> float:
    """Part of the power above the noise that lies in no sharp line."""
    excess = np.maximum(spectrum.density_pa2_hz - 1.5 * floor, 0.0)
    excess[: math.ceil(LOWEST_RPM / 120 / spectrum.bin_hz)] = 0.0
    whole = float(excess.sum())
    for hz in lines.hz:
        k = round(float(hz) / spectrum.bin_hz)
        excess[max(0, k - 2) : k + 3] = 0.0
    return float(excess.sum()) / whole if whole > 0 else 0.0


def with_mains(lines: Lines, pressure_pa: FloatArray, rate_hz: float, spectrum: Spectrum, floor: FloatArray) -> Lines:
    """Mark the lines that may be mains hum: they stand at a multiple of 50 or 60 Hz, and their phase keeps time."""
    near = np.array([_off_mains(float(hz), rate_hz) < MAINS_HZ + 0.0008 * hz for hz in lines.hz], bool)
    mains = near.copy()
    for row in np.flatnonzero(near):
        hz = float(lines.hz[row])
        noise = float(np.interp(hz, spectrum.hz, floor))
        mains[row] = keeps_time(pressure_pa, rate_hz, hz, noise)
        if mains[row]:
            # What is weaker and lies on the mains too is more of the same hum: noise and folds hide how it keeps time.
            mains[row:] = near[row:]
            break
    return Lines(lines.hz, lines.amplitude_pa, mains)


def _off_mains(hz: float, rate_hz: float) -> float:
    """Distance (Hz) to the nearest multiple of 50 or 60 Hz, the lowest ones where sampling folds them to as well."""
    places = [base * max(1, round(hz / base)) for base in (50.0, 60.0)]
    above = [base * k for base in (50.0, 60.0) for k in range(1, 10) if base * k > rate_hz / 2]
    places += [abs(hum - rate_hz * round(hum / rate_hz)) for hum in above]
    return min(abs(hz - place) for place in places)


def keeps_time(pressure_pa: FloatArray, rate_hz: float, hz: float, noise_pa2_hz: float) -> bool:
    """Whether the phase of the line at `hz` runs evenly, but for what the noise (density about it) does to it.

    An engine's speed wanders by a thousandth or more, and its phase runs off by radians within seconds; mains drift
    slowly and smoothly. Too short a stretch keeps time.
    """
    block = int(BLOCK_S * rate_hz)
    starts = np.arange(0, len(pressure_pa) - block + 1, max(1, block // 2))
    if len(starts) < 6:
        return True
    if len(starts) > MOST_BLOCKS:
        starts = starts[:MOST_BLOCKS]
    window = hann(block)
    turn = window * np.exp(-2j * np.pi * hz / rate_hz * np.arange(block)) * (2.0 / window.sum())
    rows = np.stack([pressure_pa[s : s + block] for s in starts]).astype(np.float64)
    z = (rows - rows.mean(axis=1, keepdims=True)) @ turn
    z *= np.exp(-2j * np.pi * hz / rate_hz * starts)
    size = np.abs(z)
    phase = np.unwrap(np.angle(z))
    at = np.linspace(-1.0, 1.0, len(phase))
    off = phase - np.polyval(np.polyfit(at, phase, 2, w=size), at)
    weight = size**2 / float((size**2).sum())
    by_noise = 1.5 * noise_pa2_hz / BLOCK_S / max(float((size**2).mean()), 1e-30)
    return float(weight @ off**2) < 4.0 * by_noise + TIMEKEEPING_RAD**2


def line_amplitude(spectrum: Spectrum, floor: FloatArray, hz: float, spread: float = 0.004) -> float:
    """Amplitude in pascals of the line at `hz`, the noise under it taken off; lines widen as the speed wanders."""
    half = 2.0 * spectrum.bin_hz + spread * hz
    near = slice(max(0, math.ceil((hz - half) / spectrum.bin_hz)), math.floor((hz + half) / spectrum.bin_hz) + 1)
    power = float((spectrum.density_pa2_hz[near] - floor[near]).sum()) * spectrum.bin_hz
    return float(np.sqrt(2.0 * max(power, 0.0)))


def sounds_evenly(pressure_pa: FloatArray, rate_hz: float, hz: float) -> bool:
    """True where a line sounds evenly all the time.

    A knock lets hose and membrane ring for a moment; noise through a resonance swells and fades: the power of a narrow
    band of Gaussian noise scatters by its own mean, that of an engine's line hardly at all.
    """
    block = max(8, int(EVENLY_S * rate_hz))
    starts = np.arange(0, len(pressure_pa) - block + 1, max(1, block // 2))
    if len(starts) < 4:
        return True
    if len(starts) > MOST_EVEN_BLOCKS:
        starts = starts[np.linspace(0, len(starts) - 1, MOST_EVEN_BLOCKS).astype(int)]
    rows = np.stack([pressure_pa[s : s + block] for s in starts]).astype(np.float64)
    rows -= rows.mean(axis=1, keepdims=True)
    near = np.arange(block + 1) / (2.0 * block)
    band = np.abs(near * rate_hz - hz) <= 1.5 / EVENLY_S + 0.02 * hz
    power = powers_at(rows, hann(block), near[band]).sum(axis=1)
    return float(power.var()) < SWELLS * float(power.mean()) ** 2
