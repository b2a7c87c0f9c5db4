"""Live decoding at 1 kHz: share of a core against text lines, and of the whole session, from the same pseudo-terminal.

    python tests/benchmarks/bench_live.py [--short]

A process of its own sends 1000 samples a second, as frames of 60 or as lines of text in blocks of 50. Readers: ours
(bytes to times and pascals); text polled every 50 ms with pyserial, as a script does it (split, float); the same text
read by our own calls to the port, so that only the decoding differs; text line by line with pyserial.
"""

from __future__ import annotations

import argparse
import importlib
import os
import pty
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

from sumpglass.cli import one_thread_each

one_thread_each()  # as the program does, before numpy is loaded

sys.path.insert(0, str(Path(__file__).parent))
from bench_decode import counts_of, make_capture  # noqa: E402

SENDER = """
import os, sys, time
kind, port, path, seconds = sys.argv[1], int(sys.argv[2]), sys.argv[3], float(sys.argv[4])
data = open(path, "rb").read()
if kind == "frames":
    parts, start = [], 0
    while (end := data.find(b"\\0", start) + 1) > 0:
        parts.append(data[start:end]); start = end
    step = 0.06
else:
    lines = data.splitlines(keepends=True)
    parts = [b"".join(lines[k:k + 50]) for k in range(0, len(lines), 50)]
    step = 0.05
time.sleep(0.8)  # The reader opens the port meanwhile, which throws away what waits there.
begin = time.monotonic()
for k, part in enumerate(parts):
    if time.monotonic() - begin > seconds:
        break
    os.write(port, part)
    time.sleep(max(0.0, begin + k * step - time.monotonic()))
os.write(port, b"\\0END\\n")
"""


def run(kind: str, source: Path, seconds: float, reader) -> float:
    """CPU seconds a second of `reader(port path, seconds)`."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    sender = subprocess.Popen([sys.executable, "-c", SENDER, kind, str(master), str(source), str(seconds + 1)],
                              pass_fds=[master])  # fmt: skip
    try:
        time.sleep(0.2)
        used, began = time.process_time(), time.monotonic()
        samples = reader(name, seconds)
        share = (time.process_time() - used) / (time.monotonic() - began)
        assert samples > 500 * seconds, f"only {samples} samples came"
    finally:
        sender.kill()
        sender.wait()
        os.close(master)
        os.close(slave)
    return share


def opened(name: str, timeout: float):
    import serial

    return serial.Serial(name, 115200, timeout=timeout)


def ours(name: str, seconds: float) -> int:
    """Bytes as the port's thread takes them, polled every 50 ms, to pressures and times."""
    from sumpglass.decode.interpret import Interpreter, PressureBlock
    from sumpglass.decode.stream import StreamDecoder
    from sumpglass.link.port_access import read_port

    port, decoder, interpreter, samples = opened(name, 0.25), StreamDecoder(), Interpreter(), 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        time.sleep(0.05)
        data = read_port(port, 0.0)
        if not data:
            continue
        for thing in interpreter.take(decoder.feed(data), time.monotonic()):
            if isinstance(thing, PressureBlock):
                samples += len(thing.t_s)
    port.close()
    return samples


def session(name: str, seconds: float) -> int:
    """The whole session, detector and all, on the port's own thread."""
    from sumpglass.link.port_access import open_port
    from sumpglass.link.serial_port import SerialSource
    from sumpglass.workflows.live import Samples
    from sumpglass.workflows.session import Session

    source = SerialSource(name)
    source._port = open_port(name)
    import threading

    source._thread = threading.Thread(target=source._run, daemon=True)
    source._thread.start()
    watched, samples, end = Session(source, cylinders=4), 0, time.monotonic() + seconds
    while time.monotonic() < end:
        samples += sum(len(event.t_s) for event in watched.poll(0.05) if isinstance(event, Samples))
    watched.close()
    return samples


def polled_text(name: str, seconds: float) -> int:
    """Lines, taken every 50 ms as a whole with pyserial."""
    port = opened(name, 0.25)
    return parsed_text(lambda: port.read(port.in_waiting), port, seconds)


def polled_text_by_our_calls(name: str, seconds: float) -> int:
    """The same by the same calls to the port as ours."""
    from sumpglass.link.port_access import read_port

    port = opened(name, 0.25)
    return parsed_text(lambda: read_port(port, 0.0), port, seconds)


def parsed_text(read, port, seconds: float) -> int:
    """Lines of time and value to a table, every 50 ms."""
    import numpy as np

    rest, samples = b"", 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        time.sleep(0.05)
        text = rest + read()
        lines = text.split(b"\n")
        rest = lines.pop()
        values = [line.split(b",") for line in lines if b"," in line]
        if values:
            table = np.array(values, dtype=float)
            samples += len(table)
    port.close()
    return samples


def text_lines(name: str, seconds: float) -> int:
    """Line by line with readline, as most scripts do it."""
    port, samples = opened(name, 0.25), 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        line = port.readline()
        if b"," in line:
            t_us, pressure = line.split(b",")
            float(t_us), float(pressure)
            samples += 1
    port.close()
    return samples


def import_all() -> None:
    """Starting up is not what is measured here."""
    for module in ("serial", "numpy", "sumpglass.workflows.session", "sumpglass.link.serial_port"):
        importlib.import_module(module)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="four seconds each instead of eight, once")
    options = parser.parse_args()
    seconds, runs = (4.0, 1) if options.short else (8.0, 7)
    readers = {"ours": ("frames", ours), "session": ("frames", session), "text polled": ("text", polled_text),
               "by our calls": ("text", polled_text_by_our_calls), "text by line": ("text", text_lines)}  # fmt: skip
    import_all()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        counts = counts_of(int((seconds + 3) * 1000 / 60) + 60)
        make_capture(folder / "frames", counts)
        text = "".join(f"{k * 1000},{count * 0.0625:.3f}\n" for k, count in enumerate(counts.tolist()))
        (folder / "text").write_text(text)
        shares: dict[str, list[float]] = {reader: [] for reader in readers}
        for _ in range(runs):
            for reader, (kind, function) in readers.items():
                shares[reader].append(run(kind, folder / kind, seconds, function))
    share = {reader: statistics.median(values) for reader, values in shares.items()}
    for reader, value in share.items():
        print(f"{reader:>12} {value:7.2%} of a core")
    kept = share["ours"] <= 0.007 and share["ours"] <= share["text polled"]
    print(f"live decode, budget 0.70 % and no more than polled text: {'kept' if kept else 'MISSED'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
