"""Accuracy of the trade's computations on data made by other means, and coverage of their 95 % intervals.

    python tests/benchmarks/bench_procedures.py [--short] [--from SEED] [--only table,bent,recording,hold,...]

The generators below share no code with the program: flows by `fluids`' way of writing them (ratio form, own constants),
balances solved by bisection, pulses as samples in time with several orders, decays integrated step by step. Their
ranges are drawn anew for each seed, and none was used to set a constant of the program.
"""

from __future__ import annotations

import argparse
import math
import sys
import time

import numpy as np
from leak_figures import LeakFigures, figures_of
from leak_oracle import oracle_words, separation

from sumpglass.procedures.blow_by_flow import blow_by
from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.leak_recording import readings_of
from sumpglass.procedures.leak_size import size_leak
from sumpglass.procedures.openings import Reading, sine_shape_pa
from sumpglass.procedures.seal_shares import CappedReading, seal_hunt
from sumpglass.records import Mark, Recording

CD, P0, T0, R, K = 0.61, 101325.0, 293.15, 287.055, 1.4
CD_U95 = 0.05
RHO = P0 / R / T0


def flux(vacuum: np.ndarray) -> np.ndarray:
    """Isentropic flow into (positive) or out of the crankcase, kg/s a square metre of CdA; written by density ratio."""
    v = np.asarray(vacuum, float)
    up, down = np.where(v >= 0, P0, P0 - v), np.where(v >= 0, P0 - v, P0)
    r = np.maximum(down / up, 0.5283)
    speed2 = 2 * K / (K - 1) * R * T0 * (1 - r ** ((K - 1) / K))
    return np.sign(v) * up / (R * T0) * r ** (1 / K) * np.sqrt(speed2)


def steady(draw, area_m2: float, swing: np.ndarray) -> float:
    """Mean vacuum at which what flows in through CD * area_m2 is what the source draws there, by bisection."""
    low, high = 0.0, 80_000.0
    for _ in range(40):
        mid = 0.5 * (low + high)
        if CD * area_m2 * float(np.mean(flux(mid + swing))) < draw(mid):
            low = mid
        else:
            high = mid
    return 0.5 * (low + high)


def pulses(rng: np.random.Generator, rms: float, n: int = 720) -> np.ndarray:
    """A cycle of pulses: a strong order, a weaker one at twice and one at half of it."""
    angle = np.arange(n) / n * 4 * np.pi
    wave = np.sin(2 * angle + rng.uniform(0, 6)) + 0.25 * rng.uniform() * np.sin(4 * angle + rng.uniform(0, 6))
    wave += 0.15 * rng.uniform() * np.sin(angle + rng.uniform(0, 6))
    return wave / wave.std() * rms


def choked_draw(rng: np.random.Generator, net: float):
    """A choked suction less a blow-by."""
    suction = net * rng.uniform(1.0, 1.6)
    return lambda v: suction * (1 - v / P0) - (suction - net)


def finite_draw(rng: np.random.Generator, net: float, deepest_wanted: float):
    """A suction through an orifice from a manifold that is not far below, less a blow-by."""
    depth = deepest_wanted * rng.uniform(1.1, 2.0)
    blow_by = net * rng.uniform(0.0, 0.5)
    kind = rng.integers(3)
    if kind == 0:
        full = lambda v: np.sqrt(np.maximum(1 - v / depth, 0.0))  # noqa: E731
    elif kind == 1:
        full = lambda v: np.maximum(1 - v / depth, 0.0)  # noqa: E731
    else:  # a valve that gives a little more as the vacuum deepens

        def full(v):
            return np.sqrt(np.maximum(1 - v / depth, 0.0)) * (1 + 0.15 * v / depth)

    return lambda v: (net + blow_by) * full(v) - blow_by


OPENINGS = [5.0, 4.0, 3.2, 2.5, 2.0, 1.6, 1.5, 1.2, 1.0]


def series(rng: np.random.Generator, bent: bool):
    """(leak mm2, net draw kg/s, [(opening, vacuum, swing rms or samples)])."""
    leak_mm = rng.uniform(0.5, 3.5)
    area = math.pi / 4 * leak_mm**2
    closed = rng.uniform(500, 6000)
    net = CD * area * 1e-6 * float(flux(np.array(closed)))
    chosen = sorted(rng.choice(OPENINGS, size=int(rng.integers(4, 7)), replace=False), reverse=True)
    if rng.uniform() < 0.8:
        chosen.append(0.0)
    draw = finite_draw(rng, net, closed) if bent else choked_draw(rng, net)
    rms = rng.uniform(0, 200) if rng.uniform() < 0.7 else 0.0
    rows = []
    for d in chosen:
        swing = pulses(rng, rms * rng.uniform(0.8, 1.2)) if rms else np.zeros(1)
        vacuum = steady(draw, area * 1e-6 + math.pi / 4 * d**2 * 1e-6, swing)
        rows.append((d, vacuum, swing))
    return area, net, rows


def table_made(seed: int, bent: bool):
    """(leak mm2, net draw kg/s, readings, vacua and swings without error)."""
    rng = np.random.default_rng(seed)
    area, net, rows = series(rng, bent)
    u_floor, u_share = rng.uniform(1, 4), rng.uniform(0.002, 0.01)
    readings = []
    for d, vacuum, swing in rows:
        u = math.hypot(u_floor, u_share * vacuum)
        seen = vacuum + u * rng.standard_normal()
        rms = float(swing.std())
        if vacuum > 4500 and rng.uniform() < 0.5:
            readings.append(Reading(d, None, u, 3500.0))
        else:
            readings.append(Reading(d, seen, u, shape_pa=sine_shape_pa(rms)))
    return area, net, readings, [(vacuum, swing) for _, vacuum, swing in rows]


def table_case(seed: int, bent: bool):
    area, net, readings, _ = table_made(seed, bent)
    return area, net, size_leak(readings)


def report_oracle(cases: int, first: int) -> None:
    """How many of the bent lines can be recognised at all."""
    apart = []
    for seed in range(first, first + cases):
        area, _, readings, true = table_made(seed, True)
        bores, u, limits = zip(*((r.opening_mm, r.u_pa, r.deeper_than_pa) for r in readings))
        vacua, swings = zip(*true)
        apart.append(separation(bores, vacua, u, swings, area, limits))
    print(f"{'':<22} {oracle_words(apart)}")


def recording_case(seed: int):
    """Time samples: pulses, sensor noise with memory, settling, change-over off its mark, an engine-off zero."""
    rng = np.random.default_rng(seed)
    area, net, rows = series(rng, False)
    fs = float(rng.choice([100.0, 250.0, 1000.0]))
    hold_s, offset = rng.uniform(12, 25), rng.normal(0, 8)
    firing = rng.uniform(20, 35)
    level_parts, marks, t_now = [], [], 0.0
    before = 0.0
    zero_s = 6.0
    marks.append(Mark(0.0, "engine off"))
    level_parts.append(np.zeros(int(zero_s * fs)))
    swings = [np.zeros(int(zero_s * fs))]
    t_now = zero_s
    for d, vacuum, swing in rows:
        n = int(hold_s * fs)
        t = np.arange(n) / fs
        tau = rng.uniform(0.2, 1.5)
        level_parts.append(vacuum + (before - vacuum) * np.exp(-t / tau))
        phase = (t * firing / 2.0 + rng.uniform()) % 1.0
        swings.append(swing[(phase * len(swing)).astype(int)] if len(swing) > 1 else np.zeros(n))
        marks.append(Mark(max(0.0, t_now + rng.uniform(-1.0, 1.0)), "closed" if d == 0 else f"opening {d} mm"))
        before, t_now = vacuum, t_now + hold_s
    level = np.concatenate(level_parts)
    n = len(level)
    slow = np.zeros(n)
    kick = rng.standard_normal(n) * rng.uniform(0.5, 3.0) * math.sqrt(2 / (0.3 * fs))
    memory = math.exp(-1 / (0.3 * fs))
    for i in range(1, n):
        slow[i] = memory * slow[i - 1] + kick[i]
    p = -(level + np.concatenate(swings) + slow) + offset + rng.uniform(0.5, 8) * rng.standard_normal(n)
    recording = Recording(np.arange(n) / fs, p, marks=tuple(marks), rate_hz=fs)
    taken = readings_of(recording)
    return area, net, size_leak(taken.readings, zero_u_pa=taken.zero_u_pa)


def report_leaks(name: str, cases: int, first: int, make) -> LeakFigures:
    began = time.perf_counter()
    found = figures_of(make, range(first, first + cases))
    print(f"{found.line(name)}; {1000 * (time.perf_counter() - began) / max(cases, 1):.0f} ms a case", flush=True)
    return found


def report_series(wanted: set[str], cases: int, first: int) -> None:
    """Known openings: straight and bent tables, recordings, and all of them together, as many of each."""
    kinds = {
        "table": ("table, straight", lambda seed: table_case(seed, False)),
        "bent": ("table, bent", lambda seed: table_case(seed, True)),
        "recording": ("recording", recording_case),
    }
    chosen = [kind for kind in kinds if not wanted or kind in wanted]
    together = LeakFigures()
    for kind in chosen:
        together = together.joined(report_leaks(kinds[kind][0], cases, first, kinds[kind][1]))
        if kind == "bent":
            report_oracle(cases, first)
    if len(chosen) == len(kinds):
        print(together.line("all series"), flush=True)


def hold_case(seed: int):
    """A decay integrated step by step: pump, decay through an opening, a capillary or both, sensor with memory."""
    rng = np.random.default_rng(seed)
    kind = ("orifice", "laminar", "mixed")[rng.integers(3)]
    volume = rng.uniform(3e-3, 12e-3)
    start = rng.uniform(1000, 2500)
    half_s = rng.uniform(2, 20)
    share = {"orifice": 1.0, "laminar": 0.0, "mixed": rng.uniform(0.3, 0.7)}[kind]
    # Flow at the start such that about half is gone in half_s, shared between opening and capillary.
    first = volume / (R * T0) * start / half_s * (0.62 * share + 0.69 * (1 - share))
    area = first * share / float(flux(np.array(start)))
    slope = first * (1 - share) / start
    fs = float(rng.choice([20.0, 50.0, 200.0]))
    steps = int(fs * half_s * rng.uniform(2.0, 5.0))
    fine, v, trace = max(1, math.ceil(200.0 / fs)), start, []

    def rate(x: float) -> float:
        up = max(x, 0.0)
        ratio = 1 - up / P0
        orifice = P0 / (R * T0) * ratio ** (1 / K) * math.sqrt(2 * K / (K - 1) * R * T0 * (1 - ratio ** ((K - 1) / K)))
        return (area * orifice + slope * up) * R * T0 / volume

    dt = 1 / fs / fine
    for _ in range(steps):
        trace.append(v)
        for _ in range(fine):
            v = max(v - dt * rate(v - 0.5 * dt * rate(v)), 0.0)
    pump = (
        np.concatenate([np.zeros(int(2 * fs)), np.linspace(0, start, int(rng.uniform(1, 4) * fs))])
        if rng.uniform() < 0.6
        else np.zeros(0)
    )
    p = (
        -np.concatenate([pump, trace])
        + (rng.normal(0, 4) if len(pump) else 0.0)
        + rng.uniform(0.5, 5) * rng.standard_normal(len(pump) + steps)
    )
    got = judge_hold(Recording(np.arange(len(p)) / fs, p, rate_hz=fs), volume * 1e3)
    leak = (area * float(flux(np.array(500.0))) + slope * 500.0) / RHO * 60e3
    reached = float(np.interp(-start / 2, -np.array(trace), np.arange(steps) / fs)) if trace[-1] < start / 2 else None
    return kind, leak, reached, got


def report_hold(cases: int) -> None:
    right, leak, held, half, half_held, held_n = [], [], [], [], [], []
    for seed in range(cases):
        kind, truth, reached, got = hold_case(seed + 200_000)
        right.append(got.model == kind)
        leak.append(abs(got.leak_lpm_at_500pa / truth - 1))
        held.append(got.leak_lo95 <= truth <= got.leak_hi95)
        if kind != "mixed" and got.exponent_lo95 is not None and got.exponent_hi95 is not None:
            held_n.append(got.exponent_lo95 <= {"orifice": 0.5, "laminar": 1.0}[kind] <= got.exponent_hi95)
        if reached is not None:
            half.append(abs(got.half_time_s / reached - 1))
            half_held.append(got.half_time_lo95_s <= reached <= got.half_time_hi95_s)
    print(
        f"{'hold':<22} {len(right):5d} cases: law right {100 * np.mean(right):.1f} %; leak at 500 Pa median "
        f"error {100 * np.median(leak):.2f} %, 90th {100 * np.quantile(leak, 0.9):.2f} %, "
        f"held {100 * np.mean(held):.1f} %; half time median error {100 * np.median(half):.2f} %, "
        f"held {100 * np.mean(half_held):.1f} %; exponent held {100 * np.mean(held_n):.1f} %"
    )


def seal_case(seed: int):
    """Suspects capped in turn, some left capped; an engine that comes back to its vacuum within half a per cent."""
    rng = np.random.default_rng(seed)
    names = [f"seal {k}" for k in range(int(rng.integers(3, 7)))]
    shares = {n: float(rng.choice([0.0, 0.0, rng.uniform(0.05, 0.4)])) for n in names}
    total = sum(shares.values())
    if total > 0.9:
        shares = {n: s * 0.9 / total for n, s in shares.items()}
    area = rng.uniform(2, 12) * 1e-6
    net = CD * area * float(flux(np.array(rng.uniform(150, 900))))
    draw = choked_draw(rng, net)
    rows, capped = [], frozenset()
    plan = [frozenset()]
    for n in names:
        plan += [capped | {n}]
        if rng.uniform() < 0.3:
            capped = capped | {n}
        plan += [capped]
    u = rng.uniform(0.5, 4)
    swing = pulses(rng, rng.uniform(1, 60))
    for k, state in enumerate(plan):
        repeat = 1 + 0.0025 * rng.standard_normal()
        here = lambda v, f=repeat: f * draw(v)  # noqa: E731
        vacuum = steady(here, area * (1 - sum(shares[n] for n in state)), swing)
        rows.append(
            CappedReading(state, Reading(0.0, vacuum + u * rng.standard_normal(), u, shape_pa=swing[::8]), float(k))
        )
    return shares, seal_hunt(rows)


def report_seals(cases: int) -> None:
    held, false, families, found, large = [], 0, 0, 0, 0
    for seed in range(cases):
        shares, got = seal_case(seed + 300_000)
        wrong = False
        for s in got.seals:
            held.append(s.lo95 <= shares[s.name] <= s.hi95)
            wrong |= s.leaks and shares[s.name] == 0
            if shares[s.name] > 0.1:
                large += 1
                found += s.leaks
        families += 1
        false += wrong
    print(
        f"{'seal hunt':<22} {families:5d} cases: shares held {100 * np.mean(held):.1f} %; a tight seal "
        f"blamed in {100 * false / families:.1f} % of hunts; "
        f"seals over a tenth of the leak found {100 * found / max(large, 1):.1f} %"
    )


def blow_by_case(seed: int):
    rng = np.random.default_rng(seed)
    d, p, gas, cd = rng.uniform(1.5, 6), rng.uniform(30, 1500), rng.uniform(25, 75), rng.normal(0.61, 0.0255)
    kelvin = 273.15 + gas
    flow = cd * math.pi / 4e6 * d**2 * float(-flux(np.array(-p))) * math.sqrt(T0 / kelvin) / RHO * 60e3
    u = max(1.0, 0.01 * p)
    return flow, blow_by(d, p + u * rng.standard_normal(), 1.96 * u)


def report_blow_by(cases: int) -> None:
    error, held = [], []
    for seed in range(cases):
        flow, got = blow_by_case(seed + 400_000)
        error.append(abs(got.blow_by_lpm / flow - 1))
        held.append(got.lo95 <= flow <= got.hi95)
    print(
        f"{'blow-by':<22} {cases:5d} cases, Cd 0.61 +-0.05 and gas 25 to 75 degC unknown: median error "
        f"{100 * np.median(error):.2f} %; held {100 * np.mean(held):.1f} %"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="100 seeds instead of 1000")
    parser.add_argument("--cases", type=int)
    parser.add_argument("--only", default="")
    parser.add_argument("--from", dest="first", type=int, default=100_000, help="first seed of the series")
    options = parser.parse_args()
    cases = options.cases or (100 if options.short else 1000)
    wanted = set(filter(None, options.only.split(",")))
    report_series(wanted, cases, options.first)
    for name, make in PARTS.items():
        if not wanted or name in wanted:
            make(cases)
            sys.stdout.flush()
    return 0


PARTS = {
    "hold": report_hold,
    "seals": report_seals,
    "blow-by": report_blow_by,
}

if __name__ == "__main__":
    sys.exit(main())
