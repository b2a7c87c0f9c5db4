"""What a picture of a layout shows, apart from how it is drawn: places of the nodes and the parts that are marked."""

from __future__ import annotations

from dataclasses import dataclass

from sumpglass.errors import InputError
from sumpglass.faults.layout import CRANKCASE, MANIFOLD, ROOM, Layout

Place = tuple[float, float]


@dataclass(frozen=True)
class Marks:
    """Ids to mark: parts under suspicion, parts stopped up for a test, the node that is tapped, openings made."""

    suspected: frozenset[str] = frozenset()
    stopped: frozenset[str] = frozenset()
    tap: str | None = None
    opened: frozenset[str] = frozenset()


def marks_of(layout: Layout, name: str | None) -> Marks:
    """Marks for a fault, a test, an edge, a seal or a node of that id. Raises InputError."""
    if name is None:
        return Marks()
    for fault in layout.faults:
        if fault.id == name:
            parts = {"blow_by": CRANKCASE, "manifold": MANIFOLD}
            return Marks(suspected=frozenset(parts.get(change.kind, change.target) for change in fault.changes))
    for test in layout.tests:
        if test.id == name:
            return Marks(stopped=test.stopped, tap=test.tap, opened=frozenset(o.node for o in test.open))
    if name in {edge.id for edge in layout.edges} | {seal.id for seal in layout.seals} | set(layout.nodes):
        return Marks(suspected=frozenset({name}))
    raise InputError(f"--mark: {layout.name} has no {name[:60]!r}, expected the id of a fault, a test, an edge, a seal or a node")


def places_of(layout: Layout) -> dict[str, Place]:
    """Column and row of every node: the layout's own, else one row by distance from the manifold, the room last."""
    if set(layout.places) >= set(layout.nodes):
        return {node: layout.places[node] for node in layout.nodes}
    distance = {MANIFOLD: 0}
    while True:
        reached = {}
        for edge in layout.edges:
            for a, b in ((edge.start, edge.end), (edge.end, edge.start)):
                if a in distance and b not in distance and b != ROOM:
                    reached[b] = distance[a] + 1
        if not reached:
            break
        distance |= reached
    places: dict[str, Place] = {}
    taken: dict[int, int] = {}
    for node in layout.nodes:
        column = distance.get(node, 1) if node != ROOM else max(distance.values()) + 1
        places[node] = (float(column), float(taken.get(column, 0)))
        taken[column] = taken.get(column, 0) + 1
    return places
