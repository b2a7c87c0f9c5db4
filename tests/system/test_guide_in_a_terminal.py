"""A guided test in a real terminal, on the virtual board that runs the real firmware: keys, button, plug pulled."""

import re
import shutil
import subprocess
import sys
import time
import uuid

import pytest

from sumpglass.link.virtual_board import VirtualBoard
from sumpglass.simulate import orchard
from sumpglass.simulate.script import Scenario, breather, closing, engine_start, opening
from sumpglass.workflows.guide import kept_results

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed"),
]


class Terminal:
    """A tmux session of its own server, so that nobody else's is touched."""

    def __init__(self, words, folder):
        self.socket = f"sumpglass-guide-{uuid.uuid4().hex[:8]}"
        command = " ".join(f"'{word}'" for word in words)
        start = ["new-session", "-d", "-x", "100", "-y", "30", f"cd '{folder}'; {command}; echo status $?; sleep 30"]
        subprocess.run(["tmux", "-L", self.socket, "-f", "/dev/null", *start], check=True)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        subprocess.run(["tmux", "-L", self.socket, "kill-server"], check=False, capture_output=True)

    def press(self, *keys):
        subprocess.run(["tmux", "-L", self.socket, "send-keys", *keys], check=True)

    def screen(self):
        words = ["tmux", "-L", self.socket, "capture-pane", "-p"]
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout

    def wait_for(self, pattern, patience_s=45.0):
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            if re.search(pattern, screen := self.screen()):
                return screen
            time.sleep(0.2)
        raise AssertionError(f"{pattern!r} did not come up on the screen:\n{self.screen()}")


@pytest.fixture
def board():
    scenario = Scenario(
        "job", engine=orchard.EAST_BANK_FOUR, ventilation=orchard.TIGHT, rig=orchard.RIG, duration_s=900, start_rpm=0
    )
    with VirtualBoard(scenario) as virtual:
        yield virtual


def begin(board, folder, *words):
    program = [sys.executable, "-m", "sumpglass", "guide", *words, "--port", str(board.port), "--out", "job.casebook"]
    return Terminal([*program, "--cylinders", "4"], folder)


def now(board, make, *words, **more):
    board.apply(make(board.true_time_s, *words, **more))


def leave(terminal):
    terminal.press("Escape")
    terminal.wait_for("last minute")
    terminal.press("q")
    terminal.wait_for("q again")
    terminal.press("q")
    terminal.wait_for("status 0")


def test_draw_from_cautions_to_verdict(board, tmp_path):
    with begin(board, tmp_path, "draw") as terminal:
        assert "Carbon monoxide kills" in terminal.wait_for("step 1 of 4")
        terminal.press("y")
        terminal.wait_for("step 2 of 4")
        now(board, engine_start, cranking_s=0.8)
        terminal.wait_for("step 3 of 4")
        now(board, breather, 0.0)
        terminal.wait_for("dead-ended: ")
        terminal.wait_for("step 4 of 4")
        now(board, breather, 1.0)
        terminal.wait_for("The path draws")
        terminal.wait_for("Kept in")
        leave(terminal)
    kept = kept_results(str(tmp_path / "job.casebook"), again=True)
    assert [(r.kind, r.verdict, r.same_again) for r in kept] == [("draw", "good", True)]


def test_known_openings_with_button_and_pulled_plug(board, tmp_path):
    settings = ("--set", "openings_mm=5,4", "--set", "limit_pa=6000")
    with begin(board, tmp_path, "known-openings", *settings) as terminal:
        terminal.wait_for("step 1 of 6")
        terminal.press("y")
        now(board, engine_start, cranking_s=0.8)
        now(board, opening, 5.0)
        now(board, breather, 0.0)
        terminal.wait_for("step 2 of 6")
        time.sleep(4.0)
        board.press()
        terminal.wait_for("step 4 of 6")
        board.unplug()
        terminal.wait_for("(?i)unplugged")
        board.replug()
        now(board, opening, 4.0)
        terminal.wait_for("step 5 of 6", 90.0)
        now(board, closing)
        terminal.wait_for("step 6 of 6", 90.0)
        now(board, breather, 1.0)
        time.sleep(3.0)
        terminal.press("Space")
        terminal.wait_for("does not prove")
        terminal.wait_for("Kept in")
        leave(terminal)
    kept = kept_results(str(tmp_path / "job.casebook"), again=True)
    readings = kept[-1].body["state"]["taken"]
    assert [r["values"]["opening_mm"] for r in readings] == [5.0, 4.0, 0.0], "nothing was lost with the plug"
