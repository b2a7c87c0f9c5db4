"""Sources of suction of many builds and tables of readings with known openings, for judging `size-leak`.

Nothing of the program is used: levels come from bisection of mean flows, and the sources are physical builds (orifices,
pockets, valves, pipes) and not the families that the program fits.

    choked      suction through an orifice into a deep manifold, less a blow-by: the straight line
    shallow     an orifice into a manifold that is not far below (compressible), less a blow-by
    pocket      two orifices in series, the pocket between them leaking a little from the room
    regulator   a membrane that shuts the suction over a band of vacuum, beside a small bypass
    sprung      a valve that its own pressure difference closes, with friction (it stands still for small changes)
    pipe        a long hose whose loss is part laminar, part turbulent, less a blow-by
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

P0, T0, R, K = 101325.0, 293.15, 287.055, 1.4
RHO, CD = P0 / R / T0, 0.61
DRILLS_MM = (6.0, 5.0, 4.5, 4.0, 3.5, 3.0, 2.5, 2.2, 2.0, 1.8, 1.5, 1.2, 1.0)
BENT = ("shallow", "pocket", "regulator", "sprung", "pipe")
Draw = Callable[[float], float]


def flow(area_m2, up_pa, down_pa, up_k: float = T0):
    """Isentropic flow from `up_pa` to `down_pa`, kg/s; the other way it is 0."""
    r = np.clip(np.asarray(down_pa, float) / up_pa, (2 / (K + 1)) ** (K / (K - 1)), 1.0)
    return area_m2 * up_pa / math.sqrt(R * up_k) * r ** (1 / K) * np.sqrt(2 * K / (K - 1) * (1 - r ** ((K - 1) / K)))


def room_flow(area_m2, vacuum):
    """Room air into a crankcase at this vacuum, or its gas out of it, kg/s."""
    v = np.asarray(vacuum, float)
    return np.where(v >= 0, flow(area_m2, P0, P0 - np.abs(v)), -flow(area_m2, P0 + np.abs(v), P0))


def crossing(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function of one number crosses zero."""
    for _ in range(48):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return 0.5 * (low + high)


def _choked(rng: np.random.Generator, deepest: float) -> Draw:
    manifold, gas = P0 - rng.uniform(52e3, 75e3), rng.uniform(T0, 350)
    blow_by = rng.uniform(0, 0.45) * float(flow(1.0, P0, manifold, gas))
    return lambda v: float(flow(1.0, P0 - v, manifold, gas)) - blow_by


def _shallow(rng: np.random.Generator, deepest: float) -> Draw:
    manifold, gas = P0 - deepest * rng.uniform(1.1, 2.5), rng.uniform(T0, 350)
    blow_by = rng.uniform(0, 0.7) * float(flow(1.0, P0 - deepest, manifold, gas))
    return lambda v: float(flow(1.0, P0 - v, manifold, gas)) * (v < P0 - manifold) - blow_by


def _pocket(rng: np.random.Generator, deepest: float) -> Draw:
    ends, first = deepest * rng.uniform(1.15, 2.5), rng.uniform(0.15, 0.5)
    drawn = float(flow(1.0, P0, P0 - ends))  # what the pocket's leak, of area 1, lets in when nothing else comes

    def draw(v: float) -> float:
        def surplus(pocket: float) -> float:
            return float(flow(1.0, P0, P0 - pocket)) + float(flow(first, P0 - v, P0 - max(pocket, v))) - drawn

        return float(flow(first, P0 - v, P0 - max(crossing(surplus, 0.0, ends), v)))

    return draw


def _regulator(rng: np.random.Generator, deepest: float) -> Draw:
    ends = deepest * rng.uniform(1.02, 1.4)
    band, bypass = ends * rng.uniform(0.35, 0.95), rng.uniform(0.0, 0.15)
    return lambda v: bypass + (1 - bypass) * min(max((ends - v) / band, 0.0), 1.0)


def _sprung(rng: np.random.Generator, deepest: float) -> Draw:
    manifold = P0 - deepest * rng.uniform(2.0, 8.0)
    half, softness = rng.uniform(0.3, 1.0) * (P0 - manifold), rng.uniform(0.1, 0.35) * (P0 - manifold)
    shut, friction = rng.uniform(0.2, 0.5), rng.uniform(0.0, 0.06) * deepest
    at = [0.0]

    def draw(v: float) -> float:
        # Friction: the valve stands anywhere within so much of where its spring would have it.
        at[0] = min(max(at[0], v - friction), v + friction)
        opened = 1 / (1 + math.exp((P0 - at[0] - manifold - half) / softness))
        return (shut + (1 - shut) * opened) * float(flow(1.0, P0 - v, manifold))

    return draw


def _pipe(rng: np.random.Generator, deepest: float) -> Draw:
    ends, laminar = deepest * rng.uniform(1.15, 2.5), rng.uniform(0.15, 0.9)
    blow_by = rng.uniform(0.0, 0.4)

    def whole(v: float) -> float:
        # ends - v = ends (laminar m + (1 - laminar) m2), m = 1 with no vacuum
        left = max(1 - v / ends, 0.0)
        turbulent = 1 - laminar
        return (math.sqrt(laminar**2 + 4 * turbulent * left) - laminar) / (2 * turbulent)

    taken = blow_by * whole(deepest)
    return lambda v: whole(v) - taken


SOURCES = {"choked": _choked, "shallow": _shallow, "pocket": _pocket, "regulator": _regulator, "sprung": _sprung,
           "pipe": _pipe}  # fmt: skip


@dataclass(frozen=True)
class Series:
    """Levels behind a series of openings. `share` is the draw at the deepest level over that at none."""

    leak_mm2: float
    net_kg_s: float
    share: float
    bores_mm: list[float]
    vacuum_pa: list[float]
    waves_pa: list[np.ndarray]

    @property
    def net_lpm(self) -> float:
        return self.net_kg_s / RHO * 60e3


def cycle(rng: np.random.Generator, rms: float, points: int = 240) -> np.ndarray:
    """Pulses over a cycle: a strong order, weaker ones at twice, at half and at three times of it."""
    if rms <= 0:
        return np.zeros(1)
    angle = np.arange(points) / points * 4 * np.pi
    parts = ((1.0, 2), (rng.uniform(0, 0.4), 4), (rng.uniform(0, 0.3), 1), (rng.uniform(0, 0.15), 6))
    wave = sum(size * np.sin(order * angle / 2 + rng.uniform(0, 6.3)) for size, order in parts)
    return (wave - wave.mean()) / wave.std() * rms


def draw_series(rng: np.random.Generator, source: str, pulses_pa: float, bore_u95_mm: float = 0.01) -> Series:
    """A leak of 0.5 to 3.5 mm, four to eight openings, the smallest at 0.5 to 6 kPa."""
    leak = math.pi / 4 * math.exp(rng.uniform(math.log(0.5), math.log(3.5))) ** 2
    deepest = math.exp(rng.uniform(math.log(500), math.log(6000)))
    bores = sorted(rng.choice(DRILLS_MM, size=int(rng.integers(4, 9)), replace=False), reverse=True)
    if rng.uniform() < 0.7:
        bores[-1] = 0.0
    true_mm = [b + rng.normal(0, bore_u95_mm / 1.96) * (b > 0) for b in bores]
    areas = [CD * 1e-6 * (leak + math.pi / 4 * b**2) for b in true_mm]
    raw = SOURCES[source](rng, deepest)
    at_deepest = raw(deepest)
    raw(0.0)
    size = float(room_flow(areas[-1], deepest)) / at_deepest
    wave = cycle(rng, pulses_pa)
    vacua, waves = [], []
    for area in areas:
        here = wave * rng.uniform(0.8, 1.25)
        vacua.append(crossing(lambda v: float(np.mean(room_flow(area, v + here))) - size * raw(v), -4000.0, 40e3))  # noqa: B023
        waves.append(here)

    net = size * raw(0.0)

    return Series(leak, net, size * raw(max(vacua)) / net, bores, vacua, waves)


@dataclass(frozen=True)
class Row:
    """One row of a table, as a person would write it."""

    opening_mm: float
    pressure_pa: float | None
    u95_pa: float
    ac_rms_pa: float
    deeper_than_pa: float | None = None


GAUGES = (
    (1.0, 0.002, 1.0),
    (2.0, 0.004, 5.0),
    (1.5, 0.003, 10.0),
    (5.0, 0.005, 25.0),
    (3.0, 0.008, 2.0),
    (0.5, 0.0015, 0.1),
)
"""Gauges: standard uncertainty in pascals, as a share of the reading, and the step that is read."""


def table(seed: int, source: str) -> tuple[Series, list[Row]]:
    """A series read off a gauge that rounds, with the uncertainty that its reader would state."""
    rng = np.random.default_rng(seed)
    floor, share, step = GAUGES[rng.integers(len(GAUGES))]
    pulses = rng.uniform(5, 250) if rng.uniform() < 0.5 else 0.0
    series = draw_series(rng, source, pulses)
    limit = float(rng.choice([1000.0, 2000.0, 3500.0])) if rng.uniform() < 0.25 else math.inf
    if sum(v < limit for v in series.vacuum_pa) < 3:
        limit = math.inf
    rows = []
    for bore, vacuum, wave in zip(series.bores_mm, series.vacuum_pa, series.waves_pa):
        u = math.hypot(floor, share * vacuum)
        seen = round((vacuum + u * rng.standard_normal()) / step) * step
        u95 = 1.96 * math.hypot(u, step / math.sqrt(12))
        if vacuum > limit:
            rows.append(Row(bore, None, u95, 0.0, -limit))
        else:
            rows.append(Row(bore, -seen, u95, float(wave.std())))
    return series, rows
