"""Whether the probabilities of the fault search are what they say: against brute force, and against the truth.

Engines are drawn from the built-in layouts by their priors, and one to five tests of each, at random, are read with the
noise of `bench_faults` (whose searches hang together: a case gives many calls; here each engine gives one). The ranking
is compared with that of plain importance sampling: many thousand draws from the ranges under every fault, no
proposals, the same chance of a reading. Where the two agree and the second is calibrated, so is the first.

    python tests/benchmarks/bench_fault_calibration.py [--short] [--cases N] [--draws N] [--layout NAME|FILE] [--seed N]

All layouts with 100 cases and 12 000 draws take some five minutes; `--draws 0` leaves the brute force out.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_faults import KINDS, noisy_reading, reliability  # noqa: E402  (found through the line above)

from sumpglass.faults import verdict  # noqa: E402
from sumpglass.faults.layout_file import built_in_names, load_layout  # noqa: E402
from sumpglass.faults.network import circuit_for  # noqa: E402
from sumpglass.faults.normal import normal_quantile  # noqa: E402
from sumpglass.faults.prediction import Ranges, predict_pa  # noqa: E402
from sumpglass.faults.ranking import weigh  # noqa: E402
from sumpglass.faults.reading import WILD_SHARE, chances_of  # noqa: E402
from sumpglass.faults.readings_file import readings_from  # noqa: E402

FEWEST_COUNTING = 100.0
"""Brute force counts as exact where its draws stand for so many under the true fault."""


def cases_of(name: str, count: int, draws: int, seed: int) -> list[dict[str, Any]]:
    """`count` engines of one layout: the true fault, what is told, and what brute force finds."""
    layout = load_layout(name)
    ranges, rng = Ranges(layout), np.random.default_rng([seed, len(layout.faults)])
    circuits = [circuit_for(layout, test) for test in layout.tests]
    prior = np.array([fault.prior for fault in layout.faults])

    def predicted_under(fault: int, size: int) -> Any:
        """(size, tests) gauge pressure of so many engines with that fault."""
        latent = normal_quantile(rng.uniform(size=(size, ranges.low.shape[1])))
        return predict_pa(circuits, ranges.values(fault, latent)).astype(np.float32)

    table = [predicted_under(fault, draws) for fault in range(len(prior))] if draws else []
    cases = []
    for number in range(count):
        true = int(rng.choice(len(prior), p=prior))
        engine = predicted_under(true, 1)[0].astype(float)
        kind = list(KINDS)[number // 5 % len(KINDS)]
        tests = rng.choice(len(circuits), size=min(1 + number % 5, len(circuits)), replace=False)
        made = [noisy_reading(layout.tests[t].id, float(engine[t]), rng, kind) for t in tests]
        readings = readings_from(made, layout)
        evidence = weigh(layout, readings, 1)
        if verdict.misfits(evidence)[0]:
            evidence = verdict.doubted(evidence)
        case = {"true": true, "readings": len(readings), "told": evidence.probabilities}
        if draws:
            weights = [likelihoods(readings, predicted[:, tests]) for predicted in table]
            share = prior * [np.mean(weight) for weight in weights]
            counting = np.sum(weights[true]) ** 2 / max(float(np.sum(np.square(weights[true]))), 1e-300)
            case |= {"exact": share / np.sum(share), "counting": counting}
        cases.append(case)
    return cases


def likelihoods(readings: Any, predicted: Any) -> Any:
    """(draws,) chance of all the readings together."""
    chances, floor = chances_of(readings, predicted.astype(float))
    return np.prod((1.0 - WILD_SHARE) * chances + floor, axis=1)


def calls(case: dict[str, Any], key: str, first: bool) -> list[list[float]]:
    """[probability, right] of the first-ranked fault, or of every fault at 1 % or more."""
    p = case[key]
    chosen = [int(np.argmax(p))] if first else np.flatnonzero(p >= 0.01)
    return [[float(p[fault]), float(fault == case["true"])] for fault in chosen]


def tables(cases: list[dict[str, Any]]) -> list[str]:
    """Reliability of what is told, and its distance from brute force by the number of readings."""
    rows = []
    for key in ("told", "exact"):
        if key in cases[0]:
            rows += reliability(f"every fault at 1 % or more, {key}", [calls(case, key, False) for case in cases])
            rows += reliability(f"the first-ranked, {key}", [calls(case, key, True) for case in cases])
    if "exact" in cases[0]:
        rows.append("half the sum of differences between told and exact, where the exact has draws enough:")
        for count in sorted({case["readings"] for case in cases}):
            far = [
                0.5 * float(np.sum(np.abs(case["told"] - case["exact"])))
                for case in cases if case["readings"] == count and case["counting"] >= FEWEST_COUNTING
            ]  # fmt: skip
            if far:
                rows.append(
                    f"   {count} readings: mean {np.mean(far):.3f}, nine in ten below {np.quantile(far, 0.9):.3f} "
                    f"({len(far)} cases)"
                )
    return rows


def main() -> int:
    """Run the cases and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--short", action="store_true", help="few cases, under a minute")
    parser.add_argument("--cases", type=int, help="cases a layout (default 100; --short 10)")
    parser.add_argument("--draws", type=int, help="draws of the brute force a fault (default 12000; --short 2000)")
    parser.add_argument("--layout", action="append", help="only this layout; may be repeated")
    parser.add_argument("--seed", type=int, default=17)
    options = parser.parse_args()
    names = options.layout or built_in_names()[: 2 if options.short else None]
    count = options.cases or (10 if options.short else 100)
    draws = options.draws if options.draws is not None else (2000 if options.short else 12000)
    cases = []
    for name in names:
        cases += cases_of(name, count, draws, options.seed)
        print(f"{name}: {count} cases", file=sys.stderr, flush=True)
    print("\n".join(tables(cases)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
