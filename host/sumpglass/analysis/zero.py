"""The zero: what the rig reads open to the room, with its uncertainty and age, refused when it is not at rest.

Four questions are asked of the signal, each a test with a stated chance of refusing a rig that *is* at rest:

1. a line in the spectrum (an engine that turns): the greatest periodogram ordinate over its smoothed surroundings,
   against Fisher's exponential law with Bonferroni's bound over all ordinates;
2. slow wander (a hand on the hose, the hose warming): the spread of block means against what the noise within
   the blocks allows, an F test with the blocks' long-run variance;
3. a knock: the largest excursion of 50 ms means from their median, against the normal law over all of them;
4. an offset greater than the part can have: the port is not open to the room.

Each of 1 to 3 must also be large enough to matter (`FLOOR_PA`, or a tenth of the noise of a cheap part): a quiet
sensor whose wander is a twentieth of a pascal is not refused for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.analysis.clipping import resolution_of
from sumpglass.analysis.statistics import mean_with_autocorrelation, student_95
from sumpglass.errors import InputError, RefusedError
from sumpglass.records import FloatArray, Recording, Zero

FALSE_REFUSAL_SHARE = 0.01
"""Chance, all tests together, of refusing a zero that is at rest; a third of it goes to each of the first three."""
FLOOR_PA = 0.5
"""Lines, wander and knocks below this do not bias a zero by an amount that matters to anyone here."""
LEAST_S = 3.0
BLOCKS = 8
LARGEST_RATIO = 3.0
"""Of von Neumann's ratio: far outside what noise at rest gives, well below a swing of 2 Hz or slower."""


@dataclass(frozen=True)
class RestCheck:
    """How far a stretch is from rest. Sizes in Pa; each `_limit_pa` is what a rig at rest stays under."""

    at_rest: bool
    reason: str
    """Empty when at rest; otherwise one clause for a person."""
    line_hz: float | None
    line_amplitude_pa: float
    line_limit_pa: float
    wander_pa: float
    """Standard deviation of the block means."""
    wander_limit_pa: float
    knock_pa: float
    knock_limit_pa: float
    noise_pa: float
    """Standard deviation of single samples about their block's mean."""
    slow_pa: float
    """Standard deviation of the means of eighths of the stretch: what the zero's uncertainty is taken from."""


@dataclass(frozen=True)
class ZeroTaken:
    """A zero and what it rests on."""

    zero: Zero
    rest: RestCheck
    samples: int
    duration_s: float
    resolution_pa: float


def take_zero(recording: Recording) -> ZeroTaken:
    """Zero from a stretch recorded open to the room, at least 3 s long.

    Raises InputError when there is too little of it, RefusedError when the signal is not at rest.
    """
    pressure = np.asarray(recording.pressure_pa, dtype=np.float64)
    pressure = pressure[np.isfinite(pressure)]
    rate_hz = recording.rate_hz
    if rate_hz is None or len(recording.t_s) < LEAST_S * rate_hz or len(pressure) < 4 * BLOCKS:
        raise InputError(
            f"a zero needs at least {LEAST_S:g} s and {4 * BLOCKS} samples, found {recording.duration_s:.2f} s and "
            f"{len(pressure)}: leave the port open to the room a little longer"
        )
    if len(pressure) < 0.95 * len(recording.pressure_pa):
        raise RefusedError("the sensor was at fault during the zero: look at its wiring, then take the zero again")
    rest = check_rest(pressure, rate_hz)
    mean_pa = float(pressure.mean())
    if not rest.at_rest:
        raise RefusedError(f"not at rest, so no zero was taken: {rest.reason}")
    largest_pa = max(3.0 * recording.sensor.offset_u95_pa, 30.0)
    if abs(mean_pa) > largest_pa:
        raise RefusedError(
            f"it reads {abs(mean_pa):.0f} Pa of {'vacuum' if mean_pa < 0 else 'pressure'}, more than this part's "
            f"offset can be ({largest_pa:.0f} Pa): open the port to the room, or calibrate the rig"
        )
    resolution_pa = recording.sensor.resolution_pa or resolution_of(pressure)
    # Below one count of noise the samples all round the same way: the mean is then no better than the count.
    quantum_u_pa = resolution_pa / math.sqrt(12.0) if rest.noise_pa < 0.5 * resolution_pa else 0.0
    if resolution_pa == 0.0:
        # One and the same value throughout, and nobody said how large a count is: it may be anything.
        quantum_u_pa = recording.sensor.offset_u95_pa / 2.365
    mean_u_pa = math.sqrt(long_run_variance(pressure, rate_hz) / len(pressure))
    u_pa = math.sqrt(max(mean_u_pa, rest.slow_pa / math.sqrt(BLOCKS)) ** 2 + quantum_u_pa**2)
    # Block means give the deviation with BLOCKS - 1 degrees of freedom: Student's factor at 7 is 2.365.
    # Noise that wanders at times longer than the stretch shows in how its averages go on differing.
    found = mean_with_autocorrelation(pressure)
    wander_u95_pa = math.hypot(student_95(found.degrees_of_freedom) * found.u, 2.365 * quantum_u_pa)
    zero = Zero(mean_pa, max(2.365 * u_pa, min(wander_u95_pa, 2.0 * float(np.ptp(pressure)))), age_s=0.0)
    return ZeroTaken(zero, rest, len(pressure), recording.duration_s, resolution_pa)


def check_rest(pressure_pa: FloatArray, rate_hz: float, false_share: float = FALSE_REFUSAL_SHARE) -> RestCheck:
    """Is this stretch (n,) of regular samples at rest? See the module for the tests and their levels."""
    from scipy.stats import norm

    pressure = np.asarray(pressure_pa, dtype=np.float64)
    each = false_share / 3.0
    step_pa = resolution_of(pressure)
    floor_pa = max(FLOOR_PA, 0.25 * step_pa)
    noise_pa, wander_pa, wander_limit = _wander(pressure, rate_hz, BLOCKS, each / 2.0, floor_pa)
    # Eight blocks of a long stretch average a hand's half-second squeezes away: look at shorter ones too.
    fine = max(BLOCKS, round(len(pressure) / rate_hz / 0.6))
    fine_noise, fine_wander, fine_limit = _wander(pressure, rate_hz, fine, each / 2.0, floor_pa)
    coarse_pa = wander_pa
    if fine_wander / fine_limit > wander_pa / wander_limit:
        noise_pa, wander_pa, wander_limit = fine_noise, fine_wander, fine_limit

    # Ten samples at least: their mean is nearly normal even where the noise has heavy tails.
    n_short = max(min(10, len(pressure) // 30), round(0.05 * rate_hz), 1)
    short = _means(pressure, n_short)
    centre = float(np.median(short))
    spread = float(np.median(np.abs(short - centre))) * 1.4826
    knock_pa = float(np.abs(short - centre).max())
    # The spread is itself estimated from the same means (relative deviation 1.17/sqrt n, of a median deviation).
    z = norm.isf(each / 2.0 / len(short)) * (1.0 + 2.5 * 1.17 / math.sqrt(len(short)))
    knock_limit = max(2.0 * floor_pa + 0.5 * step_pa, z * spread)

    # Swings of a second or so hide from blocks that are as long as they are: compare the 50 ms means' spread with that
    # of their successive differences (von Neumann's ratio, 1 for white noise, under 2 for a memory of 50 ms).
    quick = _means(pressure, max(1, round(0.05 * rate_hz)))
    swing_pa = float(quick.std())
    slow_swing = swing_pa > floor_pa and 2.0 * swing_pa**2 > LARGEST_RATIO * float(np.mean(np.diff(quick) ** 2))

    line_hz, amplitude, line_limit = _largest_line(pressure, rate_hz, each, floor_pa)
    reason = ""
    if amplitude > line_limit:
        hum = next(
            (f for f in (50.0, 60.0) if line_hz is not None and abs(line_hz - f) < 2.0 * rate_hz / len(pressure)), None
        )
        reason = f"it swings {amplitude:.1f} Pa at {line_hz:.1f} Hz: stop the engine" + (
            f", or keep the leads from {hum:.0f} Hz mains" if hum else " or the pump that shakes it"
        )
    elif knock_pa > knock_limit:
        reason = f"it jumped by {knock_pa:.1f} Pa: keep hands and wind off the hose"
    elif slow_swing or wander_pa > wander_limit:
        wander_pa = max(wander_pa, swing_pa if slow_swing else 0.0)
        reason = f"it wanders by {wander_pa:.1f} Pa: leave the hose alone, wait until the sensor is warm"
    return RestCheck(
        not reason,
        reason,
        line_hz,
        amplitude,
        line_limit,
        wander_pa,
        wander_limit,
        knock_pa,
        knock_limit,
        noise_pa,
        coarse_pa,
    )


def _means(values: FloatArray, of: int) -> FloatArray:
    """Means of `of` values each; what is left over is left out."""
    return np.asarray(values[: len(values) // of * of].reshape(-1, of).mean(axis=1))


def _wander(
    pressure: FloatArray, rate_hz: float, blocks: int, chance: float, floor_pa: float
) -> tuple[float, float, float]:
    """(noise within blocks, deviation of the block means, what that stays under at rest), Pa."""
    from scipy.stats import f as f_law

    n_block = len(pressure) // blocks
    rows = pressure[: n_block * blocks].reshape(blocks, n_block)
    means = rows.mean(axis=1)
    run = long_run_variance(rows.ravel(), rate_hz, n_block)
    # Bartlett's window of a quarter of a block leaves about 1.5 * 4 degrees of freedom a block in the denominator;
    # half of that allows for noise whose memory is longer than the window.
    limit_pa = 1.1 * math.sqrt(f_law.isf(chance, blocks - 1, 3 * blocks) * run / n_block)
    return float((rows - means[:, None]).std()), float(means.std(ddof=1)), max(floor_pa, limit_pa)


def _largest_line(
    pressure: FloatArray, rate_hz: float, chance: float, floor_pa: float
) -> tuple[float | None, float, float]:
    """(frequency, amplitude, amplitude that noise stays under) of the largest line above 2 Hz or 8 bins."""
    n = len(pressure)
    window = np.hanning(n + 1)[:n]
    t = np.arange(n) - (n - 1) / 2.0
    detrended = pressure - pressure.mean() - t * (t @ (pressure - pressure.mean())) / (t @ t)
    power = np.abs(np.fft.rfft(detrended * window)) ** 2
    first = max(8, math.ceil(2.0 * n / rate_hz))
    power = power[first:]
    if len(power) < 32:
        return None, 0.0, math.inf
    width = min(101, len(power) // 2 * 2 - 1)
    # The narrow median follows a background that slopes, the wide one is the steadier: the greater of both.
    background = np.maximum(_running_median(power, width), _running_median(power, min(width, 31))) / math.log(2.0)
    background = np.maximum(background, 1e-30)
    ratio = power / background
    k = int(np.argmax(ratio))
    # Exponential law of one ordinate, Bonferroni over all; the background's own scatter (a median of `width`
    # correlated ordinates) makes the tail that of an F law with about `width` degrees in the denominator.
    from scipy.stats import f as f_law

    threshold = float(f_law.isf(chance / len(power), 2.0, 0.75 * width))
    to_amplitude = 2.0 / window.sum()
    amplitude = math.sqrt(float(power[k])) * to_amplitude
    limit = max(floor_pa, math.sqrt(threshold * float(background[k])) * to_amplitude)
    return (k + first) * rate_hz / n, amplitude, limit


def _running_median(values: FloatArray, width: int) -> FloatArray:
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(values, size=width, mode="reflect"))


def long_run_variance(pressure_pa: FloatArray, rate_hz: float, block: int | None = None) -> float:
    """Variance that the mean of n samples has, times n: noise with memory counts for more than its samples say.

    Autocovariances summed under Bartlett's window of about 0.25 s (Newey and West 1987, Econometrica 55, 703),
    within blocks of `block` samples so that a slow wander between blocks is left out; Pa2.
    """
    n = len(pressure_pa)
    block = n if block is None else block
    rows = pressure_pa[: n // block * block].reshape(-1, block)
    rows = rows - rows.mean(axis=1, keepdims=True)
    lags = max(1, min(block // 4, round(0.25 * rate_hz)))
    spectrum = np.abs(np.fft.rfft(rows, 2 * block, axis=1)) ** 2
    covariance = np.fft.irfft(spectrum, 2 * block, axis=1)[:, : lags + 1].sum(axis=0) / rows.size
    weights = 1.0 - np.arange(lags + 1) / (lags + 1)
    total = float(covariance[0] + 2.0 * (weights[1:] @ covariance[1:]))
    # Taking each block's own mean away lowers the sum by about its share of the block.
    total *= 1.0 + (lags + 1) / block
    return max(total, float(covariance[0]) * 0.05, 0.0)


def aged(zero: Zero, age_s: float) -> Zero:
    """The same zero, `age_s` later."""
    return replace(zero, age_s=(zero.age_s or 0.0) + age_s)


def zero_u95_pa(zero: Zero, since_s: float) -> float:
    """Half-width of the zero's 95 % interval `since_s` after it was taken, with the wander since."""
    return math.hypot(zero.u95_pa, 1.96 * zero.drift_pa_per_s * max(since_s, 0.0))


def drift_between(earlier: Zero, later: Zero, seconds: float) -> float:
    """Wander of the zero, Pa/s: the change over the time between, or what both uncertainties would hide if greater.

    Raises InputError unless `seconds` is above zero.
    """
    if not seconds > 0:
        raise InputError(f"the second zero is {seconds:g} s after the first, expected later than it")
    hidden_pa = math.hypot(earlier.u95_pa, later.u95_pa) / 1.96
    return max(abs(later.pressure_pa - earlier.pressure_pa), hidden_pa) / seconds
