"""The gas in the crankcase, step by step: pistons, blow-by, suction that chokes, openings, breather hose.

State: absolute pressure, mass, and the mass flow in the breather hose. Each step squeezes the gas adiabatically by the
pistons, exactly, and then moves mass and heat by a linearly implicit midpoint rule (second order, stable where a wide
opening near equal pressures makes the equations stiff).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from sumpglass.physics import orifice
from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K, FloatArray

LAMINAR_BELOW_PA = 2.0
"""The square root of a flow is rounded off below about this difference: real leaks turn laminar there."""


LEAST_PA = 2e3
"""Absolute pressure below which the gas is not followed."""


def _expansibility_squared() -> tuple[float, float, float, float]:
    """Coefficients of a polynomial in x = dp/p_up for the squared isentropic expansibility, 1 at 0, within 2e-5."""
    loss = np.linspace(1e-4, 1.0 - orifice.critical_pressure_ratio(), 400)
    squared = np.square(orifice.isentropic_expansibility(1.0 - loss))
    powers = np.vstack([loss, loss**2, loss**3, loss**4]).T
    a, b, c, d = np.linalg.lstsq(powers, squared - 1.0, rcond=None)[0]
    return float(a), float(b), float(c), float(d)


_A, _B, _C, _D = _expansibility_squared()
_CHOKED_LOSS = 1.0 - orifice.critical_pressure_ratio()
_CHOKED = orifice.critical_flow_function()


@dataclass
class GasState:
    """What the crankcase holds at one moment."""

    pressure_pa: float
    mass_kg: float
    hose_kg_s: float = 0.0
    """Flow into the crankcase through a breather hose whose gas has inertia."""


@dataclass(frozen=True)
class GasConstants:
    """What does not change while the engine runs."""

    step_s: float
    room_pa: float
    room_k: float
    wall_k: float
    wall_time_s: float
    hose_area_per_length_m: float = 0.0
    """0: the breather is part of the openings, without inertia."""


@dataclass(frozen=True)
class GasInputs:
    """Arrays (n,) of one block, one value a step."""

    volume_m3: FloatArray
    squeeze: FloatArray
    """(volume before / volume now) to the power gamma."""
    blow_by_kg_s: FloatArray
    opening_cda_m2: FloatArray
    suction_cda_m2: FloatArray
    manifold_pa: FloatArray
    breather_cda_m2: FloatArray
    outward_cda_m2: FloatArray
    """Openings behind a reed: they pass gas to the room and none back."""


def advance(state: GasState, constants: GasConstants, inputs: GasInputs) -> FloatArray:
    """Absolute pressures (n,) after each step; `state` is moved on in place.

    A plain loop over local floats: the equations are nonlinear and each step needs the one before.
    """
    sqrt = math.sqrt
    p, mass, hose = state.pressure_pa, state.mass_kg, state.hose_kg_s
    dt, room = constants.step_s, constants.room_pa
    gas_energy = GAMMA_AIR * R_AIR_J_KG_K
    room_energy, wall_energy = gas_energy * constants.room_k, gas_energy * constants.wall_k
    wall_rt, per_wall_time = R_AIR_J_KG_K * constants.wall_k, 1.0 / constants.wall_time_s
    room_twice_density = 2.0 * room / (R_AIR_J_KG_K * constants.room_k)
    soft, least_pa = LAMINAR_BELOW_PA**2, LEAST_PA
    hose_gain = constants.hose_area_per_length_m
    a, b, c, d4 = _A, _B, _C, _D
    out: list[float] = []
    keep = out.append
    for volume, squeeze, blow_by, opening, suction, manifold, breather, outward in _columns(inputs):
        p *= squeeze
        # Openings: room air comes in, or crankcase gas goes out, at its own temperature.
        dp = room - p
        u = dp * dp + soft
        if dp > 0.0:
            x, twice_density, energy = dp / room, room_twice_density, room_energy
        else:
            opening += outward
            x, twice_density, energy = -dp / p, 2.0 * mass / volume, gas_energy * p * volume / (mass * R_AIR_J_KG_K)
        if x > _CHOKED_LOSS:
            x = _CHOKED_LOSS
        per_root = opening * sqrt(twice_density * (1.0 + x * (a + x * (b + x * (c + x * d4))))) / sqrt(sqrt(u))
        leak = per_root * dp
        leak_slope = per_root * (1.0 - 0.5 * dp * dp / u)
        # Suction: choked when the manifold is deep enough.
        fall = p - manifold
        x = fall / p
        if x >= _CHOKED_LOSS:
            draw = _CHOKED * suction * sqrt(p * mass / volume)
        elif fall > 0.0:
            flux = sqrt(2.0 * mass / volume * (1.0 + x * (a + x * (b + x * (c + x * d4)))))
            draw = suction * flux * fall / sqrt(sqrt(fall * fall + soft))
        else:
            draw = suction * sqrt(2.0 * mass / volume) * fall / sqrt(sqrt(fall * fall + soft))
        net = leak + blow_by - draw
        gas_t_energy = gas_energy * p * volume / (mass * R_AIR_J_KG_K)
        heat = leak * energy + blow_by * wall_energy - draw * gas_t_energy
        if hose_gain:
            if breather > 1e-9:
                resistance = abs(hose) / (room_twice_density * breather * breather)
                hose = (hose + dt * hose_gain * dp) / (1.0 + dt * hose_gain * resistance)
            else:
                hose = 0.0
            net += hose
            heat += hose * (room_energy if hose > 0.0 else gas_t_energy)
        damping = 1.0 / (1.0 + 0.5 * dt * (leak_slope * energy / volume + per_wall_time))
        at_walls = (mass + 0.5 * dt * net) * wall_rt
        rise = dt * damping * ((heat + at_walls * per_wall_time) / volume - p * per_wall_time)
        p += rise
        # The leak of half way, as the pressure has it.
        mass += dt * (net - 0.5 * rise * leak_slope)
        if p < least_pa or mass < 0.0:
            # Nothing that pumps a crankcase gets below this; it keeps a wild script from dividing by nothing.
            p, mass = least_pa, least_pa * volume / wall_rt
        keep(p)
    state.pressure_pa, state.mass_kg, state.hose_kg_s = p, mass, hose
    return np.array(out)


def _columns(inputs: GasInputs) -> Iterable[tuple[float, ...]]:
    return zip(
        inputs.volume_m3.tolist(),
        inputs.squeeze.tolist(),
        inputs.blow_by_kg_s.tolist(),
        inputs.opening_cda_m2.tolist(),
        inputs.suction_cda_m2.tolist(),
        inputs.manifold_pa.tolist(),
        inputs.breather_cda_m2.tolist(),
        inputs.outward_cda_m2.tolist(),
    )


def steady_pressure_pa(
    opening_cda_m2: float,
    suction_cda_m2: float,
    manifold_pa: float,
    blow_by_kg_s: float,
    constants: GasConstants,
    outward_cda_m2: float = 0.0,
) -> float:
    """Absolute pressure at which the flows balance with the pistons at rest, by bisection of the mass balance."""
    room = constants.room_pa

    def gain(pressure: float) -> float:
        area = opening_cda_m2 + (outward_cda_m2 if pressure > room else 0.0)
        inflow = orifice.mass_flow_kg_s(
            area, room, pressure, constants.room_k, constants.wall_k, laminar_below_pa=LAMINAR_BELOW_PA
        )
        draw = orifice.mass_flow_kg_s(
            suction_cda_m2, pressure, manifold_pa, constants.wall_k, laminar_below_pa=LAMINAR_BELOW_PA
        )
        return float(inflow - draw) + blow_by_kg_s

    low, high = 0.05 * room, 4.0 * room
    for _ in range(60):
        middle = 0.5 * (low + high)
        if gain(middle) > 0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
