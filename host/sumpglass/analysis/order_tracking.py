"""How an engine's speed went within a recording, and the recording in equal steps of crank angle instead of time.

All lines of an engine move together, so on a logarithmic axis the spectrum of one moment is that of the moment before,
shifted by the change of speed. The likeliest course of shifts (Viterbi) is taken, and made fine by the phase of the
strongest line, as in order tracking without a tachometer (Urbanek, Barszcz and Antoni 2013, Mechanical Systems and
Signal Processing 34, 24-34). Read in steps of crank angle the lines are sharp again.
"""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.spectrum import hann
from sumpglass.records import FloatArray

FRAME_S = 1.2
STEP_LOG = 0.004
"""Spacing of the logarithmic axis, which is the resolution of a shift."""
MOST_SHIFT = 45
"""Steps that the speed may move from one frame to the next, half a frame later."""
SMOOTH_STEPS = 6.0
"""By how many steps the change of speed itself changes from frame to frame (standard deviation)."""
LOWEST_HZ = 4.0
LIMIT = 4.0
"""Power above so many times the noise counts by its logarithm."""
BAND = 0.03
"""Half-width (relative) of the band whose phase is followed."""
PHASE_S = 0.5
LEAST_FRAMES = 5


def course_of_speed(pressure_pa: FloatArray, rate_hz: float) -> FloatArray | None:
    """Relative speed (n,) of mean one at each sample of evenly sampled `pressure_pa` (n,); None if it is too short."""
    frame = int(FRAME_S * rate_hz)
    starts = np.arange(0, len(pressure_pa) - frame + 1, max(1, frame // 2))
    if len(starts) < LEAST_FRAMES:
        return None
    features = _features(pressure_pa, rate_hz, frame, starts)
    middles = starts + 0.5 * (frame - 1)
    logs = _smooth(np.concatenate([[0.0], np.cumsum(_likeliest_shifts(features))])) * STEP_LOG
    # Before the middle of the first frame and after that of the last the speed goes on as it went.
    first, last = (logs[1] - logs[0]) / (middles[1] - middles[0]), (logs[-1] - logs[-2]) / (middles[-1] - middles[-2])
    end = len(pressure_pa) - 1.0
    at = np.concatenate([[0.0], middles, [end]])
    ways = np.concatenate([[logs[0] - first * middles[0]], logs, [logs[-1] + last * (end - middles[-1])]])
    logs = np.interp(np.arange(len(pressure_pa)), at, ways)
    relative = np.exp(logs)
    return np.asarray(relative / float(relative.mean()))


def _smooth(values: FloatArray) -> FloatArray:
    padded = np.concatenate([[2 * values[0] - values[1]], values, [2 * values[-1] - values[-2]]])
    return 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]


def _features(pressure_pa: FloatArray, rate_hz: float, frame: int, starts: np.ndarray) -> FloatArray:
    """(frames, steps): how far each frame's power stands out of the noise, on a logarithmic axis of frequency."""
    size = 1 << int(np.ceil(np.log2(3 * frame)))
    rows = np.lib.stride_tricks.sliding_window_view(pressure_pa, frame)[starts].astype(np.float64)
    rows = rows - rows.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(rows * hann(frame), size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    bin_hz = rate_hz / size
    axis_hz = np.exp(np.arange(np.log(LOWEST_HZ), np.log(0.48 * rate_hz), STEP_LOG))
    # The noise under the lines: a lower quartile over time and an octave, which lines that move do not reach.
    quiet = np.percentile(power, 25, axis=0)
    at = np.geomspace(LOWEST_HZ, 0.48 * rate_hz, 20)
    near = [quiet[int(hz / 1.4 / bin_hz) : int(hz * 1.4 / bin_hz) + 2] for hz in at]
    floor = np.interp(axis_hz, at, [float(np.percentile(part, 30)) / 0.2 + 1e-12 for part in near])
    place = axis_hz / bin_hz
    below = place.astype(int)
    part = place - below
    seen = power[:, below] * (1.0 - part) + power[:, below + 1] * part
    logs = np.log1p(seen / (LIMIT * floor))
    return np.asarray(logs - logs.mean(axis=1, keepdims=True))


def _likeliest_shifts(features: FloatArray) -> FloatArray:
    """Shift (frames - 1,) in steps from each frame to the next: Viterbi over how alike they are."""
    width = features.shape[1]
    tried = np.arange(-MOST_SHIFT, MOST_SHIFT + 1)
    alike = np.empty((len(features) - 1, len(tried)))
    for row, shift in enumerate(tried):
        lo, hi = max(0, -int(shift)), min(width, width - int(shift))
        alike[:, row] = (features[:-1, lo:hi] * features[1:, lo + int(shift) : hi + int(shift)]).sum(axis=1)
    scale = float(np.median(np.abs(alike - np.median(alike, axis=1, keepdims=True)))) + 1e-12
    alike = alike / scale
    cost = 0.5 * ((tried[:, None] - tried) / SMOOTH_STEPS) ** 2
    score = alike[0]
    back = np.zeros(alike.shape, int)
    for row in range(1, len(alike)):
        options = score[None, :] - cost
        back[row] = options.argmax(axis=1)
        score = options.max(axis=1) + alike[row]
    path = np.empty(len(alike), int)
    path[-1] = int(score.argmax())
    for row in range(len(alike) - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    # Between steps: the top of a parabola through the neighbours.
    rows = np.arange(len(alike))
    inner = np.clip(path, 1, len(tried) - 2)
    a, b, c = (alike[rows, inner + step] for step in (-1, 0, 1))
    bend = a - 2 * b + c
    fine = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
    return np.asarray(tried[inner] + np.clip(fine, -0.5, 0.5))


def by_phase(angular_pa: FloatArray, rate_hz: float, hz: float) -> FloatArray:
    """Relative speed (n,) of mean one that the phase of the line near `hz` shows, smooth over `PHASE_S`."""
    n = len(angular_pa)
    pad = min(n - 1, int(2 * rate_hz))
    spectrum = np.fft.fft(np.concatenate([angular_pa[pad:0:-1], angular_pa, angular_pa[-2 : -pad - 2 : -1]]))
    at = np.fft.fftfreq(len(spectrum), 1.0 / rate_hz)
    near = np.clip(1.5 - np.abs(at - hz) / max(BAND * hz, 1.0), 0.0, 1.0)
    line = np.fft.ifft(spectrum * near)[pad : pad + n]
    # The frequency is averaged with the line's power, so that moments at which it dies count for nothing.
    turn = line[1:] * np.conj(line[:-1])
    kernel = np.hanning(max(3, int(2 * PHASE_S * rate_hz)) | 1)
    kernel = kernel[: (len(turn) - 1) | 1] if len(kernel) > len(turn) else kernel
    smooth = np.convolve(turn, kernel, mode="same") if len(turn) < 4000 else _convolved(turn, kernel)
    relative = np.angle(smooth) / (2 * np.pi * hz / rate_hz)
    relative = np.concatenate([relative, relative[-1:]])
    relative = np.clip(relative / float(np.median(relative)), 1.0 - 1.5 * BAND, 1.0 + 1.5 * BAND)
    return np.asarray(relative / relative.mean())


def _convolved(values: np.ndarray, kernel: FloatArray) -> np.ndarray:
    size = 1 << int(np.ceil(np.log2(len(values) + len(kernel))))
    full = np.fft.ifft(np.fft.fft(values, size) * np.fft.fft(kernel, size))
    begin = len(kernel) // 2
    return np.asarray(full[begin : begin + len(values)])


def in_crank_angle(pressure_pa: FloatArray, relative: FloatArray) -> FloatArray:
    """Readings (n,) at equal steps of the angle that the crank has turned; on average as many a second as before."""
    n = len(pressure_pa)
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (relative[1:] + relative[:-1]))])
    angle *= (n - 1) / angle[-1]
    at = np.interp(np.arange(n), angle, np.arange(n))
    # A cubic through four neighbours (Catmull and Rom) of twice as many readings keeps the lines' height.
    double = np.fft.rfft(np.concatenate([pressure_pa, pressure_pa[::-1]]))
    fine = 2.0 * np.fft.irfft(np.concatenate([double, np.zeros(n)]), 4 * n)[: 2 * n]
    place = np.clip(2.0 * at, 1.0, 2.0 * n - 4.0)
    k = place.astype(int)
    x = place - k
    a, b, c, d = fine[k - 1], fine[k], fine[k + 1], fine[k + 2]
    return np.asarray(b + 0.5 * x * (c - a + x * (2 * a - 5 * b + 4 * c - d + x * (3 * (b - c) + d - a))))
