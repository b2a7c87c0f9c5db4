"""The network solver: mass balance, convergence whatever the network, and check valves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpglass.faults.layout import Edge, Fault, Layout, LayoutTest, Opening, Seal
from sumpglass.faults.layout_file import built_in_names, load_layout
from sumpglass.faults.network import Circuit, Solution, circuit_for, solve
from sumpglass.faults.network_rescue import by_bracket
from sumpglass.faults.network_steps import law_flow, squared_flow
from sumpglass.faults.prediction import Ranges
from sumpglass.physics.gas import kg_s_from_lpm
from sumpglass.physics.orifice import mass_flow_kg_s


def imbalance(circuit: Circuit, solution: Solution, blow_by: np.ndarray) -> np.ndarray:
    net = np.zeros_like(solution.pressure_pa)
    np.add.at(net, circuit.end, solution.flow_kg_s)
    np.add.at(net, circuit.start, -solution.flow_kg_s)
    if circuit.source >= 0:
        net[circuit.source] += blow_by
    return np.max(np.abs(net[: circuit.inner]), axis=0, initial=0.0)


@pytest.mark.parametrize("name", built_in_names())
def test_mass_balances_in_every_test_of_every_layout(name):
    layout = load_layout(name)
    ranges = Ranges(layout)
    rng = np.random.default_rng(4)
    shape = (24, ranges.low.shape[1])
    values = np.concatenate([ranges.values(f, rng.standard_normal(shape)) for f in range(len(layout.faults))], axis=1)
    blow_by = kg_s_from_lpm(values[-2])
    for test in layout.tests:
        circuit = circuit_for(layout, test)
        solution = solve(circuit, values * 1e-6, blow_by, -values[-1])
        assert np.all(np.isfinite(solution.pressure_pa))
        largest = np.max(np.abs(solution.flow_kg_s), axis=0, initial=1e-30)
        assert np.max(imbalance(circuit, solution, blow_by) / largest) < 1e-9
        assert solution.bracketed == 0
        # And each flow is the one that its pressures drive: the difference it would need is within 1 mPa of theirs.
        area = circuit.areas(values * 1e-6)
        signed, slope_start, slope_end = squared_flow(circuit, solution.pressure_pa)
        needed = solution.flow_kg_s * np.abs(solution.flow_kg_s) / area**2
        off = np.abs(needed - signed) / np.maximum(slope_start, slope_end)
        counts = np.where(circuit.one_way[:, None], solution.flow_kg_s, np.abs(solution.flow_kg_s)) > 1e-8 * largest
        assert np.all(off[counts] < 1e-3)


def network(edges, seals, nodes, **more) -> Layout:
    return Layout(
        "made", "made", nodes, (6e4, 6e4), (5.0, 5.0), 70.0, edges, seals, (Fault("healthy", "", 1.0),),
        (LayoutTest("t", "", 1.0, "crankcase", **more),),
    )  # fmt: skip


@st.composite
def odd_networks(draw):
    """Trees and loops of up to six inner nodes, areas over eight decades, check valves, dead ends, no suction."""
    count = draw(st.integers(1, 6))
    nodes = ("manifold", "room", "crankcase", *(f"n{i}" for i in range(count - 1)))
    edges = []
    for number in range(draw(st.integers(0, 9))):
        start, end = draw(st.lists(st.sampled_from(nodes), min_size=2, max_size=2, unique=True))
        edges.append(Edge(f"e{number}", "", start, end, (1.0, 1.0), draw(st.booleans())))
    leaky = [node for node in nodes[2:] if node == "crankcase" or draw(st.booleans())]
    seals = tuple(Seal(f"s{i}", "", node, (1.0, 1.0)) for i, node in enumerate(leaky))
    return network(tuple(edges), seals, nodes), draw(st.integers(0, 2**32 - 1))


@settings(max_examples=60, deadline=None)
@given(odd_networks())
def test_every_network_converges_and_balances(made):
    layout, seed = made
    rng = np.random.default_rng(seed)
    circuit = circuit_for(layout, layout.tests[0])
    parameters = len(layout.edges) + len(layout.seals) + 2
    areas = 10.0 ** rng.uniform(-5, 3, (parameters, 12)) * 1e-6
    areas[rng.uniform(size=areas.shape) < 0.1] = 0.0
    # No crankcase is tighter than this: blow-by with no way out would stand at hundreds of bar.
    areas[len(layout.edges)] = np.maximum(areas[len(layout.edges)], 0.02e-6)
    blow_by = kg_s_from_lpm(10.0 ** rng.uniform(-1, 2, 12)) * (rng.uniform(size=12) > 0.1)
    manifold = -rng.uniform(0, 9e4, 12)
    solution = solve(circuit, areas, blow_by, manifold)
    assert np.all(np.isfinite(solution.pressure_pa))
    assert np.all(solution.pressure_pa[: circuit.inner] >= np.minimum(manifold, 0.0) * (1 + 1e-9) - 1e-6)
    largest = np.maximum(np.max(np.abs(solution.flow_kg_s), axis=0, initial=0.0), 1e-11)  # nothing flows at all
    # Where next to nothing flows through wide passages, rounding alone is 1e-17 kg/s (5e-13 L/min).
    assert np.all(imbalance(circuit, solution, blow_by) < 1e-9 * largest + 1e-17)


def test_elements_follow_the_orifice_of_the_physics_layer():
    layout = network((Edge("e", "", "manifold", "crankcase", (1.0, 1.0)),), (), ("manifold", "room", "crankcase"))
    circuit = circuit_for(layout, layout.tests[0])
    pressure = np.array([[-500.0, -9e4, 3e4, 4.0], [0.0] * 4, [-6e4] * 4])
    got = law_flow(circuit, np.full((len(circuit.start), 4), 2e-6), pressure)
    for row, (a, b) in enumerate(zip(circuit.start, circuit.end)):
        temperature = [293.15 if node == 1 else 343.15 for node in (a, b)]
        wanted = mass_flow_kg_s(2e-6, pressure[a] + 101325.0, pressure[b] + 101325.0, *temperature)
        assert got[row] == pytest.approx(wanted, rel=1e-12)


def test_a_check_valve_opens_one_way_only():
    nodes = ("manifold", "room", "crankcase", "box")
    edges = (
        Edge("wide", "", "room", "box", (1.0, 1.0)),
        Edge("valve", "", "box", "crankcase", (1.0, 1.0), one_way=True),
        Edge("suction", "", "manifold", "crankcase", (1.0, 1.0)),
    )
    layout = network(edges, (Seal("s", "", "crankcase", (1.0, 1.0)),), nodes)
    circuit = circuit_for(layout, layout.tests[0])
    areas = np.array([[100.0, 100.0], [5.0, 5.0], [2.0, 0.0], [0.3, 0.3], [0, 0], [0, 0]]) * 1e-6
    solution = solve(circuit, areas, kg_s_from_lpm(np.array([5.0, 5.0])), np.array([-6e4, -6e4]))
    crankcase = solution.pressure_pa[circuit.tap]
    assert -6000 < crankcase[0] < -500
    assert crankcase[1] > 20000  # closed: all blow-by through the 0.3 mm2 of the seal


def test_detaching_and_opening():
    layout = load_layout("orifice-filler-cap")
    values = Ranges(layout).values(0, np.zeros((1, Ranges(layout).low.shape[1])))
    arguments = values * 1e-6, kg_s_from_lpm(values[-2]), -values[-1]
    plug = LayoutTest("x", "", 1.0, "suction_hose", detach=("suction_line",), open=(Opening("suction_hose", 12.0),))
    opened = solve(circuit_for(layout, plug), *arguments)
    closed = solve(circuit_for(layout, layout.test("suction_end")), *arguments)
    assert closed.pressure_pa[1, 0] < -50000
    assert -1000 < opened.pressure_pa[1, 0] < -600


def test_the_bracketed_method_finds_the_same_pressures():
    nodes = ("manifold", "room", "crankcase", "hose")
    edges = (
        Edge("suction", "", "manifold", "hose", (1.0, 1.0)),
        Edge("line", "", "hose", "crankcase", (1.0, 1.0)),
        Edge("valve", "", "room", "crankcase", (1.0, 1.0), one_way=True),
    )
    layout = network(edges, (Seal("s", "", "crankcase", (1.0, 1.0)),), nodes)
    circuit = circuit_for(layout, layout.tests[0])
    areas = np.array([[2.0, 0.1], [3.0, 6.0], [5.0, 5.0], [0.5, 0.5], [0, 0], [0, 0]]) * 1e-6
    blow_by, manifold = kg_s_from_lpm(np.array([5.0, 8.0])), np.array([-6e4, -5e4])
    wanted = solve(circuit, areas, blow_by, manifold)
    state = np.zeros_like(wanted.pressure_pa), np.zeros_like(wanted.flow_kg_s)
    state[0][-1] = manifold
    by_bracket(circuit, circuit.areas(areas), blow_by, state, np.arange(2), 1e-3)
    assert state[0] == pytest.approx(wanted.pressure_pa, rel=1e-4, abs=0.01)
    assert state[1] == pytest.approx(wanted.flow_kg_s, rel=1e-4, abs=1e-9)
