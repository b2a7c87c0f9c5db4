"""Readings with known openings made ready to fit: how much flux each asks for, and how far a model is from them.

Balance at each reading: Cd (A + A_k) flux(dp_k) = m0 g(dp_k), A the leak in units of bore area, A_k the known opening,
m0 the net draw at zero gauge pressure, g how the draw changes as the crankcase gets deeper (`source_models`). Under a
choked suction g is almost 1, so that 1/sqrt(dp) is a straight line in A_k; under a finite source it bends.

Likelihood of the readings in the vacuum itself (not in 1/sqrt(dp), where a small reading's error is skewed); a censored
reading ("deeper than") counts as what it is. References: Bates and Watts, Nonlinear Regression Analysis and Its
Applications (1988), chapter 6; Tobin, Econometrica 26 (1958) 24, for the censored likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sumpglass.procedures.bores import SET_BORE_U95_MM
from sumpglass.procedures.openings import (
    OPENING_CD,
    ZERO_DRIFT_PA_S,
    ZERO_STEADY_S,
    Reading,
    Room,
    mean_flows_kg_s_m2,
    outflow_factor,
)
from sumpglass.procedures.source_models import BENT_MODELS
from sumpglass.records import FloatArray

CHI2_95 = 3.841458820694124
MM2 = 1e-6
SMALLEST_MM2, LARGEST_MM2 = 1e-3, 3e3
TABLE = 500
"""Points of a table of flows by vacuum."""


class LeakProblem:
    """Readings made ready to fit: flux tables, whitened residuals. `zero_u_pa` is shared by all readings."""

    def __init__(
        self,
        readings: Sequence[Reading],
        room: Room,
        zero_u_pa: float = 0.0,
        cd: float = OPENING_CD,
        bore_u95_mm: float = SET_BORE_U95_MM,
        like: LeakProblem | None = None,
    ) -> None:
        """`like`: one whose tables of flows hold here too if only the errors or the gas that flows out differ."""
        self.room, self.cd, self.zero_u_pa = room, cd, zero_u_pa
        self.exact = [r for r in readings if r.vacuum_pa is not None]
        self.censored = [r for r in readings if r.vacuum_pa is None]
        self.readings = [*self.exact, *self.censored]
        self.known_mm2 = np.array([r.area_mm2 for r in self.readings])
        self.vacuum_pa = np.array([r.vacuum_pa for r in self.exact], dtype=float)
        self.u_pa = np.array([r.u_pa for r in self.exact], dtype=float)
        self.limit_pa = np.array([r.deeper_than_pa for r in self.censored], dtype=float)
        self.limit_u_pa = np.array([max(r.u_pa, 0.002 * abs(r.deeper_than_pa or 0.0), 0.5) for r in self.censored])
        self.deepest_pa = float(max([*self.vacuum_pa, *self.limit_pa]))
        self.bore_u_mm = bore_u95_mm / 1.96
        self.shared_pa = np.zeros((len(self.exact), max((len(r.shared_pa) for r in self.exact), default=0)))
        for row, reading in zip(self.shared_pa, self.exact):
            row[: len(reading.shared_pa)] = reading.shared_pa
        self.drift_pa2 = _drift_pa2(np.array([r.zero_age_s for r in self.exact]))
        self.flows: list[tuple[FloatArray, FloatArray, FloatArray]]
        if like is not None and self._flows_alike(like):
            self.flows = like.flows
        else:
            self.flows = [self._flow_table(r) for r in self.readings]
        outward = outflow_factor(room)
        self.tables = [(vacuum, inflow - outward * outflow) for vacuum, inflow, outflow in self.flows]
        self.leak_mm2: float | None = None
        self._whiteners: dict[float, FloatArray] = {}

    def differs_in_errors_alone(self, other: LeakProblem) -> bool:
        """Are these the same readings, pulses and room?"""
        return self.room == other.room and self.cd == other.cd and self._flows_alike(other)

    def _flows_alike(self, other: LeakProblem) -> bool:
        """Are these the same readings and pulses in the same air, whatever the gas that flows out?"""
        return (
            replace(self.room, gas_k=None) == replace(other.room, gas_k=None)
            and len(self.readings) == len(other.readings)
            and all(a.shape_pa is b.shape_pa and a.opening_mm == b.opening_mm and a.vacuum_pa == b.vacuum_pa
                    for a, b in zip(self.readings, other.readings))
        )  # fmt: skip

    def _flow_table(self, reading: Reading) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Vacua with the mean flux inward and outward at each, all at the room's temperature."""
        swing = float(np.abs(reading.shape_pa).max())
        most = min(0.85 * self.room.pressure_pa, 6.0 * self.deepest_pa + 2.0 * swing + 2000.0)
        root = np.linspace(0.0, np.sqrt(most), TABLE)
        vacuum = root**2
        return vacuum, *mean_flows_kg_s_m2(vacuum, reading.shape_pa, replace(self.room, gas_k=None))

    def whitener(self, roughness: float = 0.0) -> FloatArray:
        """What makes the residuals of readings that are not censored independent and of unit variance, under a source
        whose draw is known to `roughness` (`SourceModel`)."""
        if roughness not in self._whiteners:
            covariance = self._covariance(self.leak_mm2)
            if roughness > 0:
                # The vacuum goes with the square of the draw, which wanders from its family's as the vacuum deepens.
                vacuum = np.maximum(self.vacuum_pa, 0.0)
                together = np.minimum(vacuum[:, None], vacuum) / self.deepest_pa
                covariance = covariance + 4.0 * roughness**2 * together * vacuum[:, None] * vacuum
            self._whiteners[roughness] = np.linalg.inv(np.linalg.cholesky(covariance))
        return self._whiteners[roughness]

    def log_size(self, roughness: float = 0.0) -> float:
        """Logarithm of the density at the peak of the readings' errors, but for a constant."""
        return float(np.log(np.diag(self.whitener(roughness))).sum())

    def _covariance(self, leak_mm2: float | None) -> FloatArray:
        variance = self.u_pa**2
        if leak_mm2 is not None:
            # dp goes with (A + A_k)**-2 and A_k with the square of the bore.
            n = len(self.exact)
            bores = np.array([r.opening_mm for r in self.exact])
            share = np.pi / 2.0 * bores * self.bore_u_mm / np.maximum(leak_mm2 + self.known_mm2[:n], 1e-9)
            variance = variance + (2.0 * np.maximum(self.vacuum_pa, self.u_pa) * share) ** 2
        shared = np.einsum("ik,jk->ij", self.shared_pa, self.shared_pa)
        return np.diag(variance) + shared + self.drift_pa2 + self.zero_u_pa**2

    def reading_u_pa(self, leak_mm2: float) -> FloatArray:
        """Standard uncertainties of the readings that are not censored, with bores and zero, at about this leak."""
        return np.sqrt(np.diag(self._covariance(leak_mm2)))

    def count_bores(self, leak_mm2: float) -> None:
        """Add to the covariance what uncertain bores do to the readings, at a leak of about this size."""
        self.leak_mm2 = leak_mm2
        self._whiteners = {}

    def residuals(self, vacuum: FloatArray, slope: FloatArray, roughness: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Standardised residuals (m, n) of modelled vacua, and their slopes, under sources of these roughnesses (m,);
        censored readings give root deviances."""
        n = len(self.exact)
        off, steep = vacuum[:, :n] - self.vacuum_pa, slope[:, :n]
        smooth = self.whitener().T
        r, j = off @ smooth, steep @ smooth
        for rough in {model.roughness for model in BENT_MODELS} - {0.0}:
            rows = np.flatnonzero(roughness == rough)
            if len(rows):
                r[rows], j[rows] = off[rows] @ self.whitener(rough).T, steep[rows] @ self.whitener(rough).T
        if not self.censored:
            return r, j
        from scipy.special import log_ndtr

        u_pa = np.hypot(self.limit_u_pa, 2.0 * roughness[:, None] * self.limit_pa)
        z = (vacuum[:, n:] - self.limit_pa) / u_pa
        log_p = log_ndtr(z)
        root = np.sqrt(np.maximum(-2.0 * log_p, 1e-30))
        hazard = np.exp(-0.5 * z**2 - log_p) / np.sqrt(2.0 * np.pi)
        censored_slope = -hazard / np.maximum(root, 1e-12) * slope[:, n:] / u_pa
        return np.concatenate([r, root], axis=-1), np.concatenate([j, censored_slope], axis=-1)


def _drift_pa2(age_s: FloatArray) -> FloatArray:
    """Covariance (n, n) of what the zero has run away by at these ages: a steady rate and a random walk."""
    one, two = age_s[:, None], age_s[None, :]
    walk = np.where(one * two > 0, np.minimum(np.abs(one), np.abs(two)), 0.0)
    return ZERO_DRIFT_PA_S**2 * (one * two + ZERO_STEADY_S * walk)
