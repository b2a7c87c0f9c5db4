"""The detector beside general change-point libraries, on the same traces in the same run: accuracy and time.

    python tests/benchmarks/bench_change_points.py [--short]

ruptures (kernel change points, its fastest search) and river (Page-Hinkley, ADWIN) are what one would take instead.
They know nothing of pulses or causes, so they are given what helps them: the mean over each engine cycle.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from trace_maker import Step, make

from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings

NEAR_S = 1.0


def traces(count: int):
    """(name, trace, true times): clean steps down and up, and slow drift with none."""
    for seed in range(count):
        rng = np.random.default_rng(8000 + seed)
        steps = [
            Step(8.0, "opening", -40.0, 0.05),
            Step(16.0, "closing", -600.0, 0.05),
            Step(25.0, "opening", -60.0, 0.1),
        ]
        yield "steps", make(rng, steps, 36.0, range_pa=4000.0), [8.0, 16.0, 25.0]
        yield "drift", make(rng, [Step(3.0, "drift", -250.0, 15.0)], 36.0, range_pa=4000.0), []


def ours(trace):
    detector = HappeningDetector(DetectorSettings(rate_hz=trace.rate_hz, zero_u95_pa=5.0))
    detector.feed(trace.t_s, trace.pressure_pa)
    return [h.t_s for h in detector.finish() if h.withdrawn_s is None]


def cycle_means(trace):
    """Mean of each 150 samples (an engine cycle at 800 rpm) and its time."""
    p = trace.pressure_pa[: len(trace.pressure_pa) // 150 * 150].reshape(-1, 150).mean(axis=1)
    return np.arange(len(p)) * 0.15, p


def kernel(trace, values=None, step_s=None):
    import ruptures

    x = trace.pressure_pa if values is None else values
    step = 1.0 / trace.rate_hz if step_s is None else step_s
    penalty = 3.0 * np.log(len(x)) * float(np.var(np.diff(x))) / 2
    found = ruptures.KernelCPD(kernel="linear", min_size=5).fit(x.reshape(-1, 1)).predict(pen=penalty)
    return [k * step for k in found[:-1]]


def kernel_on_cycles(trace):
    _, p = cycle_means(trace)
    return kernel(trace, p, 0.15)


def streamed(maker):
    def run(trace):
        t, p = cycle_means(trace)
        scale = float(np.std(np.diff(p))) or 1.0
        method = maker()
        found = []
        for time_s, value in zip(t, p):
            method.update(value / scale)
            if method.drift_detected:
                found.append(float(time_s))
        return found

    return run


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--short", action="store_true")
    options = parser.parse_args()
    from river.drift import ADWIN, PageHinkley

    methods = {
        "sumpglass detector": ours,
        "ruptures KernelCPD, samples": kernel,
        "ruptures KernelCPD, cycle means": kernel_on_cycles,
        "river Page-Hinkley, cycle means": streamed(lambda: PageHinkley(threshold=10.0)),
        "river ADWIN, cycle means": streamed(ADWIN),
    }
    made = list(traces(2 if options.short else 8))
    print(f"{'method':34s} {'found':>9s} {'false, steps':>13s} {'false, drift':>13s} {'us a sample':>12s}")
    for name, method in methods.items():
        hit = wanted = false_steps = false_drift = samples = 0
        began = time.process_time()
        for kind, trace, truth in made:
            found = method(trace)
            samples += len(trace.t_s)
            matched = [t for t in truth if any(abs(f - t) < NEAR_S for f in found)]
            hit += len(matched)
            wanted += len(truth)
            extra = sum(1 for f in found if not any(abs(f - t) < NEAR_S for t in truth))
            false_steps += extra if kind == "steps" else 0
            false_drift += extra if kind == "drift" else 0
        took = (time.process_time() - began) / samples * 1e6
        print(f"{name:34s} {hit:4d}/{wanted:<4d} {false_steps:13d} {false_drift:13d} {took:12.3f}")
    long = make(np.random.default_rng(1), [], 600.0, range_pa=4000.0)
    began = time.process_time()
    ours(long)
    print(
        f"{'sumpglass detector, quiet 10 min':34s} {'':38s} {(time.process_time() - began) / len(long.t_s) * 1e6:12.3f}"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
