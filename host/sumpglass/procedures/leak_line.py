"""The straight line in 1/sqrt(dp) against the known opening: the textbook way, kept as a check beside `leak_answer`.

1/sqrt(dp_k) = b (A + A_k) with b = Cd sqrt(2 rho)/m for incompressible flow and a steady draw m: intercept over slope
is the leak. Its interval is Fieller's, since the ratio is skewed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sumpglass.physics.gas import REFERENCE_DENSITY_KG_M3
from sumpglass.procedures.openings import OPENING_CD
from sumpglass.records import FloatArray


@dataclass(frozen=True)
class WeightedLine:
    """y = intercept + slope x with standard uncertainties from the stated ones of y, not from the scatter."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    chi2: float


@dataclass(frozen=True)
class OpeningsLine:
    """Leak and draw by the straight line. `lo95_mm2`, `hi95_mm2` are Fieller's, for exact bores; inf if unbounded."""

    area_mm2: float
    u_area_mm2: float
    lo95_mm2: float
    hi95_mm2: float
    draw_kg_s: float
    u_draw_kg_s: float
    chi2: float


def weighted_line(y: FloatArray, x: FloatArray, u_y: FloatArray) -> WeightedLine:
    """Weighted least squares, x exact, centred so that no digits are lost."""
    weight = 1.0 / np.square(u_y)
    total = weight.sum()
    centre = float(weight @ x / total)
    spread = float(weight @ np.square(x - centre))
    slope = float(weight @ ((x - centre) * y) / spread)
    middle = float(weight @ y / total)
    residual = y - middle - slope * (x - centre)
    var_slope, var_middle = 1.0 / spread, 1.0 / float(total)
    return WeightedLine(
        middle - slope * centre,
        slope,
        math.sqrt(var_middle + centre**2 * var_slope),
        math.sqrt(var_slope),
        -centre * var_slope,
        float(weight @ np.square(residual)),
    )


def line_through_openings(
    openings_mm: Sequence[float],
    vacuum_pa: Sequence[float],
    u_pa: Sequence[float],
    u_bore_mm: float = 0.0,
    cd: float = OPENING_CD,
    density_kg_m3: float = REFERENCE_DENSITY_KG_M3,
) -> OpeningsLine:
    """Leak and draw from vacua (n,) with standard uncertainties, for openings (n,) of which 0 is closed."""
    bores, p, u = (np.asarray(v, dtype=float) for v in (openings_mm, vacuum_pa, u_pa))
    x = math.pi / 4.0 * bores**2
    line = weighted_line(p**-0.5, x, u / (2.0 * p**1.5))
    area = line.intercept / line.slope
    draw = cd * math.sqrt(2.0 * density_kg_m3) * 1e-6 / line.slope
    relative = (line.u_intercept / line.intercept) ** 2 + (line.u_slope / line.slope) ** 2
    relative -= 2.0 * line.covariance / (line.intercept * line.slope)
    # A bore that is off moves its point along x: as much as a shift of its y by the slope.
    bore_part, bore_draw = _bore_parts(bores, p, u, x, line, u_bore_mm)
    u_area = math.hypot(area * math.sqrt(max(relative, 0.0)), bore_part)
    lo, hi = _fieller(line)
    return OpeningsLine(area, u_area, lo, hi, draw, draw * math.hypot(line.u_slope / line.slope, bore_draw), line.chi2)


def _bore_parts(
    bores: FloatArray, p: FloatArray, u: FloatArray, x: FloatArray, line: WeightedLine, u_bore_mm: float
) -> tuple[float, float]:
    """Parts of u(A), mm2, and of the relative u(m) that uncertain bores make."""
    if u_bore_mm <= 0:
        return 0.0, 0.0
    areas, slopes = [], []
    step = 1e-5
    for i, bore in enumerate(bores):
        if bore <= 0:
            continue
        ends = []
        for moved_bore in (bore - step, bore + step):
            moved = x.copy()
            moved[i] = math.pi / 4.0 * moved_bore**2
            ends.append(weighted_line(p**-0.5, moved, u / (2.0 * p**1.5)))
        first, second = ends
        areas.append((second.intercept / second.slope - first.intercept / first.slope) / (2.0 * step) * u_bore_mm)
        slopes.append((second.slope - first.slope) / line.slope / (2.0 * step) * u_bore_mm)
    return math.sqrt(sum(a * a for a in areas)), math.sqrt(sum(s * s for s in slopes))


def _fieller(line: WeightedLine) -> tuple[float, float]:
    """95 % interval of intercept over slope (Fieller, Journal of the Royal Statistical Society B 16 (1954) 175)."""
    z2 = 3.841458820694124
    a = line.slope**2 - z2 * line.u_slope**2
    b = line.intercept * line.slope - z2 * line.covariance
    c = line.intercept**2 - z2 * line.u_intercept**2
    if a <= 0 or b * b < a * c:
        return 0.0, math.inf
    root = math.sqrt(b * b - a * c)
    return (b - root) / a, (b + root) / a
