"""Steps done in the wrong order: told in one sentence, nothing taken by itself, nothing lost."""

import math

import pytest

from sumpglass.procedures.guide_events import Told
from sumpglass.procedures.trade_test import find_test

LEAK = 4.0


def vacuum(opening_mm):
    """Square law: deeper with a smaller opening, -2.4 kPa with none."""
    return -2400.0 * (LEAK / (LEAK + math.pi / 4 * opening_mm**2)) ** 2


def names(b):
    return [t.name for t in b.guide.taken]


def openings(bench, first_mm):
    b = bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2, 2.0), "limit_pa": 9000.0})
    b.run(1.0, 0.0).acknowledge()
    b.until("start", vacuum(first_mm), 10.0, "running").run(3.0).press()
    return b.until("opening_3.2", vacuum(first_mm))


@pytest.mark.parametrize(
    ("first_mm", "then_mm", "words"),
    [
        (5.0, 5.0, "no change"),
        (5.0, 5.6, "less. Plugs go from the largest down"),
        (2.0, 3.2, "less. Plugs go from the largest down; step back if the first was another"),
    ],
    ids=["plug not changed", "larger plug", "smallest first"],
)
def test_plugs_in_the_wrong_order(bench, first_mm, then_mm, words):
    b = openings(bench, first_mm)
    b.run(12.0, vacuum(then_mm))
    assert b.guide.step.id == "opening_3.2" and names(b) == ["opening 5 mm"], "it is not taken by itself"
    assert words in b.guide.status.condition.words
    b.events += b.guide.back()
    assert b.guide.step.id == "opening_5" and names(b) == []
    b.until("opening_3.2", vacuum(5.0)).until("opening_2", vacuum(3.2)).until("closed", vacuum(2.0))
    b.until("let_go", vacuum(0.0)).press()
    leak = next(f for f in b.guide.verdict.figures if f.name == "leak_mm2")
    assert abs(leak.value / LEAK - 1) < 0.05, "nothing was lost by it"


def test_a_press_takes_the_odd_level_all_the_same(bench):
    b = openings(bench, 4.0)
    b.run(12.0, vacuum(5.0)).press()
    assert b.guide.step.id == "opening_2"


def test_plug_taken_out_before_its_level_was_read(bench):
    """The next plug is in while this one's reading is awaited: the step after that finds no change, and says so."""
    b = openings(bench, 5.0)
    b.until("opening_2", vacuum(2.0))
    b.run(12.0, vacuum(2.0))
    assert "step back if it was in already" in b.guide.status.condition.words
    b.events += b.guide.back()
    assert names(b) == ["opening 5 mm"]


def test_barb_open_before_its_step(bench):
    b = bench(find_test("open-close"))
    b.run(1.0, 0.0).acknowledge()
    b.run(10.0, -20.0, 10.0, "running")
    assert b.guide.step.id == "closed" and not b.guide.taken
    assert "is the barb stopped?" in b.guide.status.condition.words
    b.until("open", -900.0).until("opened", -20.0).until("close", -20.0).until("again", -900.0).until("verdict", -900.0)
    assert b.guide.verdict.state == "good"


def hunt(bench):
    b = bench(find_test("seal-hunt"), {"suspects": ("filler cap", "dipstick")})
    b.run(1.0, 0.0).acknowledge()
    return b.until("cap_filler cap", -500.0, 10.0, "running")


def test_something_opened_instead_of_capped_in_the_seal_hunt(bench):
    b = hunt(bench)
    b.run(14.0, -300.0).press()
    assert b.guide.step.id == "cap_filler cap" and names(b) == ["nothing capped"]
    assert "What else was opened?" in b.seen(Told)[-1].words
    b.until("uncap_filler cap", -800.0)
    assert b.guide.taken[-1].mean_pa == pytest.approx(-800.0, abs=5.0)


def test_cap_left_on_in_the_seal_hunt(bench):
    b = hunt(bench)
    b.run(1.0, -800.0).press().until("uncap_filler cap", -800.0)
    b.run(14.0).press()
    assert "is filler cap free again" in b.seen(Told)[-1].words and b.guide.step.id == "uncap_filler cap"
    b.until("cap_dipstick", -500.0)
    assert names(b) == ["nothing capped", "capped filler cap", "nothing capped after filler cap"]


def test_acknowledgement_refused(bench):
    """Neither the key nor the button goes past the cautions; the test waits, and can be left and begun anew."""
    b = bench(find_test("draw"))
    b.run(3.0, 0.0).press().run(3.0, -100.0, 20.0, "running").press()
    assert b.guide.step.id == "cautions" and not b.guide.taken and b.guide.verdict is None
    assert [e.words for e in b.seen(Told)] == [
        "Acknowledge the cautions first: a running engine is about to be worked at"
    ] * 2
    b.acknowledge()
    assert b.guide.step.id == "idle"
