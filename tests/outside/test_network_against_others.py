"""The fast network solver against a second solver, and against orifices in series and parallel worked by hand."""

from __future__ import annotations

import importlib.util
import json
import math
from pathlib import Path

import fluids
import numpy as np
import pytest

from sumpglass.faults.layout import Edge, Fault, Layout, LayoutTest, Opening, as_fields
from sumpglass.faults.layout_file import built_in_names, load_layout
from sumpglass.faults.network import circuit_for, parameter_names, solve
from sumpglass.physics.gas import kg_s_from_lpm

_spec = importlib.util.spec_from_file_location(
    "independent_network", Path(__file__).with_name("independent_network.py")
)
assert _spec is not None and _spec.loader is not None
independent_network = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(independent_network)


def fast_pa(layout: Layout, test: LayoutTest, unknowns: dict[str, float]) -> float:
    names = parameter_names(layout)[:-2]
    values = np.array([[unknowns[name]] for name in [*names, "blow_by_lpm", "manifold_vacuum_pa"]])
    circuit = circuit_for(layout, test)
    return float(solve(circuit, values * 1e-6, kg_s_from_lpm(values[-2]), -values[-1]).pressure_pa[circuit.tap, 0])


@pytest.mark.parametrize("name", built_in_names())
def test_agrees_with_a_solver_written_another_way(name):
    """Oracle: scipy 1.17 `root` (MINPACK hybrid) on the textbook nozzle equation, from the published JSON alone."""
    layout = load_layout(name)
    facts = json.loads(json.dumps(as_fields(layout)))
    rng = np.random.default_rng(21)
    for fault in facts["faults"]:
        unknowns = independent_network.draw_unknowns(facts, fault, rng)
        for number in rng.choice(len(layout.tests), size=3, replace=False):
            other = independent_network.read_test_pa(facts, facts["tests"][number], unknowns)
            assert fast_pa(layout, layout.tests[number], unknowns) == pytest.approx(other, rel=2e-4, abs=0.1)


def chain(*areas: float, gas_c: float = 20.0) -> tuple[Layout, dict[str, float]]:
    """manifold - area - n0 - area - ... - crankcase, with no blow-by; the last area leads to the room."""
    inner = [*(f"n{i}" for i in range(len(areas) - 2)), "crankcase"]
    nodes = ["manifold", *inner, "room"]
    edges = tuple(Edge(f"e{i}", "", a, b, (1.0, 1.0)) for i, (a, b) in enumerate(zip(nodes, nodes[1:])))
    layout = Layout("chain", "", tuple(nodes), (3e3, 3e3), (0.0, 0.0), gas_c, edges, (), (Fault("healthy", "", 1.0),),
                    (LayoutTest("t", "", 1.0, "crankcase"),))  # fmt: skip
    unknowns = {f"e{i}": area for i, area in enumerate(areas)} | {"blow_by_lpm": 0.0, "manifold_vacuum_pa": 3000.0}
    return layout, unknowns


def test_two_orifices_in_series_by_hand():
    """Small drops, one temperature: m^2 = 2 rho A1^2 dp1 = 2 rho A2^2 dp2: at the room dp A1^2/(A1^2 + A2^2)."""
    layout, unknowns = chain(3.0, 4.0)
    unknowns["manifold_vacuum_pa"] = 20.0
    assert fast_pa(layout, layout.tests[0], unknowns) == pytest.approx(-20.0 * 9.0 / 25.0, rel=3e-4)


def test_parallel_orifices_add_their_areas():
    layout, unknowns = chain(3.0, 4.0)
    split = LayoutTest("t", "", 1.0, "crankcase", open=(Opening("crankcase", 6.0),))
    single, wide = chain(3.0, 10.0)
    assert fast_pa(layout, split, unknowns) == pytest.approx(fast_pa(single, single.tests[0], wide), rel=1e-9)


def test_choked_draw_through_a_drilled_hole():
    """Choked orifice into a known opening: flow by C* (critical flow function 0.684731456, computed with fluids 1.3.1's
    P_critical_flow and the textbook formula), the opening by Q = CdA sqrt(2 dp/rho) at small drop."""
    critical = fluids.P_critical_flow(1.0, 1.4)
    star = math.sqrt(1.4) * (2.0 / 2.4) ** 3
    assert critical == pytest.approx(0.528281788, abs=1e-9)
    assert star == pytest.approx(0.684731456, abs=1e-9)
    layout, unknowns = chain(0.5, 30.0)
    unknowns["manifold_vacuum_pa"] = 70000.0
    got = fast_pa(layout, layout.tests[0], unknowns)
    flow = star * 0.5e-6 * (101325.0 + got) / math.sqrt(287.055 * 293.15)
    density = 101325.0 / (287.055 * 293.15)
    assert -got == pytest.approx((flow / 30.0e-6) ** 2 / (2.0 * density), rel=1e-3)


def test_blow_by_through_a_known_opening():
    """10 L/min at 500 Pa needs a bore of 3.474403 mm with Cd 0.61 (computed with fluids 1.3.1, incompressible)."""
    layout, unknowns = chain(0.0, 0.61 * math.pi / 4 * 3.474403**2)
    unknowns["blow_by_lpm"] = 10.0
    assert fast_pa(layout, layout.tests[0], unknowns) == pytest.approx(500.0, rel=6e-3)
