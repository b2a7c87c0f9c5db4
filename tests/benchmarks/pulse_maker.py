"""Crankcase pulses with known speed, and recordings with no engine, made apart from the product's own simulator.

No gas is computed here: an engine is a sum of harmonics of its cycle with random phases, whose sizes come from the
firing angles, the crank angles and drawn pulse shapes; its speed wanders; a hose filters it; a cheap part reads it at
instants of its own, so what lies above half the rate folds down as in life. Random numbers come from the generator
that is handed in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FIRING_AND_CRANK_DEG: dict[int, tuple[tuple[str, tuple[float, ...], tuple[float, ...]], ...]] = {
    1: (("single", (0,), (0,)),),
    2: (
        ("twin 360", (0, 360), (0, 0)),
        ("twin 180", (0, 180), (0, 180)),
        ("twin 270", (0, 270), (0, 270)),
        ("vee 90", (0, 450), (0, 90)),
    ),
    3: (("three", (0, 240, 480), (0, 240, 120)),),
    4: (("four", (0, 180, 360, 540), (0, 180, 180, 0)),),
    5: (("five", (0, 144, 288, 432, 576), (0, 144, 288, 72, 216)),),
    6: (
        ("six", (0, 120, 240, 360, 480, 600), (0, 120, 240, 0, 120, 240)),
        ("odd six", (0, 150, 240, 390, 480, 630), (0, 150, 240, 30, 120, 270)),
    ),
    7: (("seven", tuple(720 * k / 7 for k in range(7)), tuple(720 * k / 7 % 360 for k in range(7))),),
    8: (
        ("cross eight", tuple(90 * k for k in range(8)), (0, 90, 270, 180, 0, 90, 270, 180)),
        ("flat eight", tuple(90 * k for k in range(8)), tuple(90 * k % 360 for k in range(8))),
    ),
}  # fmt: skip
RATES_HZ = (100.0, 125.0, 200.0, 250.0, 400.0, 500.0, 800.0, 1000.0)
QUIET_KINDS = (
    "white", "pink", "drift", "frozen code", "hum", "hum loud", "knocks", "footsteps", "wind", "hose tone", "fan",
)  # fmt: skip
"""What a rig hears of a workshop in which no engine turns."""
EVEN_LAYOUTS = frozenset({"twin 360", "three", "four", "five", "six", "seven", "cross eight", "flat eight"})


@dataclass(frozen=True)
class PulseTrace:
    """Evenly sampled gauge pressures (n,) and what is true of them."""

    pressure_pa: np.ndarray
    rate_hz: float
    cylinders: int
    """Of the engine, or told to the tool where there is none."""
    layout: str
    rpm: float | None = None
    """Mean over the recording; None where nothing turns."""
    rpm_lo: float | None = None
    rpm_hi: float | None = None
    weak: float = 0.0
    """By how much of itself one cylinder differs from its neighbours."""
    held_rpm: float | None = None
    """The speed that the engine hunts about; its mean over one recording differs from it by chance."""


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """A draw whose logarithm is even between `low` and `high`."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def coloured(rng: np.random.Generator, n: int, memory: float) -> np.ndarray:
    """First-order autoregressive noise (n,) of unit variance that remembers `memory` samples."""
    from scipy.signal import lfilter

    a = np.exp(-1.0 / max(memory, 1e-3))
    e = rng.standard_normal(n) * np.sqrt(1 - a * a)
    e[0] = rng.standard_normal()
    return lfilter([1.0], [1.0, -a], e)


def pink(rng: np.random.Generator, n: int, slope: float = 1.0) -> np.ndarray:
    """Noise (n,) of unit variance whose power goes with frequency to the minus `slope`."""
    spectrum = rng.standard_normal(n // 2 + 1) + 1j * rng.standard_normal(n // 2 + 1)
    spectrum[0] = 0.0
    spectrum[1:] *= np.arange(1, n // 2 + 1) ** (-slope / 2)
    x = np.fft.irfft(spectrum, n)
    return x / x.std()


def _teeth(
    rng: np.random.Generator, firing: tuple[float, ...], crank: tuple[float, ...], spread: float, weak: float
) -> np.ndarray:
    """Complex amplitudes (teeth,) of multiples 1, 2, ... of the cycle, of unit RMS together."""
    k = np.arange(1, 65)
    strength = 1.0 + spread * rng.standard_normal(len(firing))
    strength[rng.integers(len(firing))] += weak
    sums = np.exp(-2j * np.pi * np.outer(k, firing) / 720.0) @ strength
    pulse = (1.0 + (k / between(rng, 2.0, 14.0)) ** 2) ** -rng.uniform(0.5, 1.2)
    pulse *= np.exp(0.35 * rng.standard_normal(64))
    blow = sums * pulse * np.exp(2j * np.pi * rng.uniform(size=64))
    blow = blow / np.sqrt(np.sum(np.abs(blow) ** 2) / 2)
    swing = np.zeros(64, complex)
    unlike = 1.0 + 0.003 * rng.standard_normal(len(crank))
    for tooth, size in ((2, 1.0), (4, rng.uniform(0.05, 0.09)), (8, rng.uniform(0.0004, 0.0012))):
        swing[tooth - 1] = size * (np.exp(-1j * np.pi * tooth * np.array(crank) / 360.0) @ unlike)
    swing *= np.exp(1j * rng.uniform(0, 2 * np.pi))
    total = blow + swing * (0.0 if rng.uniform() < 0.15 else between(rng, 0.2, 20.0)) / len(crank) ** 0.5
    return total / np.sqrt(np.sum(np.abs(total) ** 2) / 2)


def _hose(rng: np.random.Generator, hz: np.ndarray) -> np.ndarray:
    """Gain of a hose with one resonance, and of a slow membrane behind it."""
    corner, damping, slow = between(rng, 12.0, 300.0), between(rng, 0.12, 1.5), between(rng, 40.0, 1000.0)
    x = hz / corner
    return 1.0 / np.sqrt((1 - x * x) ** 2 + (2 * damping * x) ** 2) / np.sqrt(1.0 + (hz / slow) ** 2)


def engine(
    rng: np.random.Generator,
    cylinders: int | None = None,
    rate_hz: float | None = None,
    seconds: float | None = None,
    weak: float = 0.0,
    ramp: float = 0.0,
    even: bool = False,
    clean: bool = False,
    spread: float | None = None,
) -> PulseTrace:
    """A turning engine. `ramp`: relative change of speed over the recording; `even`: only evenly firing layouts;
    `clean`: the pulses well above the noise."""
    count = int(rng.integers(1, 9)) if cylinders is None else cylinders
    layouts = [one for one in FIRING_AND_CRANK_DEG[count] if not even or one[0] in EVEN_LAYOUTS]
    layout, firing, crank = layouts[int(rng.integers(len(layouts)))]
    rate = float(rng.choice(RATES_HZ)) if rate_hz is None else rate_hz
    n = int(rate * (between(rng, 4.0, 30.0) if seconds is None else seconds))
    rpm = between(rng, 500.0, 1300.0) if rng.uniform() < 0.5 else between(rng, 400.0, 6000.0)
    t = np.arange(n) / rate
    wander = between(rng, 5e-4, 1e-2) * coloured(rng, n, rate * rng.uniform(0.3, 3.0))
    speed = rpm * (1.0 + wander) * (1.0 + ramp * (np.clip(t / t[-1] * 1.4 - 0.2, 0.0, 1.0)))
    phase = 2 * np.pi * np.cumsum(speed / 120.0) / rate
    teeth = _teeth(rng, firing, crank, between(rng, 0.01, 0.15) if spread is None else spread, weak)
    gain = _hose(rng, np.arange(1, 65) * rpm / 120.0)
    pulses = np.zeros(n)
    loudest = np.abs(teeth * gain).max()
    for k in np.flatnonzero(np.abs(teeth * gain) > 1e-5 * loudest):
        pulses += gain[k] * np.abs(teeth[k]) * np.cos((k + 1) * phase + np.angle(teeth[k]))
    pulses *= between(rng, 3.0, 1500.0) / pulses.std()
    pulses *= 1.0 + rng.uniform(0.0, 0.12) * coloured(rng, n, rate * 120.0 / rpm)
    size = float(pulses.std())
    noise = size * between(rng, 0.005, 0.08 if clean else 0.6)
    p = pulses + noise * (0.8 * coloured(rng, n, between(rng, 0.1, 5.0)) + 0.6 * pink(rng, n))
    p += rng.uniform(-5.0, 1.0) * size
    if rng.uniform() < 0.25:
        p += size * between(rng, 0.02, 0.4) * _mains(rng, t)
    p = _part(rng, p, size * between(rng, 0.003, 0.1 if clean else 0.5), 0.0 if clean else 0.15)
    return PulseTrace(p, rate, count, layout, float(speed.mean()), float(speed.min()), float(speed.max()), weak, rpm)


def _part(rng: np.random.Generator, p: np.ndarray, code_pa: float, clips: float) -> np.ndarray:
    """What a part with steps of `code_pa` makes of it; some parts are too small for their signal."""
    if rng.uniform() < clips:
        low, high = np.quantile(p, [0.0, between(rng, 0.7, 0.99)])
        p = np.clip(p, low, high) if rng.uniform() < 0.5 else -np.clip(-p, -high, -low)
    return np.round(p / code_pa) * code_pa


def _mains(rng: np.random.Generator, t: np.ndarray) -> np.ndarray:
    """Hum of unit amplitude at its strongest line: mains within a twentieth of a hertz, a few harmonics."""
    hz = float(rng.choice([50.0, 60.0])) + rng.normal(0.0, 0.02)
    out = np.zeros(len(t))
    sizes = {1: 1.0, 2: rng.uniform(0, 0.6), 3: rng.uniform(0, 0.6), 4: rng.uniform(0, 0.2), 5: rng.uniform(0, 0.3)}
    if rng.uniform() < 0.25:
        sizes[1], sizes[2] = rng.uniform(0.0, 0.4), 1.0
    for k, size in sizes.items():
        out += size * np.cos(2 * np.pi * k * hz * t + rng.uniform(0, 2 * np.pi))
    return out


def _knocks(rng: np.random.Generator, n: int, rate: float, at_s: np.ndarray) -> np.ndarray:
    out = np.zeros(n)
    ring, decay = between(rng, 8.0, 60.0), between(rng, 0.03, 0.2)
    for when in at_s:
        k = int(when * rate)
        if 0 <= k < n:
            s = np.arange(min(n - k, int(6 * decay * rate) + 2)) / rate
            out[k : k + len(s)] += rng.lognormal(0, 0.4) * np.exp(-s / decay) * np.sin(2 * np.pi * ring * s + 0.3)
    return out


def _narrow(rng: np.random.Generator, n: int, rate: float, hz: float, quality: float) -> np.ndarray:
    """Noise (n,) of unit variance through one resonance."""
    from scipy.signal import lfilter

    w = 2 * np.pi * hz / rate
    r = np.exp(-w / (2 * quality))
    x = lfilter([1.0], [1.0, -2 * r * np.cos(w), r * r], rng.standard_normal(n + int(rate)))[int(rate) :]
    return x / x.std()


def quiet(
    rng: np.random.Generator, kind: str, seconds: float | None = None, rate_hz: float | None = None
) -> PulseTrace:
    """A recording of `kind` (one of `QUIET_KINDS`) in which no engine turns."""
    rate = float(rng.choice(RATES_HZ)) if rate_hz is None else rate_hz
    seconds = between(rng, 4.0, 60.0) if seconds is None else seconds
    n = int(rate * seconds)
    t = np.arange(n) / rate
    noise = between(rng, 0.2, 12.0)
    p = noise * coloured(rng, n, between(rng, 0.1, 3.0))
    if kind == "pink":
        p += noise * between(rng, 1.0, 8.0) * pink(rng, n, rng.uniform(0.8, 1.8))
    elif kind == "drift":
        p += noise * (rng.uniform(-60, 60) * np.expm1(-t / between(rng, 3, 60)) + 5 * coloured(rng, n, rate * 8.0))
    elif kind == "hum":
        p += noise * between(rng, 0.05, 2.0) * _mains(rng, t)
    elif kind == "hum loud":
        p += noise * between(rng, 2.0, 40.0) * _mains(rng, t)
    elif kind == "knocks":
        p += noise * between(rng, 3.0, 60.0) * _knocks(rng, n, rate, np.cumsum(rng.exponential(1.5, int(seconds) + 1)))
    elif kind == "footsteps":
        steps = np.cumsum(rng.normal(1.0 / rng.uniform(1.6, 2.2), 0.02, int(seconds * 2.3) + 1))
        p += noise * between(rng, 2.0, 20.0) * _knocks(rng, n, rate, steps)
    elif kind == "wind":
        gusts = 1.0 + np.abs(coloured(rng, n, rate * 1.5))
        p += noise * between(rng, 2.0, 30.0) * gusts * coloured(rng, n, rate * between(rng, 0.02, 0.5))
    elif kind == "hose tone":
        tone = _narrow(rng, n, rate, between(rng, 15.0, 0.42 * rate), between(rng, 3.0, 25.0))
        p += noise * between(rng, 1.0, 15.0) * tone * (1.0 + 0.5 * np.abs(coloured(rng, n, rate)))
    elif kind == "fan":
        p += noise * between(rng, 0.1, 3.0) * _fan(rng, t)
    code = between(rng, 0.05, 6.0)
    if kind == "frozen code":
        code = noise * between(rng, 2.5, 8.0)
    p += rng.normal(0.0, 8.0) + (rng.uniform(0.3, 0.7) * code if kind == "frozen code" else 0.0)
    return PulseTrace(_part(rng, p, code, 0.0), rate, int(rng.integers(1, 9)), kind)


def _fan(rng: np.random.Generator, t: np.ndarray) -> np.ndarray:
    """An induction motor's slip speed, faint, and the passing of its blades."""
    shaft = float(rng.choice([50.0, 60.0])) / int(rng.choice([1, 2, 3])) * (1.0 - rng.uniform(0.01, 0.07))
    turns = 2 * np.pi * shaft * t * (1 + rng.normal(0, 2e-4)) + 0.02 * np.cumsum(rng.standard_normal(len(t))) / 10
    blades = int(rng.integers(3, 10))
    out = np.cos(blades * turns) + rng.uniform(0.02, 0.3) * np.cos(2 * blades * turns + 1.0)
    return out + rng.uniform(0.05, 0.8) * np.cos(turns + 2.0)
