"""Sentences of the trade, in the list and at the foot."""

import pytest

from sumpglass.records import CAUSES, HAPPENING_KINDS, Happening
from sumpglass.tui.widgets.foot import troubles
from sumpglass.tui.words import ago, clock, sentence, sizes
from sumpglass.workflows.live import RigHealth


def loss(**more):
    values = {"kind": "sudden_loss", "t_s": 31.2, "t_raised_s": 31.4, "before_pa": -640.0, "after_pa": -35.0,
              "cause": "opening", "p_cause": 0.97, "key": 1}  # fmt: skip
    return Happening(**{**values, **more})


def test_a_loss_is_told_in_a_sentence():
    assert sentence(loss(), 43.5) == "Vacuum lost 12 s ago: an opening, the engine kept running."
    assert sizes(loss(), "kPa") == "vacuum 0.64 → 0.04 kPa"


def test_a_doubtful_cause_is_told_as_likely():
    assert "likely an opening" in sentence(loss(p_cause=0.6), 40.0)
    assert "cause not told" in sentence(loss(cause="unknown", p_cause=0.2), 40.0)


def test_reversal_says_which_way():
    assert sentence(loss(kind="sign_reversal", after_pa=90.0), 32).startswith("Vacuum turned to pressure just now")
    assert sentence(loss(kind="sign_reversal", after_pa=-90.0), 32).startswith("Pressure turned to vacuum")
    assert sizes(loss(after_pa=None), "Pa") == "vacuum 640 Pa → ?"


@pytest.mark.parametrize("kind", HAPPENING_KINDS)
@pytest.mark.parametrize("cause", CAUSES)
def test_every_kind_and_cause_has_words(kind, cause):
    words = sentence(loss(kind=kind, cause=cause), 100.0)
    assert words.endswith(".") and "_" not in words and "  " not in words


def test_clock_and_ago():
    assert [clock(x) for x in (0, 31.9, 725, 3725)] == ["0:00", "0:31", "12:05", "1:02:05"]
    assert [ago(x) for x in (0.2, 12.7, 119, 150)] == ["just now", "12 s ago", "119 s ago", "2 min ago"]


@pytest.mark.parametrize(
    ("health", "words"),
    [
        (RigHealth(), None),
        (RigHealth(trouble="the disk is full: \x1b[31mmake room"), "the disk is full: �[31mmake room"),
        (RigHealth(recording="x", disk_free_bytes=40_000_000), "disk nearly full, 40 MB left"),
        (RigHealth(frames_lost=3), "3 frames lost, 0 damaged: check cable"),
        (RigHealth(samples_late=7), "7 samples late"),
        (RigHealth(samples_overrun=2), "2 samples overrun"),
        (RigHealth(clipped_share=0.02), "clipped 2.0 %"),
        (RigHealth(zero_known=True, zero_age_s=3600.0), "zero is 60 min old"),
    ],
)
def test_the_foot_is_silent_while_all_is_well(health, words):
    found = troubles(health)
    assert found == [] if words is None else found[0].startswith(words)
