"""Speed of `assess`: one hour at 1 kHz against pandas reading the same samples from CSV, start-up apart, from an array
and from a raw capture, decoding included; and one minute as a whole process.

python tests/benchmarks/bench_assess.py [--short]
"""

from __future__ import annotations

import argparse
import io
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from sumpglass.cli import one_thread_each

one_thread_each()  # as the program does, before numpy is loaded

import numpy as np  # noqa: E402

sys.path.insert(0, str(Path(__file__).parent))
from bench_decode import make_capture  # noqa: E402

from sumpglass.records import Recording  # noqa: E402
from sumpglass.workflows.assess import assess_recording  # noqa: E402
from sumpglass.workflows.load_recording import load_recording  # noqa: E402


def hour(seconds: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Idle of a four with wandering noise and six openings."""
    rng = np.random.default_rng(seed)
    n = seconds * 1000
    t = np.arange(n) / 1000.0
    slow = np.interp(t, np.arange(0, seconds + 1), np.cumsum(rng.standard_normal(seconds + 1)) * 0.3)
    p = -600 + 150 * np.sin(2 * np.pi * 26.67 * t) + 30 * np.sin(2 * np.pi * 53.34 * t + 1) + slow
    for begin in np.linspace(0.08, 0.9, 6) * seconds:
        p[int(begin * 1000) : int(begin * 1000) + 8000] += 560.0
    return t, np.round((p + rng.normal(0, 8, n)) / 1.34) * 1.34


def timed(call, repeats: int, clock=time.process_time) -> float:
    """Median time of `call`; processor time unless told otherwise, so that other work on the machine counts less."""
    took = []
    for _ in range(repeats):
        begin = clock()
        call()
        took.append(clock() - begin)
    return statistics.median(took)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--short", action="store_true")
    options = parser.parse_args()
    seconds, repeats = (600, 3) if options.short else (3600, 5)
    # The small process first: a child's greatest memory starts at that of the parent that forked it.
    minute_t, minute_p = hour(60)
    import pandas as pd

    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "minute.csv")
        pd.DataFrame({"t_s": minute_t, "pressure_pa": minute_p}).to_csv(path, index=False, float_format="%.3f")
        words = [sys.executable, "-m", "sumpglass", "assess", path, "--cylinders", "4", "--json"]
        minute_s = timed(
            lambda: subprocess.run(words, check=True, stdout=subprocess.DEVNULL), repeats, time.perf_counter
        )
        memory_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"one minute, whole process: {minute_s:.2f} s (budget 1.2), {memory_mb:.0f} MB (budget 200)")
    t, p = hour(seconds)
    text = io.BytesIO()
    pd.DataFrame({"t_s": t, "pressure_pa": p}).to_csv(text, index=False, float_format="%.3f")
    data = text.getvalue()
    recording = Recording(t, p, rate_hz=1000.0)
    pandas_s = timed(lambda: pd.read_csv(io.BytesIO(data)), repeats)
    assess_s = timed(lambda: assess_recording(recording, 4, 0.0, 2000.0), repeats)
    print(
        f"{len(t)} samples: pandas reads the CSV in {pandas_s:.3f} s of processor time, assess takes {assess_s:.3f} s, "
        f"ratio {assess_s / pandas_s:.2f} (budget 2)"
    )
    whole_s, text_s = from_capture(p, repeats)
    print(
        f"from a raw capture, decoding included: {whole_s:.3f} s; pandas reads the same samples, as it wrote them, "
        f"in {text_s:.3f} s, ratio {whole_s / text_s:.2f} (budget 2)"
    )
    kept = assess_s <= 2 * pandas_s and whole_s <= 2 * text_s
    return 0 if kept and minute_s < 1.2 and memory_mb < 200 else 1


def from_capture(p: np.ndarray, repeats: int) -> tuple[float, float]:
    """Seconds to assess a raw capture of pressures (n,), and for pandas to read its samples from text."""
    import pandas as pd

    counts = np.round(p * 16.0).astype("<i2")
    with tempfile.TemporaryDirectory() as folder:
        capture, text = Path(folder, "hour.capture"), Path(folder, "hour.csv")
        make_capture(capture, counts)
        t_s = np.arange(len(counts)) / 1000
        pd.DataFrame({"t_s": t_s, "pressure_pa": counts * 0.0625}).to_csv(text, index=False)
        return (
            timed(lambda: assess_recording(load_recording(str(capture)), 4, 0.0), repeats),
            timed(lambda: pd.read_csv(text), repeats),
        )


if __name__ == "__main__":
    raise SystemExit(main())
