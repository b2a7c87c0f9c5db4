"""The casebook: an hour of it into arrays against plain SQLite blobs, and what durable recording costs.

    python tests/benchmarks/bench_casebook.py [--short]

The peer keeps the same blocks of 50 counts with their time, one row each as they come 20 times a second, and reads them
into times and pascals. Recording is run in real time at 1 kHz: CPU of the recorder's process share, and its commits.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from pathlib import Path

from sumpglass.cli import one_thread_each

one_thread_each()  # as the program does, before numpy is loaded

import numpy as np  # noqa: E402

sys.path.insert(0, str(Path(__file__).parent))
from bench_decode import counts_of, make_capture  # noqa: E402

ROWS_A_SECOND, COUNTS_A_ROW = 20, 50


def make_casebook(path: Path, capture: bytes) -> None:
    """The capture as a rig would have brought it: a chunk every 50 ms, commits as the recorder makes them."""
    from sumpglass.store.casebook import Casebook

    step = 119
    with Casebook.create(str(path)) as book:
        number = book.begin_recording("hour")
        for at in range(0, len(capture), step * 8):
            piece = capture[at : at + step * 8]
            chunks = [(piece[k : k + step], 100.0 + (at + k) / step * 0.05) for k in range(0, len(piece), step)]
            book.append_frames(number, chunks)


def make_blobs(path: Path, counts: np.ndarray) -> None:
    database = sqlite3.connect(path)
    database.execute("CREATE TABLE block (time_us INTEGER PRIMARY KEY, counts BLOB)")
    rows = ((k * 50_000, counts[k * COUNTS_A_ROW : (k + 1) * COUNTS_A_ROW].tobytes()) for k in range(len(counts) // 50))
    database.executemany("INSERT INTO block VALUES (?, ?)", rows)
    database.commit()
    database.close()


def read_blobs(path: Path) -> int:
    database = sqlite3.connect(path)
    rows = database.execute("SELECT time_us, counts FROM block ORDER BY time_us").fetchall()
    database.close()
    start = np.array([row[0] for row in rows], np.float64) * 1e-6
    pressure = np.frombuffer(b"".join([row[1] for row in rows]), "<i2") * np.float32(0.0625)
    t_s = (start[:, None] + np.arange(COUNTS_A_ROW) * 1e-3).ravel()
    return len(t_s) + 0 * len(pressure)


def read_casebook(path: Path) -> int:
    from sumpglass.workflows.load_recording import load_recording

    return len(load_recording(str(path)).t_s)


def clocked(reader, path: Path) -> float:
    begin = time.perf_counter()
    reader(path)
    return time.perf_counter() - begin


def recording_cost(folder: Path, seconds: float) -> tuple[float, float, float]:
    """(share of a core, median commit in ms, 99th percentile in ms) of a recorder fed 20 times a second."""
    from sumpglass.store import casebook
    from sumpglass.store.casebook_recorder import CasebookRecorder

    commits: list[float] = []
    append = casebook.Casebook.append_frames

    def timed_append(self, number, chunks):
        begin = time.perf_counter()
        append(self, number, chunks)
        commits.append(time.perf_counter() - begin)

    casebook.Casebook.append_frames = timed_append
    try:
        recorder = CasebookRecorder(str(folder / "live.casebook"))
        chunk, used, began = bytes(range(119)), time.process_time(), time.monotonic()
        while time.monotonic() - began < seconds:
            recorder.append(chunk, time.monotonic())
            time.sleep(1.0 / ROWS_A_SECOND)
        elapsed = time.monotonic() - began
        share = (time.process_time() - used) / elapsed
        recorder.close()
    finally:
        casebook.Casebook.append_frames = append
    ordered = sorted(commits)
    return share, statistics.median(ordered) * 1e3, ordered[min(len(ordered) - 1, int(0.99 * len(ordered)))] * 1e3


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="six minutes instead of an hour, 5 s of recording")
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    blocks = 6_000 if options.short else 60_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        counts = counts_of(blocks)
        make_capture(folder / "hour.capture", counts)
        make_casebook(folder / "hour.casebook", (folder / "hour.capture").read_bytes())
        make_blobs(folder / "hour.db", counts)
        read_blobs(folder / "hour.db"), read_casebook(folder / "hour.casebook")
        pairs = [
            (clocked(read_casebook, folder / "hour.casebook"), clocked(read_blobs, folder / "hour.db"))
            for _ in range(options.runs)
        ]
        share, middle, most = recording_cost(folder, 5.0 if options.short else 40.0)
    ratio = statistics.median(ours / theirs for ours, theirs in pairs)
    ours, theirs = (statistics.median(column) * 1e3 for column in zip(*pairs))
    kept = "kept" if ratio <= 1.5 else "MISSED"
    print(f"casebook to arrays {ours:.0f} ms, plain blobs {theirs:.0f} ms, ratio {ratio:.2f}  budget 1.50: {kept}")
    print(f"recording: {share:.2%} of a core  budget 1.5 %: {'kept' if share <= 0.015 else 'MISSED'}")
    kept = "kept" if most <= 5 else "MISSED"
    print(f"commit: median {middle:.1f} ms, 99th percentile {most:.1f} ms  budget 5: {kept}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
