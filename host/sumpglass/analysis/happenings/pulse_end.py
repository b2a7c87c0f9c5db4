"""When the pulses ended, from the scatter of the samples in short windows."""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.happenings.spectra import LINE, LOWEST_HZ, line_powers, spectrum
from sumpglass.records import FloatArray

FEWEST, OVERLAPPED = 40, 16
CLEAR = 9.0
"""Lines whose absence is to mean something must stand this much above the noise, averaged over seconds."""
GONE = 0.08
"""Part of the power of the lines that may be left when they are gone: less than a third of the amplitude."""
LONGEST_S = 2.6
"""A gauge line does not take longer than this to shut in one go."""


def lines_gone(t_s: FloatArray, pressure_pa: FloatArray, since_s: float) -> bool:
    """Whether the lines in samples (n,) before `since_s` (and a moment) are no longer there after it."""
    cut = int(np.searchsorted(t_s, since_s))
    now = pressure_pa[cut:]
    if len(now) < FEWEST or cut < 2.2 * len(now):
        return False
    rate = (len(t_s) - 1) / (t_s[-1] - t_s[0])
    before = spectrum(pressure_pa[: cut - len(now) // 2], rate, len(now))
    after = spectrum(now, rate, len(now))
    if before is None or after is None:
        return False
    used = before.hz >= LOWEST_HZ
    if float((before.power / before.ground)[used].max(initial=0.0)) < CLEAR:
        return False
    own, left = line_powers(before, after)
    return left < GONE * own


def lines_only(pressure_pa: FloatArray, rate_hz: float, edge: int) -> FloatArray:
    """Samples (n,) freed of all but the frequencies that stand out before sample `edge`."""
    length = min(edge, int(rate_hz))
    before = spectrum(pressure_pa[:edge], rate_hz, length)
    if before is None:
        return pressure_pa
    axis = np.arange(len(pressure_pa)) / len(pressure_pa)
    level = pressure_pa[0] + axis * (pressure_pa[-1] - pressure_pa[0])
    whole = np.fft.rfft(pressure_pa - level)
    hz = np.fft.rfftfreq(len(pressure_pa), 1.0 / rate_hz)
    lines = (before.hz >= LOWEST_HZ) & (before.power > LINE * before.ground)
    keep = np.interp(hz, before.hz, lines.astype(float)) > 0.01
    return np.fft.irfft(np.where(keep, whole, 0.0), len(pressure_pa))


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
    # Windows overlap: some of them tell as much as all.
    apart = max(1, width // OVERLAPPED)
    some = rms2[::apart]
    reference = float(np.median(rms2[: edge - width : apart]))
    least = float(np.partition(some, len(some) // 50)[len(some) // 50])
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
    if end - begin > LONGEST_S * rate:
        # They had waned before and held so for a while: only the last fall is their end.
        held = rms2[max(0, int(end - 2.0 * rate)) : int(end - 0.7 * rate)]
        whole = np.flatnonzero(rms2[: alive[-1] + 1] > least + 0.81 * (float(np.median(held)) - least))
        begin = whole[-1] + 0.81 * width if len(whole) else begin
    return float(t_s[0] + min(begin, end) / rate), float(t_s[0] + end / rate)


def _scatter_about_line(values: FloatArray, width: int) -> FloatArray:
    """Mean square (n - width + 1,) about the straight line in each window."""
    n = len(values)
    rows, sums = np.empty((3, n)), np.zeros((3, n + 1))
    rows[0] = values
    np.multiply(values, values, out=rows[1])
    np.multiply(values, np.arange(n, dtype=float), out=rows[2])
    np.cumsum(rows, axis=1, out=sums[:, 1:])
    total, square, moment = sums[:, width:] - sums[:, :-width]
    middle = np.arange(len(total)) + (width - 1) / 2
    slope_moment = moment - middle * total
    spread = width * (width * width - 1) / 12.0
    return np.maximum(square - total**2 / width - slope_moment**2 / spread, 0.0) / width
