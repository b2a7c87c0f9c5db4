"""The last seconds of samples, for the small spectrum."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
import numpy.typing as npt

SAMPLES = 2048
LEAST_SAMPLES = 256

Floats = npt.NDArray[np.floating]


class Tail:
    """Keeps the newest `SAMPLES` readings."""

    def __init__(self) -> None:
        self._blocks: deque[tuple[Floats, Floats]] = deque()
        self._count = 0

    def add(self, t_s: Floats, pressure_pa: Floats) -> None:
        """Take samples (n,) in."""
        self._blocks.append((t_s, pressure_pa))
        self._count += len(t_s)
        while self._count - len(self._blocks[0][0]) >= SAMPLES:
            self._count -= len(self._blocks.popleft()[0])

    def spectrum(self) -> dict[str, Any]:
        """`spectrum_pa` and `spectrum_step_hz` for `Pulses`: amplitudes in Pa, Hann window, corrected for its coherent
        gain of 0.5. Empty where there are too few samples, a gap or a fault among them."""
        if self._count < LEAST_SAMPLES:
            return {}
        times = np.concatenate([t_s for t_s, _ in self._blocks])[-SAMPLES:]
        pressure = np.concatenate([values for _, values in self._blocks])[-SAMPLES:]
        step_s = (times[-1] - times[0]) / (len(times) - 1)
        if step_s <= 0 or np.diff(times).max() > 1.5 * step_s or not np.isfinite(pressure).all():
            return {}
        window = np.hanning(len(times) + 1)[:-1]
        amplitudes = 2.0 * np.abs(np.fft.rfft((pressure - pressure.mean()) * window)) / window.sum()
        return {"spectrum_pa": tuple(amplitudes.tolist()), "spectrum_step_hz": 1.0 / (step_s * len(times))}
