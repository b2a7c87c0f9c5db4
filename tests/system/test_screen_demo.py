"""The demo without a screen: real firmware in virtual time, and the simulator where the firmware cannot run."""

import dataclasses
import json
import math
import subprocess
import sys

import pytest

from sumpglass.errors import DeviceError, DiskError, InputError
from sumpglass.simulate import orchard
from sumpglass.simulate.engine import simulate
from sumpglass.store.casebook import Casebook
from sumpglass.workflows import demo
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.size_leak import readings_agree, size_leak_of_recording


@pytest.fixture
def short(monkeypatch):
    """The first 26 s of the scenario: one opening."""
    whole = orchard.scenario_named(demo.SCENARIO)
    monkeypatch.setattr(orchard, "scenario_named", lambda name: dataclasses.replace(whole, duration_s=26.0))


def test_firmware_to_casebook_and_report(short, tmp_path):
    told = []
    result = demo.run_demo(str(tmp_path / "out"), progress=told.append)
    assert result.firmware and told
    recording = load_recording(result.casebook)
    assert recording.rate_hz == pytest.approx(1000.0, rel=1e-3) and recording.missing == 0
    assert recording.duration_s > 25.5
    marks = {mark.text: mark.t_s for mark in recording.marks}
    losses = [h for h in result.assessment.happenings if h.kind == "sudden_loss" and h.cause == "opening"]
    assert len(losses) == 1
    # The script opened at 12 s of true time; the mark tells the same moment in the time of the recording.
    assert losses[0].t_s == pytest.approx(marks["opening 5.0 mm"], abs=0.1)
    with Casebook.open(result.casebook) as book:
        assert {entry.kind for entry in book.results()} >= {"assessment"}
    page = (tmp_path / "out" / demo.REPORT).read_text()
    assert page.lower().startswith("<!doctype html>") and "East Bank" in page


def test_the_simulator_stands_in(short, tmp_path, monkeypatch):
    def missing(*_, **__):
        raise DeviceError("the virtual board needs the MicroPython Unix port: install it")

    monkeypatch.setattr("sumpglass.link.virtual_board.capture_virtual", missing)
    told = []
    result = demo.run_demo(str(tmp_path / "out"), progress=told.append)
    assert not result.firmware and any("stands in" in words for words in told)
    assert any(h.kind == "sudden_loss" for h in result.assessment.happenings)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_leak_of_the_scenario_is_sized(seed):
    """Openings down to one much smaller than the leak: a source whose draw gives way could else pass for no leak."""
    scenario = orchard.scenario_named(demo.SCENARIO)
    leak, _ = size_leak_of_recording(simulate(scenario, seed).recording())
    true_mm = math.sqrt(4.0 / math.pi * scenario.ventilation.seal_cda_m2 / 0.61) * 1e3
    assert readings_agree(leak)
    assert leak.equivalent_mm == pytest.approx(true_mm, rel=0.05) and 0.0 < leak.lo95_mm < true_mm < leak.hi95_mm


def test_folders_that_will_not_do(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="is a file"):
        demo.new_folder(str(tmp_path / "file"))
    with pytest.raises((InputError, DiskError)):
        demo.new_folder(str(tmp_path / "file" / "below"))
    (tmp_path / demo.REPORT).write_text("x")
    with pytest.raises(InputError, match="is there already"):
        demo.new_folder(str(tmp_path))


@pytest.mark.slow
def test_the_whole_command(tmp_path):
    words = [sys.executable, "-m", "sumpglass", "demo", "--out", "out"]
    done = subprocess.run(
        words, capture_output=True, text=True, cwd=tmp_path, stdin=subprocess.DEVNULL, timeout=200, check=False
    )
    assert done.returncode == 0 and "Traceback" not in done.stderr
    assert "an opening, the engine kept running" in done.stdout and "report" in done.stdout
    assert {path.name for path in (tmp_path / "out").iterdir()} == {demo.CASEBOOK, demo.REPORT}
    assess = [sys.executable, "-m", "sumpglass", "assess", str(tmp_path / "out" / demo.CASEBOOK), "--json"]
    told = json.loads(subprocess.run(assess, capture_output=True, text=True, check=True).stdout)
    assert told["recording"]["samples"] > 70_000
