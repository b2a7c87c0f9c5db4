"""Blow-by from the steady pressure behind a known opening, the suction stopped: compressible, with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sumpglass.errors import InputError
from sumpglass.physics.crankcase import BLOW_BY_SHARE, expected_blow_by_lpm
from sumpglass.physics.gas import lpm_from_kg_s
from sumpglass.physics.orifice import bore_area_m2, mass_flow_kg_s
from sumpglass.procedures.bores import BORE_U95_MM
from sumpglass.procedures.openings import OPENING_CD, OPENING_CD_U95, Room
from sumpglass.units import ZERO_CELSIUS_K

GAS_C = 50.0
GAS_U95_K = 30.0
"""Gas at the plug when nobody measured it: it leaves the crankcase at 70 to 90 degC and cools in the hose, so anything
from a room to a hot engine (common practice, no source)."""
GAS_GIVEN_U95_K = 5.0
PRESSURE_U95_SHARE = 0.02
"""Half-width, relative, of a pressure whose uncertainty is not stated; never under 2 Pa. An assumption."""
PRESSURE_U95_LEAST_PA = 2.0
IDLE_MANIFOLD_PA = 35_000.0


@dataclass(frozen=True)
class BlowBy:
    """Blow-by in L/min of air at 20 degC and 101325 Pa with its 95 % interval, and the usual range if asked for."""

    blow_by_lpm: float
    lo95: float
    hi95: float
    gas_c: float
    discharge_coefficient: float
    expected_lpm: tuple[float, float] | None
    verdict: str
    """"within", "above", "below" or "undecided" against the usual range; "" without one."""
    warnings: tuple[str, ...]


def blow_by(
    opening_mm: float,
    pressure_pa: float,
    u95_pa: float | None = None,
    gas_c: float | None = None,
    cd: float | None = None,
    cd_u95: float | None = None,
    bore_u95_mm: float = BORE_U95_MM,
    room: Room | None = None,
    displacement_l: float | None = None,
    rpm: float | None = None,
    manifold_pa: float | None = None,
) -> BlowBy:
    """Flow of the gas out through the opening at `pressure_pa` above the room, isentropic.

    Raises InputError for a pressure that is not above zero, or that chokes the opening.
    """
    room = room or Room()
    _check(opening_mm, pressure_pa)
    temperature_c = GAS_C if gas_c is None else gas_c
    coefficient = OPENING_CD if cd is None else cd
    flow = _flow_lpm(opening_mm, pressure_pa, temperature_c, coefficient, room)
    u95 = max(PRESSURE_U95_SHARE * pressure_pa, PRESSURE_U95_LEAST_PA) if u95_pa is None else u95_pa
    cd_share = (OPENING_CD_U95 if cd_u95 is None else cd_u95) / coefficient
    bore_share = 2.0 * bore_u95_mm / opening_mm
    kelvin = temperature_c + ZERO_CELSIUS_K
    heat_share = 0.5 * (GAS_U95_K if gas_c is None else GAS_GIVEN_U95_K) / kelvin
    others = math.hypot(cd_share, bore_share, heat_share)
    # The flow is concave in the pressure: its own ends are taken, then joined with the rest in quadrature each side.
    low = _flow_lpm(opening_mm, max(pressure_pa - u95, 0.0), temperature_c, coefficient, room)
    high = _flow_lpm(opening_mm, pressure_pa + u95, temperature_c, coefficient, room)
    lo, hi = flow - math.hypot(flow - low, others * flow), flow + math.hypot(high - flow, others * flow)
    warnings = [
        f"Discharge coefficient {coefficient:g} ± {coefficient * cd_share:.2g}"
        + (": an assumption, small drilled openings lie outside ISO 5167." if cd_u95 is None else ", as given.")
    ]
    if gas_c is None:
        warnings.append(f"Gas at the opening taken as {GAS_C:g} ± {GAS_U95_K:g} degC: measure it and give --gas-c.")
    if u95_pa is None:
        warnings.append(f"The pressure was taken as known to ± {u95:.1f} Pa: give --u95-pa.")
    warnings.append(
        "Leaks of the crankcase carry blow-by past the opening unmeasured: the figure is a lower bound if it leaks."
    )
    warnings.append(
        "One figure is no diagnosis: compare with the same engine's earlier figures, warm, at the same speed."
    )
    expected, verdict = None, ""
    if displacement_l is not None and rpm is not None:
        expected = expected_blow_by_lpm(displacement_l * 1e-3, rpm, manifold_pa or IDLE_MANIFOLD_PA)
        verdict = _verdict(max(lo, 0.0), hi, expected)
        share = f"{100 * BLOW_BY_SHARE[0]:g} to {100 * BLOW_BY_SHARE[1]:g} %"
        manifold = f"{(manifold_pa or IDLE_MANIFOLD_PA) / 1000:g} kPa absolute"
        warnings.append(
            f"Usual range {expected[0]:.1f} to {expected[1]:.1f} L/min: {share} of the gas drawn in (a general "
            f"engineering encyclopaedia) at a manifold pressure of {manifold}"
            + (" (assumed: warm idle)." if manifold_pa is None else ".")
        )
    elif displacement_l is not None or rpm is not None:
        warnings.append("The usual range needs both --displacement-l and --rpm.")
    return BlowBy(flow, max(lo, 0.0), hi, temperature_c, coefficient, expected, verdict, tuple(warnings))


def _check(opening_mm: float, pressure_pa: float) -> None:
    if not 0.1 <= opening_mm <= 50.0:
        raise InputError(f"found an opening of {opening_mm:g} mm, expected 0.1 to 50")
    if not pressure_pa > 0:
        raise InputError(
            f"found a pressure of {pressure_pa:g} Pa, expected one above zero: blow-by shows as pressure "
            "once the suction is stopped"
        )
    if pressure_pa > 50_000.0:
        raise InputError(f"found a pressure of {pressure_pa:g} Pa, expected at most 50000: no crankcase stands more")


def _flow_lpm(opening_mm: float, pressure_pa: float, gas_c: float, cd: float, room: Room) -> float:
    area = cd * bore_area_m2(opening_mm * 1e-3)
    inside = room.pressure_pa + pressure_pa
    return float(lpm_from_kg_s(mass_flow_kg_s(area, inside, room.pressure_pa, gas_c + ZERO_CELSIUS_K)))


def _verdict(lo: float, hi: float, expected: tuple[float, float]) -> str:
    if lo > expected[1]:
        return "above"
    if hi < expected[0]:
        return "below"
    if lo >= expected[0] and hi <= expected[1]:
        return "within"
    return "undecided"
