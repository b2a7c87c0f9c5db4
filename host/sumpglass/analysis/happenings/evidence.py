"""What the samples around a change say of its cause, measured on the raw samples up to now and no further."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

BEFORE_S = 2.2
STEPS_PER_OCTAVE = 48
LOWEST_HZ = 2.5
STILL_THERE = 0.07
"""A line of less than this part of its former amplitude is not the same line any more."""


@dataclass(frozen=True)
class Evidence:
    """Features of one happening; None where they cannot be measured (yet)."""

    before_pa: float
    after_pa: float
    level_u_pa: float
    """Standard uncertainty of the levels, zero included."""
    rise_s: float
    """Time constant of the change."""
    pulses_before: float
    """RMS of the pulses over that of the noise, before."""
    pulses_after: float
    pulse_ratio: float | None
    """RMS of the pulses after over before; None where none were seen before."""
    speed_octaves: float | None
    """How far the pulse frequencies moved, in octaves; None where they cannot be compared."""
    speed_match: float
    """How alike the two spectra are at that shift, 0 to 1."""
    match_unmoved: float
    """How alike they are with no shift."""
    death_s: float | None
    """Seconds from the onset to the end of the pulses; None while they live."""
    glide_octaves: float | None
    """How far the frequency had fallen just before the pulses ended."""
    after_s: float
    """Seconds of settled signal after the change that the features rest on."""
    persists: float = 0.0
    """Power of the strongest former lines over the noise, after the change: above about 8 they are still there."""
    line_snr: float = 0.0
    """Power over noise of the strongest line before."""
    weak_growth: float | None = None
    """Log ratio of amplitudes, after over before, of what lies below the strongest line: cycle-to-cycle scatter and
    lines of unlike cylinders, which come from blow-by and not from the pistons."""
    weak_bins: int = 0
    quiet: float = 1.0
    """Sample-to-sample noise after over before."""
    codes_after: int = 99
    codes_of_noise: float = 0.0
    """Sample-to-sample noise before, in codes of the converter."""
    still: bool = False
    railed: bool = False
    silent: bool = False
    """No samples came."""
    edge_samples: float = 0.0


NOTHING_SEEN = Evidence(0.0, 0.0, 1.0, 0.0, 0.0, 0.0, None, None, 0.0, 0.0, None, None, 0.0)


@dataclass(frozen=True)
class Spectrum:
    """Averaged Hann periodogram: one-sided power (bins,) in Pa2 such that its sum is the variance."""

    hz: FloatArray
    power: FloatArray
    floor: float
    """Mean power of a bin of the noise, from the lower quartile (0.2877 of the mean for exponential scatter)."""

    @property
    def noise_pa2(self) -> float:
        """Variance of the noise over the whole band."""
        return self.floor * len(self.power)


def spectrum(values: FloatArray, rate_hz: float, length: int) -> Spectrum | None:
    """Power spectrum of `values` (n,) in half-overlapping segments of `length` samples, each freed of its trend."""
    if len(values) < length or length < 8:
        return None
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    hop = max(1, length // 2)
    starts = range(len(values) - length, -1, -hop)
    axis = np.arange(length) - (length - 1) / 2
    norm = float(axis @ axis)
    total = np.zeros(length // 2 + 1)
    for start in starts:
        part = values[start : start + length]
        part = part - part.mean()
        part = part - axis * (float(axis @ part) / norm)
        total += np.abs(np.fft.rfft(part * window)) ** 2
    power = 2.0 * total / len(starts) / (length * float(window @ window))
    hz = np.arange(len(power)) * (rate_hz / length)
    usable = power[hz >= LOWEST_HZ]
    if not len(usable):
        return None
    # The average of several segments scatters less than one: the quartile then lies nearer to the mean.
    share = 0.2877 if len(starts) < 2 else 0.45 if len(starts) < 4 else 0.6
    return Spectrum(hz, power, float(np.partition(usable, len(usable) // 4)[len(usable) // 4]) / share + 1e-12)


def without_hum(before: Spectrum, after: Spectrum) -> tuple[Spectrum, Spectrum]:
    """Both spectra without lines at multiples of 50 or 60 Hz that are the same in both: mains, not the engine.

    Where nothing else stands out it may be the engine after all, and only what is the same to 8 % is taken for hum.
    """
    if len(before.hz) != len(after.hz):
        return before, after
    step = float(before.hz[1])
    hum, sure = np.zeros(len(before.hz), bool), np.zeros(len(before.hz), bool)
    for mains in (50.0, 60.0):
        for k in range(1, int(before.hz[-1] / mains) + 1):
            near = np.abs(before.hz - k * mains) <= 2.1 * step
            b, a = float(before.power[near].sum()), float(after.power[near].sum())
            if b > 12 * before.floor and abs(np.log((a + 1e-12) / b)) < 0.4:
                hum |= near
                sure |= near if abs(np.log((a + 1e-12) / b)) < 0.15 else False
    used = ~hum & (before.hz >= LOWEST_HZ)
    rest = float(np.maximum(before.power[used] - before.floor, 0.0).sum())
    if float(before.power[used].max(initial=0.0)) < 12 * before.floor or rest < 0.3 * before.noise_pa2:
        hum = sure
    if not hum.any():
        return before, after
    return tuple(Spectrum(s.hz, np.where(hum, s.floor, s.power), s.floor) for s in (before, after))  # type: ignore[return-value]


def tapered_mean(values: FloatArray) -> float:
    """Hann-weighted mean of `values` (n,)."""
    if len(values) < 8:
        return float(values.mean())
    weight = np.sin(np.pi * (np.arange(len(values)) + 0.5) / len(values)) ** 2
    return float(values @ weight / weight.sum())


def octave_axis(rate_hz: float) -> FloatArray:
    """Frequencies (steps,) evenly spaced in octaves up to nearly half the rate."""
    top = 0.47 * rate_hz
    steps = max(2, int(np.log2(top / LOWEST_HZ) * STEPS_PER_OCTAVE))
    return LOWEST_HZ * 2.0 ** (np.arange(steps) / STEPS_PER_OCTAVE)


def _lines(spec: Spectrum, axis_hz: FloatArray) -> FloatArray:
    above = np.log1p(np.maximum(spec.power / spec.floor / 6.0 - 1.0, 0.0))
    return np.interp(axis_hz, spec.hz, above)


def shift_between(before: Spectrum, after: Spectrum, rate_hz: float) -> tuple[float | None, float, float]:
    """(octaves moved, likeness there, likeness unmoved) of two spectra; None where either has no lines."""
    axis = octave_axis(rate_hz)
    a, b = _lines(before, axis), _lines(after, axis)
    if a.max() < 0.7 or b.max() < 0.7:
        return None, 0.0, 0.0
    most = min(len(axis) - 1, int(1.6 * STEPS_PER_OCTAVE))
    norm = np.sqrt(float(a @ a) * float(b @ b))
    likeness = np.correlate(b, a, "full")[len(a) - 1 - most : len(a) + most]
    likeness = likeness / norm
    prefer = likeness - 0.02 * np.abs(np.arange(-most, most + 1)) / STEPS_PER_OCTAVE
    best = int(np.argmax(prefer))
    near = likeness[most - 1 : most + 2].max()
    return (best - most) / STEPS_PER_OCTAVE, float(likeness[best]), float(near)


def pulse_end(t_s: FloatArray, pressure_pa: FloatArray, edge: int, period_s: float = 0.0) -> tuple[float, float] | None:
    """Times at which the pulses of samples (n,) began to fall, and had fallen for good, from what they were before
    sample `edge`; None if they live.
    """
    rate = (len(t_s) - 1) / (t_s[-1] - t_s[0])
    width = max(4, int(max(0.1, 1.2 * period_s) * rate))
    if len(pressure_pa) < edge + 3 or edge < 2 * width:
        return None
    # The straight line through each window is taken off, so that a level that moves is no pulse.
    rms2 = _scatter_about_line(pressure_pa - pressure_pa[0], width)
    reference = float(np.median(rms2[: edge - width]))
    least = float(np.partition(rms2, len(rms2) // 50)[len(rms2) // 50])
    if least > 0.6 * reference:
        return None
    limit = least + 0.15 * (reference - least)
    alive = np.flatnonzero(rms2 > limit)
    if not len(alive) or alive[-1] >= len(rms2) - max(2, width // 3):
        return None
    whole = np.flatnonzero(rms2[: alive[-1] + 1] > least + 0.81 * (reference - least))
    # A window that holds a share of the pulses' time reaches that far beyond their end.
    begin = whole[-1] + 0.81 * width if len(whole) else alive[-1]
    end = alive[-1] + 0.15 * width
    return float(t_s[0] + min(begin, end) / rate), float(t_s[0] + end / rate)


def _scatter_about_line(values: FloatArray, width: int) -> FloatArray:
    """Mean square (n - width + 1,) about the straight line in each window."""
    axis = np.arange(len(values), dtype=float)
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (values, values * values, values * axis)]
    total, square, moment = (s[width:] - s[:-width] for s in sums)
    middle = np.arange(len(total)) + (width - 1) / 2
    slope_moment = moment - middle * total
    spread = width * (width * width - 1) / 12.0
    return np.maximum(square - total**2 / width - slope_moment**2 / spread, 0.0) / width


def measure(
    t_s: FloatArray,
    pressure_pa: FloatArray,
    onset_s: float,
    duration_s: float,
    rise_s: float,
    period_hint_s: float,
    level_u_pa: float,
) -> Evidence | None:
    """Evidence from samples (n,) that reach from before `onset_s` to now."""
    now = float(t_s[-1])
    rate = (len(t_s) - 1) / max(now - float(t_s[0]), 1e-9)
    first = int(np.searchsorted(t_s, onset_s - BEFORE_S))
    edge = int(np.searchsorted(t_s, onset_s - 0.08))
    settle_s = min(onset_s + max(duration_s, 0.02) + 0.1, max(onset_s + 0.05, now - 0.45))
    settled = int(np.searchsorted(t_s, settle_s))
    before, after = pressure_pa[first:edge], pressure_pa[settled:]
    if len(before) < 16 or len(after) < 4:
        return None
    length = max(16, min(len(after), len(before), int(1.6 * rate)))
    spec_b = spectrum(before, rate, min(length, len(before)))
    spec_a = spectrum(after, rate, min(length, len(after)))
    if spec_b is None:
        return None
    if spec_a is not None:
        spec_b, spec_a = without_hum(spec_b, spec_a)
    noise = np.sqrt(spec_b.noise_pa2)
    used_b = spec_b.hz >= LOWEST_HZ
    pulse_b = np.sqrt(max(float(spec_b.power[used_b].sum()) - spec_b.noise_pa2, 0.0))
    pulse_a = 0.0
    octaves, match, unmoved, persists = None, 0.0, 0.0, 0.0
    weak_growth, weak_bins = None, 0
    if spec_a is not None:
        power_a = float(spec_a.power[spec_a.hz >= LOWEST_HZ].sum())
        pulse_a = float(np.sqrt(max(power_a - min(spec_b.noise_pa2, spec_a.noise_pa2 * 2.0), 0.0)))
        octaves, match, unmoved = shift_between(spec_b, spec_a, rate)
        persists = _persistence(spec_b, spec_a)
        weak_growth, weak_bins = _weak_growth(spec_b, spec_a)
    line_snr = float(spec_b.power[used_b].max(initial=0.0)) / spec_b.floor
    seen = pulse_b > 0.7 * noise or line_snr > 20.0
    death, glide = None, None
    if seen:
        strongest = float(spec_b.hz[used_b][np.argmax(spec_b.power[used_b])])
        end = pulse_end(t_s[first:], pressure_pa[first:], edge - first, max(1.0 / strongest, 0.6 * period_hint_s))
        if end is not None:
            death = end[1] - onset_s
            stop = int(np.searchsorted(t_s, end[1]))
            width = int(min(0.6, max(0.35, 4 / strongest)) * rate)
            late = spectrum(pressure_pa[max(first, stop - width) : stop], rate, width)
            early = spectrum(before, rate, min(width, len(before)))
            if late is not None and early is not None:
                glide = shift_between(early, late, rate)[0]
    # Tapered means: pulses of a cut cycle do not shake them. A stretch shorter than the level's window still does.
    reach = float(np.clip(1.0 - (now - settle_s) / max(period_hint_s, 1e-6), 0.0, 1.0))
    level_u_pa = float(np.hypot(level_u_pa, reach * float(after.std())))
    return Evidence(
        tapered_mean(before), tapered_mean(after), level_u_pa, rise_s, float(pulse_b / noise), float(pulse_a / noise),
        float(pulse_a / pulse_b) if seen and pulse_b > 0 else None, octaves, match, unmoved, death, glide,
        now - settle_s,
        persists, line_snr, weak_growth, weak_bins, _third(after) / max(_third(before), 1e-9),
        len(np.unique(after[:2000])),
        _third(before) / np.sqrt(20.0) / _code(before),
    )  # fmt: skip


def _third(values: FloatArray) -> float:
    """Size of the noise from sample to sample: third differences pass the pulses by."""
    return float(np.sqrt(np.mean(np.diff(values, 3) ** 2))) if len(values) > 4 else 0.0


def _code(values: FloatArray) -> float:
    """Least step between readings."""
    steps = np.diff(np.unique(values[:2000]))
    return float(steps.min()) if len(steps) else 1.0


def _persistence(before: Spectrum, after: Spectrum) -> float:
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


def _weak_growth(before: Spectrum, after: Spectrum) -> tuple[float | None, int]:
    """Growth of what lies below the strongest line, as a log ratio of amplitudes, and the bins that it rests on."""
    if len(before.hz) != len(after.hz):
        return None, 0
    used = np.flatnonzero(before.hz >= LOWEST_HZ)
    strongest = float(before.hz[used][np.argmax(before.power[used])])
    band = (before.hz > 1.2) & (before.hz < 0.85 * strongest - (before.hz[1] - before.hz[0]))
    bins = int(band.sum())
    if bins < 2:
        return None, bins
    return 0.5 * float(np.log(after.power[band].sum() / max(float(before.power[band].sum()), 1e-12) + 1e-9)), bins
