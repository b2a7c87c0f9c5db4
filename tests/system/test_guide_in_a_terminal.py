"""A guided test in a real terminal, on the virtual board that runs the real firmware: keys, button, plug pulled."""

import shutil
import sys
import time

import pytest
from terminal import Terminal

from sumpglass.link.virtual_board import VirtualBoard
from sumpglass.simulate import orchard
from sumpglass.simulate.script import Scenario, breather, closing, engine_start, opening
from sumpglass.workflows.guide import kept_results

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed"),
]


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
        terminal.leave()
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
        terminal.leave()
    kept = kept_results(str(tmp_path / "job.casebook"), again=True)
    readings = kept[-1].body["state"]["taken"]
    assert [r["values"]["opening_mm"] for r in readings] == [5.0, 4.0, 0.0], "nothing was lost with the plug"
