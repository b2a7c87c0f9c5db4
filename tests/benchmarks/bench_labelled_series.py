"""When a change began, on series that people have labelled: the detector's fit beside a general library's.

    python tests/benchmarks/bench_labelled_series.py [--short]

The series ship inside `river` (Turing change point data, van den Burg and Williams 2020, arXiv:2003.06222: five people
marked each). No labelled crankcase pressures are published, so this holds only the step that places one change of
level in time (onset.py); what a happening is and whence it comes is held against drawn recordings with known truth.
Every label is given a window that reaches to the middle between it and its neighbours, as the detector has one from
the happening before to now; labels whose window has fewer than five values on either side are left out.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from sumpglass.analysis.happenings.onset import fit_change

SERIES = ("RunLog", "Occupancy", "Bitcoin", "UKCoalEmploy", "AirlinePassengers")
FEWEST = 5


def labelled(name: str) -> tuple[np.ndarray, list[list[int]]]:
    """First channel (n,) and each person's labels."""
    from river.drift import datasets

    made = getattr(datasets, name)()
    values = []
    for _, y in made:
        y = next(iter(y.values())) if isinstance(y, dict) else y
        values.append(float(y))
    series = np.array(values)
    known = np.isfinite(series)
    return np.interp(np.arange(len(series)), np.flatnonzero(known), series[known]), list(made.annotations.values())


def windows(labels: list[int], n: int):
    """(first, label, end) of each label that has room."""
    edges = [0, *labels, n]
    for before, label, after in zip(edges, labels, edges[2:]):
        first = 0 if before == 0 else (before + label) // 2
        end = n if after == n else (label + after + 1) // 2
        if label - first >= FEWEST and end - label >= FEWEST:
            yield first, label, end


def ours(part: np.ndarray) -> float:
    change = fit_change(part, 1.0, 3, 2, len(part) - 2)
    return np.nan if change is None else change.start


def theirs(part: np.ndarray) -> float:
    import ruptures

    return float(ruptures.Dynp(model="l2", min_size=2, jump=1).fit(part.reshape(-1, 1)).predict(n_bkps=1)[0])


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--short", action="store_true")
    options = parser.parse_args()
    methods = {"sumpglass onset fit": ours, "ruptures, one change, least squares": theirs}
    print(f"{'distance from the label, values':36s}{'labels':>7s}{'median':>8s}{'within 5':>10s}{'seconds':>9s}")
    for name in SERIES[:2] if options.short else SERIES:
        series, people = labelled(name)
        places = [place for labels in people for place in windows(sorted(labels), len(series))]
        for line, method in methods.items():
            began = time.perf_counter()
            off = np.array([abs(method(series[a:b]) - (label - a)) for a, label, b in places])
            took = time.perf_counter() - began
            print(f"{name + ', ' + line.split(',')[0]:36s}{len(off):7d}{np.nanmedian(off):8.1f}"
                  f"{np.mean(off <= 5):10.2f}{took:9.2f}")  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
