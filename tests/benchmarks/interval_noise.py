"""Noise of unlike kinds and the pulses of an engine, for judging intervals: shares no code with the program.

`readings(rng, kind, true_pa, rate_hz)` turns what truly is at the port into what a cheap rig shows.
"""

from __future__ import annotations

import numpy as np

KINDS = ("white", "1/f", "memory", "coarse", "drift")
"""White; density as 1/f down to the recording's own length and beyond; a memory of 0.05 to 1 s; a gauge of coarse
codes; a zero that runs away steadily."""
ENGINE_KINDS = ("white", "1/f", "aliased", "coarse", "drift")
"""The same on a running engine; "aliased": sampled slower than the pulses come."""


def flicker(rng: np.random.Generator, n: int, rms: float, below: float = 3.0) -> np.ndarray:
    """1/f noise (n,) cut from a series `below` times as long, so that it wanders at times longer than what is seen."""
    total = max(64, int(n * below))
    lines = np.fft.rfftfreq(total)
    spectrum = (rng.standard_normal(len(lines)) + 1j * rng.standard_normal(len(lines))) / np.sqrt(
        np.maximum(lines, 1.0 / total)
    )
    spectrum[0] = 0.0
    wave = np.fft.irfft(spectrum, total)
    return (wave / wave.std() * rms)[:n]


def memory(rng: np.random.Generator, n: int, rms: float, keep: float) -> np.ndarray:
    """First-order autoregression (n,)."""
    from scipy.signal import lfilter

    return lfilter([1.0], [1.0, -keep], rng.standard_normal(n + 2000))[2000:] * rms * np.sqrt(1.0 - keep**2)


def readings(
    rng: np.random.Generator, kind: str, true_pa: np.ndarray, rate_hz: float, centred: bool = False
) -> np.ndarray:
    """What the rig shows of `true_pa` (n,), its offset and gain apart. A zero that drifts is right at the beginning,
    or, `centred`, on the mean."""
    n, size = len(true_pa), rng.uniform(0.5, 5.0)
    seen = true_pa + rng.uniform(0.3, 1.0) * size * rng.standard_normal(n)
    if kind == "1/f":
        seen = seen + flicker(rng, n, rng.uniform(0.3, 1.0) * size)
    elif kind == "memory":
        seen = seen + memory(rng, n, size, float(np.exp(-1.0 / (rate_hz * rng.uniform(0.05, 1.0)))))
    elif kind == "coarse":
        code = rng.uniform(2.0, 12.0)
        shown = true_pa + code * rng.uniform(0.1, 0.6) * rng.standard_normal(n)
        edge = code * rng.uniform()
        seen = code * np.round((shown + edge) / code) - edge
    elif kind == "drift":
        seen = seen + rng.normal(0.0, 1.0) / 60.0 * (np.arange(n) - centred * (n - 1) / 2.0) / rate_hz
    return seen


def firing_phase(rng: np.random.Generator, n: int, rate_hz: float, firing_hz: float) -> np.ndarray:
    """Cycles of the firing line (n,) at a speed that hunts by half a per cent."""
    hunting = 1.0 + memory(rng, n, 0.005, float(np.exp(-1.0 / (rate_hz * 1.5))))
    return np.cumsum(firing_hz * hunting) / rate_hz + rng.uniform()


def engine_rate_hz(rng: np.random.Generator, kind: str) -> float:
    return float(rng.uniform(12.0, 45.0)) if kind == "aliased" else float(rng.choice([100.0, 250.0, 1000.0]))


def wave_of(rng: np.random.Generator, rms: float, n: int = 720) -> np.ndarray:
    """One engine cycle of pulses (n,), mean zero: the firing line of a four, its double, and half of it."""
    angle = np.arange(n) / n * 2.0 * np.pi
    wave = np.sin(2 * angle + rng.uniform(0, 6.3)) + 0.3 * rng.uniform() * np.sin(4 * angle + rng.uniform(0, 6.3))
    wave += 0.2 * rng.uniform() * np.sin(angle + rng.uniform(0, 6.3))
    return wave / wave.std() * rms


def swung(rng: np.random.Generator, wave: np.ndarray, n: int, rate_hz: float) -> np.ndarray:
    """Samples (n,) of a cycle's wave at an idle that hunts a little."""
    cycle = firing_phase(rng, n, rate_hz, rng.uniform(20.0, 35.0)) / 2.0
    return wave[(cycle % 1.0 * len(wave)).astype(int)]
