"""Spectra of the samples around a change, and how two of them compare."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from sumpglass.records import FloatArray

STEPS_PER_OCTAVE = 48
LOWEST_HZ = 2.5
RED_HZ = (0.8, 1.8)
"""Between these no engine that turns has a line: what stands there is wander."""
MAINS_HZ = (50.0, 60.0)
LINE = 5.0
"""A bin of an averaged spectrum that stands this much above its ground belongs to a line."""
NEW_LINE = 12.0
ONCE_IN_100 = 4.11
"""Normal quantile that the largest of 500 values passes once in a hundred times; it grows by 0.24 with their log."""
BENDS = 4
"""Degree of the polynomial that a level on its way is taken for."""
STRONG = 0.1
"""Lines of at least this part of the strongest's power carry the pulses."""
LEAST_OF_FLOOR = 0.3
"""Part of the noise that is left in a bin from which a level's way is taken."""
STILL_THERE = 0.07
"""A line of less than this part of its former amplitude is not the same line any more."""


@dataclass(frozen=True)
class Spectrum:
    """Averaged Hann periodogram: one-sided power (bins,) in Pa2 such that its sum is the variance."""

    hz: FloatArray
    power: FloatArray
    floor: float
    """Mean power of a bin of the noise, from the lower quartile (0.2877 of the mean for exponential scatter)."""
    red: float = 0.0
    """What wander adds to a bin at 1 Hz; it falls with the square of the frequency."""
    segments: int = 1

    @property
    def noise_pa2(self) -> float:
        """Variance of the noise over the whole band."""
        return self.floor * len(self.power)

    @cached_property
    def ground(self) -> FloatArray:
        """Mean power (bins,) of noise and wander together."""
        return self.floor + self.red / np.maximum(self.hz, 0.5) ** 2

    @cached_property
    def prominence(self) -> float:
        """Strongest line over its ground, in units of what noise alone passes once in a hundred spectra.

        The mean of k periodograms of noise is a chi-squared of 2k degrees of freedom; its quantile after Wilson and
        Hilferty 1931 (PNAS 17, 684-688). Half-overlapping Hann segments count as 0.8 of as many (Welch 1967).
        """
        used = self.hz >= LOWEST_HZ
        strongest = float((self.power / self.ground)[used].max(initial=0.0))
        k = max(1.0, 0.8 * self.segments)
        chance = ONCE_IN_100 + 0.24 * float(np.log(max(int(used.sum()), 2) / 500.0))
        return strongest / float((1.0 - 1.0 / (9.0 * k) + chance / (3.0 * np.sqrt(k))) ** 3)

    @cached_property
    def octaves(self) -> FloatArray:
        """How far lines stand out, at frequencies (steps,) evenly spaced in octaves up to nearly half the rate."""
        steps = max(2, int(np.log2(0.94 * float(self.hz[-1]) / LOWEST_HZ) * STEPS_PER_OCTAVE))
        axis_hz = LOWEST_HZ * 2.0 ** (np.arange(steps) / STEPS_PER_OCTAVE)
        above = np.interp(axis_hz, self.hz, np.log1p(np.maximum(self.power / self.floor / 6.0 - 1.0, 0.0)))
        # Only what stands out of its neighbours is a line; the slope of the spectrum is the gauge line's and stays put.
        width = min(len(above), 2 * (STEPS_PER_OCTAVE // 3) + 1)
        ends = np.full(width // 2, above[0]), np.full(width - 1 - width // 2, above[-1])
        total = np.cumsum(np.concatenate([np.zeros(1), ends[0], above, ends[1]]))
        return np.maximum(above - (total[width:] - total[:-width]) / width, 0.0)


@lru_cache(maxsize=64)
def _window(length: int) -> tuple[FloatArray, FloatArray]:
    """Hann window and centred axis (length,)."""
    return np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2, np.arange(length) - (length - 1) / 2


def _averaged(data: bytes, length: int) -> tuple[FloatArray, int]:
    """Averaged periodogram (bins,) of the samples in `data`, and of how many segments."""
    window, axis = _window(length)
    hop = max(1, length // 2)
    values = np.frombuffer(data)
    # The newest segments first: what is left over is the oldest.
    parts = np.array([values[at : at + length] for at in range(len(values) - length, -1, -hop)])
    starts = len(parts)
    parts -= parts.mean(axis=1)[:, None]
    parts -= (parts @ axis / float(axis @ axis))[:, None] * axis
    parts *= window
    lines = np.fft.rfft(parts, axis=1)
    total = (lines.real**2 + lines.imag**2).sum(axis=0)
    power = total * (2.0 / starts / (length * float(window @ window)))
    power.flags.writeable = False
    return power, starts


def spectrum(values: FloatArray, rate_hz: float, length: int) -> Spectrum | None:
    """Power spectrum of `values` (n,) in half-overlapping segments of `length` samples, each freed of its trend."""
    if len(values) < length or length < 8:
        return None
    return _spectrum(as_bytes(values), rate_hz, length)


def as_bytes(values: FloatArray) -> bytes:
    """Samples (n,) as what a result can be kept by."""
    return np.ascontiguousarray(values, np.float64).tobytes()


@lru_cache(maxsize=16)
def _spectrum(data: bytes, rate_hz: float, length: int) -> Spectrum | None:
    """Spectrum of the samples in `data`, kept: a happening is judged again and again, and what was before it stays."""
    power, starts = _averaged(data, length)
    hz = np.arange(len(power)) * (rate_hz / length)
    usable = power[np.searchsorted(hz, LOWEST_HZ) :]
    if not len(usable):
        return None
    # The average of several segments scatters less than one: the quartile then lies nearer to the mean.
    share = 0.2877 if starts < 2 else 0.45 if starts < 4 else 0.6
    floor = float(np.partition(usable, len(usable) // 4)[len(usable) // 4]) / share + 1e-12
    low = slice(int(np.searchsorted(hz, RED_HZ[0], "right")), int(np.searchsorted(hz, RED_HZ[1])))
    red = float(np.maximum((power[low] - floor) * hz[low] ** 2, 0.0).mean()) if low.stop > low.start else 0.0
    return Spectrum(hz, power, floor, red, starts)


def without_hum(before: Spectrum, after: Spectrum) -> tuple[Spectrum, Spectrum]:
    """Both spectra without lines at multiples of 50 or 60 Hz that are the same in both: mains, not the engine.

    Where nothing else stands out it may be the engine after all, and only what is the same to 8 % is taken for hum.
    """
    if len(before.hz) != len(after.hz):
        return before, after
    hum, sure = _alike_on_mains(before, after)
    used = ~hum & (before.hz >= LOWEST_HZ)
    rest = float(np.maximum(before.power[used] - before.floor, 0.0).sum())
    if float(before.power[used].max(initial=0.0)) < 12 * before.floor or rest < 0.3 * before.noise_pa2:
        hum = sure
    if not hum.any():
        return before, after
    return tuple(Spectrum(s.hz, np.where(hum, s.floor, s.power), s.floor, s.red, s.segments) for s in (before, after))  # type: ignore[return-value]


def _alike_on_mains(before: Spectrum, after: Spectrum) -> tuple[np.ndarray, np.ndarray]:
    """Bins (bins,) about multiples of the mains that hold a line of like power in both; and where it is the same."""
    hz, bins = before.hz, len(before.hz)
    step = float(hz[1])
    lines = [k * mains for mains in MAINS_HZ for k in range(1, int(hz[-1] / mains) + 1)]
    hum, sure = np.zeros(bins, bool), np.zeros(bins, bool)
    if not lines:
        return hum, sure
    middle = np.array(lines)[:, None]
    about = np.rint(middle / step).astype(int) + np.arange(-3, 4)
    inside = np.clip(about, 0, bins - 1)
    near = (np.abs(hz[inside] - middle) <= 2.1 * step) & (about == inside)
    b = np.where(near, before.power[inside], 0.0).sum(axis=1)
    a = np.where(near, after.power[inside], 0.0).sum(axis=1)
    stands = b > 12 * before.floor
    if stands.any():
        off = np.abs(np.log((a + 1e-12) / np.where(stands, b, 1.0)))
        hum[inside[near & (stands & (off < 0.4))[:, None]]] = True
        same = stands & (off < 0.15)
        sure[inside[near & same[:, None]]] = True
        for first in np.flatnonzero(same & np.isin(middle[:, 0], MAINS_HZ)):
            # What the mains' own line is certain of, its multiples are part of, however the pulses blur them.
            family = middle[:, 0] % middle[first, 0] == 0
            hum[inside[near & family[:, None]]] = True
    return hum, sure


def line_powers(before: Spectrum, after: Spectrum | None) -> tuple[float, float]:
    """Power in Pa2 of the lines before, and of what is at the same places, or has risen elsewhere, after.

    Only bins with lines count, so that pulses fainter than the noise as a whole can still be told from none.
    """
    used = before.hz >= LOWEST_HZ
    lines = used & (before.power > LINE * before.ground)
    lines[1:-1] |= used[1:-1] & (lines[:-2] | lines[2:])
    own = float(np.maximum(before.power - before.ground, 0.0)[lines].sum())
    if after is None:
        return own, 0.0
    above = after.power - after.ground
    near = np.interp(after.hz, before.hz, lines.astype(float)) > 0.3
    fresh = (after.hz >= LOWEST_HZ) & ~near & (above > NEW_LINE * after.ground)
    return own, max(0.0, float(above[near].sum())) + float(above[fresh].sum())


def share_kept(before: FloatArray, late: FloatArray, rate_hz: float, seen: float) -> float | None:
    """Power at the strongest lines of samples `before` that is left in `late`, as a part of what it was.

    None where no line stands `seen` times above its ground in spectra as short as `late`.
    """
    was, now = spectrum(before, rate_hz, len(late)), spectrum(late, rate_hz, len(late))
    if was is None or now is None:
        return None
    used = was.hz >= LOWEST_HZ
    if float((was.power / was.ground)[used].max(initial=0.0)) < seen:
        return None
    strong = used & (was.power > STRONG * float(was.power[used].max()))
    strong[1:-1] |= used[1:-1] & (strong[:-2] | strong[2:])
    own, left = (float(np.maximum(s.power - was.ground, 0.0)[strong].sum()) for s in (was, now))
    return left / own if own > 0 else None


def freed_of_level(values: FloatArray) -> FloatArray:
    """Samples (n,) without a level on its way through them: no pulse, but its bend leaks into the lowest lines."""
    if len(values) < 8 * BENDS:
        return values
    axis = np.linspace(-1.0, 1.0, len(values))
    return values - np.polynomial.legendre.legval(axis, np.polynomial.legendre.legfit(axis, values, BENDS))


def tapered_mean(values: FloatArray) -> float:
    """Hann-weighted mean of `values` (n,)."""
    if len(values) < 8:
        return float(values.mean())
    weight = _window(len(values))[0]
    return float(values @ weight / weight.sum())


def shift_between(before: Spectrum, after: Spectrum) -> tuple[float | None, float, float]:
    """(octaves moved, likeness there, likeness unmoved) of two spectra; None where either has no lines."""
    steps = min(len(before.octaves), len(after.octaves))
    a, b = before.octaves[:steps], after.octaves[:steps]
    if a.max() < 0.7 or b.max() < 0.7:
        return None, 0.0, 0.0
    most = min(steps - 1, int(1.6 * STEPS_PER_OCTAVE))
    norm = np.sqrt(float(a @ a) * float(b @ b))
    none = np.zeros(most)
    likeness = np.correlate(np.concatenate([none, b, none]), a, "valid") / norm
    prefer = likeness - 0.02 * np.abs(np.arange(-most, most + 1)) / STEPS_PER_OCTAVE
    best = int(np.argmax(prefer))
    near = likeness[most - 1 : most + 2].max()
    return (best - most) / STEPS_PER_OCTAVE, float(likeness[best]), float(near)


def persistence(before: Spectrum, after: Spectrum) -> float:
    """Largest power over noise, after, at the three strongest lines of before."""
    used = np.flatnonzero(before.hz >= LOWEST_HZ)
    top = used[np.argsort(before.power[used])[::-1][:16]]
    lines = [k for i, k in enumerate(top) if all(abs(int(k) - int(j)) > 2 for j in top[:i])][:4]
    found = 0.0
    for k in lines:
        if before.power[k] < 8 * before.floor:
            continue
        near = np.abs(after.hz - before.hz[k]) <= 0.015 * before.hz[k] + 0.6 * (after.hz[1] - after.hz[0])
        power = float(after.power[near].max(initial=0.0))
        if power > STILL_THERE**2 * before.power[k]:
            found = max(found, power / after.floor)
    return found


def weak_growth(before: Spectrum, after: Spectrum, creeps: bool = False) -> tuple[float | None, int]:
    """Growth of what lies below the strongest line, as a log ratio of amplitudes, and the bins that it rests on.

    `creeps`: whether the level after is still on its way, which adds to what falls with the square of the frequency.
    """
    if len(before.hz) != len(after.hz):
        return None, 0
    used = np.flatnonzero(before.hz >= LOWEST_HZ)
    strongest = float(before.hz[used][np.argmax(before.power[used])])
    band = (before.hz > 1.2) & (before.hz < 0.85 * strongest - (before.hz[1] - before.hz[0]))
    bins = int(band.sum())
    if bins < 2:
        return None, bins
    power = after.power[band]
    if creeps:
        crept = max(after.red - before.red, 0.0) / after.hz[band] ** 2
        power = np.maximum(power - crept, LEAST_OF_FLOOR * after.floor)
    return 0.5 * float(np.log(power.sum() / max(float(before.power[band].sum()), 1e-12) + 1e-9)), bins
