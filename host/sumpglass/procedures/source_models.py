"""How the net draw changes as the crankcase gets deeper: the families of sources that the known-opening fit tries.

`share(vacuum, nuisance, deepest, room)` is the draw at that vacuum over the draw at zero gauge pressure.

Vacuum (k,) and nuisance (r, 1) may be arrays; then so is the share (r, k).

- choked: the suction goes with the absolute pressure in the crankcase, the blow-by does not. The nuisance is suction
  over net draw at zero gauge: 1 with no blow-by, 1.25 when a fifth of the suction carries blow-by.
- finite: the draw ends at some depth of vacuum: a restriction that does not choke, with blow-by of several shares of
  the net draw, and a draw that falls in proportion to the vacuum, which is what still more blow-by comes to. The
  nuisance is the deepest reading over the depth at which the draw ends.
- knee: a draw that holds at first and gives way towards its end, 1 - x^p or its root: a regulator's membrane, a valve
  that closes late, an unchoked restriction whose valve opens meanwhile. The nuisance as in finite.
- rising: a sprung valve that opens, in proportion, as the vacuum deepens. The nuisance is negative.
- regulator: a membrane that lets all pass until it begins to shut. The nuisance as in finite.
- rough: any draw that falls or rises about in proportion and wanders from that on the way, by `roughness` at the
  deepest level and less before it (a random walk in the vacuum). It is for what no other family fits: their intervals
  would be of a source that is not there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.records import FloatArray


@dataclass(frozen=True)
class SourceModel:
    """A family with one nuisance parameter. `values` is its first grid; `prior` is (mean, standard deviation), or None
    for one that is even over the family's range; `weight` is the family's prior chance."""

    name: str
    values: tuple[float, ...]
    share: Callable[[FloatArray, FloatArray | float, float, float], FloatArray]
    prior: tuple[float, float] | None = None
    weight: float = 1.0
    range: tuple[float, float] = (0.0, 1.0)
    roughness: float = 0.0
    """Standard deviation, relative, by which the draw at the deepest level may differ from the family's."""
    steady: float = 0.0
    """Chance of a nuisance of 0, apart from the prior; it then is the first of `values`."""

    def between(self, low: float, high: float, count: int) -> tuple[float, ...]:
        """`count` values of the nuisance from low to high, closer together where the draw is about to end."""
        ends = -np.log(1.0 - np.array([low, high]))
        return tuple(float(v) for v in 1.0 - np.exp(-np.linspace(ends[0], ends[1], count)))

    def chances(self, values: FloatArray) -> FloatArray:
        """Prior chance of each of these rising values of the nuisance: density times what each stands for."""
        if len(values) == 1:
            return np.ones(1)
        if self.steady and values[0] == 0.0:
            return np.append(self.steady, (1.0 - self.steady) * replace(self, steady=0.0).chances(values[1:]))
        width = np.gradient(values)
        width[0], width[-1] = 0.5 * (values[1] - values[0]), 0.5 * (values[-1] - values[-2])
        if self.prior is None:
            return width / (self.range[1] - self.range[0])
        density = np.exp(-0.5 * ((values - self.prior[0]) / self.prior[1]) ** 2)
        return density * width / float(density @ width)

    def penalty(self, nuisance: float) -> float:
        """Deviance that the prior of a value of the nuisance adds."""
        if self.steady and nuisance == 0.0:
            return 2.0 * math.log((1.0 - self.steady) / self.steady)
        return 0.0 if self.prior is None else ((nuisance - self.prior[0]) / self.prior[1]) ** 2


def _choked(vacuum: FloatArray, nuisance: FloatArray | float, deepest: float, room: float) -> FloatArray:
    return 1.0 - nuisance * vacuum / room


def _linear(vacuum: FloatArray, nuisance: FloatArray | float, deepest: float, room: float) -> FloatArray:
    return np.maximum(1.0 - nuisance * vacuum / deepest, 0.0)


def _with_blow_by(blow_by: float) -> Callable[[FloatArray, FloatArray | float, float, float], FloatArray]:
    """A restriction that does not choke, less a blow-by of `blow_by` times the net draw: (1+b) sqrt(1 - v/D) - b,
    where the manifold's vacuum D makes the net draw end at `deepest` / nuisance."""
    ending = 1.0 - (blow_by / (1.0 + blow_by)) ** 2

    def share(vacuum: FloatArray, nuisance: FloatArray | float, deepest: float, room: float) -> FloatArray:
        left = np.maximum(1.0 - ending * nuisance * vacuum / deepest, 0.0)
        return np.maximum((1.0 + blow_by) * np.sqrt(left) - blow_by, 0.0)

    return share


def _knee(power: float, root: float) -> Callable[[FloatArray, FloatArray | float, float, float], FloatArray]:
    """(1 - x**power)**root with x the vacuum over that at which the draw ends."""

    def share(vacuum: FloatArray, nuisance: FloatArray | float, deepest: float, room: float) -> FloatArray:
        return np.maximum(1.0 - (nuisance * vacuum / deepest) ** power, 0.0) ** root

    return share


def _regulator(band: float) -> Callable[[FloatArray, FloatArray | float, float, float], FloatArray]:
    """A membrane that lets all pass and shuts over the last `band` (a share) of the vacuum at which the draw ends."""

    def share(vacuum: FloatArray, nuisance: FloatArray | float, deepest: float, room: float) -> FloatArray:
        return np.clip((1.0 - nuisance * vacuum / deepest) / band, 0.0, 1.0)

    return share


CHOKED = SourceModel(
    "choked", (0.0, 0.5, 0.7, 0.85, 1.0, 1.15, 1.3, 1.45, 1.6, 1.8, 2.1, 2.5), _choked, (1.2, 0.25), steady=0.2
)
"""The prior: a restriction of 2.0 to 2.8 mm2 draws 28 to 39 L/min of air at idle and a sound engine's blow-by is 2 to 8
of them (the layouts' healthy ranges), so that suction over net draw is 1.05 to 1.4; worn rings make it more, up to a
blow-by of half the suction. In one case of five (a judgement, no source) the draw does not fall at all: a pump, or a
choked restriction that takes its air from elsewhere."""
_FALLING = (0.02, 0.08, 0.15, 0.28, 0.41, 0.53, 0.64, 0.73, 0.81, 0.87, 0.92, 0.955, 0.98, 0.992)
_RISING = (-0.6, -0.4, -0.25, -0.12, -0.04)
BLOW_BY_SHARES = (0.0, 0.25, 0.8)
"""Blow-by over net draw of the unchoked families: readings that are precise tell them apart."""
KNEES = ((1.6, 1.0), (3.0, 1.0), (1.7, 0.5))
"""Power and root of the families with a knee."""
FINITE = tuple(
    SourceModel(f"finite_blow_by_{100 * b:.0f}", _FALLING, _with_blow_by(b), weight=0.15) for b in BLOW_BY_SHARES
)
FINITE_LINEAR = SourceModel("finite_linear", _FALLING, _linear, weight=0.18)
KNEE = tuple(SourceModel(f"knee_{p:g}_{r:g}", _FALLING, _knee(p, r), weight=0.06) for p, r in KNEES)
RISING = SourceModel("rising", _RISING, _linear, weight=0.05, range=(-0.7, 0.0))
_ROUGH_RANGE = (-0.3, 1.0)
ROUGHNESS = (0.04, 0.15)
ROUGH = tuple(
    SourceModel(
        f"rough_{100 * r:.0f}", (*_RISING[2:], *_FALLING), _linear, weight=0.03, range=_ROUGH_RANGE, roughness=r
    )
    for r in ROUGHNESS
)
BANDS = (0.4, 0.75)
"""Over so much of the vacuum at which the draw ends a membrane shuts; its own wandering stands for other shares."""
REGULATOR = tuple(
    SourceModel(f"regulator_{100 * b:.0f}", _FALLING, _regulator(b), weight=0.04, roughness=0.04) for b in BANDS
)
BENT_MODELS = (*FINITE, FINITE_LINEAR, *KNEE, RISING, *ROUGH, *REGULATOR)
"""They span what an unchoked, a linear, a regulated and a sprung source can do. A family's chance is among the bent
ones: half for restrictions that do not choke, the rest for what else there is (a judgement, no source)."""
