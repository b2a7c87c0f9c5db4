"""Finds the decay in a recording of a hold test: after the pump, before the hose is opened; and the zeros around it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.clipping import resolution_of
from sumpglass.analysis.level import quantising_u95
from sumpglass.analysis.statistics import mean_with_autocorrelation, student_95
from sumpglass.errors import InputError, RefusedError
from sumpglass.records import FloatArray, Recording
from sumpglass.units import in_words

MOST_POINTS = 400
LEAST_PEAK_PA = 20.0
OFFSET_ASSUMED_U95_PA = 10.0


@dataclass(frozen=True)
class DecayPart:
    """Block means (n,) of the size of the gauge pressure, positive, from the start of the decay at `t0_s`.

    `sign` is -1 for a vacuum. `offset_pa`, `offset_u_pa`: the zero as far as it is known, in the same sense as the
    size.
    """

    t0_s: float
    t_s: FloatArray
    size_pa: FloatArray
    sign: int
    offset_pa: float
    offset_u_pa: float
    zero_words: str
    opened_s: float | None
    """When the hose was opened, if it was."""
    before_t_s: FloatArray
    before_pa: FloatArray
    """Finer block means of the seconds before `t0_s` (times are negative), where the decay may already run."""
    noise_pa: float
    """Scatter of those."""
    zero_at_s: float = 0.0
    """When the zero was read, from `t0_s` on."""


def find_decay(recording: Recording, zero_pa: float | None = None) -> DecayPart:
    """The decay of a hold test.

    Raises InputError for too few samples, RefusedError where nothing was pumped or nothing is left of it.
    """
    good = np.isfinite(recording.pressure_pa)
    t = np.asarray(recording.t_s, dtype=float)[good]
    p = np.asarray(recording.pressure_pa, dtype=float)[good]
    if len(t) < 10 or not t[-1] > t[0]:
        raise InputError(f"found {len(t)} samples, expected a decay of at least 10")
    base = zero_pa if zero_pa is not None else recording.zero.pressure_pa if recording.zero else 0.0
    sign = -1 if abs(np.min(p - base)) >= abs(np.max(p - base)) else 1
    size = sign * p
    fine_t, fine = _blocks(t, size, 1500)
    noise = _noise(fine)
    peak = _peak(fine, noise)
    start = float(fine[peak]) - sign * base
    if LEAST_PEAK_PA <= start < 6.0 * noise:
        raise RefusedError(
            f"the readings swing by {noise:.0f} Pa, too much for a hold from {start:.0f} Pa: is the "
            "engine off, and the sensor well?"
        )
    if start < LEAST_PEAK_PA:
        raise RefusedError(
            f"the pressure never leaves {start:.0f} Pa, expected a hold that starts from "
            "a vacuum of about 2 kPa: pump, stop the hose, then record"
        )
    end = _opening(fine_t, fine, peak, noise)
    peak = _plateau(fine, peak, end, noise)
    t0 = float(fine_t[peak])
    t1 = float(fine_t[end - 1]) if end < len(fine) else float(t[-1])
    inside = (t >= t0) & (t <= t1)
    if inside.sum() < 8:
        raise RefusedError(
            "less than 8 samples follow the greatest vacuum, expected the decay after the pump: record "
            "until it has fallen to half"
        )
    offset, u, words = _zero(recording, t, size, sign, fine_t, fine, peak, end, noise, zero_pa)
    block_t, block = _blocks(t[inside], size[inside], MOST_POINTS)
    opened = float(fine_t[end]) if end < len(fine) else None
    early = slice(max(0, peak - len(fine) // 10), peak)
    zero_at = t1 - t0 if "after" in words else 0.0
    return DecayPart(
        t0, block_t - t0, block, sign, offset, u, words, opened, fine_t[early] - t0, fine[early], noise, zero_at
    )


def _blocks(t: FloatArray, y: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    """Means of runs of neighbouring samples, at most `most` of them."""
    each = max(1, math.ceil(len(t) / most))
    n = len(t) // each * each
    return t[:n].reshape(-1, each).mean(axis=1), y[:n].reshape(-1, each).mean(axis=1)


def _noise(y: FloatArray) -> float:
    second = y[2:] - 2.0 * y[1:-1] + y[:-2]
    return 1.4826 * float(np.median(np.abs(second))) / math.sqrt(6.0) if len(second) else 0.0


def _peak(y: FloatArray, noise: float) -> int:
    """Start of the fall: the last place, before the fall proper, that is within noise of the greatest."""
    k = int(np.argmax(y))
    near = y[k:] >= y[k] - max(3.0 * noise, 0.002 * abs(y[k]))
    stop = int(np.argmin(near)) if not near.all() else 0
    # A pump's last stroke rings for a moment: the fall is counted from where it leaves the plateau, at most a
    # fiftieth of the recording later than the peak itself.
    return k + min(max(stop - 1, 0), len(y) // 50)


def _plateau(y: FloatArray, peak: int, end: int, noise: float) -> int:
    """Start of a vacuum that holds: where it is tight, noise or a gas that cools puts the greatest reading anywhere,
    even at the end. Then the hold began where it was first reached but for a fiftieth. `peak` where it is not so."""
    near = np.flatnonzero(y[:peak] < 0.98 * y[peak] - 3.0 * noise)
    first = int(near[-1]) + 1 if len(near) else 0
    return first if peak - first > 0.25 * (end - first) else peak


def _opening(t: FloatArray, y: FloatArray, peak: int, noise: float) -> int:
    """Index at which the hose was opened: a fall within a few blocks that no decay makes. len(y) if it was not."""
    falls = -np.diff(y[peak:])
    if len(falls) < 12:
        return len(y)
    for k in range(4, len(falls) - 1):
        before = falls[max(0, k - 12) : k - 1]
        usual = max(float(np.mean(before)) if len(before) else 0.0, 0.0)
        jump = float(falls[k : k + 2].sum())
        if jump > 8.0 * noise + 10.0 * usual and jump > 0.15 * y[peak + k] and jump > 0.03 * y[peak]:
            return peak + k
    return len(y)


def _zero(
    recording: Recording,
    t: FloatArray,
    size: FloatArray,
    sign: int,
    fine_t: FloatArray,
    fine: FloatArray,
    peak: int,
    end: int,
    noise: float,
    zero_pa: float | None,
) -> tuple[float, float, str]:
    if zero_pa is not None:
        return sign * zero_pa, 0.5, f"Zero as given, {in_words(zero_pa, 'Pa', 1)}."
    for first, last, what in (
        (0, _flat_until(fine, peak, noise), "before the pump"),
        (end + 3, len(fine), "after the hose was opened"),
    ):
        if last - first >= 8 and abs(float(np.mean(fine[first:last]))) < 0.03 * fine[peak] + 10.0:
            part = fine[first:last]
            found = mean_with_autocorrelation(part)
            codes = quantising_u95(resolution_of(size), float(np.std(part)))
            u = max(math.hypot(student_95(found.degrees_of_freedom) * found.u, codes) / 1.96, 0.2)
            return float(part.mean()), u, f"Zero from the part {what}: {in_words(sign * float(part.mean()), 'Pa', 1)}."
    if recording.zero is not None:
        return (
            sign * recording.zero.pressure_pa,
            max(recording.zero.u95_pa / 1.96, 0.1),
            "Zero as taken before the recording.",
        )
    return (
        0.0,
        OFFSET_ASSUMED_U95_PA / 1.96,
        (f"No zero was given: it was taken as 0 to ± {OFFSET_ASSUMED_U95_PA:g} Pa and fitted with the decay."),
    )


def _flat_until(y: FloatArray, peak: int, noise: float) -> int:
    """Number of blocks at the beginning that stay near the first ones: the rig open to the room before the pump."""
    if peak < 10:
        return 0
    start = float(np.median(y[:5]))
    away = np.flatnonzero(np.abs(y[:peak] - start) > 5.0 * noise + 0.003 * y[peak])
    return max(0, int(away[0]) - 2) if len(away) else 0
