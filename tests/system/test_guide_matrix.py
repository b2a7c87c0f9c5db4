"""All twelve guided tests in a real terminal on the virtual board, each with every mishap that makes sense in it."""

import shutil

import pytest
from guided_jobs import JOBS, MISHAPS, Drive

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed"),
]
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


@pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "120x40"])
@pytest.mark.parametrize("test", JOBS)
def test_start_to_verdict(test, size, tmp_path):
    drive = Drive(JOBS[test], tmp_path, size)
    drive.run()
    assert "prove" in drive.screens["verdict"]


@pytest.mark.parametrize(("test", "mishap"), [(t, m) for t in JOBS for m in MISHAPS if _makes_sense(t, m)])
def test_mishap(test, mishap, tmp_path):
    drive = Drive(JOBS[test], tmp_path, SMALL, MISHAPS[mishap])
    drive.run()
    assert drive.struck
