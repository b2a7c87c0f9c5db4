"""A live virtual board behind its pseudo-terminal: what a person and his tools may do to a real one."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import serial
from board_talk import Talk

from sumpglass.link.virtual_board import RESET_STATUS, WATCHDOG_STATUS, VirtualBoard
from sumpglass.link.virtual_feed import SineSource
from sumpglass_wire import layouts as wire


@pytest.fixture
def board():
    with VirtualBoard(SineSource(-400.0, 200.0, 8.3)) as board:
        yield board


def samples_of(messages):
    return [m for m in messages if m["name"] == "samples"]


def mpremote(board, *words):
    return subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", board.port, *words], capture_output=True, text=True, timeout=60
    )


def test_identify_stream_echo_and_stop(board):
    talk = Talk(board.port)
    identity = talk.ask(wire.IDENTIFY, name="identity")
    assert "RP2040" in identity["board"] and len(identity["channels"]) == 1
    talk.ask(wire.START, {"channel_mask": 0})
    echo = talk.ask(wire.TIME_ECHO, {"token": 0x1122334455667788}, "time_echo_answer")
    assert echo["token"] == 0x1122334455667788 and echo["received_us"] <= echo["time_us"]
    talk.read(2.0)
    talk.ask(wire.STOP)
    blocks = samples_of(talk.messages)
    starts = np.array([m["time_us"] for m in blocks[:-1]])
    assert (np.diff(starts) == 60_000).all()
    numbers = np.array([m["sequence"] for m in talk.messages])
    assert (np.diff(numbers) == 1).all()
    assert talk.receiver.damaged == 0
    talk.messages.clear()
    talk.read(0.4)
    assert not samples_of(talk.messages)


def test_wrong_requests_are_refused_in_words(board):
    talk = Talk(board.port)
    too_fast = {"channel": 0, "rate_millihertz": 9_000_000, "decimation": 1, "form": 0}
    refused = talk.ask(wire.SET_RATE, too_fast, "error")
    assert refused["code"] == 4 and "4000 Hz" in refused["text"]
    refused = talk.ask(wire.START, {"channel_mask": 8}, "error")
    assert refused["code"] == 4
    refused = talk.ask(wire.SOUND, {"pattern": 1, "volume_percent": 255}, "error")
    assert refused["code"] == 5 and "sounder" in refused["text"]
    talk.port.write(b"\x00" + bytes(range(4, 90)) + b"\x00" + b"\x7f" * 900 + b"\x00")
    assert talk.ask(wire.IDENTIFY, name="identity")


def test_other_versions_are_refused(board):
    talk = Talk(board.port)
    from sumpglass_wire.frames import frame_buffer, payload_buffer, seal

    payload, frame = payload_buffer(), frame_buffer()
    payload[:12] = bytes([0xA2, wire.IDENTIFY, 7, 1]) + bytes(8)
    talk.port.write(bytes(frame[: seal(payload, 12, frame)]))
    error = talk.wait_for("error")
    assert (error["code"], error["request_sequence"], error["request_type"]) == (2, 0x0107, wire.IDENTIFY)


def test_zero_is_measured_kept_and_told(board):
    talk = Talk(board.port)
    answer = talk.ask(wire.MEASURE_ZERO, {"channel": 0, "tenths_of_seconds": 12})["answer"]
    channel = talk.ask(wire.IDENTIFY, name="identity")["channels"][0]
    assert channel["zero_counts"] == pytest.approx(answer["mean_counts"])
    assert channel["zero_age_s"] <= 2
    # ten periods of the sine: mean and standard deviation are those of the sine
    assert (channel["zero_counts"] - channel["offset"]) * channel["scale"] == pytest.approx(-400.0, abs=4.0)
    assert channel["zero_sd_counts"] * channel["scale"] == pytest.approx(200.0 / np.sqrt(2.0), rel=0.03)
    assert '"zeros": {"0": [' in (board.flash / "settings.json").read_text()


@pytest.mark.slow
def test_settings_are_read_written_as_a_whole_or_refused(board):
    import json
    import zlib

    talk = Talk(board.port)

    def write(text):
        raw, sequence = text.encode(), None
        for at in range(0, len(raw), 200):
            fields = {"total": len(raw), "offset": at, "crc": zlib.crc32(raw), "data": raw[at : at + 200]}
            sequence = talk.send(wire.WRITE_SETTINGS, fields)
            talk.read(0.3)
        return [m for m in talk.messages if m.get("request_sequence") == sequence][0]

    def read():
        text, total = b"", 1
        while len(text) < total:
            answer = talk.ask(wire.READ_SETTINGS, {"offset": len(text)})
            total, text = answer["answer"]["total"], text + answer["data"]
        return json.loads(text)

    first = read()
    assert first["channels"][0]["part"] == "MPXV7002DP"
    wanted = dict(first, name="East Bank rig", channels=[dict(first["channels"][0], part="MPX5010DP")])
    assert write(json.dumps(wanted))["name"] == "answer"
    assert read()["name"] == "East Bank rig"
    assert talk.ask(wire.IDENTIFY, name="identity")
    for spoiled in (
        dict(wanted, rate_hz=0), dict(wanted, surprise=1), dict(wanted, channels=[]),
        dict(wanted, channels=[{"sensor": "no_such_part"}]), dict(wanted, channels=[{"sensor": "../x"}]),
    ):  # fmt: skip
        refusal = write(json.dumps(spoiled))
        assert (refusal["name"], refusal["code"]) == ("error", 7), spoiled
    assert read()["name"] == "East Bank rig"
    board.reset()
    time.sleep(1.2)
    talk.reopen()
    assert read()["name"] == "East Bank rig"


def test_damaged_settings_give_the_defaults_and_say_so():
    with VirtualBoard(-300.0) as board:
        (board.flash / "settings.json").write_text('{"rate_hz": 100')
        board.reset()
        time.sleep(1.2)
        identity = Talk(board.port).ask(wire.IDENTIFY, name="identity")
        assert identity["flags"] & 16


@pytest.mark.parametrize("call", [b"\x03", b"\r\x03", b"\x45half a frame"])
def test_ctrl_c_on_the_port_gives_the_prompt_while_streaming(board, call):
    talk = Talk(board.port)
    talk.ask(wire.START, {"channel_mask": 0})
    if len(call) > 2:
        talk.port.write(call)
        time.sleep(0.8)  # the unfinished frame is forgotten
        call = b"\x03"
    talk.port.write(call)
    time.sleep(0.5)
    assert b">>> " in talk.port.read(8192)


def test_mpremote_gets_in_while_streaming_and_the_rig_comes_up_again(board):
    talk = Talk(board.port)
    talk.ask(wire.START, {"channel_mask": 0})
    talk.port.close()
    done = mpremote(board, "exec", "print(6 * 7)")
    assert done.stdout.strip() == "42", done.stderr
    assert "settings.json" in mpremote(board, "fs", "ls").stdout
    mpremote(board, "reset")
    time.sleep(1.5)
    talk.reopen()
    assert talk.ask(wire.IDENTIFY, name="identity")
    assert board.last_status == RESET_STATUS


def test_give_prompt_and_reset_requests(board):
    talk = Talk(board.port)
    talk.ask(wire.GIVE_PROMPT)
    time.sleep(0.3)
    talk.port.write(b"\r")
    time.sleep(0.3)
    assert talk.port.read(400).endswith(b">>> ")
    talk.port.write(b"\x04")  # soft reset
    time.sleep(0.8)
    talk.reopen()
    first = talk.ask(wire.IDENTIFY, name="identity")["boot_id"]
    talk.ask(wire.RESET)
    time.sleep(1.5)
    talk.reopen()
    assert talk.ask(wire.IDENTIFY, name="identity")["boot_id"] != first


def test_unplug_and_replug(board):
    talk = Talk(board.port)
    talk.ask(wire.START, {"channel_mask": 0})
    talk.read(0.3)
    board.unplug()
    with pytest.raises((serial.SerialException, OSError)):
        for _ in range(20):
            talk.port.read(4096)
            talk.port.write(b"\0")
    board.replug()
    time.sleep(0.8)
    talk.reopen()
    assert not talk.ask(wire.IDENTIFY, name="identity")["flags"] & 1


@pytest.mark.slow
def test_a_port_that_takes_nothing_costs_frames_and_no_more(board, monkeypatch):
    talk = Talk(board.port)
    talk.ask(wire.START, {"channel_mask": 0})
    monkeypatch.setattr(board, "_relay", lambda readable: time.sleep(0.02))
    time.sleep(5.0)
    monkeypatch.undo()
    talk.read(0.5)
    talk.messages.clear()
    status = talk.wait_for("status", 4.0)
    assert status["dropped_frames"] + status["overruns"] > 0
    talk.messages.clear()
    talk.read(1.0)
    blocks = samples_of(talk.messages)
    assert len(blocks) >= 14 and (np.diff([m["time_us"] for m in blocks]) == 60_000).all()


def test_button_marks_and_prompt_at_power_on(board):
    talk = Talk(board.port)
    talk.ask(wire.IDENTIFY, name="identity")
    board.press(0.3)
    mark = talk.wait_for("mark")
    assert (mark["number"], mark["kind"]) == (1, 1)
    board.press(1.3)
    assert talk.wait_for("mark", number=2)["kind"] == 2
    board.unplug()
    board._feed.set_button(True)
    board.replug()
    time.sleep(1.0)
    port = serial.Serial(board.port, timeout=0.3)
    port.write(b"\r")
    assert b">>> " in port.read(400)
    board._feed.set_button(False)


@pytest.mark.slow
def test_a_hung_firmware_is_reset_by_its_watchdog_and_a_stopped_one_is_not():
    with VirtualBoard(-300.0) as board:
        talk = Talk(board.port)
        talk.ask(wire.START, {"channel_mask": 0})
        talk.ask(wire.STOP)
        hang(board)
        assert talk.ask(wire.IDENTIFY, name="identity") and board.last_status is None
        talk.ask(wire.START, {"channel_mask": 0})
        hang(board)
        time.sleep(2.0)
        assert board.last_status == WATCHDOG_STATUS
        talk.reopen()
        assert talk.ask(wire.IDENTIFY, name="identity")


def hang(board):
    os.kill(board._process.pid, signal.SIGSTOP)
    time.sleep(9.0)  # the watchdog bites after 8 s
    os.kill(board._process.pid, signal.SIGCONT)
    time.sleep(0.3)


def test_noise_in_the_stream_costs_the_frames_that_it_hits(board):
    talk = Talk(board.port)
    talk.ask(wire.START, {"channel_mask": 0})
    board.inject(b"\x11\x22\x33 noise \x00\x05\x00")
    talk.read(1.0)
    assert talk.receiver.damaged >= 1
    assert len(samples_of(talk.messages)) >= 13


@pytest.mark.slow
def test_a_blank_board_takes_the_firmware_from_mpremote():
    from pathlib import Path

    from sumpglass.deploy.payload import find_payload

    root = Path(__file__).resolve().parents[2]
    with VirtualBoard(SineSource(), firmware=False) as board:
        time.sleep(0.3)
        for name in ("sumpglass_board", "sumpglass_wire"):
            folder = next(iter(root.glob(f"*/{name}")))
            copied = mpremote(board, "cp", "-r", str(folder), ":")
            assert copied.returncode == 0, copied.stderr
        mpremote(board, "cp", str(root / "firmware" / "board_root" / "main.py"), ":main.py")
        mpremote(board, "reset")
        time.sleep(1.5)
        talk = Talk(board.port)
        identity = talk.ask(wire.IDENTIFY, name="identity")
        assert identity["firmware_digest"].hex() == find_payload().digest[:16]
        talk.ask(wire.START, {"channel_mask": 0})
        assert talk.wait_for("status")
