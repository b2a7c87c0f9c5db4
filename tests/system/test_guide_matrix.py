"""All twelve guided tests in a real terminal on the virtual board, each with every mishap that makes sense in it.

Real time: the default run holds two of them, the whole matrix is `pytest -m slow tests/system/test_guide_matrix.py`.
"""

import shutil
from dataclasses import replace

import pytest
from guided_jobs import DEAD_END, JOBS, LET_GO, MISHAPS, Drive

from sumpglass.simulate import orchard

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")
SMALL, LARGE = (80, 24), (120, 40)
NO_ENGINE = {"zero", "hold"}
NOTHING_TAKEN = {"zero", "draw", "blow-by", "pulse-balance", "valve-response", "open-close", "hold"}
"""Tests whose middle step is the first reading: nothing is kept yet when they are broken off there."""


def _makes_sense(test, mishap):
    if mishap in ("stall", "hose off"):
        # With the engine off there is nothing to stall, and an open hose is what a zero asks for. On the walk a point
        # without draw looks like a stopped engine or an open hose: there the words are those of the reading.
        return test not in NO_ENGINE and test != "walk-path"
    if mishap == "broken off":
        return test not in NOTHING_TAKEN
    return True


@pytest.mark.parametrize(("test", "mishap"), [("zero", None), ("draw", "unplugged")])
def test_short(test, mishap, tmp_path):
    drive = Drive(JOBS[test], tmp_path, SMALL, MISHAPS.get(mishap))
    drive.run()
    assert drive.struck == (mishap is not None)


@pytest.mark.slow
@pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "120x40"])
@pytest.mark.parametrize("test", JOBS)
def test_start_to_verdict(test, size, tmp_path):
    drive = Drive(JOBS[test], tmp_path, size)
    drive.run()
    assert "prove" in drive.screens["verdict"]


@pytest.mark.slow
@pytest.mark.parametrize(("test", "mishap"), [(t, m) for t in JOBS for m in MISHAPS if _makes_sense(t, m)])
def test_mishap(test, mishap, tmp_path):
    drive = Drive(JOBS[test], tmp_path, SMALL, MISHAPS[mishap])
    drive.run()
    assert drive.struck


@pytest.mark.slow
def test_saturated_reading_is_kept_as_a_bound(tmp_path):
    job = replace(JOBS["draw"], sensor=orchard.TWO_KPA)
    drive = Drive(job, tmp_path, SMALL)
    kept = drive.run()
    assert "deeper than" in kept.sentence and kept.body["state"]["taken"][0]["bound"] == "deeper"


@pytest.mark.slow
def test_stop_call_at_the_seals_limit(tmp_path):
    """Without a limit given it is 3.5 kPa; the dead-ended crankcase goes past it."""
    stopped = {}

    def let_go(drive):
        stopped["screen"] = drive.terminal.wait_for("past the limit of 3.5 kPa", 20.0)
        drive.do(LET_GO)

    hands = {"dead_end": [(0.5, DEAD_END), (0.7, let_go)]}
    kept = Drive(replace(JOBS["draw"], hands=hands, settings=()), tmp_path, SMALL).run()
    assert "open the hose now" in stopped["screen"].lower() or "█" in stopped["screen"]
    assert kept.body["state"]["taken"][0]["bound"] == "deeper"
