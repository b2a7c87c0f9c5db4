"""Readings with a known opening: what one says of the flow through it, pulses included.

An opening of effective area CdA passes CdA * flux(p). When the pressure swings, the mean flow follows the mean of the
flux over the samples and not the flux at the mean pressure: the square-root error of pulsating flow metering
(ISO/TR 3313). A reading therefore carries the `shape` of its swing about its mean.

`vacuum_pa` is the size of the vacuum in the crankcase, positive below the room's pressure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from sumpglass.physics.gas import Floats
from sumpglass.physics.orifice import DISCHARGE_COEFFICIENT, DISCHARGE_COEFFICIENT_U95, mass_flow_kg_s
from sumpglass.records import FloatArray
from sumpglass.units import REFERENCE_TEMPERATURE_K, STANDARD_ATMOSPHERE_PA

OPENING_CD = DISCHARGE_COEFFICIENT
"""Discharge coefficient of the known openings, shared by all of them."""
OPENING_CD_U95 = DISCHARGE_COEFFICIENT_U95
"""Half-width of its interval."""
SWING_U95_RELATIVE = 0.05
"""Half-width, relative, of the RMS of the swing that a table states: an assumption."""


ZERO_DRIFT_PA_S = 1.5 / 60.0
"""Standard uncertainty of the rate at which a zero runs away after it was taken (an assumption; a hold allows for
about as much)."""
ZERO_STEADY_S = 30.0
"""Time over which that rate is much the same; over longer times the zero also wanders."""


@dataclass(frozen=True)
class Room:
    """The air that the openings draw."""

    pressure_pa: float = STANDARD_ATMOSPHERE_PA
    temperature_k: float = REFERENCE_TEMPERATURE_K
    gas_k: float | None = None
    """Temperature of the gas that flows out through them while the pulses are above the room; None: the room's."""


@dataclass(frozen=True)
class Reading:
    """One settled reading with one opening of bore `opening_mm` (0: closed).

    Either `vacuum_pa` with its standard uncertainty `u_pa` (independent of the other readings), or `deeper_than_pa`:
    a censored reading, with the same meaning of `u_pa` for the limit. `shape_pa` (k,) are equally likely excursions
    of the vacuum about its mean, with mean 0; [0] if it does not swing. `name` says where it is from.

    `shared_pa` (s,) are errors of the flow that its pulses drive, as mean vacuum, each one standard deviation of an
    unknown that all readings of the series share: the wave form, the hose to the sensor. `hose_shapes_pa` (h, k) are
    what the excursions would be behind each of some hoses, as likely as the next and the same for all readings of the
    series; (0, 0) where the hose is known or does not matter. `zero_age_s` is the time
    from when the zero was taken to this reading: a zero runs away, and the readings of a series run with it.
    """

    opening_mm: float
    vacuum_pa: float | None
    u_pa: float
    deeper_than_pa: float | None = None
    shape_pa: FloatArray = field(default_factory=lambda: np.zeros(1))
    name: str = ""
    shared_pa: FloatArray = field(default_factory=lambda: np.zeros(0))
    hose_shapes_pa: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    zero_age_s: float = 0.0

    @property
    def area_mm2(self) -> float:
        """Bore area of the known opening."""
        return math.pi / 4.0 * self.opening_mm**2

    @property
    def recorded(self) -> bool:
        """True for one read off samples, with its pulses in their own shape; False for one typed into a table."""
        return self.name.startswith("recorded")


def flux_kg_s_m2(vacuum_pa: Floats, room: Room) -> FloatArray:
    """Mass flow per effective area into a crankcase at this vacuum: isentropic, choked where it chokes, odd in sign.

    Below zero (pressure in the crankcase) gas flows out, at the temperature `room.gas_k`.
    """
    inside = np.maximum(room.pressure_pa - np.asarray(vacuum_pa, dtype=float), 0.0)
    return mass_flow_kg_s(1.0, room.pressure_pa, inside, room.temperature_k, room.gas_k)


def mean_flux_kg_s_m2(vacuum_pa: FloatArray, shape_pa: FloatArray, room: Room) -> FloatArray:
    """Mean of the flux at mean vacua `vacuum_pa` (n,) that swing by `shape_pa` (k,). Returns (n,)."""
    inward, outward = mean_flows_kg_s_m2(vacuum_pa, shape_pa, replace(room, gas_k=None))
    return inward - outward * outflow_factor(room)


def outflow_factor(room: Room) -> float:
    """Outflow of gas at its own temperature over that at the room's."""
    return 1.0 if room.gas_k is None else math.sqrt(room.temperature_k / room.gas_k)


def mean_flows_kg_s_m2(vacuum_pa: FloatArray, shape_pa: FloatArray, room: Room) -> tuple[FloatArray, FloatArray]:
    """Means of the flux inward and of that outward, each (n,) and not negative, at mean vacua `vacuum_pa` (n,) that
    swing by `shape_pa` (k,)."""
    if len(shape_pa) == 1:
        flux = flux_kg_s_m2(vacuum_pa + shape_pa[0], room)
        return np.maximum(flux, 0.0), np.maximum(-flux, 0.0)
    swing = vacuum_pa[:, None] + shape_pa[None, :]
    root = np.copysign(np.sqrt(np.abs(swing)), swing)
    # The flux is all but straight in the signed root: a table of each side is exact to 1e-7.
    table = np.linspace(0.0, float(np.abs(root).max()), 2001)
    table = np.concatenate([-table[:0:-1], table])
    flux = np.interp(root, table, flux_kg_s_m2(np.copysign(table**2, table), room))
    outward = -np.minimum(flux, 0.0).mean(axis=1)
    return flux.mean(axis=1) + outward, outward


def sine_shape_pa(rms_pa: float, points: int = 96) -> FloatArray:
    """Equally likely excursions of a sine of this RMS: what the swing of one strong order looks like. [0] for none."""
    if not rms_pa > 0:
        return np.zeros(1)
    return math.sqrt(2.0) * rms_pa * np.sin((np.arange(points) + 0.5) * (2.0 * math.pi / points))


def normal_shape_pa(rms_pa: float, points: int = 96) -> FloatArray:
    """Equally likely excursions of normally distributed pulses of this RMS. [0] for none."""
    if not rms_pa > 0:
        return np.zeros(1)
    from scipy.special import ndtri

    deviates = ndtri((np.arange(points) + 0.5) / points)
    return rms_pa * deviates / math.sqrt(float(np.mean(deviates**2)))


SKEW_SHARE = 0.25
"""Amplitude, beside that of the strongest order, of a second harmonic that makes pulses lopsided: one standard
deviation of what a stated RMS does not tell of their form (an assumption)."""


def flow_shift_pa(vacuum_pa: float, taken_pa: FloatArray, other_pa: Sequence[FloatArray], room: Room) -> FloatArray:
    """By how much mean vacuum (k,) each of `other_pa` shapes of pulses drives more flow than the shape taken."""
    at = np.array([vacuum_pa])
    reach = float(np.abs(taken_pa).max())
    step = max(1.0, 0.01 * abs(vacuum_pa), 0.01 * reach)
    low, here, high = mean_flux_kg_s_m2(np.array([vacuum_pa - step, vacuum_pa, vacuum_pa + step]), taken_pa, room)
    slope = float(high - low) / (2.0 * step)
    if not slope > 0:
        return np.full(len(other_pa), abs(vacuum_pa))
    return np.array([(float(mean_flux_kg_s_m2(at, shape, room)[0]) - here) / slope for shape in other_pa])


def swing_shifts_pa(vacuum_pa: float, rms_pa: float, room: Room) -> tuple[float, FloatArray]:
    """What taking pulses of this RMS for a sine leaves unknown, as mean vacuum: the standard uncertainty from the RMS
    itself, and the shared errors (2,) of the wave form.

    Half the difference between a sine and normally distributed pulses stands for peaked ones, a second harmonic in
    the worst phase for lopsided ones. The form is that of one engine, so the readings share it.
    """
    if not rms_pa > 0:
        return 0.0, np.zeros(2)
    sine = sine_shape_pa(rms_pa)
    angle = (np.arange(len(sine)) + 0.5) * (2.0 * math.pi / len(sine))
    lopsided = np.sin(angle) + SKEW_SHARE * np.cos(2.0 * angle)
    lopsided *= rms_pa / math.sqrt(float(np.mean(lopsided**2)))
    others = [normal_shape_pa(rms_pa), lopsided, sine * (1.0 + SWING_U95_RELATIVE)]
    peaked, skewed, size = flow_shift_pa(vacuum_pa, sine, others, room)
    return abs(float(size)) / 1.96, np.array([0.5 * peaked, skewed])


WARM_GAS_K = 343.15
"""Gas in the crankcase of a warm engine, 70 degC (common practice, no source)."""
OUTFLOW_SHARE = 0.02
"""Outflow over net inflow above which the temperature of the gas that flows out matters."""


def breathes_out(reading: Reading, room: Room) -> bool:
    """Do the pulses push so much gas out through the opening that its temperature matters?"""
    if reading.vacuum_pa is None or len(reading.shape_pa) == 1:
        return False
    flux = flux_kg_s_m2(reading.vacuum_pa + reading.shape_pa, room)
    return bool(-flux[flux < 0].sum() > OUTFLOW_SHARE * max(float(flux.sum()), 1e-12))


def flow_driving_vacuum_pa(vacuum_pa: float, shape_pa: FloatArray) -> float:
    """Steady vacuum that drives the same incompressible mean flow: signed square of the mean of sign(p) sqrt|p|."""
    swing = vacuum_pa + shape_pa
    root = float(np.mean(np.sign(swing) * np.sqrt(np.abs(swing))))
    return math.copysign(root * root, root)
