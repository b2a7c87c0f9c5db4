"""Calibration of a channel against a reference: a straight line with its full covariance, residuals and lack of fit.

The line is fitted with errors in both axes (York, Evensen, Lopez Martinez and De Basabe Delgado 2004, Am. J. Phys.
72, 367); with none in x it is ordinary weighted least squares. Errors that all readings of the reference share do not
pull the line: they are carried into the covariance afterwards, as the GUM (JCGM 100) carries correlated inputs.

The line maps *indicated* pressure, as the nominal transfer function gave it, to true pressure: so that a recording
made long before can be read again under a newer calibration, and an older calibration is never changed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from sumpglass.analysis.water_column import WaterColumn, column_pascals
from sumpglass.errors import InputError
from sumpglass.physics.sensor_parts import SENSOR_PARTS
from sumpglass.records import FloatArray, Recording

LACK_OF_FIT_P = 0.01
"""Below this chance of the residuals under the stated uncertainties, the straight line is said not to fit."""


@dataclass(frozen=True)
class LineFit:
    """`y = intercept + slope x` with the covariance of both."""

    intercept: float
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    """[[var(intercept), cov], [cov, var(slope)]] from the stated uncertainties, not from the scatter."""
    chi2: float
    degrees: int
    p_value: float | None
    """Chance of so great a chi2; None for two points, which leave nothing to judge by."""
    residuals: tuple[float, ...]

    @property
    def birge_ratio(self) -> float:
        """sqrt(chi2 / degrees), how many times wider the scatter is than stated; 1 with no degrees of freedom."""
        return math.sqrt(self.chi2 / self.degrees) if self.degrees > 0 else 1.0


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, u_x: npt.ArrayLike, u_y: npt.ArrayLike) -> LineFit:
    """Straight line through n points with independent standard uncertainties in both axes.

    All (n,); `u_x` may be 0. Covariance by York 2004, equations 13. Raises InputError for fewer than two distinct x.
    """
    from scipy.stats import chi2 as chi2_law

    x, y, u_x, u_y = (np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (x, y, u_x, u_y))
    u_x, u_y = np.broadcast_to(u_x, x.shape), np.broadcast_to(u_y, x.shape)
    if len(x) < 2 or np.ptp(x) == 0:
        raise InputError(f"a line needs two readings at different pressures, found {len(set(x.tolist()))}")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y)) and np.all(u_y > 0) and np.all(u_x >= 0)):
        raise InputError("a reading or an uncertainty is not a plain number above zero, check the table")
    slope = float(np.polyfit(x - x.mean(), y, 1)[0])
    for _ in range(100):
        weight = 1.0 / (u_y**2 + slope**2 * u_x**2)
        mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
        u, v = x - mean_x, y - mean_y
        beta = weight * (u * u_y**2 + slope * v * u_x**2)
        previous, slope = slope, float(np.sum(weight * beta * v) / np.sum(weight * beta * u))
        if abs(slope - previous) <= 1e-15 * abs(slope):
            break
    intercept = float(mean_y - slope * mean_x)
    residuals = y - intercept - slope * x
    adjusted = mean_x + beta
    centre = float(np.average(adjusted, weights=weight))
    var_slope = 1.0 / float(np.sum(weight * (adjusted - centre) ** 2))
    var_intercept = 1.0 / float(np.sum(weight)) + centre**2 * var_slope
    cov = -centre * var_slope
    chi2, degrees = float(np.sum(weight * residuals**2)), len(x) - 2
    p_value = float(chi2_law.sf(chi2, degrees)) if degrees else None
    return LineFit(
        intercept, slope, ((var_intercept, cov), (cov, var_slope)), chi2, degrees, p_value, tuple(residuals.tolist())
    )


def weighted_mean(values: npt.ArrayLike, u: npt.ArrayLike) -> tuple[float, float, float, int]:
    """Mean of values with standard uncertainties `u`: (mean, its standard uncertainty, chi2, degrees of freedom)."""
    values, u = np.asarray(values, dtype=np.float64), np.asarray(u, dtype=np.float64)
    weight = 1.0 / u**2
    mean = float(np.average(values, weights=weight))
    return mean, float(weight.sum() ** -0.5), float(np.sum(weight * (values - mean) ** 2)), len(values) - 1


@dataclass(frozen=True)
class CalibrationPoint:
    """One reading of the column beside what the rig showed meanwhile."""

    reading_mm: float
    indicated_pa: float
    u_indicated_pa: float
    """Standard uncertainty of the mean that the rig showed."""


@dataclass(frozen=True)
class Calibration:
    """True pressure = `offset_pa` + `gain` * indicated. Never edited: a newer one is added beside it."""

    gain: float
    offset_pa: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    """[[var(offset), cov], [cov, var(gain)]], all sources in; widened by the Birge ratio where the line misfits."""
    coverage: float
    """Factor from a standard uncertainty to the half-width of the 95 % interval."""
    low_pa: float
    high_pa: float
    """Indicated pressures between which it was taken; outside, the line is only believed."""
    chi2: float
    degrees: int
    p_value: float | None
    residuals_pa: tuple[float, ...]
    points: tuple[CalibrationPoint, ...]
    column: WaterColumn
    date: str = ""
    """ISO 8601, UTC."""
    rig: str = ""
    """The board's own name or serial, as its identity message has it."""
    part: str = ""
    channel: int = 0
    scale_pa_per_count: float | None = None
    """Nominal scale under which `indicated_pa` was read, to be told when a rig's scale has changed since."""
    warnings: tuple[str, ...] = ()

    def true_pascals(self, indicated_pa: npt.ArrayLike) -> Any:
        """Calibrated gauge pressure, Pa, shape of `indicated_pa`."""
        return self.offset_pa + self.gain * np.asarray(indicated_pa, dtype=np.float64)

    def u_pascals(self, indicated_pa: npt.ArrayLike) -> Any:
        """Standard uncertainty of the line there, Pa: grows away from where it was taken."""
        x = np.asarray(indicated_pa, dtype=np.float64)
        (vo, c), (_, vg) = self.covariance
        return np.sqrt(np.maximum(vo + 2.0 * c * x + vg * x * x, 0.0))


def calibrate(points: Sequence[CalibrationPoint], column: WaterColumn, **about: Any) -> Calibration:
    """Fit a calibration to two or more points; `about` fills `date`, `rig`, `part`, `channel`, `scale_pa_per_count`.

    Raises InputError when the points cannot carry a line.
    """
    from scipy.stats import t as student

    x = np.array([p.indicated_pa for p in points])
    u_x = np.array([p.u_indicated_pa for p in points])
    mm = np.array([p.reading_mm for p in points])
    y = column_pascals(column, mm)
    u_y = np.full(y.shape, max(column.u_reading_mm, 1e-6) * column.pascals_per_mm)
    fit = fit_line(x, y, u_x, u_y)
    if not 0.2 < abs(fit.slope) < 5.0:
        raise InputError(
            f"the rig shows {1 / fit.slope if fit.slope else math.inf:.2f} times the column's pressure: check the unit "
            "of the readings, the kind of column and the part named in the settings"
        )
    warnings: list[str] = []
    if fit.slope < 0:
        warnings.append(
            "the slope is negative: the hose is on the sensor's other port, or the heights have the wrong sign"
        )
    stretch, coverage = 1.0, 1.959964
    if fit.p_value is not None and fit.p_value < LACK_OF_FIT_P:
        stretch, coverage = max(1.0, fit.birge_ratio), float(student.ppf(0.975, fit.degrees))
        warnings.append(
            f"the points lie off a straight line by {fit.birge_ratio:.1f} times their stated uncertainty "
            f"(chance {fit.p_value:.1g}): a wrong reading, or a sensor that bends; the interval was widened"
        )
    if fit.p_value is None:
        warnings.append("two points leave nothing to judge the fit by: take a third, best in the middle")
    covariance = stretch**2 * np.array(fit.covariance) + _shared_covariance(fit, column)
    return Calibration(
        gain=fit.slope, offset_pa=fit.intercept, covariance=_pairs(covariance), coverage=coverage,
        low_pa=float(x.min()), high_pa=float(x.max()), chi2=fit.chi2, degrees=fit.degrees, p_value=fit.p_value,
        residuals_pa=fit.residuals, points=tuple(points), column=column, warnings=tuple(warnings), **about,
    )  # fmt: skip


def _shared_covariance(fit: LineFit, column: WaterColumn) -> FloatArray:
    """What all readings of one column share is relative to the pressure: it scales offset and gain together."""
    shared = sum(part**2 for part in column.relative_parts().values())
    line = np.array([fit.intercept, fit.slope])
    return shared * np.outer(line, line)


def _pairs(matrix: FloatArray) -> tuple[tuple[float, float], tuple[float, float]]:
    return (float(matrix[0, 0]), float(matrix[0, 1])), (float(matrix[1, 0]), float(matrix[1, 1]))


def apply_calibration(recording: Recording, calibration: Calibration) -> Recording:
    """The same recording read under `calibration`; the given one is left as it was.

    `pressure_pa` must still be the nominal reading: see `Recording.warnings` for what was applied. The zero, least,
    greatest and mean square of decimated bins move along. Sensor facts take the calibration's uncertainty.
    """
    gain, offset = calibration.gain, calibration.offset_pa
    low, high, square = recording.pressure_low_pa, recording.pressure_high_pa, recording.mean_square_pa2
    if low is not None and high is not None:
        low, high = gain * low + offset, gain * high + offset
        low, high = np.minimum(low, high), np.maximum(low, high)
    if square is not None:
        square = (
            gain**2 * square + 2.0 * gain * offset * np.asarray(recording.pressure_pa, dtype=np.float64) + offset**2
        )
    zero = recording.zero
    if zero is not None:
        zero = replace(
            zero, pressure_pa=float(calibration.true_pascals(zero.pressure_pa)), u95_pa=abs(gain) * zero.u95_pa
        )
    facts = recording.sensor
    ends = [
        None if end is None else float(calibration.true_pascals(end))
        for end in (facts.range_low_pa, facts.range_high_pa)
    ]
    facts = replace(
        facts, range_low_pa=ends[0], range_high_pa=ends[1],
        resolution_pa=None if facts.resolution_pa is None else abs(gain) * facts.resolution_pa,
        gain_relative_u95=calibration.coverage * math.sqrt(calibration.covariance[1][1]) / abs(gain),
        offset_u95_pa=_offset_u95_pa(recording, calibration),
    )  # fmt: skip
    warnings = (*recording.warnings, f"read under the calibration of {calibration.date or 'unknown date'}")
    slack = 0.1 * (calibration.high_pa - calibration.low_pa)
    shown = np.asarray(recording.pressure_pa)
    shown = shown[np.isfinite(shown)]
    if len(shown) and (shown.min() < calibration.low_pa - slack or shown.max() > calibration.high_pa + slack):
        warnings += ("the recording goes beyond the pressures at which the rig was calibrated",)
    return replace(
        recording, pressure_pa=np.asarray(calibration.true_pascals(recording.pressure_pa)), pressure_low_pa=low,
        pressure_high_pa=high, mean_square_pa2=square, zero=zero, sensor=facts, warnings=warnings,
    )  # fmt: skip


def _offset_u95_pa(recording: Recording, calibration: Calibration) -> float:
    """Of the offset after calibration: that of the line at zero, and the wander of the part since then."""
    known = SENSOR_PARTS.get(recording.sensor.part)
    drift_pa = known.zero_drift_pa if known else recording.sensor.offset_u95_pa / 2.0
    own_pa = calibration.coverage * float(calibration.u_pascals(0.0))
    return min(recording.sensor.offset_u95_pa, math.hypot(own_pa, drift_pa))


def calibration_fields(calibration: Calibration) -> dict[str, Any]:
    """Plain values for JSON and the casebook; `calibration_from_fields` reads them back."""
    return asdict(calibration)


def calibration_from_fields(fields: dict[str, Any]) -> Calibration:
    """The inverse of `calibration_fields`. Raises InputError when fields are missing or of the wrong kind."""
    try:
        known = {name: fields[name] for name in Calibration.__dataclass_fields__ if name in fields}
        known["column"] = WaterColumn(**fields["column"])
        known["points"] = tuple(CalibrationPoint(**point) for point in fields["points"])
        known["covariance"] = _pairs(np.asarray(fields["covariance"], dtype=np.float64).reshape(2, 2))
        known["residuals_pa"] = tuple(float(r) for r in fields["residuals_pa"])
        known["warnings"] = tuple(str(w) for w in fields.get("warnings", ()))
        return Calibration(**known)
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"this is not a calibration as this program writes it ({error}), expected its own JSON"
        ) from None
