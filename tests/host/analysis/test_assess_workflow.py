"""`assess` from recording to JSON, text and picture."""

import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from sumpglass.errors import InputError
from sumpglass.records import Mark, Recording
from sumpglass.report.as_json import json_object
from sumpglass.report.assess_text import assess_text
from sumpglass.workflows.assess import assess_recording
from sumpglass.workflows.assess_plot import plot_text

SCHEMA = json.loads((Path(__file__).parents[3] / "protocol/schemas/assessment.schema.json").read_text())


def opened(seconds=20, rate=1000):
    rng = np.random.default_rng(3)
    t = np.arange(seconds * rate) / rate
    level = np.where((t < 8) | (t > 14), -600.0, -30.0)
    p = level + 150 * np.sin(2 * np.pi * 26.67 * t) + rng.normal(0, 8, len(t))
    return Recording(t, np.round(p, 2), rate_hz=float(rate), name="opened.csv")


def valid(assessment):
    jsonschema = pytest.importorskip("jsonschema")
    fields = json_object("assessment", assessment.as_fields())
    jsonschema.validate(fields, SCHEMA)
    json.dumps(fields, allow_nan=False)
    return fields


def test_one_opening_is_told_whole():
    found = assess_recording(opened(), 4, 0.0, 2000.0)
    fields = valid(found)
    assert [(e["kind"], e["cause"]) for e in fields["events"]] == [("sudden_loss", "opening"), ("recovery", "closing")]
    assert [round(s["mean_pa"], -1) for s in fields["stretches"]] == [-600, -30, -600]
    assert fields["pulses"]["rpm"] == pytest.approx(800.1, rel=0.002)
    assert fields["level"]["mean_pa"] == pytest.approx(float(opened().pressure_pa.mean()), abs=1e-6)
    assert not found.fault


def test_zero_is_subtracted_and_its_lack_is_told():
    plain = assess_recording(opened(), 4)
    assert any("no zero was given" in warning for warning in plain.warnings)
    assert plain.level.u95_pa >= 10.0
    # A part for 10 kPa is assumed to be off by more than one for 1 kPa.
    assert assess_recording(opened(), 4, range_pa=10000.0).level.u95_pa >= 25.0
    moved = assess_recording(opened(), 4, zero_pa=25.0)
    assert moved.level.mean_pa == pytest.approx(plain.level.mean_pa - 25.0)
    assert moved.level.u95_pa < plain.level.u95_pa


@pytest.mark.parametrize("samples", [1, 2, 3, 9, 40, 200])
def test_short_recordings_are_assessed(samples):
    t = np.arange(samples) / 100.0
    recording = Recording(t, -50 + np.sin(t), rate_hz=100.0 if samples > 1 else None)
    found = assess_recording(recording, 4)
    valid(found)
    assert assess_text(found, "short.csv")


def test_odd_recordings_are_assessed():
    t = np.arange(3000) / 100.0
    for p in (np.full(3000, np.nan), np.zeros(3000), np.full(3000, -2000.0), np.where(t > 10, np.nan, -100.0)):
        found = assess_recording(Recording(t, p, rate_hz=100.0), 4, None, 2000.0)
        valid(found)
        ElementTree.fromstring(plot_text(Recording(t, p, rate_hz=100.0), found, "odd"))


@pytest.mark.parametrize(("rpm", "told"), [(1500.0, True), (1485.0, True), (1400.0, False), (700.0, False)])
def test_pulses_that_pass_for_the_level_are_told(rpm, told):
    t = np.arange(2000) / 50.0
    p = -400.0 + 200.0 * np.sin(2 * np.pi * rpm / 30.0 * t)
    recording = Recording(t, p, rate_hz=50.0, marks=(Mark(0.0, f"rpm {rpm:g}"), Mark(9.0, "note idle")))
    warnings = assess_recording(recording, 4).warnings
    assert any("pass for the level" in w and "which a mark tells" in w for w in warnings) is told


def test_clipping_makes_the_statement_one_sided():
    recording = opened()
    clipped = Recording(recording.t_s, np.clip(recording.pressure_pa, -700, 700), rate_hz=1000.0)
    found = assess_recording(clipped, 4, 0.0, 700.0)
    assert found.recording.clipped_share > 0.1
    assert any("at least as deep" in warning for warning in found.warnings)


def test_a_range_below_zero_is_refused():
    with pytest.raises(InputError, match="range"):
        assess_recording(opened(), 4, 0.0, -5.0)


def test_picture_is_well_formed_and_escapes_names():
    recording = opened()
    text = plot_text(recording, assess_recording(recording, 4), "<script>&\x1b[31m")
    ElementTree.fromstring(text)
    assert "<script>" not in text
    assert "\x1b" not in text
    assert "an opening" in text


def test_the_command_prints_one_object_and_nothing_else(tmp_path):
    recording = opened(16, 200)
    path = tmp_path / "trace.csv"
    rows = "".join(f"{t:.3f},{p:.2f}\n" for t, p in zip(recording.t_s, recording.pressure_pa))
    path.write_text("t_s,pressure_pa\n" + rows)
    words = [
        sys.executable,
        "-m",
        "sumpglass",
        "assess",
        str(path),
        "--cylinders",
        "4",
        "--plot",
        str(tmp_path / "o.svg"),
    ]
    done = subprocess.run([*words, "--json", "--strict"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["schema"] == "sumpglass/assessment/1"
    assert (tmp_path / "o.svg").stat().st_size > 2000
    text = subprocess.run(words, capture_output=True, text=True)
    assert "Vacuum lost" in text.stdout
    wrong = subprocess.run([*words[:5], "--cylinders", "9"], capture_output=True, text=True)
    assert wrong.returncode == 2
    assert len(wrong.stderr.strip().splitlines()) == 1


def test_the_core_imports_no_screen_and_no_table_library():
    names = "('textual', 'pandas', 'scipy.signal')"
    code = f"import sys, sumpglass.workflows.assess; print([m for m in {names} if m in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout.strip() == "[]"
