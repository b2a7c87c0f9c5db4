"""What `size-leak` made of many series whose leak and net draw are known, and the line that tells it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from sumpglass.procedures.leak_size import LeakSize

CD, CD_U95 = 0.61, 0.05
LPM = 101325.0 / 287.055 / 293.15 / 60e3
"""Mass flow in kg/s of a litre a minute at 20 degC and 101325 Pa."""


@dataclass
class LeakFigures:
    """Each list holds one figure a case. `bent`: whether it was called so, None where nothing is told of it."""

    leak: list[float] = field(default_factory=list)
    draw: list[float] = field(default_factory=list)
    draw_at_cd: list[float] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    leak_held: list[bool] = field(default_factory=list)
    draw_held: list[bool] = field(default_factory=list)
    draw_at_cd_held: list[bool] = field(default_factory=list)
    bent: list[bool | None] = field(default_factory=list)
    failed: int = 0

    def add(self, seed: int, area_mm2: float, net_kg_s: float, got: LeakSize) -> None:
        """One case: the openings' true Cd is drawn; leak and known openings share it, the draw goes with it."""
        cd = float(np.random.default_rng(seed + 500_000).normal(CD, CD_U95 / 1.96))
        at_cd_lpm = net_kg_s / LPM
        net_lpm = at_cd_lpm * cd / CD
        high = got.hi95_mm2 or math.inf
        self.leak.append(abs(math.sqrt(got.area_mm2 / area_mm2) - 1))
        self.draw.append(abs(got.net_draw_lpm / net_lpm - 1))
        self.draw_at_cd.append(abs(got.net_draw_lpm / at_cd_lpm - 1))
        self.width.append((high - got.lo95_mm2) / 2 / area_mm2)
        self.leak_held.append(got.lo95_mm2 <= area_mm2 <= high)
        self.draw_held.append(got.net_draw_lo95 <= net_lpm <= (got.net_draw_hi95 or math.inf))
        self.draw_at_cd_held.append(got.net_draw_at_cd_lo95 <= at_cd_lpm <= (got.net_draw_at_cd_hi95 or math.inf))
        self.bent.append(got.bent)

    def joined(self, other: LeakFigures) -> LeakFigures:
        """Both together."""
        lists = {name: [*mine, *getattr(other, name)] for name, mine in vars(self).items() if isinstance(mine, list)}
        return LeakFigures(**lists, failed=self.failed + other.failed)

    def line(self, name: str) -> str:
        """All of it in a line."""
        known = [bent for bent in self.bent if bent is not None]
        parts = (
            f"{name:<22} {len(self.leak):5d} cases, {self.failed} failed: leak (mm) {_error(self.leak)}, 90th "
            f"{100 * np.quantile(self.leak, 0.9):.1f} %; {_held(self.leak_held)}",
            f"half-width (area) median {100 * np.median(self.width):.1f} %",
            f"draw {_error(self.draw)}, {_held(self.draw_held)}",
            f"draw, Cd known: {_error(self.draw_at_cd)}, {_held(self.draw_at_cd_held)}",
            f"called bent {100 * np.mean(known):.1f} %",
        )
        return "; ".join(parts)


def _error(errors: list[float]) -> str:
    return f"median error {100 * np.median(errors):.2f} %"


def _held(held: list[bool]) -> str:
    return f"held {100 * np.mean(held):.1f} %"


def figures_of(make: Callable[[int], tuple[float, float, LeakSize]], seeds: range) -> LeakFigures:
    """`make` gives (leak mm2, net draw kg/s, what was told) for a seed; a failure is printed, counted and left out."""
    found = LeakFigures()
    for seed in seeds:
        try:
            area, net, got = make(seed)
        except Exception as error:  # noqa: BLE001 - a bench counts failures and goes on
            found.failed += 1
            print(f"  seed {seed}: {error}")
            continue
        found.add(seed, area, net, got)
    return found
