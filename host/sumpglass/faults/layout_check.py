"""The checker of layout files: every complaint names file, line, what was found and what was expected."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, NoReturn

from sumpglass.errors import InputError
from sumpglass.faults.layout import (
    CRANKCASE,
    HEALTHY,
    MANIFOLD,
    ROOM,
    Change,
    Edge,
    Fault,
    Layout,
    LayoutTest,
    Opening,
    Range,
    Seal,
)
from sumpglass.faults.toml_lines import Path as LinePath

PRIORS_OFF = 2e-3
"""Priors may miss a sum of 1 by this, as those rounded to three digits do; they are scaled to it."""
LONGEST_NAME = 64
_NEEDED = ("name", "title", "nodes", "manifold_vacuum_pa", "blow_by_lpm", "gas_c", "faults", "tests")


def _summing_to_one(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    total = math.fsum(fault.prior for fault in faults)
    if abs(total - 1.0) < 1e-12:
        return faults
    return tuple(replace(fault, prior=fault.prior / total) for fault in faults)


class LayoutChecker:
    """Takes the document apart; every complaint goes through `_fail`, which knows the line of a path."""

    def __init__(self, document: dict[str, Any], lines: dict[LinePath, int], origin: str) -> None:
        self.document, self.lines, self.origin = document, lines, origin

    def _fail(self, path: LinePath, found: str, expected: str) -> NoReturn:
        while path and path not in self.lines:
            path = path[:-1]
        raise InputError(f"{self.origin}, line {self.lines.get(path, 1)}: {found}, expected {expected}")

    def layout(self) -> Layout:
        """The layout, all of it looked at. Raises InputError."""
        self._keys((), self.document, _NEEDED, ("edges", "seals", "basis", "places", "schema", "version"))
        nodes = self._nodes()
        edges = tuple(self._edge(path, item, nodes) for path, item in self._tables(("edges",)))
        seals = tuple(self._seal(path, item, nodes) for path, item in self._tables(("seals",)))
        self._unique(
            [("edges", n, e.id) for n, e in enumerate(edges)] + [("seals", n, s.id) for n, s in enumerate(seals)]
        )
        parts = {edge.id: "edge" for edge in edges} | {seal.id: "seal" for seal in seals}
        faults = tuple(self._fault(path, item, parts) for path, item in self._tables(("faults",)))
        tests = tuple(self._test(path, item, nodes, parts) for path, item in self._tables(("tests",)))
        self._unique([("faults", n, f.id) for n, f in enumerate(faults)])
        self._unique([("tests", n, t.id) for n, t in enumerate(tests)])
        self._whole(faults, tests)
        return Layout(
            name=self._name(("name",), self.document["name"]),
            title=self._text(("title",), self.document["title"]),
            nodes=nodes,
            manifold_vacuum_pa=self._vacuum_range(("manifold_vacuum_pa",), self.document["manifold_vacuum_pa"]),
            blow_by_lpm=self._range(("blow_by_lpm",), self.document["blow_by_lpm"], "L/min", 10000.0),
            gas_c=self._number(("gas_c",), self.document["gas_c"], "a temperature from -40 to 300 degC", -40.0, 300.0),
            edges=edges,
            seals=seals,
            faults=_summing_to_one(faults),
            tests=tests,
            basis=self._text(("basis",), self.document.get("basis", "")),
            places=self._places(nodes),
        )

    def _nodes(self) -> tuple[str, ...]:
        nodes = self._list(("nodes",), self.document["nodes"], "a list of node names")
        names = [self._name(("nodes", n), node) for n, node in enumerate(nodes)]
        for n, name in enumerate(names):
            if name in names[:n]:
                self._fail(("nodes", n), f"node {name!r} twice", "each node once")
        for needed in (MANIFOLD, CRANKCASE, ROOM):
            if needed not in names:
                self._fail(("nodes",), f"no node {needed!r}", "manifold, crankcase and room among the nodes")
        return tuple(names)

    def _edge(self, path: LinePath, item: dict[str, Any], nodes: tuple[str, ...]) -> Edge:
        self._keys(path, item, ("id", "label", "from", "to", "cda_mm2"), ("one_way", "basis"))
        start, end = self._node(path, item, "from", nodes), self._node(path, item, "to", nodes)
        if start == end:
            self._fail((*path, "to"), f"an edge from {start!r} to itself", "two different nodes")
        one_way = item.get("one_way", False)
        if not isinstance(one_way, bool):
            self._fail((*path, "one_way"), f"one_way is {one_way!r}", "true or false")
        return Edge(*self._id_and_label(path, item), start, end, self._area(path, item), one_way)

    def _seal(self, path: LinePath, item: dict[str, Any], nodes: tuple[str, ...]) -> Seal:
        self._keys(path, item, ("id", "label", "node", "cda_mm2"), ("basis",))
        node = self._node(path, item, "node", nodes)
        if node == ROOM:
            self._fail((*path, "node"), "a seal between the room and the room", "another node")
        return Seal(*self._id_and_label(path, item), node, self._area(path, item))

    def _fault(self, path: LinePath, item: dict[str, Any], parts: dict[str, str]) -> Fault:
        self._keys(path, item, ("id", "label", "prior"), ("changes", "basis"))
        prior = self._number((*path, "prior"), item["prior"], "a probability from 0 to 1", 0.0, 1.0)
        changes = self._list((*path, "changes"), item.get("changes", []), "a list of changes")
        found = tuple(self._change((*path, "changes", n), change, parts) for n, change in enumerate(changes))
        for n, change in enumerate(found):
            if (change.kind, change.target) in [(other.kind, other.target) for other in found[:n]]:
                self._fail(
                    (*path, "changes", n), f"{change.target or change.kind} changed twice", "each part once in a fault"
                )
        return Fault(*self._id_and_label(path, item), prior, found)

    def _change(self, path: LinePath, change: Any, parts: dict[str, str]) -> Change:
        kinds = ("edge", "seal", "blow_by_lpm", "manifold_vacuum_pa")
        named = [kind for kind in kinds if isinstance(change, dict) and kind in change]
        if len(named) != 1:
            self._fail(
                path, f"a change that names {' and '.join(named) or 'nothing'}", f"exactly one of {', '.join(kinds)}"
            )
        kind = named[0]
        if kind == "blow_by_lpm":
            self._keys(path, change, (kind,), ())
            return Change("blow_by", "", self._range((*path, kind), change[kind], "L/min", 10000.0))
        if kind == "manifold_vacuum_pa":
            self._keys(path, change, (kind,), ())
            return Change("manifold", "", self._vacuum_range((*path, kind), change[kind]))
        self._keys(path, change, (kind, "cda_mm2"), ())
        target = change[kind]
        if not isinstance(target, str) or parts.get(target) != kind:
            self._fail((*path, kind), f"{kind} {target!r}", f"the id of one of the {kind}s")
        return Change(kind, target, self._area(path, change))

    def _test(self, path: LinePath, item: dict[str, Any], nodes: tuple[str, ...], parts: dict[str, str]) -> LayoutTest:
        self._keys(path, item, ("id", "label", "minutes", "tap"), ("shut", "detach", "open", "guided", "basis"))
        minutes = self._number((*path, "minutes"), item["minutes"], "minutes above 0", 0.0, 1e4)
        if minutes == 0:
            self._fail((*path, "minutes"), "minutes is 0", "minutes above 0")
        stopped = {kind: self._parts((*path, kind), item.get(kind, []), parts) for kind in ("shut", "detach")}
        openings = self._list((*path, "open"), item.get("open", []), "a list of openings")
        return LayoutTest(
            *self._id_and_label(path, item),
            minutes,
            self._node(path, item, "tap", nodes),
            stopped["shut"],
            stopped["detach"],
            tuple(self._opening((*path, "open", n), opening, nodes) for n, opening in enumerate(openings)),
            self._text((*path, "guided"), item.get("guided", "")),
        )

    def _opening(self, path: LinePath, item: Any, nodes: tuple[str, ...]) -> Opening:
        if not isinstance(item, dict):
            self._fail(path, f"an opening {item!r}", "a table with node and cda_mm2")
        self._keys(path, item, ("node", "cda_mm2"), ())
        area = self._number((*path, "cda_mm2"), item["cda_mm2"], "an area in mm2 from 0 to 100000", 0.0, 1e5)
        return Opening(self._node(path, item, "node", nodes), area)

    def _whole(self, faults: tuple[Fault, ...], tests: tuple[LayoutTest, ...]) -> None:
        total = math.fsum(fault.prior for fault in faults)
        if abs(total - 1.0) > PRIORS_OFF:
            self._fail(("faults",), f"priors that sum to {total:.9g}", "priors that sum to 1")
        healthy = [n for n, fault in enumerate(faults) if fault.id == HEALTHY]
        if not healthy:
            self._fail(("faults",), "no fault 'healthy'", "one of the faults to be 'healthy', with no changes")
        if faults[healthy[0]].changes:
            self._fail(("faults", healthy[0]), "'healthy' with changes", "no changes")
        if not tests:
            self._fail(("tests",), "no tests", "at least one test")

    def _places(self, nodes: tuple[str, ...]) -> dict[str, tuple[float, float]]:
        places = self.document.get("places", {})
        if not isinstance(places, dict):
            self._fail(("places",), "places that are no table", "a table of node = [column, row]")
        result = {}
        for node, pair in places.items():
            path = ("places", node)
            if node not in nodes:
                self._fail(path, f"a place for {node!r}", f"one of the nodes {', '.join(nodes)}")
            if len(self._list(path, pair, "[column, row]")) != 2:
                self._fail(path, f"{len(pair)} numbers", "[column, row]")
            result[node] = (
                self._number(path, pair[0], "a column from 0 to 100", 0.0, 100.0),
                self._number(path, pair[1], "a row from 0 to 100", 0.0, 100.0),
            )
        return result

    # Small parts, each with its own complaint.

    def _tables(self, path: LinePath) -> Iterator[tuple[LinePath, dict[str, Any]]]:
        items = self._list(path, self.document.get(str(path[0]), []), f"a list of tables [[{path[0]}]]")
        for n, item in enumerate(items):
            if not isinstance(item, dict):
                self._fail((*path, n), f"{item!r}", f"a table [[{path[0]}]]")
            yield (*path, n), item

    def _keys(self, path: LinePath, item: dict[str, Any], needed: tuple[str, ...], optional: tuple[str, ...]) -> None:
        for key in needed:
            if key not in item:
                self._fail(path, f"no {key!r}", f"the keys {', '.join(needed)}")
        for key in item:
            if key not in needed and key not in optional:
                self._fail((*path, key), f"an unknown key {key!r}", f"one of {', '.join(needed + optional)}")

    def _unique(self, ids: list[tuple[str, int, str]]) -> None:
        seen: set[str] = set()
        for table, n, name in ids:
            if name in seen:
                self._fail((table, n, "id"), f"the id {name!r} a second time", "ids that are unique")
            seen.add(name)

    def _id_and_label(self, path: LinePath, item: dict[str, Any]) -> tuple[str, str]:
        return self._name((*path, "id"), item["id"]), self._text((*path, "label"), item["label"])

    def _name(self, path: LinePath, value: Any) -> str:
        # Any script, combining marks included; nothing that could steer a terminal, or pass for an option of a command.
        right = isinstance(value, str) and 0 < len(value) <= LONGEST_NAME and value.isprintable()
        if not right or value != value.strip() or value.startswith("-"):
            expected = f"1 to {LONGEST_NAME} printable characters, no - first and no space at the ends"
            self._fail(path, f"the name {value!r}"[:90], expected)
        return value

    def _text(self, path: LinePath, value: Any) -> str:
        if not isinstance(value, str) or len(value) > 500:
            self._fail(path, f"{str(value)[:40]!r}", "text of at most 500 characters")
        return value

    def _list(self, path: LinePath, value: Any, expected: str) -> list[Any]:
        if not isinstance(value, list):
            self._fail(path, f"{value!r}"[:60], expected)
        return value

    def _node(self, path: LinePath, item: dict[str, Any], key: str, nodes: tuple[str, ...]) -> str:
        if item[key] not in nodes:
            self._fail((*path, key), f"node {item[key]!r}", f"one of the nodes {', '.join(nodes)}")
        return str(item[key])

    def _parts(self, path: LinePath, value: Any, parts: dict[str, str]) -> tuple[str, ...]:
        for n, name in enumerate(self._list(path, value, "a list of ids of edges and seals")):
            if not isinstance(name, str) or name not in parts:
                self._fail((*path, n), f"{name!r}", "the id of an edge or a seal")
        return tuple(value)

    def _number(self, path: LinePath, value: Any, expected: str, low: float, high: float) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            self._fail(path, f"{value!r}", expected)
        return float(value)

    def _area(self, path: LinePath, item: dict[str, Any]) -> Range:
        return self._range((*path, "cda_mm2"), item["cda_mm2"], "mm2", 1e5)

    def _vacuum_range(self, path: LinePath, value: Any) -> Range:
        return self._range(path, value, "Pa below the room, at most 100000,", 100000.0)

    def _range(self, path: LinePath, value: Any, unit: str, most: float) -> Range:
        expected = f"[low, high] in {unit} with 0 <= low <= high"
        if len(self._list(path, value, expected)) != 2:
            self._fail(path, f"{len(value)} numbers", expected)
        low, high = (self._number((*path, n), number, expected, 0.0, most) for n, number in enumerate(value))
        if low > high:
            self._fail(path, f"low {low:g} above high {high:g}", expected)
        return low, high
