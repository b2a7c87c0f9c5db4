"""The firmware on the real rp2 build of MicroPython: it boots there, streams, obeys, gives the prompt back, resets.

    pip install -e '.[rp2040]' && python tests/firmware/rp2040/build_micropython.py
    pytest -m slow tests/firmware/rp2040 -s

SUMPGLASS_BOARD_SECONDS=60 streams so many seconds of the board's time instead of 5 (an hour of waiting is 300 of them).
"""

import binascii
import json
import os
import subprocess
import sys
import time

import numpy as np
import pytest
from emulated_board import EmulatedBoard, images

from sumpglass_wire import layouts as wire

BOARD_S = float(os.environ.get("SUMPGLASS_BOARD_SECONDS", "5"))
FOUND = images()

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(7200),
    pytest.mark.skipif(not FOUND, reason="no emulator or no image: see the top of this file"),
]


@pytest.fixture(scope="module", params=FOUND, ids=lambda path: path.stem)
def board(request, tmp_path_factory):
    board = EmulatedBoard(request.param, tmp_path_factory.mktemp("board"))
    yield board
    board.close()


def mpremote(board, *words):
    """What mpremote prints."""
    board.release()
    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", board.port, *words],
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    if words[-1] == "reset":
        # mpremote leaves before it happens: a tenth of a second of the board's time, in which bytes reach the prompt.
        time.sleep(5.0)
    board.take()
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def name_rig(board, name):
    """Write settings that differ from the defaults in the name alone."""
    settings = json.dumps({"name": name}).encode()
    written = {"total": len(settings), "offset": 0, "crc": binascii.crc32(settings), "data": settings}
    assert board.ask(wire.WRITE_SETTINGS, written)["name"] == "answer"


def test_boots_and_identifies(board):
    identity = board.identify()
    assert "RP2040" in identity["board"] and identity["channels"][0]["rate_millihertz"] == 1_000_000
    assert identity["time_us"] < 10_000_000
    print(f"\nanswers {identity['time_us'] / 1e6:.2f} s after power-on")


def test_streams_at_1_khz_without_a_loss(board):
    board.identify()
    assert board.ask(wire.START, {"channel_mask": 0})["name"] == "answer"
    heard = board.stream(BOARD_S)
    blocks = [m for m in heard if m["name"] == "samples"]
    steps = np.diff([m["time_us"] for m in blocks])
    assert len(blocks) >= BOARD_S / 0.06 - 2 and {len(m["counts"]) for m in blocks} == {60}
    assert np.abs(steps - 60_000).max() < 150
    numbers = np.diff([m["sequence"] for m in heard])
    assert set(numbers.tolist()) <= {1, -0xFFFF}
    statuses = [m for m in heard if m["name"] == "status"]
    told = statuses[-1]
    assert told["late_samples"] == told["overruns"] == told["dropped_frames"] == 0 == board.damaged
    assert told["free_memory_bytes"] > 100_000
    print(
        f"\n{len(blocks) * 60} samples, latest tick {told['largest_lateness_us']} us late, "
        f"{told['free_memory_bytes']} bytes free (first told: {statuses[0]['free_memory_bytes']})"
    )


def test_obeys(board):
    board.identify()
    assert board.ask(wire.TIME_ECHO, {"token": 7})["token"] == 7
    board.ask(wire.START, {"channel_mask": 0})
    answer = board.ask(wire.SET_RATE, {"channel": 0, "rate_millihertz": 2_000_000, "decimation": 1, "form": 0})
    assert answer["name"] == "answer"
    blocks = [m for m in board.stream(1.0) if m["name"] == "samples"]
    assert np.abs(np.diff([m["time_us"] for m in blocks[1:]]) - 30_000).max() < 150
    refused = board.ask(wire.MEASURE_ZERO, {"channel": 3, "tenths_of_seconds": 10})
    assert refused["name"] == "error" and refused["text"]
    assert board.ask(wire.STOP)["name"] == "answer"
    name_rig(board, "orchard rig")
    assert b"orchard rig" in board.ask(wire.READ_SETTINGS, {"offset": 0})["data"]


def test_gives_the_prompt_back_and_comes_up_again(board):
    board.identify()
    name_rig(board, "pump house rig")
    board.ask(wire.START, {"channel_mask": 0})
    assert board.ask(wire.GIVE_PROMPT)["name"] == "answer"
    board.type(b"\r\x02", b">>> ")
    assert b"42" in board.type(b"print(6 * 7)\r", b"\n42")
    mpremote(board, "reset")
    again = board.identify()
    assert again["time_us"] < 10_000_000
    board.ask(wire.START, {"channel_mask": 0})
    board.stream(0.5)
    # In mid-stream, as a person with no other program does it, and past the time of the watchdog (8 s).
    assert "main.py" in mpremote(board, "exec", "import os, time; time.sleep(9); print(os.listdir())")
    mpremote(board, "reset")
    board.identify()
    assert b"pump house rig" in board.ask(wire.READ_SETTINGS, {"offset": 0})["data"]
    assert board.ask(wire.RESET)["name"] == "answer"
    assert board.identify()["time_us"] < 10_000_000
