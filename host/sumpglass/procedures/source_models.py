"""How the net draw changes as the crankcase gets deeper: the families of sources that the known-opening fit tries.

`share(vacuum, nuisance, deepest, room)` is the draw at that vacuum over the draw at zero gauge pressure.

- choked: the suction goes with the absolute pressure in the crankcase, the blow-by does not. The nuisance is suction
  over net draw at zero gauge: 1 with no blow-by, 1.25 when a fifth of the suction carries blow-by.
- finite orifice: a restriction that does not choke, from a manifold not much deeper than the crankcase.
- finite linear: draw that falls (or, with a sprung valve, rises) in proportion to the vacuum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sumpglass.physics.gas import FloatArray


@dataclass(frozen=True)
class SourceModel:
    """A family with one nuisance parameter. `values` is its grid; `prior` is (mean, standard deviation) or None."""

    name: str
    values: tuple[float, ...]
    share: Callable[[FloatArray, float, float, float], FloatArray]
    prior: tuple[float, float] | None = None

    def grid(self) -> tuple[float, ...]:
        """Values of the nuisance that are tried."""
        return self.values

    def penalty(self, nuisance: float) -> float:
        """Deviance that the prior adds."""
        return 0.0 if self.prior is None else ((nuisance - self.prior[0]) / self.prior[1]) ** 2


def _choked(vacuum: FloatArray, nuisance: float, deepest: float, room: float) -> FloatArray:
    return 1.0 - nuisance * vacuum / room


def _finite_orifice(vacuum: FloatArray, nuisance: float, deepest: float, room: float) -> FloatArray:
    return np.sqrt(np.maximum(1.0 - nuisance * vacuum / deepest, 0.0))


def _finite_linear(vacuum: FloatArray, nuisance: float, deepest: float, room: float) -> FloatArray:
    return 1.0 - nuisance * vacuum / deepest


CHOKED = SourceModel("choked", (1.0, 1.15, 1.3, 1.5, 1.75, 2.1), _choked, (1.2, 0.3))
"""The prior: blow-by takes a sixth of the suction, give or take (common practice, no source)."""
FINITE_ORIFICE = SourceModel(
    "finite_orifice",
    (0.03, 0.08, 0.14, 0.2, 0.27, 0.34, 0.41, 0.48, 0.55, 0.62, 0.68, 0.74, 0.79, 0.83, 0.87, 0.9, 0.925, 0.945, 0.96, 0.972, 0.982, 0.99),
    _finite_orifice,
)
FINITE_LINEAR = SourceModel(
    "finite_linear",
    (-0.5, -0.4, -0.3, -0.22, -0.15, -0.1, -0.06, -0.03, 0.03, 0.07, 0.12, 0.18, 0.25, 0.32, 0.4, 0.48, 0.56, 0.64, 0.71, 0.78, 0.84, 0.89, 0.93, 0.96),
    _finite_linear,
)
BENT_MODELS = (FINITE_ORIFICE, FINITE_LINEAR)
