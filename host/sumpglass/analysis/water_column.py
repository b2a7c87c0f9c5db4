"""Pressure under a column of water, with its uncertainty: the reference against which a rig is calibrated.

`p = (rho_water - rho_air) g (L sin(tilt) + L a/A)`: L along the scale, a/A the area of the tube over that of the
reservoir (its level sinks while the tube's rises). A U-tube read at one limb moves by half the difference of levels,
so such a reading counts twice.

Two kinds of error are kept apart. Each reading has its own (meniscus, scale), which readings average away. All
readings of one column share others (water temperature, local gravity, tilt, area ratio, scale length): those never
average away and go into the calibration's covariance as such.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sumpglass.errors import InputError
from sumpglass.physics.earth import normal_gravity_m_s2
from sumpglass.physics.gas import air_density_kg_m3
from sumpglass.physics.water import water_density_kg_m3
from sumpglass.records import FloatArray
from sumpglass.units import STANDARD_GRAVITY_M_S2, ZERO_CELSIUS_K

COLUMN_KINDS = ("upright", "inclined", "u_tube", "u_tube_one_limb")
"""`upright`: one tube on a reservoir, or the difference of two levels read on one scale; `inclined`: along a tilted
tube; `u_tube`: difference of both limbs; `u_tube_one_limb`: the rise in one limb, which counts twice."""


@dataclass(frozen=True)
class WaterColumn:
    """Set-up of the column. All `u_` are standard uncertainties (one standard deviation)."""

    kind: str = "u_tube"
    water_c: float = 20.0
    latitude_deg: float | None = None
    """Local gravity from latitude and altitude; None takes the standard 9.80665 m/s2 with 0.2 % for not knowing."""
    altitude_m: float = 0.0
    tilt_deg: float = 90.0
    """Of the tube from the horizontal; only `inclined` uses it."""
    area_ratio: float = 0.0
    """Tube over reservoir; 0 for a wide reservoir or a U-tube."""
    room_kpa: float = 101.325
    density_kg_m3: float | None = None
    """Of another gauge liquid, at its temperature; None for clean water."""
    u_reading_mm: float = 0.5
    u_water_c: float = 1.0
    u_tilt_deg: float = 0.1
    u_area_ratio_relative: float = 0.05
    u_scale_relative: float = 0.0005
    u_density_relative: float = 1e-4
    """Dissolved air, traces of dye or soap, hardness: an assumption for tap water."""

    def __post_init__(self) -> None:
        if self.kind not in COLUMN_KINDS:
            raise InputError(f"column {self.kind!r} is not known, expected one of {', '.join(COLUMN_KINDS)}")
        for name, value, low, high in (
            ("water temperature (degC)", self.water_c, 0.0, 45.0),
            ("latitude (deg)", 0.0 if self.latitude_deg is None else self.latitude_deg, -90.0, 90.0),
            ("altitude (m)", self.altitude_m, -500.0, 9000.0),
            ("tilt (deg)", self.tilt_deg, 2.0, 90.0),
            ("area ratio", self.area_ratio, 0.0, 1.0),
            ("room pressure (kPa)", self.room_kpa, 30.0, 120.0),
            ("liquid density (kg/m3)", 1000.0 if self.density_kg_m3 is None else self.density_kg_m3, 500.0, 3000.0),
        ):
            if not low <= value <= high:
                raise InputError(f"{name} is {value:g}, expected {low:g} to {high:g}")
        for name in ("u_reading_mm", "u_water_c", "u_tilt_deg", "u_area_ratio_relative", "u_scale_relative"):
            if not getattr(self, name) >= 0:
                raise InputError(f"{name} is {getattr(self, name):g}, expected zero or more")

    @property
    def gravity_m_s2(self) -> float:
        """Normal gravity at the latitude and altitude (WGS 84), or the standard value."""
        if self.latitude_deg is None:
            return STANDARD_GRAVITY_M_S2
        return float(normal_gravity_m_s2(self.latitude_deg, self.altitude_m))

    @property
    def u_gravity_relative(self) -> float:
        """Local anomalies stay below 0.01 %; not knowing the latitude leaves 9.780 to 9.832, 0.15 % as a deviation."""
        return 1.5e-3 if self.latitude_deg is None else 1e-4

    @property
    def pascals_per_mm(self) -> float:
        """Pascals for one millimetre read on the scale."""
        liquid = float(water_density_kg_m3(self.water_c)) if self.density_kg_m3 is None else self.density_kg_m3
        air = float(air_density_kg_m3(self.room_kpa * 1000.0, self.water_c + ZERO_CELSIUS_K))
        slope = math.sin(math.radians(self.tilt_deg)) if self.kind == "inclined" else 1.0
        times = 2.0 if self.kind == "u_tube_one_limb" else 1.0
        return (liquid - air) * self.gravity_m_s2 * times * (slope + self.area_ratio) / 1000.0

    def relative_parts(self) -> dict[str, float]:
        """Standard uncertainties that all readings share, each relative to the pressure, by name."""
        parts = {
            "gravity": self.u_gravity_relative,
            "scale length": self.u_scale_relative,
            "liquid": self.u_density_relative,
        }
        if self.density_kg_m3 is None:
            # By differences rather than a formula for the expansion: it changes sign at 4 degC.
            low, high = (
                float(water_density_kg_m3(min(45.0, max(0.0, self.water_c + step))))
                for step in (-self.u_water_c, self.u_water_c)
            )
            parts["water temperature"] = abs(high - low) / (high + low)
        if self.kind == "inclined":
            tilted = replace(self, tilt_deg=min(90.0, self.tilt_deg + 0.01)).pascals_per_mm
            back = replace(self, tilt_deg=max(2.0, self.tilt_deg - 0.01)).pascals_per_mm
            step = min(90.0, self.tilt_deg + 0.01) - max(2.0, self.tilt_deg - 0.01)
            parts["tilt"] = abs(tilted - back) / step / self.pascals_per_mm * self.u_tilt_deg
        if self.area_ratio:
            slope = math.sin(math.radians(self.tilt_deg)) if self.kind == "inclined" else 1.0
            parts["area ratio"] = self.area_ratio * self.u_area_ratio_relative / (slope + self.area_ratio)
        return parts


def column_pascals(column: WaterColumn, reading_mm: npt.ArrayLike) -> FloatArray:
    """Pressure, Pa, for readings along the scale in mm (negative for vacuum), same shape."""
    return np.asarray(reading_mm, dtype=np.float64) * column.pascals_per_mm


def column_covariance(column: WaterColumn, reading_mm: npt.ArrayLike) -> FloatArray:
    """Full covariance (n, n), Pa2, of n pressures under one column: each reading's own, and what all share."""
    pressure = np.atleast_1d(column_pascals(column, reading_mm))
    own = np.full(pressure.shape, (column.u_reading_mm * column.pascals_per_mm) ** 2)
    shared = sum(part**2 for part in column.relative_parts().values())
    return np.diag(own) + shared * np.outer(pressure, pressure)
