"""Decoding an hour at 1 kHz, as ratios to what a user would take instead, measured in the same run.

    python tests/benchmarks/bench_decode.py [--short]

Peers read the same samples from CSV and Parquet (times and pascals), from MCAP and length-prefixed protobuf (blocks of
counts, made into times and pascals).
Each figure is the median of several runs; memory is the peak of a process of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

BLOCK = 60
DAMAGED_SHARE = 1e-5
BUDGETS = {"pandas": 0.45, "memory": 0.5, "mcap": 0.2, "protobuf": 0.2, "casebook": 1.5}


def counts_of(blocks: int) -> np.ndarray:
    """Counts of an idling four with noise, (blocks * 60,) int16; 1/16 Pa each."""
    generator = np.random.default_rng(11)
    t_s = np.arange(blocks * BLOCK) / 1000.0
    pressure = -400.0 + 150.0 * np.sin(2 * np.pi * 26.7 * t_s) + 5.0 * generator.standard_normal(len(t_s))
    return np.round(pressure * 16.0).astype("<i2")


def make_capture(path: Path, counts: np.ndarray) -> None:
    """What the board would have sent: identity, status every 2 s, and bytes flipped here and there."""
    from sumpglass_wire import layouts as wire
    from sumpglass_wire.frames import frame_buffer, payload_buffer
    from sumpglass_wire.messages import begin_samples, encode

    channel = {
        "channel": 0, "quantity": 1, "transfer": 1, "width": 2, "rate_millihertz": 1_000_000, "decimation": 1,
        "oversampling": 8, "offset": 0.0, "scale": 0.0625, "range_low": -2000.0, "range_high": 2000.0,
        "resolution": 0.0625, "counts_low": -32000, "counts_high": 32000, "zero_counts": float("nan"),
        "zero_sd_counts": float("nan"), "zero_age_s": wire.UNKNOWN_AGE, "part": "MPXV7002DP",
    }  # fmt: skip
    identity = {
        "minor": 0, "board_id": bytes(8), "firmware_digest": bytes(8), "boot_id": 1, "firmware_major": 0,
        "firmware_minor": 1, "firmware_patch": 0, "configuration": 1, "flags": 1, "board": "pico",
        "channels": [channel],
    }  # fmt: skip
    status = {
        "late_samples": 0, "overruns": 0, "dropped_frames": 0, "damaged_requests": 0, "largest_lateness_us": 5,
        "free_memory_bytes": 150000, "supply_mv": 5000, "temperature_centidegrees": 2500,
        "reference_counts": wire.NO_REFERENCE, "flags": 1, "faults": [],
    }  # fmt: skip
    payload, frame, out, sequence = payload_buffer(), frame_buffer(), bytearray(b"\0"), 0
    for block in range(len(counts) // BLOCK):
        time_us = 1_000_000 + block * BLOCK * 1000
        lengths = []
        if block % 166 == 0:
            lengths.append(encode(payload, wire.IDENTITY, sequence, time_us, identity))
            sequence = send(payload, lengths[-1], frame, out, sequence)
        if block % 33 == 0:
            lengths.append(encode(payload, wire.STATUS, sequence, time_us, status))
            sequence = send(payload, lengths[-1], frame, out, sequence)
        at = begin_samples(payload, sequence, time_us, 0, 2, 1)
        payload[at : at + 2 * BLOCK] = counts[block * BLOCK : (block + 1) * BLOCK].tobytes()
        sequence = send(payload, at + 2 * BLOCK, frame, out, sequence)
    generator = np.random.default_rng(12)
    stream = np.frombuffer(bytes(out), np.uint8).copy()
    hit = generator.integers(0, len(stream), round(len(stream) * DAMAGED_SHARE))
    stream[hit] = generator.integers(0, 256, len(hit))
    path.write_bytes(stream.tobytes())


def send(payload: bytearray, length: int, frame: bytearray, out: bytearray, sequence: int) -> int:
    """Append one frame; returns the next sequence number."""
    from sumpglass_wire.frames import seal

    out += memoryview(frame)[: seal(payload, length, frame)]
    return (sequence + 1) % 65536


def make_peers(folder: Path, counts: np.ndarray) -> None:
    """The same samples in the formats that a user might have chosen."""
    import pandas

    table = pandas.DataFrame({"t_s": np.arange(len(counts)) / 1000, "pressure_pa": counts * 0.0625})
    table.to_csv(folder / "hour.csv", index=False)
    table.to_parquet(folder / "hour.parquet")
    make_mcap(folder / "hour.mcap", counts)
    make_protobuf(folder / "hour.pb", counts)


def make_mcap(path: Path, counts: np.ndarray) -> None:
    from mcap.writer import CompressionType, Writer

    with open(path, "wb") as file:
        writer = Writer(file, compression=CompressionType.NONE)
        writer.start()
        schema = writer.register_schema("counts", "", b"")
        channel = writer.register_channel("pressure", "", schema)
        for block in range(len(counts) // BLOCK):
            at_ns = (1_000_000 + block * BLOCK * 1000) * 1000
            data = counts[block * BLOCK : (block + 1) * BLOCK].tobytes()
            writer.add_message(channel, log_time=at_ns, data=data, publish_time=at_ns)
        writer.finish()


def protobuf_message() -> type:
    """message Block { uint64 time_us = 1; repeated sint32 counts = 2; }"""
    from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

    file = descriptor_pb2.FileDescriptorProto(name="bench.proto", package="bench", syntax="proto3")
    message = file.message_type.add(name="Block")
    kinds = descriptor_pb2.FieldDescriptorProto
    message.field.add(name="time_us", number=1, type=kinds.TYPE_UINT64, label=kinds.LABEL_OPTIONAL)
    message.field.add(name="counts", number=2, type=kinds.TYPE_SINT32, label=kinds.LABEL_REPEATED)
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("bench.Block"))


def make_protobuf(path: Path, counts: np.ndarray) -> None:
    from zlib import crc32

    kind = protobuf_message()
    with open(path, "wb") as file:
        for block in range(len(counts) // BLOCK):
            values = counts[block * BLOCK : (block + 1) * BLOCK].tolist()
            raw = kind(time_us=1_000_000 + block * BLOCK * 1000, counts=values).SerializeToString()
            file.write(len(raw).to_bytes(4, "little") + crc32(raw).to_bytes(4, "little") + raw)


def read_sumpglass(folder: Path) -> int:
    from sumpglass.workflows.load_recording import load_recording

    return len(load_recording(str(folder / "hour.capture")).t_s)


def read_pandas(folder: Path) -> int:
    import pandas

    table = pandas.read_csv(folder / "hour.csv", engine="c")
    return len(table["t_s"].to_numpy()) + 0 * len(table["pressure_pa"].to_numpy())


def read_pyarrow(folder: Path) -> int:
    import pyarrow.csv

    return len(pyarrow.csv.read_csv(folder / "hour.csv")["pressure_pa"].to_numpy())


def read_polars(folder: Path) -> int:
    import polars

    return len(polars.read_csv(folder / "hour.csv")["pressure_pa"].to_numpy())


def read_parquet(folder: Path) -> int:
    import pyarrow.parquet

    return len(pyarrow.parquet.read_table(folder / "hour.parquet")["pressure_pa"].to_numpy())


def read_mcap(folder: Path) -> int:
    from mcap.reader import NonSeekingReader

    times, parts = [], []
    with open(folder / "hour.mcap", "rb") as file:
        for _, _, message in NonSeekingReader(file, validate_crcs=True).iter_messages(log_time_order=False):
            times.append(message.log_time)
            parts.append(message.data)
    return in_pascals(times, parts, 1e-9)


def read_protobuf(folder: Path) -> int:
    from zlib import crc32

    kind, raw = protobuf_kind(), (folder / "hour.pb").read_bytes()
    times, parts, at = [], [], 0
    while at < len(raw):
        length, check = int.from_bytes(raw[at : at + 4], "little"), int.from_bytes(raw[at + 4 : at + 8], "little")
        data = raw[at + 8 : at + 8 + length]
        at += 8 + length
        if crc32(data) == check:
            message = kind.FromString(data)
            times.append(message.time_us)
            parts.append(np.array(message.counts, "<i2").tobytes())
    return in_pascals(times, parts, 1e-6)


_KIND: list[type] = []


def protobuf_kind() -> type:
    if not _KIND:
        _KIND.append(protobuf_message())
    return _KIND[0]


def in_pascals(times: list[int], parts: list[bytes], tick_s: float) -> int:
    counts = np.frombuffer(b"".join(parts), "<i2")
    t_s = (np.array(times)[:, None] * tick_s + np.arange(BLOCK) * 1e-3).ravel()
    return len(t_s) + 0 * len(counts * np.float32(0.0625))


READERS = {
    "sumpglass": read_sumpglass, "pandas": read_pandas, "pyarrow": read_pyarrow, "polars": read_polars,
    "parquet": read_parquet, "mcap": read_mcap, "protobuf": read_protobuf,
}  # fmt: skip


def timed(folder: Path, runs: int) -> tuple[dict[str, float], dict[str, float]]:
    """(median seconds, median ratio of ours to theirs). Each run of a peer has one of ours beside it, so that a
    moment in which the machine is busy counts for both."""
    seconds: dict[str, list[float]] = {name: [] for name in READERS}
    ratios: dict[str, list[float]] = {name: [] for name in READERS if name != "sumpglass"}
    for name, reader in READERS.items():
        reader(folder)
        for _ in range(runs):
            if name == "sumpglass":
                continue
            theirs, ours = clocked(reader, folder), clocked(read_sumpglass, folder)
            seconds[name].append(theirs)
            seconds["sumpglass"].append(ours)
            ratios[name].append(ours / theirs)
    medians = {name: statistics.median(values) for name, values in seconds.items()}
    return medians, {name: statistics.median(values) for name, values in ratios.items()}


def clocked(reader: Callable[[Path], int], folder: Path) -> float:
    """Seconds of one reading."""
    begin = time.perf_counter()
    reader(folder)
    return time.perf_counter() - begin


MEASURE = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import numpy
import bench_decode
reader = sys.argv[3]
if reader == "sumpglass":
    import sumpglass.workflows.load_recording
elif reader == "pandas":
    import pandas
def kilobytes(name):
    text = Path("/proc/self/status").read_text()
    return int(text.split(name + ":")[1].split()[0])
before = kilobytes("VmRSS")
bench_decode.READERS[reader](Path(sys.argv[2]))
print(kilobytes("VmHWM") - before)
"""


def peak_mb(folder: Path, reader: str) -> float:
    """Growth of the peak resident size while reading, in a process of its own on one core."""
    here = str(Path(__file__).parent)
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, here, str(folder), reader],
        capture_output=True, text=True, check=True, env=environment,
    )  # fmt: skip
    return int(done.stdout.split()[-1]) / 1024


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="six minutes instead of an hour")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    blocks = 6_000 if options.short else 60_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        counts = counts_of(blocks)
        make_capture(folder / "hour.capture", counts)
        make_peers(folder, counts)
        seconds, ratios = timed(folder, options.runs)
        memory = {reader: peak_mb(folder, reader) for reader in ("sumpglass", "pandas")}
        size = (folder / "hour.capture").stat().st_size / len(counts)
    ratios["memory"] = memory["sumpglass"] / memory["pandas"]
    if options.json:
        print(json.dumps({"seconds": seconds, "ratios": ratios, "memory_mb": memory, "bytes_a_sample": size}))
        return 0
    print(f"{len(counts)} samples, {size:.3f} bytes each on the wire; sumpglass {seconds['sumpglass'] * 1e3:.0f} ms")
    for name, value in seconds.items():
        if name != "sumpglass":
            budget = BUDGETS.get(name)
            told = f"  budget {budget:.2f}: {'kept' if ratios[name] <= budget else 'MISSED'}" if budget else ""
            print(f"{name:>9} {value * 1e3:7.0f} ms   ratio {ratios[name]:.3f}{told}")
    kept = "kept" if ratios["memory"] <= BUDGETS["memory"] else "MISSED"
    print(f"   memory {memory['sumpglass']:.0f} MB against {memory['pandas']:.0f} MB of pandas, ratio", end=" ")
    print(f"{ratios['memory']:.2f}  budget 0.50: {kept}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
