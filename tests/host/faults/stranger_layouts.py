"""Layouts drawn at random, as TOML: loops, islands, passages side by side, twins, extremes, names in any script."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

WORDS = ("ölwanne", "клапан", "管路", "π-rohr", "Σ", "été", "n_1", "x.2", "a-b", "सील", "7th", "N" * 64)


def area(rng: np.random.Generator, moderate: bool) -> list[float]:
    """A range of areas in mm2: usual, of zero width, down to nothing, nothing at all, or extreme."""
    low = float(10.0 ** rng.uniform(-2, 2))
    high = low * float(10.0 ** rng.uniform(0, 1.5))
    forms = ([low, high], [low, high], [low, high], [low, low], [0.0, high], [0.0, 0.0], [1e-9, 1e5], [1e5, 1e5])
    return [*forms[int(rng.integers(len(forms) - 2 * moderate))]]


def strange_layout(
    seed: int, most_nodes: int = 8, most_faults: int = 12, most_tests: int = 6, moderate: bool = False
) -> dict[str, Any]:
    """The content of a layout file that is right, however odd; `moderate`: no areas of fourteen decades."""
    rng = np.random.default_rng(seed)

    def some(items: list[str], most: int) -> list[str]:
        count = int(rng.integers(0, min(most, len(items)) + 1))
        return [str(item) for item in rng.choice(items, count, replace=False)] if count else []

    nodes = ["manifold", "room", "crankcase", *rng.permutation(WORDS)[: int(rng.integers(0, most_nodes + 1))].tolist()]
    edges, seals = [], []
    for number in range(int(rng.integers(0, 2 * len(nodes)))):
        start, end = rng.choice(nodes, 2, replace=False).tolist()
        edge = {
            "id": f"e{number}",
            "label": f"passage “{number}”",
            "from": start,
            "to": end,
            "cda_mm2": area(rng, moderate),
        }
        edges.append(edge | ({"one_way": bool(rng.integers(2))} if rng.integers(2) else {}))
    for number in range(int(rng.integers(0, 6))):
        node = str(rng.choice([node for node in nodes if node != "room"]))
        seals.append({"id": f"s{number}", "label": "", "node": node, "cda_mm2": area(rng, moderate)})
    parts = [edge["id"] for edge in edges] + [seal["id"] for seal in seals]
    prior = rng.dirichlet(np.full(int(rng.integers(1, most_faults + 1)), 0.7))
    faults: list[dict[str, Any]] = []
    for number, share in enumerate(prior):
        changes: list[dict[str, Any]] = []
        for name in some(parts, 3):
            changes.append({"edge" if name[0] == "e" else "seal": name, "cda_mm2": area(rng, moderate)})
        if rng.integers(4) == 0:
            changes.append({"blow_by_lpm": [[0.0, 0.0], [30.0, 80.0], [0.0, 400.0]][int(rng.integers(3))]})
        if rng.integers(4) == 0:
            changes.append({"manifold_vacuum_pa": [[0.0, 0.0], [5e3, 2e4], [99e3, 1e5]][int(rng.integers(3))]})
        if number and rng.integers(5) == 0:
            changes = faults[-1]["changes"]  # a twin
        name = "healthy" if number == 0 else f"f{number}"
        faults.append(
            {"id": name, "label": f"fault {number}", "prior": float(share), "changes": changes if number else []}
        )
    tests = []
    for number in range(int(rng.integers(1, most_tests + 1))):
        opened = [{"node": node, "cda_mm2": float(rng.choice([0.0, 1e-3, 4.3, 1e5]))} for node in some(nodes, 2)]
        tests.append(
            {"id": f"t{number}", "label": f"test {number}", "minutes": float(rng.choice([0.01, 2.0, 1e4])),
             "tap": str(rng.choice(nodes)), "shut": some(parts, 4), "detach": some(parts, 3), "open": opened}
        )  # fmt: skip
    return {
        "name": "strange", "title": "Ein fremdes — 奇妙な", "nodes": nodes,
        "gas_c": float(rng.choice([-40, 20, 70, 300])),
        "manifold_vacuum_pa": [[55e3, 7e4], [0.0, 0.0], [1.0, 1e5]][int(rng.integers(3))],
        "blow_by_lpm": [[2.0, 8.0], [0.0, 0.0], [0.0, 1000.0]][int(rng.choice(3, p=[0.7, 0.15, 0.15]))],
        "edges": edges, "seals": seals, "faults": faults, "tests": tests,
    }  # fmt: skip


def as_toml(content: dict[str, Any]) -> str:
    """The content as TOML, one entry a line."""
    return "\n".join(f"{key} = {_value(value)}" for key, value in content.items()) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n" + "".join(f"  {_value(item)},\n" for item in value) + "]"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False) if not isinstance(value, float) else repr(value)
