"""Hold tests made by integrating mass and state of the gas, for judging the intervals of the decay.

The mass of gas in a closed volume is integrated by a general solver: dm/dt = what leaks in, p = m R T(t)/V, with an
orifice by its isentropic flow, a capillary by its pressure drop, and a gas that may warm or cool meanwhile. Truths are
read off that solution, not off any law of decay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from interval_noise import KINDS, readings

from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.hold_result import Hold
from sumpglass.records import Recording, Zero

P0, T0, R, K = 101325.0, 293.15, 287.055, 1.4
RHO = P0 / R / T0
CD, CD_U = 0.61, 0.05 / 1.96
WARMING_K_MIN = (0.003, 0.025)
"""How fast, standard deviation drawn within these for each test, the gas still warms or cools after waiting."""

Row = tuple[str, float, float | None, float | None, float]
"""(interval, truth, lo95, hi95, what the program says)."""


def leak_in_kg_s(vacuum_pa: float, area_m2: float, capillary: float) -> float:
    """Isentropic orifice (Saint-Venant and Wantzel) and a capillary of `capillary` kg/s/Pa, into a vacuum."""
    up = max(vacuum_pa, 0.0)
    ratio = 1.0 - up / P0
    speed2 = 2.0 * K / (K - 1.0) * R * T0 * (1.0 - ratio ** ((K - 1.0) / K))
    return area_m2 * RHO * ratio ** (1.0 / K) * math.sqrt(max(speed2, 0.0)) + capillary * up


@dataclass
class Vessel:
    """A closed crankcase and its leak."""

    volume_m3: float
    area_m2: float
    capillary: float
    kelvin_s: float = 0.0

    def decay(self, start_pa: float, t_s: np.ndarray) -> np.ndarray:
        """Vacuum (n,) at `t_s`, from `start_pa` at 0."""
        from scipy.integrate import solve_ivp

        def rate(t: float, m: np.ndarray) -> list[float]:
            p = m[0] * R * (T0 + self.kelvin_s * t) / self.volume_m3
            return [leak_in_kg_s(P0 - p, self.area_m2, self.capillary)]

        m0 = (P0 - start_pa) * self.volume_m3 / R / T0
        got = solve_ivp(rate, (0.0, float(t_s[-1])), [m0], "LSODA", t_s, rtol=1e-9, atol=1e-12 * m0)
        return P0 - got.y[0] * R * (T0 + self.kelvin_s * t_s) / self.volume_m3

    def half_time_s(self, start_pa: float) -> float:
        """Time in which half of `start_pa` is lost, at a steady temperature."""
        from scipy.integrate import solve_ivp

        per_kg = R * T0 / self.volume_m3

        def rate(_: float, vacuum: np.ndarray) -> list[float]:
            return [-leak_in_kg_s(vacuum[0], self.area_m2, self.capillary) * per_kg]

        def halved(_: float, vacuum: np.ndarray) -> float:
            return float(vacuum[0] - start_pa / 2.0)

        halved.terminal = True  # type: ignore[attr-defined]
        got = solve_ivp(rate, (0.0, 1e5), [start_pa], "LSODA", events=halved, rtol=1e-9, atol=1e-7)
        return float(got.t_events[0][0])

    @property
    def at_500_kg_s(self) -> float:
        return leak_in_kg_s(500.0, self.area_m2, self.capillary)


def drawn_vessel(rng: np.random.Generator, kind: str, start_pa: float, half_s: float) -> Vessel:
    """One that loses about half of `start_pa` in `half_s`."""
    volume = rng.uniform(3e-3, 12e-3)
    share = {"orifice": 1.0, "laminar": 0.0, "mixed": rng.uniform(0.3, 0.7)}[kind]
    first = volume / (R * T0) * start_pa / half_s * (0.59 * share + 0.69 * (1.0 - share))
    area = first * share / leak_in_kg_s(start_pa, 1.0, 0.0)
    return Vessel(volume, area, first * (1.0 - share) / start_pa)


def recorded(
    rng: np.random.Generator, vessel: Vessel, start_pa: float, length_s: float, noise: str, zero_pa: float
) -> Recording:
    """The recording of a hold: some begin before the pump, some open the hose at the end, some bring a zero along."""
    rate = float(rng.choice([20.0, 50.0, 200.0]))
    falling = vessel.decay(start_pa, np.arange(int(rate * length_s)) / rate)
    way = int(rng.integers(3))
    before = np.zeros(0)
    if way == 0:
        before = np.concatenate([np.zeros(int(3 * rate)), np.linspace(0, start_pa, int(rng.uniform(1, 4) * rate))])
    after = np.zeros(int(3 * rate)) if way == 1 else np.zeros(0)
    true = -np.concatenate([before, falling, after])
    shown = readings(rng, noise, true, rate) + zero_pa
    zero = Zero(zero_pa + rng.normal(0, 0.5), 1.0) if way == 2 else None
    return Recording(np.arange(len(shown)) / rate, shown, rate_hz=rate, zero=zero)


def hold_rows(seed: int, kind: str, warming: bool = False) -> list[Row]:
    """A hold with a volume that is told within 10 %; `warming`: the gas runs about as fast as is called steady."""
    rng = np.random.default_rng((31, seed))
    start, half_s = rng.uniform(1000, 2500), math.exp(rng.uniform(math.log(2), math.log(40)))
    vessel = drawn_vessel(rng, kind, start, half_s)
    noise = KINDS[seed % len(KINDS)]
    size = WARMING_K_MIN[1] if warming else math.exp(rng.uniform(*np.log(WARMING_K_MIN)))
    vessel.kelvin_s = rng.normal(0.0, size) / 60.0
    recording = recorded(rng, vessel, start, half_s * rng.uniform(1.5, 5.0), noise, rng.normal(0, 5.1))
    said_l = vessel.volume_m3 * 1e3 * (1.0 + rng.normal(0, 0.05))
    got = judge_hold(recording, said_l, volume_u95_l=0.098 * said_l)
    cd = CD + CD_U * rng.standard_normal()
    return rows_of(got, vessel, start, cd, kind)


def rows_of(got: Hold, vessel: Vessel, start: float, cd: float, kind: str) -> list[Row]:
    half = vessel.half_time_s(start)
    leak = vessel.at_500_kg_s / RHO * 60e3
    bore = math.sqrt(vessel.at_500_kg_s / math.sqrt(2.0 * RHO * 500.0) / cd / (math.pi / 4.0)) * 1e3
    rate = vessel.at_500_kg_s * R * T0 / vessel.volume_m3
    rows: list[Row] = [
        ("rate at 500 Pa", rate, got.rate_lo95, got.rate_hi95, got.rate_pa_s_at_500pa or math.nan),
        ("leak at 500 Pa", leak, got.leak_lo95, got.leak_hi95, got.leak_lpm_at_500pa or math.nan),
        ("equivalent bore", bore, got.equivalent_lo95_mm, got.equivalent_hi95_mm, got.equivalent_mm or math.nan),
    ]
    if got.half_time_s is not None:
        rows.append(("half time", half, got.half_time_lo95_s, got.half_time_hi95_s, got.half_time_s))
    if kind != "mixed" and got.exponent is not None:
        true = {"orifice": 0.5, "laminar": 1.0}[kind]
        rows.append(("exponent", true, got.exponent_lo95, got.exponent_hi95, got.exponent))
    return rows


def reference_rows(seed: int) -> list[Row]:
    """The leak against a decay of the same crankcase with a drilled plug in it."""
    rng = np.random.default_rng((32, seed))
    kind = ("orifice", "laminar", "mixed")[seed % 3]
    start, half_s = rng.uniform(1000, 2500), math.exp(rng.uniform(math.log(4), math.log(40)))
    vessel = drawn_vessel(rng, kind, start, half_s)
    noise = KINDS[seed % len(KINDS)]
    cd = CD + CD_U * rng.standard_normal()
    alone_mm = math.sqrt(vessel.at_500_kg_s / leak_in_kg_s(500.0, cd * math.pi / 4e6, 0.0))
    plug_mm = round(alone_mm * rng.uniform(0.6, 1.8), 1) or 0.5
    true_mm = plug_mm + rng.normal(0, 0.01 / 1.96)
    both = Vessel(vessel.volume_m3, vessel.area_m2 + cd * math.pi / 4e6 * true_mm**2, vessel.capillary)
    zero = rng.normal(0, 5.1)
    first = recorded(rng, vessel, start, half_s * rng.uniform(1.5, 4.0), noise, zero)
    quicker = half_s * vessel.at_500_kg_s / both.at_500_kg_s
    second = recorded(rng, both, start * rng.uniform(0.9, 1.1), quicker * rng.uniform(1.5, 4.0), noise, zero)
    got = judge_hold(first, reference=second, reference_opening_mm=plug_mm)
    return [("bore against reference", alone_mm, got.equivalent_lo95_mm, got.equivalent_hi95_mm, got.equivalent_mm)]


def tight_rows(seed: int) -> list[Row]:
    """A crankcase that hardly leaks: the bound, or the interval, has to hold the little that it does. The gas warms or
    cools as in the holds that leak, in every other pair of seeds as fast as is called steady."""
    rng = np.random.default_rng((33, seed))
    start = rng.uniform(1500, 2500)
    half_s = math.exp(rng.uniform(math.log(200), math.log(20000)))
    vessel = drawn_vessel(rng, ("orifice", "laminar")[seed % 2], start, half_s)
    size = WARMING_K_MIN[1] if seed // 2 % 2 else math.exp(rng.uniform(*np.log(WARMING_K_MIN)))
    vessel.kelvin_s = rng.normal(0.0, size) / 60.0
    recording = recorded(rng, vessel, start, rng.uniform(30, 120), KINDS[seed % len(KINDS)], rng.normal(0, 5.1))
    got = judge_hold(recording, vessel.volume_m3 * 1e3)
    leak = vessel.at_500_kg_s / RHO * 60e3
    return [("leak, tight", leak, got.leak_lo95, got.leak_hi95, got.leak_lpm_at_500pa or math.nan)]
