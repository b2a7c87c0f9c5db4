"""`sumpglass rig` as a person calls it: against the real firmware on a virtual board, and with wrong words."""

import json
import subprocess
import sys
import threading
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from sumpglass.analysis.calibration import CalibrationPoint
from sumpglass.analysis.water_column import WaterColumn, column_pascals
from sumpglass.errors import DeviceError, InputError, RefusedError
from sumpglass.link.virtual_board import VirtualBoard
from sumpglass.link.virtual_feed import rows
from sumpglass.records import Recording
from sumpglass.store.casebook import Casebook
from sumpglass.workflows import rig_calibrate as work
from sumpglass.workflows import rig_check
from sumpglass.workflows.calibrated import find_calibration, keep_calibration
from sumpglass.workflows.convert import convert
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.rig_settings import change_settings, changed, read_settings, write_settings
from sumpglass.workflows.rig_talk import RigTalk
from sumpglass.workflows.watch import replay

ROOT = Path(__file__).parents[3]
SUMPGLASS = str(Path(sys.executable).with_name("sumpglass"))
pytestmark = pytest.mark.skipif(not Path(sys.executable).with_name("micropython").exists(), reason="needs micropython")


def run(*words, **more):
    return subprocess.run([SUMPGLASS, "rig", *words], capture_output=True, text=True, timeout=120, **more)


def checked(name, text):
    found = json.loads(text)
    schema = json.loads((ROOT / "protocol" / "schemas" / f"{name}.schema.json").read_text())
    jsonschema.validate(found, schema)
    return found


class Column:
    """A pressure that the test sets, with a little noise: the water column at a virtual rig."""

    def __init__(self):
        self.pressure_pa = 0.0
        self.swing_pa = 0.0
        self._rng = np.random.default_rng(3)
        self._at = 0

    def advance(self, samples):
        t = (self._at + np.arange(samples)) / 4000.0
        self._at += samples
        swing = self.swing_pa * np.sin(2 * np.pi * 1.3 * t)
        return rows(self.pressure_pa + swing + self._rng.normal(0, 2.0, samples), np.zeros(samples), 101325)

    def apply(self, step):
        return step


@pytest.fixture(scope="module")
def bench():
    column = Column()
    with VirtualBoard(column) as board:
        yield board, column


def test_check_prints_json_and_a_page(tmp_path):
    page = tmp_path / "check.html"
    done = run("check", "--virtual", "--seconds", "3.5", "--no-taps", "--json", "--page", str(page))
    assert done.returncode == 0, done.stderr
    found = checked("rig-check", done.stdout)
    outcomes = {check["name"]: check["outcome"] for check in found["checks"]}
    assert outcomes["at rest"] == outcomes["frames lost or damaged"] == outcomes["firmware"] == "passed"
    assert outcomes["drift"] == "not known"
    text = page.read_text()
    assert text.startswith("<!doctype html>")
    assert "frames lost or damaged" in text
    assert "http" not in text.split("</style>")[1]


def test_check_prompts_for_taps_and_judges_them(monkeypatch):
    monkeypatch.setattr(rig_check, "TAPS_S", 5.0)
    with RigTalk.open(None, virtual=True, rest_s=3.2) as talk:
        events = list(rig_check.check_rig(talk, 3.2))
    prompts = [event.text for event in events if isinstance(event, rig_check.Prompt)]
    assert "Tap the open end" in prompts[1]
    outcomes = {check.name: check.outcome for check in events[-1].checks}
    assert outcomes["line response to taps"] == outcomes["at rest"] == "passed"


def test_settings_are_read_changed_and_refused_as_a_whole(bench):
    board, _ = bench
    with RigTalk.open(board.port) as talk:
        before = read_settings(talk)
        now, was_changed = change_settings(talk, ["rate_hz=500", "name=the shed's rig"], None, None)
        assert was_changed
        assert (now["rate_hz"], now["name"]) == (500, "the shed's rig")
        with pytest.raises(DeviceError, match="rate_hz"):
            write_settings(talk, {**now, "rate_hz": 50000})
        assert read_settings(talk) == now
        write_settings(talk, before)
        assert read_settings(talk) == before


def test_settings_by_name():
    settings = {"rate_hz": 1000, "channels": [{"part": "a"}], "i2c": None}
    after = changed(settings, ["channels.0.part=b", 'i2c={"id": 1}'])
    assert after == {"rate_hz": 1000, "channels": [{"part": "b"}], "i2c": {"id": 1}}
    assert settings["channels"][0]["part"] == "a"
    assert changed(settings, ['channels.1={"part": "c"}'])["channels"] == [{"part": "a"}, {"part": "c"}]
    for change, words in (
        ("speed=1", "no such setting"),
        ("rate_hz", "NAME=VALUE"),
        ("channels.3.part=x", "number from 0 to 0"),
        ("rate_hz.deep=1", "plain value"),
    ):
        with pytest.raises(InputError, match=words):
            changed(settings, [change])


def test_the_gauge_hose_is_set_whole_or_not_at_all():
    names = ["bore_mm=4", "length_mm=500", "volume_mm3=1000"]
    changes = [item for name in names for item in ("--set", f"channels.0.line.{name}")]
    done = run("settings", "--virtual", "--json", *changes)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)["settings"]["channels"][0]["line"]
    assert told == {"bore_mm": 4, "length_mm": 500, "volume_mm3": 1000}
    done = run("settings", "--virtual", *changes[:2])
    assert done.returncode == 2 and "channels.0.line: length_mm: is missing" in done.stderr


def test_settings_file_with_a_fault_names_line_and_column(tmp_path):
    bad = tmp_path / "settings.json"
    bad.write_text('{"rate_hz": 500,\n "name" "x"}\n')
    done = run("settings", "--virtual", "--write", str(bad))
    assert done.returncode == 2
    assert "line 2, column 9" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_zero_is_taken_kept_and_refused(bench, tmp_path):
    board, column = bench
    book = tmp_path / "job.casebook"
    column.pressure_pa, column.swing_pa = 14.0, 0.0
    with RigTalk.open(board.port) as talk:
        talk.record(0.4)
        taken = work.zero_rig(talk, 3.0, str(book))
        assert taken.zero.pressure_pa == pytest.approx(14.0, abs=1.5)
        assert float(talk.record(0.4).zero.pressure_pa) == pytest.approx(14.0, abs=1.5), "the board tells it now"
        column.swing_pa = 30.0
        talk.record(0.4)
        with pytest.raises(RefusedError, match="not at rest"):
            work.zero_rig(talk, 3.0, str(book))
        column.swing_pa = 0.0
    with Casebook.open(str(book)) as kept:
        assert len(kept.zeros()) == 1


def test_calibration_live_kept_and_applied(bench, tmp_path):
    board, column = bench
    book = str(tmp_path / "rig.casebook")
    tube = WaterColumn("u_tube", latitude_deg=47.0)
    points = []
    with RigTalk.open(board.port) as talk:
        facts = work.rig_facts(talk)
        for mm in (-120.0, 0.0, 120.0):
            # The rig shows 4 % too much and 25 Pa: what the calibration has to find.
            column.pressure_pa = float(column_pascals(tube, mm)) * 1.04 + 25.0
            talk.record(0.4)
            points.append(work.take_point(talk, mm, 0.8))
        column.swing_pa = 80.0
        talk.record(0.4)
        with pytest.raises(RefusedError, match="still moves"):
            work.take_point(talk, 60.0, 1.5)
        column.swing_pa = 0.0
    calibration = work.calibrate_points(points, tube, facts)
    assert calibration.gain == pytest.approx(1 / 1.04, abs=2e-3)
    assert float(calibration.true_pascals(25.0)) == pytest.approx(0.0, abs=3.0)
    first = keep_calibration(book, calibration)
    second = keep_calibration(book, work.calibrate_points(points[:2], tube, facts))
    assert second == first + 1
    assert find_calibration(f"{book}#{first}") == (first, calibration)
    assert find_calibration(book)[0] == second

    old = tmp_path / "old.csv"
    old.write_text("t_s,pressure_pa\n" + "".join(f"{k / 100},{1065 + k % 3}\n" for k in range(300)))
    kept = old.read_bytes()
    done = run("reread", str(old), "--calibration", f"{book}#{first}", "--out", str(tmp_path / "new.csv"), "--json")
    assert done.returncode == 0, done.stderr
    assert checked("rig-reread", done.stdout)["samples"] == 300
    assert old.read_bytes() == kept
    again = load_recording(str(tmp_path / "new.csv"))
    assert float(again.pressure_pa.mean()) == pytest.approx((1066 - 25) / 1.04, abs=4.0)
    told = subprocess.run(
        [SUMPGLASS, "assess", str(old), "--calibration", f"{book}#{first}", "--json"], capture_output=True, text=True
    )
    assessment = checked("assessment", told.stdout)
    assert assessment["level"]["mean_pa"] == pytest.approx((1066 - 25) / 1.04, abs=4.0)
    assert any(f"number {first} of" in words for words in assessment["warnings"])
    same = convert(str(old), str(tmp_path / "same.csv"), calibration=f"{book}#{first}")
    assert load_recording(same.path).pressure_pa == pytest.approx(again.pressure_pa)
    with pytest.raises(InputError, match="keeps what the board sent"):
        convert(str(old), str(tmp_path / "same.casebook"), calibration=book)
    session = replay(str(old), calibration=f"{book}#{first}", at_s=2.9)
    assert "under calibration" in session.subject
    assert session.source.facts.sensor.gain_relative_u95 < 0.02
    session.close()
    refused = run("reread", str(old), "--calibration", book, "--out", str(tmp_path / "new.csv"))
    assert (refused.returncode, "there already" in refused.stderr) == (2, True)


def test_guided_calibration_over_the_command_line(bench, tmp_path):
    board, column = bench
    column.pressure_pa, column.swing_pa = 0.0, 0.0
    words = ("calibrate", "--port", board.port, "--json", "--latitude", "50", "--seconds", "1.5")
    child = subprocess.Popen(
        [SUMPGLASS, "rig", *words], text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    watchdog = threading.Timer(60.0, child.kill)
    watchdog.start()

    def until(words):
        said = ""
        while not said.endswith(words):
            letter = child.stderr.read(1)
            assert letter, said
            said += letter
        return said

    for mm in (0, 80, 150):
        until("nothing to end: ")
        column.pressure_pa = mm * 9.78
        threading.Event().wait(0.7)
        child.stdin.write(f"{mm} mm\n")
        child.stdin.flush()
    until("nothing to end: ")
    child.stdin.write("about ten\n")
    child.stdin.flush()
    assert "expected a number of millimetres" in until("nothing to end: ")
    out, _ = child.communicate("\n", timeout=30)
    watchdog.cancel()
    assert child.returncode == 0
    found = checked("rig-calibration", out)
    assert found["gain"] == pytest.approx(1.0, abs=0.01)
    assert found["number"] is None
    assert len(found["points"]) == 3


def test_calibration_from_noted_points(tmp_path):
    table = tmp_path / "points.csv"
    table.write_text("reading_mm,pressure_pa,u_pa\n-150,-1480,1\n-75,-735,1\n0,10,1\n75,742,1\n150,1490,1\n")
    done = run("calibrate", "--points", str(table), "--casebook", str(tmp_path / "b.casebook"), "--json")
    assert done.returncode == 0, done.stderr
    found = checked("rig-calibration", done.stdout)
    assert found["gain"] == pytest.approx(0.986, abs=0.01)
    assert found["number"] == 1
    words = run("calibrate", "--points", str(table)).stdout
    assert "not kept" in words
    assert words.count("\n") >= 8


def test_a_point_needs_enough_good_samples():
    with pytest.raises(InputError, match="good samples"):
        work.point_of(Recording(np.arange(4.0), np.zeros(4), rate_hz=1.0), 10.0)
    with pytest.raises(InputError, match="millimetres"):
        work.point_of(Recording(np.arange(4.0), np.zeros(4), rate_hz=1.0), float("nan"))
    assert CalibrationPoint(1.0, 2.0, 3.0).reading_mm == 1.0


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        ([], 2, "required: PART"),
        (["melt"], 2, "invalid choice"),
        (["check", "--virtual", "--seconds", "1"], 2, "3 to 3600"),
        (["check", "--seconds", "x"], 2, "invalid float"),
        (["zero", "--channel", "9", "--virtual"], 2, "0 to 3"),
        (["zero", "--port", "/dev/nothing-here"], 3, "no such port"),
        (["deploy", "--port", "/dev/nothing-here"], 3, "/dev/nothing-here"),
        (["calibrate", "--points", "nothing.csv"], 2, "nothing.csv"),
        (["calibrate", "--points", "nothing.csv", "--tilt", "0.5", "--column", "inclined"], 2, "tilt"),
        (["reread", "nothing.csv", "--calibration", "nothing.casebook", "--out", "x.csv"], 2, "nothing.casebook"),
        (["reread", "nothing.csv", "--calibration", "nothing.casebook", "--out", "x.txt"], 2, "expected .csv"),
        (["settings", "--virtual", "--set", "speed=1"], 2, "no such setting"),
    ],
)
def test_wrong_calls_are_one_line(words, status, said, tmp_path):
    done = run(*words, cwd=tmp_path, stdin=subprocess.DEVNULL)
    lines = [line for line in done.stderr.strip().splitlines() if not line.startswith("Engine off")]
    assert done.returncode == status, done.stderr
    assert len(lines) == 1, done.stderr
    assert said in lines[0]
    assert done.stdout == ""


def test_deploy_to_a_blank_board_and_again(tmp_path):
    """mpremote against the virtual board's own prompt; afterwards the board runs the program's firmware."""
    with VirtualBoard(0.0, firmware=False) as board:
        first = run("deploy", "--port", board.port, "--json")
        assert first.returncode == 0, first.stderr
        found = checked("rig-deploy", first.stdout)
        assert found["is_current"]
        again = run("deploy", "--port", board.port)
        assert "there already" in again.stderr
        with RigTalk.open(board.port) as talk:
            assert talk.firmware_digest == found["digest"]
