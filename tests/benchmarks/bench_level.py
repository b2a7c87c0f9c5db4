"""How often the stated 95 % interval of the level holds the truth, and how wide it is, for many kinds of signal.

python tests/benchmarks/bench_level.py [--short] [--seed N] [--kinds white,coarse,...]

The truth is known to the maker alone: for noise of the sensor the level beneath it, for a pressure that really moves
its mean in time. Nothing of the simulator is used. `width` is the median half-width over the half-width that just holds
95 % of the errors of that kind (the zero is in both): 1 is perfect, far above 1 is timid.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
from numpy.random import Generator
from scipy.signal import lfilter

from sumpglass.records import Recording
from sumpglass.workflows.assess import assess_recording

Made = tuple[np.ndarray, np.ndarray, float]
"""Times, readings, and the true level."""
ZERO_SPREAD_PA = 10.0 / 1.96


def times(rng: Generator, rate_hz: float | None = None, seconds: float | None = None) -> np.ndarray:
    rate_hz = rate_hz or float(rng.choice([100.0, 200.0, 500.0]))
    return np.arange(max(6, int(rate_hz * (seconds or rng.uniform(8, 40))))) / rate_hz


def level(rng: Generator) -> float:
    return float(rng.uniform(-1500, 300))


def ar1(rng: Generator, t: np.ndarray, memory_s: float) -> np.ndarray:
    keep = np.exp(-(t[1] - t[0]) / memory_s)
    ahead = int(8 * memory_s / (t[1] - t[0])) + 10
    return lfilter([1], [1, -keep], rng.normal(0, 1, len(t) + ahead))[ahead:] * np.sqrt(1 - keep**2)


def flicker(rng: Generator, n: int, slope: float) -> np.ndarray:
    """Noise of power 1/f^slope over a period four times as long as what is kept, of standard deviation 1."""
    total = 4 * n
    f = np.fft.rfftfreq(total)
    amplitude = np.zeros(len(f))
    amplitude[1:] = f[1:] ** (-slope / 2)
    wave = np.fft.irfft(amplitude * np.exp(2j * np.pi * rng.uniform(0, 1, len(f))), total)
    return wave[:n] / wave.std()


def pulses(rng: Generator, t: np.ndarray, hz: float) -> np.ndarray:
    swing = rng.uniform(30, 300)
    return sum(swing / k**1.5 * np.sin(2 * np.pi * k * hz * t + rng.uniform(0, 6.28)) for k in (1, 2, 3))


def noisy(rng: Generator, t: np.ndarray, true: np.ndarray | float, sigma: float = 6.0) -> Made:
    wave = np.broadcast_to(true, t.shape)
    return t, wave + rng.normal(0, sigma, len(t)), float(wave.mean())


def white(rng: Generator) -> Made:
    return noisy(rng, times(rng), level(rng), rng.uniform(1, 60))


def memory(rng: Generator) -> Made:
    t, mu = times(rng), level(rng)
    return t, mu + rng.uniform(5, 60) * ar1(rng, t, float(10 ** rng.uniform(-2, 0.3))) + rng.normal(0, 2, len(t)), mu


def one_over_f(rng: Generator) -> Made:
    t, mu = times(rng), level(rng)
    return t, mu + rng.uniform(3, 40) * flicker(rng, len(t), 1.0), mu


def wander(rng: Generator) -> Made:
    t = times(rng)
    walk = np.cumsum(rng.normal(0, 1, len(t))) * np.sqrt(t[1]) * rng.uniform(2, 30)
    return noisy(rng, t, level(rng) + walk)


def drift(rng: Generator) -> Made:
    t = times(rng)
    return noisy(rng, t, level(rng) + rng.uniform(-4, 4) * t)


def pulsing(rng: Generator) -> Made:
    t = times(rng)
    return t, *_with_pulses(rng, t, rng.uniform(12, 45))


def _with_pulses(rng: Generator, t: np.ndarray, hz: float) -> tuple[np.ndarray, float]:
    mu = level(rng)
    return mu + pulses(rng, t, hz) + rng.normal(0, 6, len(t)), mu


def few_cycles(rng: Generator) -> Made:
    t = times(rng, seconds=rng.uniform(1.0, 4.0))
    return t, *_with_pulses(rng, t, rng.uniform(2.5, 8))


def aliased(rng: Generator) -> Made:
    t = times(rng, rate_hz=float(rng.choice([20.0, 50.0])))
    return t, *_with_pulses(rng, t, rng.uniform(30, 60))


def coarse(rng: Generator) -> Made:
    t, code = times(rng), rng.uniform(10, 60)
    mu = level(rng)
    return t, np.round((mu + rng.normal(0, rng.uniform(0.02, 0.3) * code, len(t))) / code) * code, mu


def short(rng: Generator) -> Made:
    return noisy(rng, times(rng, seconds=rng.uniform(1, 5)), level(rng), rng.uniform(1, 60))


def short_memory(rng: Generator) -> Made:
    t, mu = times(rng, seconds=rng.uniform(1, 5)), level(rng)
    return t, mu + 30 * ar1(rng, t, rng.uniform(0.02, 0.2)), mu


def slow_1hz(rng: Generator) -> Made:
    return noisy(rng, times(rng, 1.0, rng.uniform(10, 300)), level(rng), rng.uniform(1, 60))


def slow_10hz(rng: Generator) -> Made:
    t, mu = times(rng, 10.0, rng.uniform(5, 60)), level(rng)
    return t, mu + 20 * ar1(rng, t, rng.uniform(0.05, 1.0)), mu


def gaps(rng: Generator) -> Made:
    t, p, mu = memory(rng)
    keep = np.ones(len(t), bool)
    for at in rng.integers(0, len(t), 4):
        keep[at : at + int(rng.integers(2, max(3, len(t) // 12)))] = False
    return t[keep], p[keep], mu


def uneven_times(rng: Generator) -> Made:
    t, mu = np.cumsum(rng.exponential(0.01, int(rng.integers(500, 4000))) + 0.001), level(rng)
    return noisy(rng, t, mu, rng.uniform(1, 60))


def spikes(rng: Generator) -> Made:
    t, p, mu = white(rng)
    hit = rng.random(len(t)) < 0.003
    return t, p + hit * rng.normal(0, 400, len(t)), mu


def stop_and_run(rng: Generator) -> Made:
    t = times(rng, seconds=rng.uniform(12, 40))
    runs = t > rng.uniform(0.3, 0.6) * t[-1]
    true = np.where(runs, rng.uniform(-900, -300), 0.0)
    return t, true + runs * pulses(rng, t, 26.0) + rng.normal(0, 6, len(t)), float(true.mean())


KINDS: tuple[Callable[[Generator], Made], ...] = (
    white, memory, one_over_f, wander, drift, pulsing, few_cycles, aliased, coarse, short, short_memory, slow_1hz,
    slow_10hz, gaps, uneven_times, spikes, stop_and_run,
)  # fmt: skip


def read(make: Callable[[Generator], Made], seed: int, number: int, zero_known: bool) -> tuple[float, float]:
    """Error of the level and its stated half-width, inf for none."""
    rng = np.random.default_rng((seed, number, int(zero_known)))
    t, p, true = make(rng)
    offset = float(rng.normal(0, ZERO_SPREAD_PA))
    recording = Recording(t, p + offset, rate_hz=float(1 / np.median(np.diff(t))))
    # A zero that somebody read off is the mean of some five seconds of the same rig's noise.
    noise = float(np.median(np.abs(np.diff(p, 3)))) / 0.6745 / np.sqrt(20.0)
    read_off = offset + float(rng.normal(0, noise / np.sqrt(max(1.0, 5.0 / np.median(np.diff(t))))))
    told = assess_recording(recording, zero_pa=read_off if zero_known else None).level
    return (told.mean_pa or 0.0) - true, np.inf if told.u95_pa is None else told.u95_pa


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--seed", type=int, default=7301)
    parser.add_argument("--kinds", default=",".join(make.__name__ for make in KINDS))
    options = parser.parse_args()
    count = 20 if options.short else 200
    print(f"{count} recordings a kind with the zero known, as many without\n")
    print(f"{'kind':14s} {'zero known':>11s} {'width':>6s} {'not known':>11s} {'width':>6s}")
    held_all = total = 0
    wanted = options.kinds.split(",")
    for place, make in enumerate(KINDS):
        if make.__name__ not in wanted:
            continue
        cells = []
        for zero_known in (True, False):
            table = np.array([read(make, options.seed + 1000 * place, k, zero_known) for k in range(count)])
            held = np.abs(table[:, 0]) <= table[:, 1]
            held_all, total = held_all + int(held.sum()), total + count
            needed = np.quantile(np.abs(table[:, 0]), 0.95)
            cells.append(f"{held.mean():11.1%} {np.median(table[:, 1]) / max(needed, 1e-9):6.2f}")
        print(f"{make.__name__:14s} " + " ".join(cells), flush=True)
    print(f"all together: {held_all / total:.1%} of {total} (asked 93 to 99 %)")
    return 0 if 0.93 <= held_all / total <= 0.99 else 1


if __name__ == "__main__":
    raise SystemExit(main())
