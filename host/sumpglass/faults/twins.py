"""Faults that no test of a layout can tell apart, because in every test their parts are one and the same passage."""

from __future__ import annotations

from sumpglass.faults.layout import Fault, Layout, Range
from sumpglass.faults.network import circuit_for, parameter_names


def twins_of(layout: Layout) -> list[tuple[str, ...]]:
    """Groups of fault ids with the same effect in every test: same ranges, on parts that every test joins alike."""
    names = parameter_names(layout)
    healthy: dict[str, Range] = {edge.id: edge.cda_mm2 for edge in layout.edges}
    healthy |= {seal.id: seal.cda_mm2 for seal in layout.seals}
    circuits = [circuit_for(layout, test) for test in layout.tests]

    def place(part: str) -> tuple[object, ...]:
        """Where the part sits in each test: the number of its merged passage, or None where it does not count."""
        column = names.index(part)
        rows = [circuit.members[:, column].nonzero()[0] for circuit in circuits]
        return tuple(int(row[0]) if len(row) else None for row in rows)

    def effect(fault: Fault) -> tuple[object, ...]:
        found = []
        for change in fault.changes:
            if change.kind in ("edge", "seal"):
                found.append(("part", place(change.target), healthy[change.target], change.range))
            else:
                found.append((change.kind, (), (0.0, 0.0), change.range))
        return tuple(sorted(found, key=repr))

    groups: dict[tuple[object, ...], list[str]] = {}
    for fault in layout.faults:
        groups.setdefault(effect(fault), []).append(fault.id)
    return [tuple(group) for group in groups.values() if len(group) > 1]
