"""Accuracy and coverage of `size-leak` on tables whose sources are of other builds than those that it fits.

    python tests/benchmarks/bench_size_leak.py [--short] [--cases N] [--seed FIRST] [--only choked,shallow,...]

Sources and tables: `leak_sources`. A line counts as bent where the source's draw at the deepest level differs by more
than a fifth from that at none; the rest of the bent builds are `faint`. The discharge coefficient of the drilled
openings is drawn as well: leak and openings share it, the draw goes with it. The last line tells how many of the bent
lines can be recognised at all (`leak_oracle`).
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from dataclasses import dataclass

import numpy as np
from leak_oracle import oracle_words, separation_of
from leak_sources import BENT, CD, SOURCES, Row, Series, table

from sumpglass.errors import SumpglassError
from sumpglass.procedures.leak_size import LeakSize, size_leak
from sumpglass.procedures.openings import Reading, sine_shape_pa

CD_U95 = 0.05
TUNING, JUDGING = 0, 700_000
BENT_LIMIT = 0.2


@dataclass(frozen=True)
class Outcome:
    """One case: relative error of the bore, what the intervals held, whether it was called bent."""

    kind: str
    error: float
    held: bool
    half_width: float
    draw_error: float
    draw_held: bool
    draw_held_at_cd: bool
    bent: bool | None


def readings_of_rows(rows: list[Row]) -> list[Reading]:
    """The rows as the program reads them from a table."""
    readings = []
    for r in rows:
        deeper = None if r.deeper_than_pa is None else -r.deeper_than_pa
        vacuum = None if r.pressure_pa is None else -r.pressure_pa
        readings.append(Reading(r.opening_mm, vacuum, r.u95_pa / 1.96, deeper, sine_shape_pa(r.ac_rms_pa)))
    return readings


def outcome(source: str, series: Series, got: LeakSize, cd: float) -> Outcome:
    """What came out beside the truth."""
    kind = source if source == "choked" or abs(series.share - 1) > BENT_LIMIT else "faint"
    area, net = series.leak_mm2, series.net_lpm * cd / CD
    high = math.inf if got.hi95_mm2 is None else got.hi95_mm2
    draw_high = math.inf if got.net_draw_hi95 is None else got.net_draw_hi95
    at_cd_high = math.inf if got.net_draw_at_cd_hi95 is None else got.net_draw_at_cd_hi95
    return Outcome(
        kind, math.sqrt((got.area_mm2 or 0.0) / area) - 1, (got.lo95_mm2 or 0.0) <= area <= high,
        (math.sqrt(high) - math.sqrt(got.lo95_mm2 or 0.0)) / 2 / math.sqrt(area),
        (got.net_draw_lpm or 0.0) / net - 1, (got.net_draw_lo95 or 0.0) <= net <= draw_high,
        (got.net_draw_at_cd_lo95 or 0.0) <= series.net_lpm <= at_cd_high, got.bent,
    )  # fmt: skip


def print_row(name: str, found: list[Outcome]) -> None:
    """One line of the table of results."""
    if not found:
        return
    known = [o.bent for o in found if o.bent is not None]
    error = np.abs([o.error for o in found])
    print(
        f"{name:<14}{len(found):6d}{100 * np.median(error):9.2f}{100 * np.quantile(error, 0.9):8.1f}"
        f"{100 * np.mean([o.error for o in found]):+8.2f}"
        f"{100 * np.mean([o.held for o in found]):8.1f}{100 * np.median([o.half_width for o in found]):8.1f}"
        f"{100 * np.mean(known) if known else 0.0:8.1f}"
        f"{100 * np.median(np.abs([o.draw_error for o in found])):8.2f}"
        f"{100 * np.mean([o.draw_held for o in found]):8.1f}"
        f"{100 * np.mean([o.draw_held_at_cd for o in found]):8.1f}",
        flush=True,
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="60 straight cases and 12 of each bent build")
    parser.add_argument("--cases", type=int, help="straight cases (1000); each of the five bent builds a fifth")
    parser.add_argument("--seed", type=int, default=JUDGING)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    cases = options.cases or (60 if options.short else 1000)
    wanted = [s for s in SOURCES if not options.only or s in options.only.split(",")]
    began, refused = time.perf_counter(), []
    found: list[Outcome] = []
    separations: list[float] = []
    print(f"{'source':<14}{'cases':>6}{'leak err%':>9}{'90th':>8}{'mean':>8}{'held%':>8}{'half-w':>8}{'bent%':>8}"
          f"{'draw e%':>8}{'held%':>8}{'Cd kn.':>8}")  # fmt: skip
    for source in wanted:
        for seed in range(options.seed, options.seed + (cases if source == "choked" else math.ceil(cases / len(BENT)))):
            series, rows = table(seed + 10_000_000 * list(SOURCES).index(source), source)
            cd = float(np.random.default_rng(seed + 50_000_000).normal(CD, CD_U95 / 1.96))
            try:
                found.append(outcome(source, series, size_leak(readings_of_rows(rows)), cd))
                if found[-1].kind in BENT:
                    separations.append(separation_of(series, rows))
            except SumpglassError as error:
                refused.append(f"{source} {seed}: {error}")
        print_row(source, [o for o in found if o.kind == source])
    print_row("faint", [o for o in found if o.kind == "faint"])
    print_row("bent, all", [o for o in found if o.kind in BENT])
    if separations:
        straight = [bool(o.bent) for o in found if o.kind == "choked"]
        print(oracle_words(separations, float(np.mean(straight)) if straight else None))
    print(f"{len(refused)} refused; {time.perf_counter() - began:.0f} s")
    for line in refused[:10]:
        print("  ", line)
    return 0


if __name__ == "__main__":
    sys.exit(main())
