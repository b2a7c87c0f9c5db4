"""Which seal leaks, and what share of the leak it carries, from readings with suspects capped in turn.

The suction is taken as choked: it falls with the absolute pressure in the crankcase, as in `source_models`. Under
such a draw the mean flux through the leaks goes inversely with their area: 1/flux is linear in what is open.
So 1/flux of every reading is a weighted linear model of which suspects are capped; a seal that is capped while another
still leaks is counted rightly, which a difference of pressures is not. Many suspects are tried: p values are Holm's
(Holm, Scandinavian Journal of Statistics 6 (1979) 65). Shares are ratios: Fieller's intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sumpglass.errors import InputError
from sumpglass.procedures.openings import Reading, Room, flux_kg_s_m2, mean_flux_kg_s_m2
from sumpglass.records import FloatArray

REPEATABILITY = 0.005
"""Relative standard uncertainty with which an idling engine comes back to the same vacuum. An assumption; repeated
readings with nothing capped take its place when they scatter more."""
CHOKED_SHARE = (1.3, 0.4)
"""Suction over net draw at zero gauge, and its standard uncertainty (common practice, no source)."""
LEVEL = 0.05


@dataclass(frozen=True)
class CappedReading:
    """A reading with the suspects `capped` stopped, at `t_s`."""

    capped: frozenset[str]
    reading: Reading
    t_s: float = 0.0


@dataclass(frozen=True)
class SealShare:
    """A suspect's part of the whole leak, with interval, chance of such a change by luck (Holm), and the call."""

    name: str
    share: float
    lo95: float
    hi95: float
    p_holm: float
    leaks: bool


@dataclass(frozen=True)
class SealHunt:
    """All suspects, the greatest share first. `unexplained` is what no suspect carries."""

    seals: tuple[SealShare, ...]
    unexplained: float
    unexplained_lo95: float
    unexplained_hi95: float
    chi2: float | None
    freedom: int
    drift_counted: bool
    warnings: tuple[str, ...]


def seal_hunt(readings: Sequence[CappedReading], room: Room | None = None) -> SealHunt:
    """Judge the readings. Raises InputError without a reading with nothing capped, or with no vacuum."""
    room = room or Room()
    names = sorted({name for r in readings for name in r.capped})
    if not names:
        raise InputError("no suspect was capped, expected marks such as `cap filler_cap`")
    if not any(not r.capped for r in readings):
        raise InputError("there is no reading with nothing capped, expected one before the first cap")
    y, u, warnings = _inverse_flux(readings, room)
    design = np.column_stack([np.ones(len(readings)), *[[-float(n in r.capped) for r in readings] for n in names]])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise InputError(
            "some suspects were only ever capped together, expected each to be capped or left in a reading of its own"
        )
    design, drift = _with_drift(design, readings, y, u)
    beta, covariance, chi2 = _weighted(design, y, u)
    freedom = len(y) - design.shape[1]
    if freedom > 0 and chi2 / freedom > 1.0:
        covariance = covariance * (chi2 / freedom)
    if drift:
        warnings.append("The readings with nothing capped drifted, so a steady drift was taken out of all of them.")
    seals = _shares(names, beta, covariance, freedom)
    order = np.ones(len(names))
    rest = beta[0] - float(order @ beta[1 : 1 + len(names)])
    contrast = np.concatenate([[1.0], -order, np.zeros(design.shape[1] - 1 - len(names))])
    lo, hi = _fieller(
        rest, beta[0], float(contrast @ covariance @ contrast), float(covariance[0, 0]), float(covariance[0] @ contrast)
    )
    if sum(not r.capped for r in readings) < 2:
        warnings.append(f"Nothing was read twice: the engine was taken to repeat within {200 * REPEATABILITY:.0f} %.")
    return SealHunt(
        tuple(sorted(seals, key=lambda s: -s.share)),
        rest / beta[0],
        lo,
        hi,
        chi2 if freedom > 0 else None,
        freedom,
        drift,
        tuple(warnings),
    )


def _inverse_flux(readings: Sequence[CappedReading], room: Room) -> tuple[FloatArray, FloatArray, list[str]]:
    values, errors, warnings = [], [], []
    for capped in readings:
        r = capped.reading
        vacuum = r.vacuum_pa if r.vacuum_pa is not None else r.deeper_than_pa
        if vacuum is None or not vacuum > 0:
            raise InputError(
                f"the reading {r.name or 'with ' + ', '.join(sorted(capped.capped))} shows no vacuum, "
                "expected one in every reading"
            )
        if r.vacuum_pa is None:
            warnings.append(
                f"With {', '.join(sorted(capped.capped)) or 'nothing'} capped the reading only says deeper "
                f"than {vacuum:.0f} Pa: its share is at least what is told."
            )
        step = max(0.5, 1e-3 * vacuum)
        low, here, high = mean_flux_kg_s_m2(np.array([vacuum - step, vacuum, vacuum + step]), r.shape_pa, room)
        if not here > 0:
            here = float(flux_kg_s_m2(np.array([vacuum]), room)[0])
        slope = (high - low) / (2.0 * step)
        u_vacuum = math.hypot(r.u_pa, REPEATABILITY * vacuum)
        # Draw left at this depth, over that at zero gauge: suction falls, blow-by does not (source_models.CHOKED).
        left = 1.0 - CHOKED_SHARE[0] * vacuum / room.pressure_pa
        values.append(left / here)
        errors.append(
            math.hypot(max(slope, 0.0) * u_vacuum * left / here**2, CHOKED_SHARE[1] * vacuum / room.pressure_pa / here)
        )
    return np.array(values), np.array(errors), warnings


def _weighted(design: FloatArray, y: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    scaled = design / u[:, None]
    covariance = np.linalg.inv(scaled.T @ scaled)
    beta = covariance @ (scaled.T @ (y / u))
    return beta, covariance, float(np.sum(((y - design @ beta) / u) ** 2))


def _with_drift(
    design: FloatArray, readings: Sequence[CappedReading], y: FloatArray, u: FloatArray
) -> tuple[FloatArray, bool]:
    """Add a column linear in time when the first and last readings with nothing capped differ beyond chance."""
    free = [i for i, r in enumerate(readings) if not r.capped]
    if len(free) < 2 or len(y) <= design.shape[1]:
        return design, False
    first, last = free[0], free[-1]
    if abs(y[last] - y[first]) <= 2.0 * math.hypot(u[first], u[last]):
        return design, False
    t = np.array([r.t_s for r in readings], dtype=float)
    if not np.ptp(t) > 0:
        t = np.arange(len(readings), dtype=float)
    return np.column_stack([design, (t - t[first]) / np.ptp(t)]), True


def _shares(names: Sequence[str], beta: FloatArray, covariance: FloatArray, freedom: int) -> list[SealShare]:
    from scipy.special import ndtr

    raw = []
    for j in range(len(names)):
        z = beta[1 + j] / math.sqrt(covariance[1 + j, 1 + j])
        raw.append(float(ndtr(-z)))
    ranked = sorted(range(len(names)), key=lambda j: raw[j])
    holm = [0.0] * len(names)
    running = 0.0
    for place, j in enumerate(ranked):
        running = max(running, min(1.0, raw[j] * (len(names) - place)))
        holm[j] = running
    shares = []
    for j, name in enumerate(names):
        k = 1 + j
        lo, hi = _fieller(beta[k], beta[0], covariance[k, k], covariance[0, 0], covariance[0, k])
        shares.append(SealShare(name, float(beta[k] / beta[0]), lo, hi, holm[j], holm[j] < LEVEL))
    return shares


def _fieller(a: float, b: float, var_a: float, var_b: float, cov: float) -> tuple[float, float]:
    """95 % interval of a/b (Fieller, Journal of the Royal Statistical Society B 16 (1954) 175); +-inf if unbounded."""
    z2 = 3.841458820694124
    qa, qb, qc = b * b - z2 * var_b, a * b - z2 * cov, a * a - z2 * var_a
    root = qb * qb - qa * qc
    if qa <= 0 or root < 0:
        return -math.inf, math.inf
    return (qb - math.sqrt(root)) / qa, (qb + math.sqrt(root)) / qa
