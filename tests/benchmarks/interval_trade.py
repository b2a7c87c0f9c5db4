"""Guided tests with samples made here, judged by the program: each interval with what is true of it.

Every reading is made of samples: pulses at an idle that hunts, one of five kinds of noise, a gain and a zero in error.
Flows are balanced by bisection over whole cycles of pulses, with the isentropic flow written by density ratio.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from bench_procedures import CD, RHO, T0, choked_draw, flux, steady
from interval_holds import CD_U, Row
from interval_noise import ENGINE_KINDS, KINDS, engine_rate_hz, readings, swung, wave_of
from pulse_maker import engine
from zero_and_calibration import NOISES

from sumpglass.analysis.calibration import calibrate
from sumpglass.analysis.water_column import WaterColumn, column_pascals
from sumpglass.analysis.zero import take_zero
from sumpglass.errors import RefusedError
from sumpglass.procedures.blow_by_flow import blow_by
from sumpglass.procedures.seal_shares import CappedReading, seal_hunt
from sumpglass.procedures.settled import level_of
from sumpglass.procedures.taken import Taken, taken_from
from sumpglass.procedures.trade_test import Figure, Verdict, find_test
from sumpglass.records import Recording, SensorFacts
from sumpglass.workflows.rig_calibrate import point_of

ZERO_U_PA, GAIN_U = 10.0 / 1.96, 0.02 / 1.96
READ_S = 10.0


class Rig:
    """A sensor with its errors, on an engine that comes back to a level within `repeats` of it."""

    def __init__(self, rng: np.random.Generator, kind: str, repeats: float) -> None:
        self.rng, self.kind, self.repeats = rng, kind, repeats
        self.rate_hz = engine_rate_hz(rng, kind)
        self.gain, self.zero_pa = 1.0 + GAIN_U * rng.standard_normal(), ZERO_U_PA * rng.standard_normal()
        self.swing_pa = math.exp(rng.uniform(math.log(3.0), math.log(150.0)))
        self.began_s = 0.0

    def read(self, name: str, level_pa: float, values: Mapping[str, Any] | None = None, wave=None) -> Taken:
        """A reading of `READ_S` at a mean of `level_pa`, as the guide takes it."""
        n = int(READ_S * self.rate_hz)
        wave = wave_of(self.rng, self.swing_pa) if wave is None else wave
        level = level_pa * (1.0 + self.repeats * self.rng.standard_normal())
        true = level + swung(self.rng, wave, n, self.rate_hz)
        shown = readings(self.rng, self.kind, true * self.gain + self.zero_pa, self.rate_hz)
        t = self.began_s + np.arange(n) / self.rate_hz
        self.began_s += 30.0
        return taken_from(name, level_of(t, shown), values or {})


_found = cache(find_test)


def judged(test: str, taken: Sequence[Taken], **given: Any) -> Verdict:
    found = _found(test)
    return found.judge(taken, found.settings(given))


def row(interval: str, truth: float, figure: Figure) -> Row:
    return interval, truth, figure.lo95, figure.hi95, math.nan if figure.value is None else figure.value


def figure_of(verdict: Verdict, name: str) -> Figure | None:
    return next((f for f in verdict.figures if f.name == name), None)


def as_driven_rows(seed: int) -> list[Row]:
    rng = np.random.default_rng((41, seed))
    rig = Rig(rng, ENGINE_KINDS[seed % 5], 0.0)
    levels = {name: rng.uniform(-400.0, 80.0) for name in ("idle", "raised", "load")}
    verdict = judged("as-driven", [rig.read(name, level) for name, level in levels.items()])
    return [row(f"level, {f.name}, Pa", levels[f.name], f) for f in verdict.figures]


def draw_rows(seed: int) -> list[Row]:
    """Levels of the tests that read one point or one state at a time: deep, shallow and none."""
    rng = np.random.default_rng((49, seed))
    rig = Rig(rng, ENGINE_KINDS[seed % 5], 0.0)
    deep, shallow = -math.exp(rng.uniform(math.log(300.0), math.log(3400.0))), rng.uniform(-200.0, 20.0)
    figures = judged("draw", [rig.read("draw", deep)]).figures
    rows = [row("draw, Pa", deep, figures[0])]
    states = {"closed": deep, "open": shallow, "closed again": deep}
    figures = judged("open-close", [rig.read(name, level) for name, level in states.items()]).figures
    rows += [row(f"open-close, {name}, Pa", states[name], f) for name, f in zip(states, figures)]
    taken = [rig.read(f"point {k}", level, {"index": k}) for k, level in enumerate((deep, shallow))]
    figures = judged("walk-path", taken, points=("manifold", "breather")).figures
    return [*rows, *(row("walk-path, Pa", level, f) for level, f in zip((deep, shallow), figures))]


def before_after_rows(seed: int) -> list[Row]:
    """Two days: one sensor, whose gain stays, two zeros, an engine that comes back within 1 to 2 %."""
    rng = np.random.default_rng((42, seed))
    rig = Rig(rng, ENGINE_KINDS[seed % 5], rng.uniform(0.01, 0.02))
    before = -math.exp(rng.uniform(math.log(100.0), math.log(2000.0)))
    after = before * rng.uniform(0.4, 1.6)
    first = rig.read("before", before)
    rig.zero_pa = ZERO_U_PA * rng.standard_normal()
    figure = figure_of(judged("before-after", [first, rig.read("after", after)]), "change_pa")
    return [] if figure is None else [row("change", after - before, figure)]


def valve_rows(seed: int) -> list[Row]:
    """Idle, idle again and cruise within minutes: an engine that comes back within 0.2 to 1 %."""
    rng = np.random.default_rng((43, seed))
    rig = Rig(rng, ENGINE_KINDS[seed % 5], rng.uniform(0.002, 0.01))
    idle = -math.exp(rng.uniform(math.log(100.0), math.log(2000.0)))
    cruise = idle * rng.uniform(0.6, 1.8)
    taken = [rig.read("idle", idle), rig.read("idle again", idle), rig.read("cruise", cruise)]
    figure = figure_of(judged("valve-response", taken), "change_pa")
    return [] if figure is None else [row("change", cruise - idle, figure)]


def blow_by_rows(seed: int) -> list[Row]:
    """A blow-by that goes out through the plug, pulses and all; gas, Cd and bore in error as they are stated."""
    rng = np.random.default_rng((44, seed))
    rig = Rig(rng, ENGINE_KINDS[seed % 5], 0.0)
    mm, gas_c = float(rng.choice([2.0, 3.0, 4.0, 5.0])), rng.uniform(40.0, 80.0)
    mean = math.exp(rng.uniform(math.log(60.0), math.log(1500.0)))
    wave = wave_of(rng, min(rig.swing_pa, 0.8 * mean))
    area = (CD + CD_U * rng.standard_normal()) * math.pi / 4e6 * (mm + rng.normal(0, 0.01 / 1.96)) ** 2
    hot = math.sqrt(T0 / (273.15 + gas_c))
    flow = float(np.mean(-flux(-(mean + wave)))) * area * hot / RHO * 60e3
    given = gas_c + rng.normal(0, 2.5) if rng.uniform() < 0.7 else None
    gas = {} if given is None else {"gas_c": given}
    if given is None:
        gas_c = 50.0 + 30.0 / 1.96 * rng.standard_normal()
        flow *= math.sqrt(T0 / (273.15 + gas_c)) / hot
    figure = figure_of(judged("blow-by", [rig.read("pressure", mean, wave=wave)], opening_mm=mm, **gas), "blow_by_lpm")
    rows = [] if figure is None else [row("guided, L/min", flow, figure)]
    u = rng.uniform(0.5, 20.0)
    steady_pa = math.exp(rng.uniform(math.log(60.0), math.log(1500.0)))
    true = float(-flux(np.array(-steady_pa))) * area * math.sqrt(T0 / (273.15 + gas_c)) / RHO * 60e3
    seen = steady_pa + u * rng.standard_normal()
    if seen > 0:
        got = blow_by(mm, seen, 1.96 * u, given)
        rows.append(("command, L/min", true, got.lo95, got.hi95, got.blow_by_lpm))
    return rows


def seal_rows(seed: int) -> list[Row]:
    """Suspects capped in turn, on an engine that comes back to its draw within 0.2 to 1 %."""
    rng = np.random.default_rng((45, seed))
    rig = Rig(rng, ENGINE_KINDS[seed % 5], 0.0)
    rig.zero_pa = rng.normal(0.0, 1.0)
    names = [f"seal {k}" for k in range(int(rng.integers(3, 7)))]
    shares = {n: float(rng.choice([0.0, 0.0, rng.uniform(0.05, 0.4)])) for n in names}
    total = max(1.0, sum(shares.values()) / 0.9)
    shares = {n: s / total for n, s in shares.items()}
    area = rng.uniform(2, 12) * 1e-6
    draw = choked_draw(rng, CD * area * float(flux(np.array(rng.uniform(200, 1500)))))
    repeats = rng.uniform(0.002, 0.01)
    wave = wave_of(rng, rig.swing_pa)
    plan = [frozenset[str]()]
    for n in names:
        plan += [frozenset({n}), frozenset()]
    taken = []
    for k, capped in enumerate(plan):
        share = 1.0 + 0.5 * repeats * rng.standard_normal()
        vacuum = steady(lambda v, f=share: f * draw(v), area * (1 - sum(shares[n] for n in capped)), wave)
        taken.append(rig.read(f"reading {k}", -vacuum, {"capped": sorted(capped)}, wave=-wave))
    verdict = judged("seal-hunt", taken, suspects=tuple(names))
    rows = [row("share, of 1", shares[n], f) for n in names if (f := figure_of(verdict, f"share {n}")) is not None]
    hunt = seal_hunt([CappedReading(frozenset(t.values["capped"]), t.as_opening(0.0), t.t0_s) for t in taken])
    rest = 1.0 - sum(shares.values())
    return [*rows, ("unexplained, of 1", rest, hunt.unexplained_lo95, hunt.unexplained_hi95, hunt.unexplained)]


def zero_rows(seed: int) -> list[Row]:
    rng = np.random.default_rng((46, seed))
    offset, rate = rng.uniform(-9, 9), float(rng.choice([50.0, 200.0, 1000.0]))
    kind = KINDS[seed % 5]
    shown = readings(rng, kind, np.full(int(10 * rate), offset), rate, centred=True)
    t = np.arange(len(shown)) / rate
    rows = []
    figure = figure_of(judged("zero", [taken_from("zero", level_of(t, shown), {})]), "zero_pa")
    if figure is not None:
        rows.append(row("guided, Pa", offset, figure))
    try:
        zero = take_zero(Recording(t, shown, rate_hz=rate, sensor=SensorFacts())).zero
        ends = zero.pressure_pa - zero.u95_pa, zero.pressure_pa + zero.u95_pa
        rows.append(("rig zero, Pa", offset, *ends, zero.pressure_pa))
    except RefusedError:
        pass
    return rows


def calibration_rows(seed: int) -> list[Row]:
    """Five to nine readings of a column, each with the rig's own reading over three seconds of noise of some kind."""
    rng = np.random.default_rng((47, seed))
    kind, tilt, mm = (("u_tube", 90.0, 140.0), ("inclined", 12.0, 250.0), ("upright", 90.0, 140.0))[seed % 3]
    column = WaterColumn(kind, water_c=16.0, latitude_deg=44.0, tilt_deg=tilt, u_tilt_deg=0.2)
    gain, offset = rng.uniform(0.9, 1.1), rng.uniform(-20, 20)
    shared = 1.0 + sum(rng.normal(0, part) for part in column.relative_parts().values())
    points = []
    for reading in np.linspace(-mm, mm, int(rng.integers(5, 10))):
        true = float(column_pascals(column, reading + rng.normal(0, column.u_reading_mm))) * shared
        noise = list(NOISES.values())[seed % 5](rng, 600, 200.0)
        shown = (true - offset) / gain + noise
        points.append(point_of(Recording(np.arange(600) / 200.0, shown, rate_hz=200.0), reading))
    got = calibrate(points, column)
    half_gain, half_offset = (got.coverage * math.sqrt(got.covariance[k][k]) for k in (1, 0))
    at = rng.uniform(-1000.0, 1000.0)
    line, half = float(got.true_pascals(at)), got.coverage * float(got.u_pascals(at))
    return [
        ("gain", gain, got.gain - half_gain, got.gain + half_gain, got.gain),
        ("offset, Pa", offset, got.offset_pa - half_offset, got.offset_pa + half_offset, got.offset_pa),
        ("line, Pa", offset + gain * at, line - half, line + half, line),
    ]


def pulse_rows(seed: int) -> list[Row]:
    """The speed that an engine hunts about, where it is told right; the bench of engine speed counts the wrong ones."""
    rng = np.random.default_rng((48, seed))
    cylinders = (1, 2, 3, 4, 6)[seed % 5]
    trace = engine(rng, cylinders, 1000.0, 12.0, even=cylinders > 1)
    t = np.arange(len(trace.pressure_pa)) / trace.rate_hz
    taken = taken_from("pulses", level_of(t, trace.pressure_pa), {}, trace=(t, trace.pressure_pa))
    verdict = judged("pulse-balance", [taken], cylinders=cylinders)
    figure = figure_of(verdict, "rpm")
    wrong = figure is None or figure.value is None or trace.rpm is None or abs(figure.value / trace.rpm - 1) > 0.01
    return [] if wrong else [row("rpm", trace.held_rpm, figure)]
