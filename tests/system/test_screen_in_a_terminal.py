"""The dashboard in a real terminal: keys typed through tmux, the screen read back; and over a very slow line."""

import fcntl
import os
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import time

import numpy as np
import pytest
from terminal import PATIENCE_S, Terminal

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")
PROGRAM = [sys.executable, "-m", "sumpglass"]
LEVEL = r"6\d\d(\.\d)? to 6\d\d(\.\d)? Pa, 95 %"


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """A minute of vacuum at 250 Hz that goes at 20 s and comes back at 35 s, with a mark."""
    rng = np.random.default_rng(5)
    t = np.arange(0, 60, 0.004)
    level = np.where((t > 20) & (t < 35), -40.0, -620.0)
    pressure = level + 120 * np.sin(2 * np.pi * 26.7 * t) + rng.normal(0, 4, len(t))
    path = tmp_path_factory.mktemp("recording") / "orchard.csv"
    marks = {5000: "opening 5.0 mm"}
    rows = [f"{a:.3f},{b:.2f},{marks.get(n, '')}" for n, (a, b) in enumerate(zip(t, pressure))]
    path.write_text("t_s,pressure_pa,mark\n" + "\n".join(rows) + "\n")
    return path


def test_replay_at_80x24(recording, tmp_path):
    with Terminal([*PROGRAM, "replay", str(recording), "--speed", "32"], tmp_path, (80, 24)) as terminal:
        screen = terminal.wait_for("REPLAY 32x")
        assert "orchard.csv" in screen
        screen = terminal.wait_for(r"of 0:5\d|of 1:00")
        terminal.wait_for("Vacuum lost")
        terminal.press("Space")
        terminal.wait_for("PAUSED")
        terminal.press("u")
        terminal.wait_for("mbar")
        terminal.press("?")
        terminal.wait_for("next unit")
        terminal.press("Escape")
        terminal.wait_for("last minute")
        terminal.press("w")
        terminal.wait_for("last ten minutes")
        terminal.press("Home")
        terminal.wait_for(r"0:00 of")
        terminal.press("Right", "Right", "Right")
        screen = terminal.wait_for(r"0:30 of")
        assert "Vacuum lost" in terminal.wait_for("Vacuum lost")
        assert len(screen.splitlines()) == 24 and screen.rstrip().splitlines()[-1].startswith("space pause")
        terminal.press("q")
        terminal.wait_for("status 0")


def test_no_rig_then_the_virtual_one_at_120x40(tmp_path):
    """From nothing plugged in to real firmware watched, marked, named, recorded and replayed."""
    with Terminal([*PROGRAM, "watch", "--port", "/dev/ttyNOTHING"], tmp_path, (120, 40)) as terminal:
        screen = terminal.wait_for("Without a rig")
        assert "/dev/ttyNOTHING" in screen and "there is no such port" in screen
        terminal.press("v")
        terminal.wait_for(r"VIRTUAL(.|\n)*\.casebook(.|\n)*rig well")
        terminal.wait_for("V?ACUUM|▼|[0-9] kPa, 95 %")
        terminal.press("Space")
        terminal.wait_for("0:0[0-9] mark")
        terminal.press("n")
        terminal.wait_for("Name the mark")
        terminal.press("cap filler_cap", "Enter")
        terminal.wait_for("cap filler_cap")
        terminal.press("q")
        terminal.wait_for("q again")
        terminal.press("q")
        screen = terminal.wait_for("status 0")
        assert "recorded to" in screen
    written = list(tmp_path.glob("*.casebook"))
    assert len(written) == 1
    from sumpglass.workflows.load_recording import load_recording

    kept = load_recording(str(written[0]))
    assert kept.rate_hz == pytest.approx(1000.0, rel=0.01) and kept.duration_s > 1.0
    assert "cap filler_cap" in [mark.text for mark in kept.marks]


def test_pulled_cable_pressed_button_and_a_board_that_hangs(tmp_path):
    """The real firmware on its port: button, cable out and in, and silence that must show as OLD."""
    from sumpglass.link.virtual_board import VirtualBoard
    from sumpglass.link.virtual_feed import SineSource

    with VirtualBoard(SineSource(-640.0, 150.0, 26.7)) as board:
        words = [*PROGRAM, "watch", "--port", board.port, "--out", "pump.casebook", "--unit", "Pa"]
        with Terminal(words, tmp_path, (120, 40)) as terminal:
            terminal.wait_for("LIVE(.|\n)*rig well")
            terminal.wait_for(LEVEL)
            board.press(0.3)
            terminal.wait_for("button 1, button on the rig")
            board.unplug()
            # NO RIG in large letters: the first row of "N".
            terminal.wait_for(r"the port is gone: plug the rig in again")
            board.replug()
            terminal.wait_for(r"rig well")
            terminal.wait_for(LEVEL)
            board._process.send_signal(signal.SIGSTOP)
            terminal.wait_for(r"last reading [\d.]+ s old")
            board._process.send_signal(signal.SIGCONT)
            terminal.wait_for(LEVEL)
            terminal.press("q", "q")
            terminal.wait_for("status 0")


def test_a_closed_terminal_ends_the_recording_properly(tmp_path):
    from sumpglass.store.casebook import Casebook

    with Terminal([*PROGRAM, "watch", "--virtual", "--out", "kept.casebook"], tmp_path, (80, 24)) as terminal:
        terminal.wait_for("rig well")
        time.sleep(1.0)
    until = time.monotonic() + 10.0
    while time.monotonic() < until:
        with Casebook.open(str(tmp_path / "kept.casebook")) as book:
            if book.recordings()[0].ended_at is not None:
                return
        time.sleep(0.2)
    raise AssertionError("the recording was not ended after the terminal went away")


def test_the_demo_is_under_way_within_seconds(tmp_path):
    with Terminal([*PROGRAM, "demo"], tmp_path, (80, 24)) as terminal:
        began = time.monotonic()
        terminal.wait_for("VIRTUAL(.|\n)*breather hose(.|\n)*rig well")
        assert time.monotonic() - began < 15.0
        terminal.press("q")
        terminal.wait_for("writes a casebook and a report(.|\n)*status 0")
    assert not list(tmp_path.iterdir())


def test_resize_in_a_terminal(recording, tmp_path):
    with Terminal([*PROGRAM, "replay", str(recording), "--speed", "4"], tmp_path, (120, 40)) as terminal:
        terminal.wait_for("REPLAY 4x(.|\n)*space pause")
        terminal.resize(50, 14)
        terminal.wait_for("make the window 60x18")
        terminal.resize(60, 18)
        terminal.wait_for("what happened(.|\n)*last minute")
        terminal.resize(120, 40)
        terminal.wait_for("pulses(.|\n)*last minute")


def test_a_terminal_that_is_closed_takes_the_program_with_it(recording, tmp_path):
    words = [*PROGRAM, "replay", str(recording), "--speed", "64"]
    for _ in range(3):
        with Terminal(words, tmp_path, (120, 40)) as terminal:
            terminal.wait_for("REPLAY 64x(.|\n)*space pause")
            shell = terminal.tmux("list-panes", "-F", "#{pane_pid}").strip()
            found = subprocess.run(["pgrep", "-P", shell], capture_output=True, text=True, check=True).stdout
            program = int(found.split()[0])
        until = time.monotonic() + 10.0
        while time.monotonic() < until and os.path.exists(f"/proc/{program}"):
            time.sleep(0.1)
        assert not os.path.exists(f"/proc/{program}")


def test_no_colour_in_a_terminal(recording, tmp_path):
    words = ["env", "NO_COLOR=1", *PROGRAM, "replay", str(recording), "--speed", "8"]
    with Terminal(words, tmp_path, (80, 24)) as terminal:
        terminal.wait_for("REPLAY 8x(.|\n)*last minute(.|\n)*space pause")


def test_a_slow_line_delays_the_screen_but_not_the_feed(recording, tmp_path):
    """1200 bytes a second, as over a bad remote link: keys still arrive, the program still ends."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "TERM": "xterm-256color"}
    words = [*PROGRAM, "replay", str(recording), "--speed", "4"]
    process = subprocess.Popen(
        words, stdin=theirs, stdout=theirs, stderr=theirs, env=environment, start_new_session=True
    )
    os.close(theirs)
    seen = b""
    began = time.monotonic()
    asked = False
    while process.poll() is None and time.monotonic() - began < 40:
        time.sleep(0.05)
        if select.select([ours], [], [], 0)[0]:
            try:
                # After the key it may run free, so that the test ends in its time.
                seen += os.read(ours, 60 if not asked else 65536)
            except OSError:
                break
        if not asked and time.monotonic() - began > 4:
            os.write(ours, b"q")
            asked = True
    os.close(ours)
    assert process.wait(10) == 0
    assert b"sumpglass" in seen


def test_screens_that_have_no_terminal_say_so(recording):
    for words in (["replay", str(recording)], ["watch"]):
        done = subprocess.run([*PROGRAM, *words], capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
        assert done.returncode == 2 and done.stdout == ""
        assert len(done.stderr.splitlines()) == 1 and "terminal" in done.stderr


@pytest.mark.parametrize(
    "words",
    [
        ["replay", "missing.csv"],
        ["replay", "FILE", "--speed", "0"],
        ["replay", "FILE", "--speed", "nan"],
        ["replay", "FILE", "--at", "-1"],
        ["replay", "FILE", "--picture", "x.svg", "--size", "10x10"],
        ["replay", "FILE", "--cylinders", "9"],
        ["replay", "FILE", "--unit", "bar"],
        ["watch", "--virtual", "nowhere"],
        ["watch", "--rate-hz", "0"],
        ["watch", "--port", "x", "--virtual"],
    ],
)
def test_wrong_calls_are_one_line_and_status_two(words, recording, tmp_path):
    words = [str(recording) if word == "FILE" else word for word in words]
    done = subprocess.run(
        [*PROGRAM, *words], capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd=tmp_path, check=False
    )
    assert done.returncode == 2 and done.stdout == ""
    assert len(done.stderr.splitlines()) == 1 and "Traceback" not in done.stderr


def test_picture_is_the_same_every_time_and_holds_no_script(recording, tmp_path):
    pictures = []
    for name in ("a.svg", "b.svg"):
        words = [*PROGRAM, "replay", str(recording), "--picture", name, "--at", "30", "--size", "100x30"]
        subprocess.run(words, check=True, cwd=tmp_path)
        pictures.append((tmp_path / name).read_text())
    assert pictures[0] == pictures[1]
    assert (
        pictures[0].startswith("<svg") and "<script" not in pictures[0] and "http" not in pictures[0].split(">", 1)[1]
    )
    assert "Vacuum lost" in pictures[0].replace("\N{NO-BREAK SPACE}", " ")


def test_a_second_screen_watches_the_same_rig(tmp_path):
    """The page's process behind its web socket sees what the first screen sees; its space bar does nothing."""
    aiohttp = pytest.importorskip("aiohttp")
    import asyncio
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]

    async def look(url):
        base = url.split("/?")[0]
        async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as visitor:
            await visitor.get(url)
            async with visitor.ws_connect(f"{base}/ws?width=100&height=30", headers={"Origin": base}) as page:
                seen, sent = "", False
                async with asyncio.timeout(PATIENCE_S):
                    async for message in page:
                        data = message.data if isinstance(message.data, bytes) else message.data.encode()
                        seen += re.sub(rb"\x1b\[[0-9;?]*[a-zA-Z]", b"", data).decode("utf-8", "replace")
                        if "kPa, 95 %" in seen and "VIRTUAL" in seen and not sent:
                            await page.send_json(["stdin", " "])
                            sent = True
                        if "only watches" in seen:
                            break
                return seen

    words = [*PROGRAM, "watch", "--virtual", "--serve", f"127.0.0.1:{port}", "--no-record"]
    with Terminal(words, tmp_path, (120, 40)) as terminal:
        screen = terminal.wait_for(r"second screen: http://\S+")
        url = re.search(r"http://\S+", screen).group(0)
        seen = asyncio.run(look(url))
        assert "VIRTUAL" in seen and "last minute" in seen
        assert "mark\n" not in terminal.screen().replace("breather", "")
        terminal.press("q")
        terminal.wait_for("status 0")
