"""How the net draw changes as the crankcase gets deeper: the families of sources that the known-opening fit tries.

`share(vacuum, nuisance, deepest, room)` is the draw at that vacuum over the draw at zero gauge pressure.

- choked: the suction goes with the absolute pressure in the crankcase, the blow-by does not. The nuisance is suction
  over net draw at zero gauge: 1 with no blow-by, 1.25 when a fifth of the suction carries blow-by.
- finite: the draw ends at some depth of vacuum and falls towards it as a power of what is left: 0.5 a restriction that
  does not choke, 1 one with laminar flow, 0.75 a restriction with blow-by, 0.33 one whose sprung valve gives way at
  first. The linear family also holds a draw that rises with the vacuum. The nuisance is the deepest reading over that
  depth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray


@dataclass(frozen=True)
class SourceModel:
    """A family with one nuisance parameter. `values` is its grid; `prior` is (mean, standard deviation) or None."""

    name: str
    values: tuple[float, ...]
    share: Callable[[FloatArray, float, float, float], FloatArray]
    prior: tuple[float, float] | None = None

    def penalty(self, nuisance: float) -> float:
        """Deviance that the prior adds."""
        return 0.0 if self.prior is None else ((nuisance - self.prior[0]) / self.prior[1]) ** 2


def _choked(vacuum: FloatArray, nuisance: float, deepest: float, room: float) -> FloatArray:
    return 1.0 - nuisance * vacuum / room


def _falling(power: float) -> Callable[[FloatArray, float, float, float], FloatArray]:
    def share(vacuum: FloatArray, nuisance: float, deepest: float, room: float) -> FloatArray:
        return np.maximum(1.0 - nuisance * vacuum / deepest, 0.0) ** power

    return share


CHOKED = SourceModel("choked", (1.0, 1.15, 1.3, 1.5, 1.75, 2.1), _choked, (1.2, 0.3))
"""The prior: blow-by takes a sixth of the suction, give or take (common practice, no source)."""
_FALLING = (
    0.04,
    0.1,
    0.17,
    0.25,
    0.33,
    0.41,
    0.49,
    0.57,
    0.64,
    0.7,
    0.76,
    0.81,
    0.85,
    0.89,
    0.92,
    0.945,
    0.965,
    0.98,
    0.99,
)
_RISING = (-0.5, -0.4, -0.3, -0.22, -0.15, -0.1, -0.06, -0.03)
FINITE_VALVE = SourceModel("finite_valve", _FALLING, _falling(0.33))
FINITE_ORIFICE = SourceModel("finite_orifice", _FALLING, _falling(0.5))
FINITE_MIXED = SourceModel("finite_mixed", _FALLING, _falling(0.75))
FINITE_LINEAR = SourceModel("finite_linear", _RISING + _FALLING, _falling(1.0))
BENT_MODELS = (FINITE_VALVE, FINITE_ORIFICE, FINITE_MIXED, FINITE_LINEAR)
