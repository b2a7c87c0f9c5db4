"""How often a rig at rest is refused a zero, what is caught, and what the stated intervals hold: one table.

`python tests/benchmarks/zero_and_calibration.py [--short]`. Signals and seeds are other ones than the tests' own.
"""

from __future__ import annotations

import math
import sys

import numpy as np
from scipy.signal import lfilter

from sumpglass.analysis.calibration import CalibrationPoint, calibrate
from sumpglass.analysis.water_column import WaterColumn, column_pascals
from sumpglass.analysis.zero import FALSE_REFUSAL_SHARE, check_rest, take_zero
from sumpglass.errors import RefusedError
from sumpglass.records import Recording, SensorFacts


def memory(rng: np.random.Generator, n: int, rate_hz: float, seconds: float) -> np.ndarray:
    keep = math.exp(-1 / (rate_hz * seconds))
    return lfilter([1], [1, -keep], rng.normal(0, 1, n + 4000))[4000:] * math.sqrt(1 - keep**2)


NOISES = {
    "white 4 Pa": lambda rng, n, rate: rng.normal(0, 4, n),
    "heavy tails": lambda rng, n, rate: rng.standard_t(5, n),
    "memory 6 ms": lambda rng, n, rate: 2 * memory(rng, n, rate, 0.006),
    "memory 30 ms": lambda rng, n, rate: memory(rng, n, rate, 0.03),
    "three memories": lambda rng, n, rate: sum(memory(rng, n, rate, s) for s in (0.003, 0.015, 0.06)),
    "counts of 2 Pa": lambda rng, n, rate: np.round(rng.normal(0.7, 1.2, n) / 2) * 2,
    "drift 1 Pa/min": lambda rng, n, rate: rng.normal(0, 2, n) + np.arange(n) / rate / 60,
}
MOVES = {
    "engine, 23 Hz, 2 Pa": lambda rng, t: 2 * np.sin(2 * np.pi * 23.1 * t + rng.uniform(0, 6)),
    "single at 500 rpm, 4.2 Hz, 3 Pa": lambda rng, t: 3 * np.sin(2 * np.pi * 4.17 * t + rng.uniform(0, 6)),
    "hand, 0.5 Hz, 6 Pa": lambda rng, t: 6 * np.sin(2 * np.pi * 0.5 * t + rng.uniform(0, 6)),
    "breeze, 1.5 Hz, 8 Pa": lambda rng, t: 8 * np.sin(2 * np.pi * 1.5 * t + rng.uniform(0, 6)),
    "knock, 20 Pa": lambda rng, t: 20 * np.exp(-(((t - rng.uniform(0.2, 0.8) * t[-1]) / 0.06) ** 2)),
    "step, 8 Pa": lambda rng, t: np.where(t > rng.uniform(0.3, 0.7) * t[-1], 8.0, 0.0),
}


def main() -> int:
    trials = 100 if "--short" in sys.argv[1:] else 1000
    print(f"refused though at rest, of {trials} (stated: {FALSE_REFUSAL_SHARE:.1%})")
    total = count = 0
    for name, noise in NOISES.items():
        cells = []
        for rate_hz, seconds in ((100, 3), (100, 10), (1000, 3), (1000, 5)):
            bad = 0
            for seed in range(trials):
                rng = np.random.default_rng((101, seed))
                bad += not check_rest(noise(rng, rate_hz * seconds, rate_hz), rate_hz).at_rest
            cells.append(f"{rate_hz} Hz {seconds:2d} s {bad / trials:6.2%}")
            total, count = total + bad, count + trials
        print(f"  {name:18s} " + "   ".join(cells))
    print(f"  all together       {total / count:.2%}")

    few = max(20, trials // 10)
    print(f"caught, of {few} (noise 2 Pa)")
    for name, move in MOVES.items():
        cells = []
        for rate_hz, seconds in ((100, 3), (100, 10), (1000, 3), (1000, 5)):
            t = np.arange(rate_hz * seconds) / rate_hz
            caught = 0
            for seed in range(few):
                rng = np.random.default_rng((202, seed))
                caught += not check_rest(rng.normal(0, 2, len(t)) + move(rng, t), rate_hz).at_rest
            cells.append(f"{rate_hz} Hz {seconds:2d} s {caught / few:4.0%}")
        print(f"  {name:32s} " + "   ".join(cells))

    print(f"95 % interval of the zero holds the offset, of {trials}")
    for name in ("white 4 Pa", "heavy tails", "memory 6 ms", "memory 30 ms"):
        held = taken = 0
        for seed in range(trials):
            rng = np.random.default_rng((303, seed))
            offset = rng.uniform(-9, 9)
            pressure = NOISES[name](rng, 1000, 200.0) + offset
            try:
                zero = take_zero(Recording(np.arange(1000) / 200.0, pressure, rate_hz=200.0, sensor=SensorFacts())).zero
            except RefusedError:
                continue
            taken += 1
            held += abs(zero.pressure_pa - offset) <= zero.u95_pa
        print(f"  {name:18s} {held / taken:.1%}")

    print(f"95 % intervals of a calibration hold gain and offset, of {trials}")
    for kind, tilt, mm in (("u_tube", 90.0, 140.0), ("inclined", 12.0, 250.0)):
        column = WaterColumn(kind, water_c=16.0, latitude_deg=44.0, tilt_deg=tilt, u_tilt_deg=0.2)
        gains = offsets = 0
        for seed in range(trials):
            rng = np.random.default_rng((404, seed))
            shared = 1 + sum(rng.normal(0, part) for part in column.relative_parts().values())
            points = []
            for reading in np.linspace(-mm, mm, 7):
                true = float(column_pascals(column, reading + rng.normal(0, column.u_reading_mm))) * shared
                points.append(CalibrationPoint(reading, (true + 15.0) / 1.07 + rng.normal(0, 0.6), 0.6))
            got = calibrate(points, column)
            gains += abs(got.gain - 1.07) <= got.coverage * math.sqrt(got.covariance[1][1])
            offsets += abs(got.offset_pa + 15.0) <= got.coverage * math.sqrt(got.covariance[0][0])
        print(f"  {kind:18s} gain {gains / trials:.1%}   offset {offsets / trials:.1%}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
