"""All twelve guided tests in a real terminal on the virtual board, each with every mishap that makes sense in it.

Real time: the default run holds two of them, the whole matrix is `pytest -m slow tests/system/test_guide_matrix.py`.
"""

import shutil
from dataclasses import replace

import pytest
from guided_jobs import DEAD_END, DONE, JOBS, LET_GO, MISHAPS, YES, Drive, plug, wrong_order

from sumpglass.simulate import orchard
from sumpglass.simulate.script import closing, opening

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


@pytest.mark.slow
def test_smallest_opening_first_is_told_and_put_right(tmp_path):
    def told(drive):
        drive.screens["told"] = drive.terminal.wait_for(r"less\. Plugs go\s+from\s+the\s+largest", 30.0)
        wrong_order(drive)

    job = JOBS["known-openings"]
    first = [(0.3, lambda drive: drive.do(plug(5.0 if drive.struck else 2.5)))]
    start = [(0.5, plug(2.5)), (0.6, DEAD_END), (4.0, DONE)]
    drive = Drive(replace(job, hands={**job.hands, "start": start, "opening_5": first}), tmp_path, SMALL, told)
    drive.run()
    assert "told" in drive.screens


@pytest.mark.slow
def test_something_opened_in_the_seal_hunt_is_told_and_put_right(tmp_path):
    def told(drive):
        drive.screens["told"] = drive.terminal.wait_for(r"What\s+else\s+was\s+opened", 40.0)
        drive.do(closing(0, name="dipstick tube"))
        drive.do(closing(0, name="filler cap"))

    job = JOBS["seal-hunt"]
    hands = {**job.hands, "cap_filler cap": [(1.0, opening(0, 4.0, name="dipstick tube")), (10.0, DONE)]}
    drive = Drive(replace(job, hands=hands), tmp_path, SMALL, told)
    drive.run()
    assert "told" in drive.screens


@pytest.mark.slow
def test_without_the_acknowledgement_nothing_begins(tmp_path):
    def told(drive):
        drive.screens["told"] = drive.terminal.wait_for("Acknowledge the cautions first", 10.0)

    job = JOBS["draw"]
    hands = {**job.hands, "cautions": [(1.0, DONE), (1.5, told), (1.6, YES)]}
    drive = Drive(replace(job, hands=hands), tmp_path, SMALL)
    drive.run()
    assert "step 1 of 4" in drive.screens["told"]
