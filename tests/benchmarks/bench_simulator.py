"""Speed of the simulator in times real time, and what its step size costs in accuracy.

    python tests/benchmarks/bench_simulator.py [--short]

Budget: at least 20 times real time at 1 kHz; swing within 1 % and mean within 2 Pa of 32 kHz steps.
"""

from __future__ import annotations

import argparse
import statistics
import time

import numpy as np

from sumpglass.simulate import engine as simulator
from sumpglass.simulate.plant import Engine, Rig, Ventilation
from sumpglass.simulate.script import Scenario

CASES = (
    ("four, idle", Engine(), 800.0),
    ("six, 3000 rpm", Engine(cylinders=6), 3000.0),
    ("eight, 6000 rpm", Engine(cylinders=8, layout="vee"), 6000.0),
    ("single, 1300 rpm", Engine(cylinders=1), 1300.0),
    ("180-degree twin, 1100 rpm", Engine(cylinders=2, layout="twin_180"), 1100.0),
)


def times_real_time(scenario: Scenario, seconds: float, runs: int) -> float:
    """Median over `runs` of simulated over processor seconds."""
    ratios = []
    for seed in range(runs):
        live = simulator.EngineSimulator(scenario, seed)
        begin = time.process_time()
        live.take(round(seconds * scenario.rig.rate_hz))
        ratios.append(seconds / (time.process_time() - begin))
    return statistics.median(ratios)


def at_step(scenario: Scenario, rate_hz: float, samples: int) -> simulator.Chunk:
    """The same seed with another fine step."""
    kept = simulator.LEAST_STEP_RATE_HZ
    simulator.LEAST_STEP_RATE_HZ = rate_hz
    try:
        return simulator.EngineSimulator(scenario, 1).take(samples)
    finally:
        simulator.LEAST_STEP_RATE_HZ = kept


def main() -> int:
    """Print the table; 1 if a budget is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="a few seconds in all")
    short = parser.parse_args().short
    seconds, runs = (5.0, 3) if short else (30.0, 5)
    missed = False
    print(f"{'case':28s} {'times real time':>15s} {'swing vs 32 kHz':>16s} {'mean vs 32 kHz':>15s}")
    for name, engine, rpm in CASES:
        job = Scenario(engine=engine, start_rpm=rpm)
        # Without chance, so that both step sizes turn through the same angles.
        calm = Engine(
            cylinders=engine.cylinders, layout=engine.layout, cycle_variation=0.0, speed_jitter=0.0, speed_wander=0.0
        )
        exact = Scenario(engine=calm, start_rpm=rpm, rig=Rig(turbulence=0.0), ventilation=Ventilation())
        speed = times_real_time(job, seconds, runs)
        coarse, fine = (at_step(exact, rate, 4000) for rate in (simulator.LEAST_STEP_RATE_HZ, 32000.0))
        swing = float(np.std(coarse.port_pa) / np.std(fine.port_pa)) - 1.0
        mean = float(np.mean(coarse.port_mean_pa) - np.mean(fine.port_mean_pa))
        missed |= speed < 20.0 or abs(swing) > 0.01 or abs(mean) > 2.0
        print(f"{name:28s} {speed:15.0f} {100 * swing:+14.2f} % {mean:+12.2f} Pa")
    print("a budget is missed" if missed else "within budget")
    return int(missed)


if __name__ == "__main__":
    raise SystemExit(main())
