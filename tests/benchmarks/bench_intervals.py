"""Does each 95 % interval that the tests of the trade tell hold the truth? One table.

    python tests/benchmarks/bench_intervals.py [--seeds 1000] [--short] [--only NAME,...] [--first 0] [--kinds]

The truth comes from makers that share no code with the estimators (`interval_*.py`): gas integrated step by step,
networks solved by bisection, noise of five kinds in turn (white, 1/f, a memory or pulses sampled too slowly, coarse
codes, drift). Asked is 92 to 99 %. Width: median half-width, relative to the truth where that has a natural zero, else
in the unit told. Bias: median error in the same measure.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import defaultdict
from collections.abc import Callable

import interval_holds as holds
import interval_trade as trade
import numpy as np
from interval_holds import Row

LOW, HIGH = 0.92, 0.99

PARTS: dict[str, Callable[[int], list[Row]]] = {
    "hold orifice": lambda s: holds.hold_rows(s, "orifice"),
    "hold laminar": lambda s: holds.hold_rows(s, "laminar"),
    "hold mixed": lambda s: holds.hold_rows(s, "mixed"),
    "hold gas warms or cools": lambda s: holds.hold_rows(s, ("orifice", "laminar", "mixed")[s % 3], True),
    "hold reference opening": holds.reference_rows,
    "hold nearly tight": holds.tight_rows,
    "blow-by": trade.blow_by_rows,
    "seal hunt": trade.seal_rows,
    "as driven": trade.as_driven_rows,
    "draw, open-close, walk": trade.draw_rows,
    "before and after": trade.before_after_rows,
    "valve response": trade.valve_rows,
    "pulse balance": trade.pulse_rows,
    "zero": trade.zero_rows,
    "calibration": trade.calibration_rows,
}


class Tally:
    """Of one interval over many seeds."""

    def __init__(self) -> None:
        self.held: list[bool] = []
        self.width: list[float] = []
        self.error: list[float] = []
        self.by_turn: defaultdict[int, list[bool]] = defaultdict(list)

    def add(self, turn: int, row: Row, absolute: bool) -> None:
        _, truth, lo, hi, said = row
        low, high = (-math.inf if lo is None else lo), (math.inf if hi is None else hi)
        held = low <= truth <= high
        unit = 1.0 if absolute or truth == 0 else abs(truth)
        self.held.append(held)
        self.by_turn[turn].append(held)
        self.width.append((high - low) / 2.0 / unit)
        self.error.append((said - truth) / unit)


def run(name: str, make: Callable[[int], list[Row]], seeds: range, kinds: bool) -> bool:
    """Print one line an interval; True if all hold as asked."""
    tallies: defaultdict[str, Tally] = defaultdict(Tally)
    began, refused = time.perf_counter(), 0
    for seed in seeds:
        rows = make(seed)
        refused += not rows
        for row in rows:
            tallies[row[0]].add(seed % 5, row, row[0].endswith((", Pa", ", of 1")))
    each = 1000.0 * (time.perf_counter() - began) / max(len(seeds), 1)
    good = True
    for interval, tally in tallies.items():
        share = float(np.mean(tally.held))
        # Few seeds scatter: only what lies outside by more than chance is called outside.
        slack = 2.0 * math.sqrt(0.05 * 0.95 / len(tally.held))
        ok = LOW - slack <= share <= HIGH + slack
        good &= ok
        turns = " ".join(f"{100 * np.mean(v):.0f}" for _, v in sorted(tally.by_turn.items())) if kinds else ""
        print(
            f"{name:<26}{interval:<26}{len(tally.held):6d}{100 * share:8.1f} %{100 * np.median(tally.width):11.2f}"
            f"{100 * np.nanmedian(tally.error):9.2f}{'' if ok else '  outside':<9} {turns}",
            flush=True,
        )
    print(f"{'':<26}({each:.0f} ms a seed{f', {refused} gave no reading' if refused else ''})", flush=True)
    return good


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=1000)
    parser.add_argument("--short", action="store_true", help="100 seeds")
    parser.add_argument("--first", type=int, default=0, help="first seed: others than those that were looked at before")
    parser.add_argument("--only", default="", help="parts whose names begin with one of these")
    parser.add_argument("--kinds", action="store_true", help="shares for each of the five kinds of noise too")
    options = parser.parse_args()
    seeds = range(options.first, options.first + (100 if options.short else options.seeds))
    wanted = tuple(filter(None, (w.strip() for w in options.only.split(","))))
    print(f"{'test':<26}{'interval':<26}{'n':>6}{'held':>10}{'width':>11}{'bias':>9}   (%, or 0.01 of the unit told)")
    good = True
    for name, make in PARTS.items():
        if not wanted or name.startswith(wanted):
            good &= run(name, make, seeds, options.kinds)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
