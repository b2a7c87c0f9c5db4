"""A ventilation layout as plain facts: nodes, edges, seals, faults and the tests that a person can make.

Pressures are pascals, areas effective (Cd*A) in mm2, flows L/min of air at 20 degC and 101325 Pa. A range is the pair
(low, high) between which an unknown lies: log-uniform, uniform where the low end is 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

Range = tuple[float, float]

MANIFOLD = "manifold"
ROOM = "room"
CRANKCASE = "crankcase"
HEALTHY = "healthy"
FIXED_NODES = (MANIFOLD, ROOM)


@dataclass(frozen=True)
class Edge:
    """A passage between two nodes. `one_way` passes flow from `start` to `end` only."""

    id: str
    label: str
    start: str
    end: str
    cda_mm2: Range
    one_way: bool = False


@dataclass(frozen=True)
class Seal:
    """What should keep a node closed against the room; its range is the leak that a healthy one has."""

    id: str
    label: str
    node: str
    cda_mm2: Range


@dataclass(frozen=True)
class Change:
    """A range that a fault replaces. `kind` is "edge" or "seal" (then `target` is its id), "blow_by" or "manifold"."""

    kind: str
    target: str
    range: Range


@dataclass(frozen=True)
class Fault:
    """A fault, or "healthy" with no changes."""

    id: str
    label: str
    prior: float
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True)
class Opening:
    """An extra opening from a node to the room, made for a test."""

    node: str
    cda_mm2: float


@dataclass(frozen=True)
class LayoutTest:
    """One set-up and one reading: where the gauge sits, what is stopped up, taken off or opened for it."""

    id: str
    label: str
    minutes: float
    tap: str
    shut: tuple[str, ...] = ()
    detach: tuple[str, ...] = ()
    open: tuple[Opening, ...] = ()
    guided: str = ""
    """The guided test and its reading that this is, as "TEST/READING", so that the casebook feeds it; or nothing."""

    @property
    def stopped(self) -> frozenset[str]:
        """Edges and seals that pass nothing during this test: of an edge taken off the rig stops both ends."""
        return frozenset(self.shut) | frozenset(self.detach)


@dataclass(frozen=True)
class Layout:
    """A whole ventilation system at warm idle."""

    name: str
    title: str
    nodes: tuple[str, ...]
    manifold_vacuum_pa: Range
    blow_by_lpm: Range
    gas_c: float
    edges: tuple[Edge, ...]
    seals: tuple[Seal, ...]
    faults: tuple[Fault, ...]
    tests: tuple[LayoutTest, ...]
    basis: str = ""
    """Where the ranges come from: a source, or "practice"."""
    places: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Column and row of each node in the picture; empty: the picture finds places of its own."""

    @property
    def inner_nodes(self) -> tuple[str, ...]:
        """Nodes whose pressure has to be found."""
        return tuple(node for node in self.nodes if node not in FIXED_NODES)

    def test(self, test_id: str) -> LayoutTest:
        """The test of that id. Raises KeyError."""
        for test in self.tests:
            if test.id == test_id:
                return test
        raise KeyError(test_id)

    def fault(self, fault_id: str) -> Fault:
        """The fault of that id. Raises KeyError."""
        for fault in self.faults:
            if fault.id == fault_id:
                return fault
        raise KeyError(fault_id)


def as_fields(layout: Layout) -> dict[str, Any]:
    """The layout as `layouts NAME --json` gives it, so that another program can simulate it."""
    return {
        "name": layout.name,
        "title": layout.title,
        "nodes": list(layout.nodes),
        "manifold_vacuum_pa": list(layout.manifold_vacuum_pa),
        "blow_by_lpm": list(layout.blow_by_lpm),
        "gas_c": layout.gas_c,
        "edges": [_edge_fields(edge) for edge in layout.edges],
        "seals": [
            {"id": seal.id, "label": seal.label, "node": seal.node, "cda_mm2": list(seal.cda_mm2)}
            for seal in layout.seals
        ],
        "faults": [
            {
                "id": fault.id,
                "label": fault.label,
                "prior": fault.prior,
                "changes": [_change_fields(change) for change in fault.changes],
            }
            for fault in layout.faults
        ],
        "tests": [_test_fields(test) for test in layout.tests],
    }


def _edge_fields(edge: Edge) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "id": edge.id, "label": edge.label, "from": edge.start, "to": edge.end, "cda_mm2": list(edge.cda_mm2),
    }  # fmt: skip
    if edge.one_way:
        fields["one_way"] = True
    return fields


def _change_fields(change: Change) -> dict[str, Any]:
    if change.kind == "blow_by":
        return {"blow_by_lpm": list(change.range)}
    if change.kind == "manifold":
        return {"manifold_vacuum_pa": list(change.range)}
    return {change.kind: change.target, "cda_mm2": list(change.range)}


def _test_fields(test: LayoutTest) -> dict[str, Any]:
    return {
        "id": test.id,
        "label": test.label,
        "minutes": test.minutes,
        "tap": test.tap,
        "shut": list(test.shut),
        "detach": list(test.detach),
        "open": [{"node": opening.node, "cda_mm2": opening.cda_mm2} for opening in test.open],
    }
