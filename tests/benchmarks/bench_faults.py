"""How well, how fast and in how many minutes of work the fault is found.

Engines with one fault each, drawn from the built-in layouts by their priors, are simulated by the independent solver
in tests/outside; readings carry 3 % and 20 Pa of noise and saturate at 7 kPa. What the noise is and what is told of it
goes round from case to case (`KINDS`). The tests that the program names are made until it calls the case settled, and
the same engines are worked through in the listed order until it does.

    python tests/benchmarks/bench_faults.py [--short] [--cases N] [--layout NAME|FILE] [--seed N] [--no-calls]

All layouts with 60 cases take some twenty minutes: `--keep FILE` adds the cases of a run to a file as JSON lines, and
`--show FILE` prints the tables of all that it holds.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outside"))

import independent_network  # noqa: E402  (found through the line above)

from sumpglass.faults.finding import Finding, find_fault  # noqa: E402
from sumpglass.faults.layout import Layout, as_fields  # noqa: E402
from sumpglass.faults.layout_file import built_in_names, load_layout  # noqa: E402
from sumpglass.faults.readings_file import parse_readings  # noqa: E402
from sumpglass.faults.twins import twins_of  # noqa: E402

RANGE_PA = 7000.0


def root_sum(level_pa: float) -> float:
    """3 % and 20 Pa as independent parts."""
    return math.hypot(0.03 * level_pa, 20.0)


def plain_sum(level_pa: float) -> float:
    """3 % plus 20 Pa."""
    return 0.03 * abs(level_pa) + 20.0


Spread = Callable[[float], float]
KINDS: dict[str, tuple[Spread, Callable[[float], float | None]]] = {
    "u95 told right": (root_sum, lambda level: 1.96 * root_sum(level)),
    "nothing told": (root_sum, lambda level: None),
    "half of it told": (root_sum, lambda level: 0.98 * root_sum(level)),
    "plain sum, 2 sigma": (plain_sum, lambda level: 2.0 * plain_sum(level)),
    "plain sum, nothing": (plain_sum, lambda level: None),
    "30 Pa told": (root_sum, lambda level: 30.0),
}
"""The true standard deviation of a reading by its level, and what is told as its u95."""


class ReadingsOf(dict[str, Any]):
    """The reading of each test of one engine, simulated when first asked for."""

    def __init__(self, facts: dict[str, Any], unknowns: dict[str, float], seed: list[int], kind: str) -> None:
        super().__init__()
        self.facts, self.unknowns, self.seed, self.kind = facts, unknowns, seed, kind

    def __missing__(self, test_id: str) -> dict[str, Any]:
        number, test = next((n, t) for n, t in enumerate(self.facts["tests"]) if t["id"] == test_id)
        true_pa = independent_network.read_test_pa(self.facts, test, self.unknowns)
        self[test_id] = noisy_reading(test_id, true_pa, np.random.default_rng([*self.seed, number]), self.kind)
        return dict(self[test_id])


def noisy_reading(test_id: str, true_pa: float, rng: np.random.Generator, kind: str) -> dict[str, Any]:
    """What the rig says: normal noise, saturated at 7 kPa."""
    spread, told = KINDS[kind]
    pressure = true_pa + spread(true_pa) * rng.standard_normal()
    if abs(pressure) > RANGE_PA:
        return {"test": test_id, "deeper_than_pa" if pressure < 0 else "above_pa": math.copysign(RANGE_PA, pressure)}
    u95_pa = told(pressure)
    reading = {"test": test_id, "pressure_pa": pressure}
    return reading if u95_pa is None else {**reading, "u95_pa": u95_pa}


def settle(
    layout: Layout, facts: dict[str, Any], readings_of: dict[str, Any], true: str, listed: bool
) -> tuple[Finding, dict[str, Any]]:
    """Make tests until settled, those named or in the listed order; returns the last finding and what was seen."""
    readings: list[dict[str, Any]] = []
    minutes = {test["id"]: test["minutes"] for test in facts["tests"]}
    seen: dict[str, Any] = {"minutes": 0.0, "calls": [], "firsts": [], "seconds": [], "doubts": 0}
    while True:
        began = time.perf_counter()
        finding = find_fault(layout, parse_readings(json.dumps(readings), layout), (), 1)
        seen["seconds"].append(round(time.perf_counter() - began, 3))
        if readings:
            seen["calls"] += [[round(p, 5), name == true] for name, p in finding.ranking if p >= 0.01]
            seen["firsts"].append([round(finding.ranking[0][1], 5), finding.ranking[0][0] == true])
            seen["doubts"] += finding.unexplained
        left = [test for test in minutes if test not in [reading["test"] for reading in readings]]
        if finding.settled or not left or (finding.next is None and not listed):
            return finding, seen
        following = left[0] if listed or finding.next is None else finding.next.test.id
        readings.append(readings_of[following])
        seen["minutes"] += minutes[following]


def case_of(layout: Layout, facts: dict[str, Any], seed: list[int], kind: str) -> dict[str, Any]:
    """One engine, from its draw to the verdict."""
    rng = np.random.default_rng(seed)
    priors = np.array([fault["prior"] for fault in facts["faults"]])
    fault = facts["faults"][int(rng.choice(len(priors), p=priors / priors.sum()))]
    unknowns = independent_network.draw_unknowns(facts, fault, rng)
    readings = ReadingsOf(facts, unknowns, seed, kind)
    finding, seen = settle(layout, facts, readings, fault["id"], False)
    _, walked = settle(layout, facts, readings, fault["id"], True)
    order = [name for name, _ in finding.ranking]
    named = {true for group in twins_of(layout) if fault["id"] in group for true in group} | {fault["id"]}
    return {
        "layout": layout.name, "kind": kind, "true": fault["id"], "first": order[0] in named,
        "three": bool(named & set(order[:3])), "said": finding.ranking[0][1], "called": order[0],
        "p_true": dict(finding.ranking)[fault["id"]], "unexplained": finding.unexplained,
        "made": [reading.test for reading in finding.evidence.readings],
        "listed_minutes": walked["minutes"], **seen, "listed_calls": walked["calls"],
        "listed_firsts": walked["firsts"], "seconds": seen["seconds"] + walked["seconds"],
        "doubts": seen["doubts"] + walked["doubts"],
    }  # fmt: skip


def row(name: str, cases: list[dict[str, Any]]) -> str:
    """One row of the table."""
    mean = {key: float(np.mean([case[key] for case in cases]))
            for key in ("first", "three", "said", "minutes", "listed_minutes")}  # fmt: skip
    seconds = np.concatenate([case["seconds"] for case in cases])
    return (
        f"{name:<22}{len(cases):>6}{mean['first']:>8.3f}{mean['three']:>8.3f}{mean['said']:>8.3f}"
        f"{mean['minutes']:>9.1f}{mean['minutes'] / max(mean['listed_minutes'], 1e-9):>8.2f}"
        f"{sum(case['unexplained'] for case in cases):>8}{np.median(seconds):>8.2f}{np.max(seconds):>8.2f}"
    )


def reliability(title: str, calls_of: list[list[list[float]]]) -> list[str]:
    """Rows of the reliability table from each case's calls, and the expected calibration error.

    Calls of one case hang together: the standard error is taken over cases (the cluster-robust one of survey sampling).
    """
    case = np.repeat(np.arange(len(calls_of)), [len(calls) for calls in calls_of])
    p, right = np.array([call for calls in calls_of for call in calls], dtype=float).reshape(-1, 2).T
    edges = [0.01, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.0001]
    rows, error = [f"{title}:", "   called    share right   calls   difference (one standard error)"], 0.0
    for low, high in zip(edges, edges[1:]):
        inside = (p >= low) & (p < high)
        if inside.any():
            called, were = float(np.mean(p[inside])), float(np.mean(right[inside]))
            error += abs(called - were) * float(np.mean(inside))
            spread = math.sqrt(np.sum(np.square(np.bincount(case[inside], (p - right)[inside])))) / inside.sum()
            mark = "  over 0.05" if abs(called - were) > 0.05 and inside.sum() > 50 else ""
            rows.append(
                f"   {called:.3f}     {were:.3f}      {inside.sum():>5}   {called - were:+.3f} ({spread:.3f}){mark}"
            )
    return [*rows, f"   expected calibration error {error:.3f}"]


def tables(cases: list[dict[str, Any]]) -> list[str]:
    """All that the cases show."""
    heads = ("first", "three", "said", "minutes", "ratio", "unexpl", "s mid", "s max")
    rows = [f"{'layout':<22}{'cases':>6}" + "".join(f"{head:>{9 if head == 'minutes' else 8}}" for head in heads)]
    for key in ("layout", "kind"):
        for name in dict.fromkeys(case[key] for case in cases):
            rows.append(row(name, [case for case in cases if case[key] == name]))
    rows += [row("all", cases), "asked: first >= 0.85, three >= 0.97, ratio <= 0.60, calibration within 0.05"]
    advised, listed = ([case[key] for case in cases] for key in ("calls", "listed_calls"))
    firsts = [case["firsts"] + case["listed_firsts"] for case in cases]
    rows += reliability("every fault at 1 % or more in every call, tests as advised", advised)
    rows += reliability("the same, tests in listed order", listed)
    rows += reliability("the first-ranked of every call, either way", firsts)
    rows.append(f"calls that said unexplained: {sum(case['doubts'] for case in cases)} of {sum(map(len, firsts))}")
    wrong = [case for case in cases if case["called"] != case["true"]]
    rows += [f"wrong at the end: {len(wrong)}"] if wrong else []
    rows += [
        f"  {case['layout']}: {case['true']} called {case['called']} ({case['said']:.2f}; true {case['p_true']:.3f}; "
        f"{case['kind']}) after {', '.join(case['made'])}"
        for case in wrong
    ]
    return rows


def whole_calls(names: list[str]) -> list[str]:
    """Time and memory of whole processes, with 0, 3, 8 and 14 readings (or all)."""
    rows, worst = ["whole processes (asked: under 2 s, under 400 MB):"], [0.0, 0.0, 0.0]
    for name in names:
        layout = load_layout(name)
        facts = as_fields(layout)
        unknowns = independent_network.draw_unknowns(facts, facts["faults"][3], np.random.default_rng(3))
        readings = ReadingsOf(facts, unknowns, [3], "u95 told right")
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "readings.json"
            for count in dict.fromkeys(min(count, len(facts["tests"])) for count in (0, 3, 8, 14)):
                file.write_text(json.dumps([readings[test["id"]] for test in facts["tests"][:count]]))
                words = [sys.executable, "-m", "sumpglass", "find-fault", "--layout", name, "--readings", str(file)]
                began = time.perf_counter()
                with subprocess.Popen([*words, "--json"], stdout=subprocess.DEVNULL) as process:
                    _, status, usage = os.wait4(process.pid, 0)
                    process.returncode = os.waitstatus_to_exitcode(status)
                seen = time.perf_counter() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024
                worst = [max(pair) for pair in zip(worst, seen)]
                rows.append(
                    f"   {name:<22}{count:>3}: {seen[0]:.2f} s ({seen[1]:.2f} s of processor)  {seen[2]:.0f} MB"
                )
    return [*rows, f"   worst: {worst[0]:.2f} s ({worst[1]:.2f} s of processor)  {worst[2]:.0f} MB"]


def run(names: list[str], count: int, seed: int, keep: str | None) -> list[dict[str, Any]]:
    """All cases, added to the file `keep` one by one."""
    cases = []
    for name in names:
        layout = load_layout(name)
        facts = json.loads(json.dumps(as_fields(layout)))
        for number in range(count):
            kind = list(KINDS)[number % len(KINDS)]
            cases.append(case_of(layout, facts, [seed, sum(map(ord, layout.name)), number], kind))
            if keep:
                with open(keep, "a", encoding="utf-8") as file:
                    file.write(json.dumps(cases[-1]) + "\n")
        print(row(layout.name, cases[-count:]), file=sys.stderr, flush=True)
    return cases


def main() -> int:
    """Run the cases, or show those kept."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--short", action="store_true", help="few cases, under a minute")
    parser.add_argument("--cases", type=int, help="cases a layout (default 60; --short 2)")
    parser.add_argument("--layout", action="append", help="only this layout; may be repeated")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--no-calls", action="store_true", help="leave out the whole processes")
    parser.add_argument("--keep", metavar="FILE", help="add the cases to this file")
    parser.add_argument("--show", metavar="FILE", help="run nothing: the tables of the cases kept in this file")
    options = parser.parse_args()
    names = options.layout or built_in_names()
    if options.show:
        lines = Path(options.show).read_text(encoding="utf-8").splitlines()
        cases = [json.loads(text) for text in lines]
    else:
        cases = run(names, options.cases or (2 if options.short else 60), options.seed, options.keep)
    print("\n".join(tables(cases)))
    if not options.no_calls and not options.show:
        print("\n".join(whole_calls(names[:1] if options.short else names)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
