"""The engine as the crankcase sees it: gas volume that the pistons sweep, firing order, expected blow-by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.physics.gas import FloatArray, Floats
from sumpglass.units import STANDARD_ATMOSPHERE_PA

LAYOUTS = ("inline", "vee", "boxer", "twin_180", "odd_vee")
"""Layouts of `firing_angles_deg`. Even-firing engines share one set of piston phases whatever their shape."""


def firing_angles_deg(cylinders: int, layout: str = "inline", bank_deg: float = 90.0) -> tuple[float, ...]:
    """Crank angles in 0..720 at which the cylinders fire, first one 0, in firing order.

    "inline", "vee" and "boxer" fire evenly every 720/N degrees (a vee with split pins or a matching bank angle).
    "twin_180": a twin whose pistons move in opposition, firing 180 and 540 degrees apart. "odd_vee": a vee with two
    rods on a common pin, `bank_deg` between the banks (a 90-degree twin fires 270/450, an old six 90/150).
    A piston stands at top dead centre at its firing angle and 360 degrees later.

    Raises ValueError for a count outside 1..8 or a layout that such an engine cannot have.
    """
    if not 1 <= cylinders <= 8:
        raise ValueError(f"{cylinders} cylinders: expected 1 to 8")
    if layout in ("inline", "vee", "boxer"):
        return tuple(720.0 / cylinders * i for i in range(cylinders))
    if layout == "twin_180" and cylinders == 2:
        return (0.0, 180.0)
    if layout == "odd_vee" and cylinders == 2:
        return (0.0, 360.0 - bank_deg)
    if layout == "odd_vee" and cylinders in (4, 6, 8):
        pins = cylinders // 2
        return tuple(720.0 / pins * i + part for i in range(pins) for part in (0.0, bank_deg))
    raise ValueError(f"layout {layout!r} with {cylinders} cylinders: expected one of {', '.join(LAYOUTS)}")


@dataclass(frozen=True)
class CrankGeometry:
    """Cylinders of one size on one crank. `firing_deg` as from `firing_angles_deg`."""

    bore_m: float
    stroke_m: float
    rod_m: float
    firing_deg: tuple[float, ...]

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return len(self.firing_deg)

    @property
    def displacement_m3(self) -> float:
        """Swept volume of all cylinders."""
        return float(np.pi / 4.0 * self.bore_m**2 * self.stroke_m * self.cylinders)

    @property
    def even(self) -> bool:
        """True if the cylinders fire at equal distances."""
        gaps = np.diff([*sorted(self.firing_deg), min(self.firing_deg) + 720.0])
        return bool(np.ptp(gaps) < 1.0)


def piston_travel_m(crank_rad: Floats, stroke_m: float, rod_m: float) -> FloatArray:
    """Way of a piston down from top dead centre at crank angle `crank_rad` past it (slider-crank, no pin offset)."""
    angle = np.asarray(crank_rad, dtype=float)
    throw = stroke_m / 2.0
    return throw * (1.0 - np.cos(angle)) + rod_m - np.sqrt(rod_m**2 - (throw * np.sin(angle)) ** 2)


def swept_volume_m3(crank_rad: Floats, geometry: CrankGeometry) -> FloatArray:
    """Volume that the pistons, moving down, took from the crankcase, m3; the gas has some constant less it.

    `crank_rad` counts from the first cylinder's firing top dead centre. Same shape as `crank_rad`.
    """
    angle = np.asarray(crank_rad, dtype=float)
    travel = np.zeros(angle.shape)
    for fires in geometry.firing_deg:
        travel += piston_travel_m(angle - np.radians(fires), geometry.stroke_m, geometry.rod_m)
    return np.pi / 4.0 * geometry.bore_m**2 * travel


def mean_swept_volume_m3(geometry: CrankGeometry) -> float:
    """Mean of `swept_volume_m3` over a turn."""
    turn = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    return float(np.mean(swept_volume_m3(turn, geometry)))


def order_amplitudes_m3(geometry: CrankGeometry, highest: int = 8) -> FloatArray:
    """Amplitudes (highest + 1,) of the swept volume at 0, 1, 2 ... times crank speed; [0] is the mean."""
    turn = np.linspace(0.0, 2.0 * np.pi, 1024, endpoint=False)
    spectrum = np.abs(np.fft.rfft(swept_volume_m3(turn, geometry))) / len(turn)
    spectrum[1:] *= 2.0
    return spectrum[: highest + 1]


def inline_four_second_order_m3(bore_m: float, stroke_m: float, rod_m: float, cylinders: int = 4) -> float:
    """Amplitude at twice crank speed where all pistons' second orders add up: N A r (l/4 + l^3/16 + 15 l^5/512)."""
    throw = stroke_m / 2.0
    ratio = throw / rod_m
    series = ratio / 4.0 + ratio**3 / 16.0 + 15.0 * ratio**5 / 512.0
    return float(cylinders * np.pi / 4.0 * bore_m**2 * throw * series)


def firing_hz(rpm: Floats, cylinders: int) -> FloatArray:
    """Firing frequency of a four-stroke engine: rpm/120 times the number of cylinders."""
    return np.asarray(rpm, dtype=float) / 120.0 * cylinders


def rpm_from_firing_hz(frequency_hz: Floats, cylinders: int) -> FloatArray:
    """Speed of a four-stroke engine whose cylinders fire at `frequency_hz` in all."""
    return np.asarray(frequency_hz, dtype=float) * 120.0 / cylinders


def intake_flow_lpm(displacement_m3: Floats, rpm: Floats, manifold_pa: Floats) -> FloatArray:
    """Gas drawn in by a four-stroke engine, L/min at 20 degC and 101325 Pa: displacement filled every other turn with
    gas at the manifold's absolute pressure (volumetric efficiency 1 on manifold state, heating left out)."""
    share = np.asarray(manifold_pa, dtype=float) / STANDARD_ATMOSPHERE_PA
    return np.asarray(displacement_m3, dtype=float) * 1e3 * np.asarray(rpm, dtype=float) / 2.0 * share


BLOW_BY_SHARE = (0.005, 0.02)
"""Blow-by as part of the gas drawn in, usual range; under 0.01 when not worn (general engineering encyclopaedia; about
1 % in standard engine textbooks, from memory). It narrows nothing down to a diagnosis."""


def expected_blow_by_lpm(displacement_m3: float, rpm: float, manifold_pa: float) -> tuple[float, float]:
    """Usual range of blow-by, L/min at 20 degC and 101325 Pa: `BLOW_BY_SHARE` of `intake_flow_lpm`."""
    drawn = float(intake_flow_lpm(displacement_m3, rpm, manifold_pa))
    return BLOW_BY_SHARE[0] * drawn, BLOW_BY_SHARE[1] * drawn
