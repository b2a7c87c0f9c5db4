"""Help for the tests of the firmware: code under MicroPython, and a virtual board's bytes as messages."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from sumpglass.link.requests import RequestWriter
from sumpglass.link.virtual_board import capture_virtual
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import FrameReceiver
from sumpglass_wire.messages import decode

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware"
STAND_INS = ROOT / "host" / "sumpglass" / "link" / "virtual_machine"


def micropython() -> str:
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if not found:
        pytest.skip("the MicroPython Unix port is not installed")
    return found


PRELUDE = f"""
import json, sys
sys.path[:0] = [{str(FIRMWARE)!r}, {str(ROOT / "protocol")!r}]
"""


def run_on_board(code: str, folder: Path, heap: str = "192K"):
    """Run `code` under MicroPython with the firmware on its path; what it gives to `told(value)` comes back."""
    script = folder / "code.py"
    script.write_text(PRELUDE + "def told(value):\n    print('TOLD ' + json.dumps(value))\n" + code)
    done = subprocess.run(
        [micropython(), "-X", f"heapsize={heap}", str(script)], capture_output=True, text=True, cwd=folder, timeout=120
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    lines = [line[5:] for line in done.stdout.splitlines() if line.startswith("TOLD ")]
    assert lines, done.stdout + done.stderr
    return json.loads(lines[-1])


def run_requests(what, seconds, requests=((wire.START, {"channel_mask": 0}),), **more):
    """Messages of a board in virtual time; requests are sent from 0.1 s on, 50 ms apart (or as (t_s, kind, fields))."""
    writer = RequestWriter()
    framed = []
    for number, request in enumerate(requests):
        t_s, kind, fields = request if len(request) == 3 else (0.1 + 0.05 * number, *request)
        framed.append((t_s, writer.frame(kind, fields)[1]))
    data = capture_virtual(what, seconds, framed, **more)
    receiver = FrameReceiver()
    messages = [decode(bytes(payload)) for payload in receiver.feed(data)]
    assert receiver.damaged == 0
    return messages


def named(messages, name):
    return [message for message in messages if message["name"] == name]


def readings(messages, channel=0):
    """(t_s by the board's clock, values by IDENTITY's scale with NaN, raw counts)."""
    times, values, raw = [], [], []
    facts = reference = None
    for message in messages:
        if message["name"] == "identity":
            facts = message["channels"][channel]
        elif message["name"] == "status":
            reference = message["reference_counts"] if message["reference_counts"] > -(2**31) else reference
        elif message["name"] == "samples" and message["channel"] == channel:
            counts = np.array(message["counts"], float)
            raw.append(counts.copy())
            counts[counts == (-32768 if message["width"] == 2 else -(2.0**31))] = np.nan
            if facts["transfer"] == 2:
                counts = (counts + 32768) / (reference + 32768) if reference else np.full(len(counts), np.nan)
            values.append((counts - facts["offset"]) * facts["scale"])
            times.append(message["time_us"] / 1e6 + np.arange(len(counts)) * 1e3 / facts["rate_millihertz"])
    return np.concatenate(times), np.concatenate(values), np.concatenate(raw)
