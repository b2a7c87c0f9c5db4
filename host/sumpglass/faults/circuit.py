"""What a test makes of a layout: the part of the network that is connected with the tap, as arrays for the solver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.faults.layout import CRANKCASE, FIXED_NODES, MANIFOLD, ROOM, Layout, LayoutTest
from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K
from sumpglass.units import REFERENCE_TEMPERATURE_K, ZERO_CELSIUS_K

FloatArray = npt.NDArray[np.float64]

INNER_LEAK_MM2 = 0.0001
"""Every inner node leaks this to the room."""
SMALLEST_AREA_M2 = 1e-18
"""A passage of area 0 is counted as this: 1e-8 of the leak of a node, and no division by zero."""


@dataclass(frozen=True)
class Circuit:
    """What is left of a layout during one test: the part that is connected with the tap, parallel passages merged.

    Nodes are numbered: the inner ones first, then the room, then the manifold.
    """

    nodes: tuple[str, ...]
    tap: int
    start: npt.NDArray[np.intp]
    end: npt.NDArray[np.intp]
    one_way: npt.NDArray[np.bool_]
    members: npt.NDArray[np.float64]
    """(elements, parameters) 1 where the element contains that edge or seal."""
    fixed_area_m2: FloatArray
    """(elements,) area that is the same in all draws: openings and the leaks of the inner nodes."""
    forward_factor: FloatArray
    """(elements,) 2 gamma/((gamma-1) R T) of the gas that enters at `start`."""
    backward_factor: FloatArray
    """(elements,) the same of gas that enters at `end`."""
    source: int
    """Number of the node where blow-by enters; -1 where the crankcase is not in this part."""

    @property
    def alike(self) -> bytes:
        """The same for circuits that differ only in the tap."""
        arrays = (self.start, self.end, self.one_way, self.members, self.fixed_area_m2)
        return repr((self.nodes, self.source)).encode() + b"".join(array.tobytes() for array in arrays)

    @property
    def inner(self) -> int:
        """Number of nodes whose pressure has to be found."""
        return len(self.nodes) - 2

    def areas(self, areas_m2: FloatArray) -> FloatArray:
        """(elements, draws) area of each element, from (parameters, draws) in the order of `parameter_names`."""
        return np.maximum(self.members @ areas_m2 + self.fixed_area_m2[:, None], SMALLEST_AREA_M2)


def parameter_names(layout: Layout) -> list[str]:
    """Order of the unknowns: edges, seals, then "blow_by" and "manifold"."""
    return [edge.id for edge in layout.edges] + [seal.id for seal in layout.seals] + ["blow_by", "manifold"]


def circuit_for(layout: Layout, test: LayoutTest) -> Circuit:
    """The circuit that `test` makes of `layout`."""
    names = parameter_names(layout)
    passages = _passages(layout, test)
    reached = _reached(test.tap, [(a, b) for a, b, _, _, _ in passages])
    nodes = (*(node for node in layout.inner_nodes if node in reached), ROOM, MANIFOLD)
    number = {node: index for index, node in enumerate(nodes)}
    merged: dict[tuple[str, str, object], tuple[list[str], float]] = {}
    for position, (a, b, one_way, name, area) in enumerate(passages):
        if (a in number and b in number) and not (a in FIXED_NODES and b in FIXED_NODES):
            if not one_way and number[a] > number[b]:
                a, b = b, a
            ids, fixed = merged.get((a, b, position if one_way else None), ([], 0.0))
            merged[(a, b, position if one_way else None)] = ([*ids, *([name] if name else [])], fixed + area * 1e-6)
    members = np.zeros((len(merged), len(names)))
    for row, (ids, _) in enumerate(merged.values()):
        for name in ids:
            members[row, names.index(name)] = 1.0
    gas, room = _temperature_factor(layout.gas_c + ZERO_CELSIUS_K), _temperature_factor(REFERENCE_TEMPERATURE_K)
    return Circuit(
        nodes=nodes,
        tap=number[test.tap],
        start=np.array([number[a] for a, _, _ in merged], dtype=np.intp),
        end=np.array([number[b] for _, b, _ in merged], dtype=np.intp),
        one_way=np.array([key is not None for _, _, key in merged], dtype=bool),
        members=members,
        fixed_area_m2=np.array([fixed for _, fixed in merged.values()]),
        forward_factor=np.array([room if a == ROOM else gas for a, _, _ in merged]),
        backward_factor=np.array([room if b == ROOM else gas for _, b, _ in merged]),
        source=number.get(CRANKCASE, -1),
    )


def _passages(layout: Layout, test: LayoutTest) -> list[tuple[str, str, bool, str, float]]:
    """(from, to, one way, parameter or "", fixed area in mm2) of all that passes gas during the test."""
    found = [(edge.start, edge.end, edge.one_way, edge.id, 0.0) for edge in layout.edges if edge.id not in test.stopped]
    found += [(seal.node, ROOM, False, seal.id, 0.0) for seal in layout.seals if seal.id not in test.stopped]
    found += [(opening.node, ROOM, False, "", opening.cda_mm2) for opening in test.open if opening.node != ROOM]
    found += [(node, ROOM, False, "", INNER_LEAK_MM2) for node in layout.inner_nodes]
    return found


def _reached(tap: str, pairs: list[tuple[str, str]]) -> set[str]:
    """Nodes joined with the tap by passages that do not lead through manifold or room, and those two."""
    reached = {tap}
    grown = True
    while grown and tap not in FIXED_NODES:
        grown = False
        for a, b in pairs:
            for here, there in ((a, b), (b, a)):
                if here in reached and here not in FIXED_NODES and there not in reached:
                    reached.add(there)
                    grown = True
    return reached | set(FIXED_NODES)


def _temperature_factor(kelvin: float) -> float:
    return 2.0 * GAMMA_AIR / ((GAMMA_AIR - 1.0) * R_AIR_J_KG_K * kelvin)
