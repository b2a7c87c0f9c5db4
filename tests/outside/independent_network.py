"""A second, slow network solver, written only from the published form of `sumpglass layouts NAME --json`.

Nothing of the program is used: flows from the textbook nozzle equation, all nodes at once by MINPACK's hybrid method,
from rounded-off square roots to sharp ones. Where that leaves an imbalance: one node at a time by Brent's method, sweep
after sweep (nonlinear Gauss-Seidel). It serves as the judge of the fast solver.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.optimize import brentq, root

ROOM_PA = 101325.0
ROOM_K = 293.15
GAMMA = 1.4
GAS_CONSTANT = 287.055
INNER_LEAK_MM2 = 0.0001
SOFT_PA = 0.003
"""The square root is rounded off below about this difference: the slope stays finite, no reading moves by 0.1 Pa."""
CRITICAL = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))


def nozzle_kg_s(cda_m2: float, upstream_pa: float, downstream_pa: float, kelvin: float) -> float:
    """Mass flow of an ideal gas through a nozzle, upstream at or above downstream (absolute), choked or not."""
    ratio = max(downstream_pa / upstream_pa, CRITICAL)
    head = ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA)
    return cda_m2 * upstream_pa * math.sqrt(max(2.0 * GAMMA / ((GAMMA - 1.0) * GAS_CONSTANT * kelvin) * head, 0.0))


def draw_unknowns(layout: dict[str, Any], fault: dict[str, Any], rng: np.random.Generator) -> dict[str, float]:
    """One engine with that fault: every range drawn log-uniform, uniform where the low end is 0."""
    ranges = {part["id"]: part["cda_mm2"] for part in layout["edges"] + layout["seals"]}
    ranges["blow_by_lpm"], ranges["manifold_vacuum_pa"] = layout["blow_by_lpm"], layout["manifold_vacuum_pa"]
    for change in fault["changes"]:
        for key in ("edge", "seal"):
            if key in change:
                ranges[change[key]] = change["cda_mm2"]
        for key in ("blow_by_lpm", "manifold_vacuum_pa"):
            if key in change:
                ranges[key] = change[key]
    return {
        name: float(rng.uniform(low, high) if low == 0 else math.exp(rng.uniform(math.log(low), math.log(high))))
        for name, (low, high) in ranges.items()
    }


def read_test_pa(layout: dict[str, Any], test: dict[str, Any], unknowns: dict[str, float]) -> float:
    """Gauge pressure at the test's tap in the steady state."""
    pressures = solve_pa(layout, test, unknowns)
    return pressures[test["tap"]] - ROOM_PA


def solve_pa(layout: dict[str, Any], test: dict[str, Any], unknowns: dict[str, float]) -> dict[str, float]:
    """Absolute pressure of every node."""
    gas_k = layout["gas_c"] + 273.15
    stopped = set(test.get("shut") or []) | set(test.get("detach") or [])
    passages = [
        (edge["from"], edge["to"], unknowns[edge["id"]], bool(edge.get("one_way")))
        for edge in layout["edges"] if edge["id"] not in stopped
    ]  # fmt: skip
    passages += [(s["node"], "room", unknowns[s["id"]], False) for s in layout["seals"] if s["id"] not in stopped]
    passages += [(o["node"], "room", o["cda_mm2"], False) for o in test.get("open") or []]
    inner = [node for node in layout["nodes"] if node not in ("manifold", "room")]
    passages += [(node, "room", INNER_LEAK_MM2, False) for node in inner]
    source = unknowns["blow_by_lpm"] / 60000.0 * ROOM_PA / (GAS_CONSTANT * ROOM_K)
    pressure = {"room": ROOM_PA, "manifold": ROOM_PA - unknowns["manifold_vacuum_pa"]}

    def flow(a: str, b: str, area: float, one_way: bool, soft_pa: float) -> float:
        pa, pb = pressure[a], pressure[b]
        if pa < pb:
            return 0.0 if one_way else -flow(b, a, area, False, soft_pa)
        size = nozzle_kg_s(area * 1e-6, pa, pb, ROOM_K if a == "room" else gas_k)
        return size * ((pa - pb) / (pa - pb + soft_pa)) ** 0.5 if soft_pa and pa > pb else size

    touching = {node: [p for p in passages if node in p[:2]] for node in inner}

    def inflow(node: str, soft_pa: float = SOFT_PA) -> float:
        total = source if node == "crankcase" else 0.0
        for a, b, area, one_way in touching[node]:
            total += flow(a, b, area, one_way, soft_pa) * (1.0 if b == node else -1.0)
        return total

    for node in inner:
        pressure[node] = 0.5 * (min(pressure["manifold"], ROOM_PA) + ROOM_PA)
    _by_hybrid(pressure, inner, inflow)
    largest = max([source] + [abs(flow(a, b, area, one_way, SOFT_PA)) for a, b, area, one_way in passages])
    if any(abs(inflow(node)) > 1e-5 * largest for node in inner):
        _by_sweeps(pressure, inner, inflow)
    return pressure


def _by_hybrid(pressure: dict[str, float], inner: list[str], inflow: Any) -> None:
    lowest = min(pressure["manifold"], ROOM_PA)

    def residual(values: np.ndarray, soft_pa: float) -> list[float]:
        for node, value in zip(inner, values):
            pressure[node] = lowest * 0.5 + abs(float(value) - lowest * 0.5)
        return [inflow(node, soft_pa) * 1e5 for node in inner]

    at = np.array([pressure[node] for node in inner])
    for soft_pa in (1e5, 1e4, 1e3, 1e2, 1e1, 1.0, 1e-1, SOFT_PA):
        with np.errstate(all="ignore"):
            at = root(residual, at, args=(soft_pa,), method="hybr", options={"xtol": 1e-13}).x
    residual(at, SOFT_PA)


def _by_sweeps(pressure: dict[str, float], inner: list[str], inflow: Any) -> None:
    def at(node: str, value: float) -> float:
        pressure[node] = value
        return float(inflow(node))

    lowest = min(pressure["manifold"], ROOM_PA) * 0.999
    for sweep in range(20000):
        moved = 0.0
        for node in inner if sweep % 2 == 0 else reversed(inner):
            before, high = pressure[node], ROOM_PA * 1.01
            while at(node, high) > 0.0:
                high *= 4.0
            pressure[node] = float(
                brentq(lambda value, node=node: at(node, value), lowest, high, xtol=1e-7, rtol=1e-14)
            )
            moved = max(moved, abs(pressure[node] - before))
        if moved < 1e-4:
            return
