"""How well, how fast and in how many minutes of work the fault is found.

Engines with one fault each, drawn from the built-in layouts by their priors, are simulated by the independent solver
in tests/outside; readings carry 3 % and 20 Pa of noise and saturate at 7 kPa. What is told of their uncertainty goes
round from case to case: the truth, nothing, and 30 Pa whatever the reading, which is too little. The tests that the
program names are made until it calls the case settled; some engines are also worked through in the listed order.

    python tests/benchmarks/bench_faults.py [--short] [--cases N] [--layout NAME] [--seed N] [--walk-every N]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outside"))

import independent_network  # noqa: E402  (found through the line above)

from sumpglass.faults.finding import Finding, find_fault  # noqa: E402
from sumpglass.faults.layout import Layout, as_fields  # noqa: E402
from sumpglass.faults.layout_file import built_in_names, load_layout  # noqa: E402
from sumpglass.faults.readings import parse_readings  # noqa: E402

RANGE_PA = 7000.0
TOLD = ("truth", "nothing", "30 Pa")
"""What is told of a reading's uncertainty."""


@dataclass
class Tally:
    """What was seen of one layout, or of all."""

    first: list[bool] = field(default_factory=list)
    among_three: list[bool] = field(default_factory=list)
    calls: list[tuple[float, bool]] = field(default_factory=list)
    """(probability of a fault, was it the fault) of every ranking seen on the way, all faults at 1 % or more."""
    final: list[float] = field(default_factory=list)
    minutes: list[float] = field(default_factory=list)
    walked: list[tuple[float, float]] = field(default_factory=list)
    """(minutes as advised, minutes in listed order) of the cases that were walked too."""
    unexplained: int = 0
    seconds: list[float] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


def noisy_reading(test: dict[str, Any], true_pa: float, rng: np.random.Generator, told: str) -> dict[str, Any]:
    """What the rig says: normal noise of 3 % and 20 Pa (one standard deviation), saturated at 7 kPa."""
    pressure = true_pa + math.hypot(0.03 * true_pa, 20.0) * rng.standard_normal()
    if abs(pressure) > RANGE_PA:
        return {"test": test["id"], "deeper_than_pa" if pressure < 0 else "above_pa": math.copysign(RANGE_PA, pressure)}
    if told == "nothing":
        return {"test": test["id"], "pressure_pa": pressure}
    u95 = 30.0 if told == "30 Pa" else 1.96 * math.hypot(0.03 * pressure, 20.0)
    return {"test": test["id"], "pressure_pa": pressure, "u95_pa": u95}


def settle(
    layout: Layout, facts: dict[str, Any], readings_of: dict[str, Any], walk: bool, tally: Tally | None
) -> tuple[Finding, float]:
    """Make tests until settled; returns the last finding and the minutes spent."""
    readings: list[dict[str, Any]] = []
    minutes = 0.0
    tests = {test["id"]: test for test in facts["tests"]}
    while True:
        began = time.perf_counter()
        finding = find_fault(layout, parse_readings(json.dumps(readings), layout), (), 1)
        if tally is not None:
            tally.seconds.append(time.perf_counter() - began)
            tally.calls += [(p, name == facts["true"]) for name, p in finding.ranking if p >= 0.01 and readings]
        if walk:
            left = [test for test in tests if test not in {reading["test"] for reading in readings}]
            if finding.ranking[0][1] >= 0.95 or not left:
                return finding, minutes
            following = left[0]
        else:
            if finding.settled or finding.next is None:
                return finding, minutes
            following = finding.next.test.id
        readings.append(readings_of[following])
        minutes += tests[following]["minutes"]


class ReadingsOf(dict[str, Any]):
    """The reading of each test of one engine, simulated when first asked for."""

    def __init__(self, facts: dict[str, Any], unknowns: dict[str, float], seed: list[int], told: str) -> None:
        super().__init__()
        self.facts, self.unknowns, self.seed, self.told = facts, unknowns, seed, told

    def __missing__(self, test_id: str) -> dict[str, Any]:
        number, test = next((n, t) for n, t in enumerate(self.facts["tests"]) if t["id"] == test_id)
        true_pa = independent_network.read_test_pa(self.facts, test, self.unknowns)
        self[test_id] = noisy_reading(test, true_pa, np.random.default_rng([*self.seed, number]), self.told)
        return dict(self[test_id])


def run_layout(
    name: str, cases: int, seed: int, walk_every: int, told_of: Sequence[str], report: list[str]
) -> dict[str, Tally]:
    """All cases of one layout, by what was told of the uncertainty."""
    layout = load_layout(name)
    facts = json.loads(json.dumps(as_fields(layout)))
    rng = np.random.default_rng([seed, len(name), sum(map(ord, name))])
    tallies = {told: Tally() for told in told_of}
    priors = np.array([fault["prior"] for fault in facts["faults"]])
    for number in range(cases):
        fault = facts["faults"][int(rng.choice(len(priors), p=priors / priors.sum()))]
        facts["true"] = fault["id"]
        told = told_of[number % len(told_of)]
        tally = tallies[told]
        readings = ReadingsOf(facts, independent_network.draw_unknowns(facts, fault, rng), [seed, number], told)
        finding, minutes = settle(layout, facts, readings, False, tally)
        order = [ranked for ranked, _ in finding.ranking]
        tally.first.append(order[0] == fault["id"])
        tally.among_three.append(fault["id"] in order[:3])
        tally.final.append(finding.ranking[0][1])
        tally.minutes.append(minutes)
        tally.unexplained += finding.unexplained
        if number % walk_every == 0:
            tally.walked.append((minutes, settle(layout, facts, readings, True, None)[1]))
        if order[0] != fault["id"]:
            said, true = finding.ranking[0][1], dict(finding.ranking)[fault["id"]]
            made = ", ".join(reading.test for reading in finding.evidence.readings)
            report.append(
                f"  {name}: {fault['id']} called {order[0]} ({said:.2f}; true {true:.3f}; told {told}) after {made}"
            )
    return tallies


def line(name: str, tally: Tally) -> str:
    """One row of the table."""
    advised, listed = (np.sum(part) for part in zip(*tally.walked)) if tally.walked else (0.0, 1.0)
    return (
        f"{name:<22}{len(tally.first):>6}{np.mean(tally.first):>8.3f}{np.mean(tally.among_three):>8.3f}"
        f"{np.mean(tally.final):>8.3f}{np.mean(tally.minutes):>9.1f}{advised / max(listed, 1e-9):>8.2f}"
        f"{tally.unexplained:>8}{np.median(tally.seconds):>8.2f}{np.max(tally.seconds):>8.2f}"
    )


def calibration(tally: Tally) -> list[str]:
    """Rows of the reliability table, and the expected calibration error."""
    p, right = (np.array(part, dtype=float) for part in zip(*tally.calls))
    edges = [0.01, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0001]
    rows, error = ["   called    share right   calls   difference (one standard error)"], 0.0
    for low, high in zip(edges, edges[1:]):
        inside = (p >= low) & (p < high)
        if inside.any():
            gap = float(np.mean(p[inside]) - np.mean(right[inside]))
            error += abs(gap) * float(np.mean(inside))
            spread = math.sqrt(max(np.mean(p[inside]) * (1 - np.mean(p[inside])), 1e-4) / inside.sum())
            called, were = np.mean(p[inside]), np.mean(right[inside])
            rows.append(f"   {called:.3f}     {were:.3f}      {inside.sum():>5}   {gap:+.3f} ({spread:.3f})")
    return [*rows, f"   expected calibration error {error:.3f}"]


def whole_calls(names: list[str]) -> list[str]:
    """Time and memory of whole processes, with no readings and with five."""
    rows = []
    for name in names:
        layout = load_layout(name)
        facts = as_fields(layout)
        rng = np.random.default_rng(3)
        fault = facts["faults"][3]
        readings = ReadingsOf(facts, independent_network.draw_unknowns(facts, fault, rng), [3], TOLD[0])
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "readings.json"
            for count in (0, 5, len(facts["tests"]) - 1):
                file.write_text(json.dumps([readings[test["id"]] for test in facts["tests"][:count]]))
                words = [
                    sys.executable,
                    "-m",
                    "sumpglass",
                    "find-fault",
                    "--layout",
                    name,
                    "--readings",
                    str(file),
                    "--json",
                ]
                began = time.perf_counter()
                with subprocess.Popen(words, stdout=subprocess.DEVNULL) as process:
                    _, status, usage = os.wait4(process.pid, 0)
                    process.returncode = os.waitstatus_to_exitcode(status)
                seconds, processor = time.perf_counter() - began, usage.ru_utime + usage.ru_stime
                memory = usage.ru_maxrss / 1024
                rows.append(
                    f"   {name:<22}{count:>3}: {seconds:.2f} s ({processor:.2f} s of processor)  {memory:.0f} MB"
                )
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--short", action="store_true", help="few cases")
    parser.add_argument("--cases", type=int, help="cases a layout (default 15; --short 6)")
    parser.add_argument("--layout", action="append", help="only this layout; may be repeated")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument(
        "--walk-every", type=int, default=5, help="every n-th case is also worked through in listed order"
    )
    parser.add_argument("--told", action="append", choices=TOLD, help="what is told of the uncertainty (default: all)")
    parser.add_argument("--no-calls", action="store_true", help="leave out the whole processes")
    options = parser.parse_args()
    cases = options.cases or (6 if options.short else 15)
    names = options.layout or built_in_names()
    heads = ("first", "three", "said", "minutes", "ratio", "unexpl", "s mid", "s max")
    print(f"{'layout':<22}{'cases':>6}" + "".join(f"{head:>{9 if head == 'minutes' else 8}}" for head in heads))
    everything, report = Tally(), []  # type: ignore[var-annotated]
    told_of = options.told or TOLD
    by_kind = {kind: Tally() for kind in told_of}
    for name in names:
        whole = Tally()
        for kind, tally in run_layout(name, cases, options.seed, options.walk_every, told_of, report).items():
            whole.add(tally)
            by_kind[kind].add(tally)
        everything.add(whole)
        print(line(name, whole), flush=True)
    for kind, tally in by_kind.items():
        if tally.first:
            print(line(f"told {kind}", tally))
    print(line("all", everything))
    print("asked: first >= 0.85, three >= 0.97, ratio <= 0.60, calibration within 0.05")
    print("\n".join(["calibration of every call on the way:", *calibration(everything)]))
    if report:
        print("\n".join(["wrong at the end:", *report]))
    if not options.no_calls:
        print("\n".join(["whole processes (asked: under 2 s, under 400 MB):", *whole_calls(names)]))
    print(f"peak memory of this run {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
