"""What a picture of a layout shows, apart from how it is drawn: places of the nodes and the parts that are marked."""

from __future__ import annotations

from dataclasses import dataclass

from sumpglass.errors import InputError
from sumpglass.faults.layout import CRANKCASE, MANIFOLD, ROOM, Layout

Place = tuple[float, float]

HALF_WIDTH = 0.36
HALF_HEIGHT = 0.22
"""Half the size of a node's box, in columns and rows."""


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
    raise InputError(
        f"--mark: {layout.name} has no {name[:60]!r}, expected the id of a fault, a test, an edge, a seal or a node"
    )


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


@dataclass(frozen=True)
class Line:
    """One drawn line: the edges that join the same two nodes (numbered from 1), and its corners from box to box."""

    numbers: tuple[int, ...]
    one_way: bool
    corners: tuple[Place, ...]
    badge: Place
    """Where the numbers stand: on the line, away from crossings."""


def lines_of(layout: Layout, places: dict[str, Place]) -> list[Line]:
    """The edges as lines that turn at right angles and go around the boxes of other nodes where they can."""
    joined: dict[frozenset[str], list[int]] = {}
    for number, edge in enumerate(layout.edges, start=1):
        joined.setdefault(frozenset((edge.start, edge.end)), []).append(number)
    drawn: list[tuple[tuple[int, ...], bool, tuple[Place, ...]]] = []
    for numbers in joined.values():
        first = layout.edges[numbers[0] - 1]
        others = [place for node, place in places.items() if node not in (first.start, first.end)]
        corners = _route(places[first.start], places[first.end], others, [way for _, _, way in drawn])
        drawn.append((tuple(numbers), first.one_way, corners))
    return [
        Line(numbers, one_way, corners, _free_place(corners, [way for _, _, way in drawn if way is not corners]))
        for numbers, one_way, corners in drawn
    ]


def _route(a: Place, b: Place, boxes: list[Place], lines: list[tuple[Place, ...]]) -> tuple[Place, ...]:
    """Of the simple ways from `a` to `b` the one that meets fewest boxes, then fewest lines, then the shortest."""
    ways: list[list[Place]] = [[a, b]] if a[0] == b[0] or a[1] == b[1] else []
    ways += [[a, (b[0], a[1]), b], [a, (a[0], b[1]), b]]
    for row in (a[1] - 0.5, a[1] + 0.5, b[1] - 0.5, b[1] + 0.5):
        ways.append([a, (a[0], row), (b[0], row), b])

    def cost(way: list[Place]) -> tuple[int, int, float]:
        steps = list(zip(way, way[1:]))
        met = sum(_meets(p, q, box) for p, q in steps for box in boxes)
        crossed = sum(_touch(p, q, r, s) for p, q in steps for line in lines for r, s in zip(line, line[1:]))
        return met, crossed, sum(abs(q[0] - p[0]) + abs(q[1] - p[1]) for p, q in steps)

    chosen = min(ways, key=cost)
    kept = [chosen[0]] + [p for p, after in zip(chosen[1:], [*chosen[2:], None]) if p != after and p != chosen[0]]
    return (_border(kept[0], kept[1]), *kept[1:-1], _border(kept[-1], kept[-2]))


def _touch(p: Place, q: Place, r: Place, s: Place) -> int:
    """0 where two stretches keep apart, 1 where they cross, 3 where they run along each other."""
    apart = (
        max(p[0], q[0]) < min(r[0], s[0]) or max(r[0], s[0]) < min(p[0], q[0])
        or max(p[1], q[1]) < min(r[1], s[1]) or max(r[1], s[1]) < min(p[1], q[1])
    )  # fmt: skip
    if apart:
        return 0
    return 3 if (p[0] == q[0]) == (r[0] == s[0]) else 1


def _free_place(corners: tuple[Place, ...], others: list[tuple[Place, ...]]) -> Place:
    """A point on the line for its numbers, halfway if no other line passes there."""
    for share in (0.5, 0.38, 0.62, 0.28, 0.72):
        x, y = _point_at(corners, share)
        near = ((x - 0.1, y), (x + 0.1, y)), ((x, y - 0.15), (x, y + 0.15))
        if not any(_touch(*stretch, r, s) for stretch in near for line in others for r, s in zip(line, line[1:])):
            return x, y
    return _point_at(corners, 0.5)


def _meets(p: Place, q: Place, box: Place) -> bool:
    left, right = min(p[0], q[0]), max(p[0], q[0])
    top, bottom = min(p[1], q[1]), max(p[1], q[1])
    across = left < box[0] + HALF_WIDTH and right > box[0] - HALF_WIDTH
    return across and top < box[1] + HALF_HEIGHT and bottom > box[1] - HALF_HEIGHT


def _border(centre: Place, towards: Place) -> Place:
    if abs(towards[0] - centre[0]) > abs(towards[1] - centre[1]):
        return centre[0] + (HALF_WIDTH if towards[0] > centre[0] else -HALF_WIDTH), centre[1]
    return centre[0], centre[1] + (HALF_HEIGHT if towards[1] > centre[1] else -HALF_HEIGHT)


def _point_at(corners: tuple[Place, ...], share: float) -> Place:
    """The point at `share` of the way along a line."""
    lengths = [abs(q[0] - p[0]) + abs(q[1] - p[1]) for p, q in zip(corners, corners[1:])]
    rest = share * sum(lengths)
    for p, q, length in zip(corners, corners[1:], lengths):
        if rest <= length and length > 0:
            part = rest / length
            return p[0] + part * (q[0] - p[0]), p[1] + part * (q[1] - p[1])
        rest -= length
    return corners[-1]


def seal_letters(layout: Layout) -> dict[str, str]:
    """A letter for each seal, for the picture and its legend: a, b, ... z, aa, ab, ..."""
    alphabet = "abcdefghijklmnopqrstuvwxyz"
    return {
        seal.id: (alphabet[n // 26 - 1] if n >= 26 else "") + alphabet[n % 26]
        for n, seal in enumerate(layout.seals[: 26 * 27])
    }


def node_words(node: str) -> str:
    """A node's name as words."""
    return node.replace("_", " ").replace("-", " ")


def range_words(low: float, high: float) -> str:
    """A range of areas for the legend."""
    return f"{low:g} to {high:g} mm²"
