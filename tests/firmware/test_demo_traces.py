"""The demo traces are what the firmware and the simulator of this checkout make, and their truth fits their bytes."""

import tomllib

import numpy as np
import pytest
from boards import ROOT

from sumpglass.workflows.demo_traces import RECIPES, SUFFIX, make_trace, run_firmware
from sumpglass.workflows.load_recording import load_recording

FOLDER = ROOT / "demo_traces"
COMMAND = "run `python -m sumpglass.workflows.demo_traces demo_traces`"
SHORTEST = min(RECIPES, key=lambda recipe: (recipe.seconds, recipe.name))


def assert_fresh(recipe):
    made = make_trace(recipe)
    assert (FOLDER / f"{recipe.name}{SUFFIX}").read_bytes() == made.capture, COMMAND
    assert (FOLDER / f"{recipe.name}.toml").read_text() == made.facts, COMMAND


def test_the_shortest_trace_is_made_again_byte_for_byte():
    assert (FOLDER / f"{SHORTEST.name}{SUFFIX}").read_bytes() == run_firmware(SHORTEST), COMMAND


@pytest.mark.slow
@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name)
def test_every_trace_is_made_again_byte_for_byte(recipe):
    assert_fresh(recipe)


def test_there_are_enough_and_no_strangers():
    assert len(RECIPES) >= 6
    names = {f"{recipe.name}{ending}" for recipe in RECIPES for ending in (SUFFIX, ".toml")}
    assert {path.name for path in FOLDER.iterdir() if path.is_file()} == names


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name)
def test_a_trace_opens_and_agrees_with_its_truth(recipe):
    facts = tomllib.loads((FOLDER / f"{recipe.name}.toml").read_text())
    recording = load_recording(str(FOLDER / f"{recipe.name}{SUFFIX}"))
    expected = facts["samples"]
    assert 0.97 * expected <= len(recording.t_s) <= expected
    if "link" in facts:
        assert recording.losses.frames_damaged >= facts["link"]["frames_spoiled"]
    else:
        assert recording.losses.frames_damaged == recording.losses.frames_lost == 0
    for stretch in facts["stretches"]:
        inside = (recording.t_s >= max(stretch["t0_s"], 0.0) + 0.5) & (recording.t_s <= stretch["t1_s"] - 0.1)
        values = recording.pressure_pa[inside]
        valid = np.isfinite(values)
        # Short ones are still settling, and the edges differ.
        if stretch["t1_s"] - stretch["t0_s"] < 5.0 or len(values) < 100 or not valid.all():
            continue
        clipped = np.mean(np.abs(values) >= 0.99 * facts["sensor_range_high_pa"])
        # The truth is the membrane's; the reading has the sensor's offset and noise besides.
        if clipped < 0.001:
            assert np.mean(values) == pytest.approx(stretch["mean_pa"], abs=15.0 + 0.03 * stretch["sd_pa"])
