"""Accuracy of `size-leak` on recordings, read from CSV files as another program would write them.

    python tests/benchmarks/bench_size_leak_recordings.py [--short] [--only calm,moderate,strong,bent,rig,rig-csv]
        [--seed FIRST] [--cases N] [--verbose]

calm, moderate, strong, bent: a generator of its own (nothing of `simulate/`): levels by bisection of the mean flow or
by integrating the filling of the crankcase, pulses of the firing order with a second harmonic and a half order, slow
wander, change-overs up to a second off their marks, sensors of 10 to 16 bits. rig, rig-csv: the product's simulator
(piston pulses, hose to the sensor, sensor errors), with what a rig tells and as a bare CSV that tells nothing.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import tempfile
import time
from dataclasses import dataclass
from functools import partial

import numpy as np

from sumpglass.errors import SumpglassError
from sumpglass.simulate import drawn_openings
from sumpglass.simulate.engine import simulate
from sumpglass.workflows.size_leak import size_leak_of_file, size_leak_of_recording

CD, P0, T0, R, K = 0.61, 101325.0, 293.15, 287.055, 1.4
RHO = P0 / R / T0
PLUGS_MM = (5.0, 4.0, 3.5, 3.2, 3.0, 2.5, 2.0, 1.6, 1.5, 1.2, 1.0)
TUNING, JUDGING = 0, 500_000


@dataclass(frozen=True)
class Case:
    """A file's samples with the answer beside them."""

    t_s: np.ndarray
    pressure_pa: np.ndarray
    marks: dict[int, str]
    area_mm2: float
    draw_lpm: float
    words: dict[str, float]
    told: str


def flux(vacuum, law: str, gas_k: float):
    """kg/s a square metre of CdA into the crankcase (positive) or out of it."""
    v = np.asarray(vacuum, float)
    cooling = np.where(v >= 0, 1.0, math.sqrt(T0 / gas_k))
    if law == "incompressible":
        return np.sign(v) * np.sqrt(2 * RHO * np.abs(v)) * cooling
    up, down = np.where(v >= 0, P0, P0 - v), np.where(v >= 0, P0 - v, P0)
    r = np.maximum(down / up, 0.5283)
    return (
        np.sign(v)
        * up
        / (R * T0)
        * r ** (1 / K)
        * np.sqrt(2 * K / (K - 1) * R * T0 * (1 - r ** ((K - 1) / K)))
        * cooling
    )


def bisect(net, low: float, high: float) -> float:
    for _ in range(50):
        mid = 0.5 * (low + high)
        low, high = (mid, high) if net(mid) > 0 else (low, mid)
    return 0.5 * (low + high)


def cycle(rng: np.random.Generator, amplitude: float, n: int = 256) -> np.ndarray:
    """One engine cycle of a four: firing order, its second harmonic, a half order."""
    a = np.arange(n) / n * 2 * np.pi
    wave = np.sin(2 * a + rng.uniform(0, 6)) + rng.uniform(0, 0.3) * np.sin(4 * a + rng.uniform(0, 6))
    wave += rng.uniform(0, 0.2) * np.sin(a + rng.uniform(0, 6))
    return amplitude * (wave - wave.mean())


def slow_noise(rng: np.random.Generator, n: int, fs: float, tau: float) -> np.ndarray:
    """Unit noise with an exponential memory of `tau` seconds."""
    from scipy.signal import lfilter

    memory = math.exp(-1 / (tau * fs))
    return lfilter([math.sqrt(1 - memory**2)], [1, -memory], rng.standard_normal(n + int(5 * tau * fs)))[-n:]


def own_case(seed: int, pulses: str, bent: bool = False) -> Case:
    rng = np.random.default_rng(seed)
    leak_mm = math.exp(rng.uniform(math.log(0.5), math.log(3.5)))
    area = math.pi / 4 * leak_mm**2
    law = "isentropic" if rng.uniform() < 0.7 else "incompressible"
    gas_k = T0 if rng.uniform() < 0.5 else rng.uniform(320, 360)
    deepest = math.exp(rng.uniform(math.log(700), math.log(5000)))
    amplitude = {"calm": rng.uniform(0, 40) * (rng.uniform() < 0.6), "moderate": rng.uniform(40, 300),
                 "strong": rng.uniform(300, 1500)}[pulses]  # fmt: skip
    count = int(rng.integers(4, 7))
    chosen = sorted(rng.choice(PLUGS_MM, size=count, replace=False), reverse=True)
    if rng.uniform() < 0.7:
        chosen.append(0.0)
    else:
        deepest *= 1.0 + 0.5 * rng.uniform()
    smallest = area + math.pi / 4 * chosen[-1] ** 2
    net = CD * smallest * 1e-6 * float(flux(deepest, law, gas_k))
    suction = net * rng.uniform(1.0, 1.6)
    if bent:
        ends, power = deepest * rng.uniform(1.1, 2.5), rng.choice([0.5, 1.0])
        blow_by = suction - net
        raw = lambda v: suction * np.maximum(1 - v / ends, 0.0) ** power - blow_by  # noqa: E731
    elif rng.uniform() < 0.15:
        raw = lambda v: net + 0.0 * v  # noqa: E731
    else:
        raw = lambda v: suction * (1 - v / P0) - (suction - net)  # noqa: E731
    wave = cycle(rng, amplitude)
    fs = float(rng.choice([100.0, 200.0, 250.0, 500.0, 1000.0]))
    firing = rng.uniform(20, 40)
    filling = rng.uniform() < 0.35
    volume = rng.uniform(2e-3, 8e-3)
    level, marks_s, order = [], [], [("engine off", 0.0, rng.uniform(4, 8))] if rng.uniform() < 0.4 else []
    order += [
        ("closed" if d == 0 else f"opening {d:g} mm", area + math.pi / 4 * d * d, rng.uniform(10, 30)) for d in chosen
    ]
    now = before = 0.0
    running = []
    for text, open_mm2, hold_s in order:
        n = int(hold_s * fs)
        t = np.arange(n) / fs
        marks_s.append((max(0.0, now + (rng.uniform(-1, 1) if now > 0 else 0.0)), text))
        if text == "engine off":
            level.append(np.zeros(n))
        else:
            cda = CD * open_mm2 * 1e-6

            def surplus(v: float, cda: float = cda) -> float:
                return raw(v) - cda * float(np.mean(flux(v + wave, law, gas_k)))

            steady = bisect(surplus, -3000.0, 60_000.0)
            if filling:
                level.append(fill(before, steady, raw, cda, wave, law, gas_k, volume, n, fs))
            else:
                tau = math.exp(rng.uniform(math.log(0.1), math.log(3.0 if hold_s > 15 else 1.5)))
                level.append(steady + (before - steady) * np.exp(-t / tau))
            before = float(level[-1][-1])
        running.append(np.full(n, text != "engine off"))
        now += n / fs
    v, on = np.concatenate(level), np.concatenate(running)
    n = len(v)
    t = np.arange(n) / fs
    phase = np.cumsum(firing / 2 * (1 + rng.uniform(0.001, 0.01) * slow_noise(rng, n, fs, 1.0))) / fs
    swing = np.interp(phase % 1.0, np.arange(len(wave) + 1) / len(wave), np.append(wave, wave[0]))
    wander = rng.uniform(0.0, 0.01) * slow_noise(rng, n, fs, rng.uniform(0.3, 2.0))
    p = -(v * (1 + wander) + swing) * on
    offset = rng.normal(0, 5)
    words = {}
    if order[0][0] != "engine off":
        kind = rng.integers(3)
        if kind == 0:
            offset = 0.0
        elif kind == 1:
            words = {"zero_pa": round(offset, 1)}
    span = next((s for s in (2000.0, 7000.0, 10_000.0, 25_000.0) if s > 1.02 * np.abs(p).max()), 50_000.0)
    code = 2 * span / 2 ** int(rng.choice([10, 12, 12, 14, 16]))
    noise = max(0.3 * code, math.exp(rng.uniform(math.log(0.5), math.log(10))))
    p = np.round((p + offset + noise * rng.standard_normal(n)) / code) * code
    if rng.uniform() < 0.3:
        p = np.clip(p, -span, span)
        words["range_pa"] = span
    marks = {int(min(s * fs, n - 1)): text for s, text in marks_s}
    told = (
        f"{leak_mm:.2f} mm, plugs {chosen}, deepest {deepest:.0f}, amplitude {amplitude:.0f}, {law}, "
        f"gas {gas_k:.0f}, {fs:g} Hz"
    )
    return Case(
        t, p, marks, area, net / RHO * 60e3, words, told + f", code {code:.2g}, noise {noise:.1f}, fill {filling}"
    )


def fill(before, steady, raw, cda, wave, law, gas_k, volume, n, fs) -> np.ndarray:
    """Mean vacuum while the crankcase fills or empties, Heun's steps of the mean flow (isothermal)."""
    grid = np.linspace(min(before, steady) - 50, max(before, steady) + 50, 80)
    net = (
        R
        * T0
        / volume
        * (np.array([float(raw(g)) for g in grid]) - cda * flux(grid[:, None] + wave[None, ::4], law, gas_k).mean(1))
    )
    rate = np.diff(grid)[0]
    out, x = np.empty(n), before
    values = net.tolist()

    def slope(at: float) -> float:
        k = min(max((at - grid[0]) / rate, 0.0), len(values) - 1.001)
        i = int(k)
        return values[i] + (k - i) * (values[i + 1] - values[i])

    for j in range(n):
        out[j] = x
        half = x + 0.5 / fs * slope(x)
        x += slope(half) / fs
        if abs(x - steady) < 1e-3 * abs(steady) + 0.05:
            out[j + 1 :] = steady
            break
    return out


def write_csv(case: Case, path: str) -> None:
    with open(path, "w", encoding="utf-8") as file:
        file.write("t_s,pressure_pa,mark\n")
        for i, (t, p) in enumerate(zip(case.t_s.tolist(), case.pressure_pa.tolist())):
            file.write(f"{t:.4f},{p:.2f},{case.marks.get(i, '')}\n")


def rig_case(seed: int, straight: bool | None = True):
    rng = np.random.default_rng(seed)
    job = drawn_openings.draw_known_openings(rng, straight, rate_hz=float(rng.choice([100, 250, 500, 1000])))
    return job, simulate(job.scenario, seed).recording()


def as_csv(recording) -> Case:
    at = np.searchsorted(recording.t_s, [m.t_s for m in recording.marks])
    marks = {int(min(k, len(recording.t_s) - 1)): m.text for k, m in zip(at, recording.marks)}
    return Case(np.asarray(recording.t_s), np.asarray(recording.pressure_pa), marks, 0, 0, {}, "")


class Tally:
    def __init__(self, name: str, verbose: bool) -> None:
        self.name, self.verbose = name, verbose
        self.rows, self.refused, self.seconds = [], [], []

    def add(self, seed: int, area: float, draw: float | None, told: str, run) -> None:
        began = time.process_time()
        try:
            got = run()
        except SumpglassError as error:
            self.refused.append(str(error))
            if self.verbose:
                print(f"  {seed}: {told}\n      REFUSED {error}")
            return
        self.seconds.append(time.process_time() - began)
        size, given = got
        hi = size.hi95_mm2 if size.hi95_mm2 is not None else math.inf
        error = math.sqrt(size.area_mm2 / area) - 1
        held = size.lo95_mm2 <= area <= hi
        width = (math.sqrt(hi / area) - math.sqrt(size.lo95_mm2 / area)) / 2
        draw_error = draw_held = None
        if draw is not None:
            draw_error = size.net_draw_lpm / draw - 1
            draw_held = size.net_draw_at_cd_lo95 <= draw <= (size.net_draw_at_cd_hi95 or math.inf)
        self.rows.append((error, held, width, draw_error, draw_held, size.bent))
        if self.verbose and (not held or abs(error) > 0.1):
            print(f"  {seed}: {told}")
            print(
                f"      error {100 * error:+.1f} %, width {100 * width:.1f} %, held {held}, bent {size.bent}, "
                f"{size.points} points, chi2 {size.chi2}, draw {100 * (draw_error or 0):+.1f} %"
            )
            for r in given.readings:
                v = r.vacuum_pa if r.vacuum_pa is not None else -(r.deeper_than_pa or 0)
                print(f"        {r.opening_mm:g} mm: {v:.1f} u {r.u_pa:.2f} swing {np.std(r.shape_pa):.0f} {r.name}")
            for w in given.warnings:
                print("        ", w)

    def print(self) -> None:
        if not self.rows:
            print(f"{self.name:<16} nothing sized, {len(self.refused)} refused")
            return
        e, held, width, de, dh, bent = (list(c) for c in zip(*self.rows))
        error = np.abs(e)
        text = (
            f"{self.name:<16} {len(e):4d} sized, {len(self.refused)} refused; "
            f"leak mm error median {100 * np.median(error):.2f} %, 90th {100 * np.quantile(error, 0.9):.1f} %, "
            f"mean {100 * np.mean(np.clip(e, -1, 1)):+.2f} %; "
            f"held {100 * np.mean(held):.1f} %; half-width median {100 * np.median(width):.1f} %"
        )
        if de[0] is not None:
            text += f"; draw error median {100 * np.median(np.abs(de)):.2f} %, held {100 * np.mean(dh):.1f} %"
        known = [b for b in bent if b is not None]
        text += f"; bent {100 * np.mean(known) if known else 0:.1f} %"
        text += f"; {np.median(self.seconds):.2f} s a call (most {max(self.seconds):.2f})"
        print(text, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--cases", type=int)
    parser.add_argument("--seed", type=int, default=JUDGING)
    parser.add_argument("--only", default="")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    wanted = set(filter(None, options.only.split(",")))
    folder = tempfile.mkdtemp()
    path = os.path.join(folder, "series.csv")
    for name in ("calm", "moderate", "strong", "bent"):
        if wanted and name not in wanted:
            continue
        tally = Tally(name, options.verbose)
        for seed in range(options.seed, options.seed + (options.cases or (30 if options.short else 300))):
            kind = name if name != "bent" else ("calm", "moderate")[seed % 2]
            case = own_case(seed, kind, name == "bent")
            write_csv(case, path)
            tally.add(seed, case.area_mm2, case.draw_lpm, case.told, partial(size_leak_of_file, path, **case.words))
        tally.print()
    for name in ("rig", "rig-csv"):
        if wanted and name not in wanted:
            continue
        tally = Tally(name, options.verbose)
        for seed in range(options.seed, options.seed + (options.cases or (10 if options.short else 60))):
            job, recording = rig_case(seed)
            area = math.pi / 4 * job.leak_mm**2
            s = job.scenario
            told = f"{job.leak_mm:.2f} mm, {s.engine.cylinders} cyl {s.engine.layout}, {s.rig.rate_hz:g} Hz"
            told += f", {s.rig.sensor.part}, line {s.rig.line}"
            if name == "rig":
                run = lambda: size_leak_of_recording(recording)  # noqa: E731, B023
            else:
                write_csv(as_csv(recording), path)
                run = lambda: size_leak_of_file(path)  # noqa: E731, B023
            tally.add(seed, area, None, told, run)
        tally.print()
    os.remove(path) if os.path.exists(path) else None
    os.rmdir(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
