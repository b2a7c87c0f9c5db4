"""Sounder, light and button, on the board's own interpreter; and the table of them is fresh."""

import subprocess
import sys

import pytest
from boards import FIRMWARE, named, run_on_board, run_requests

from sumpglass.link.virtual_feed import ArraySource, SineSource
from sumpglass_wire import layouts as wire

STEPS = """
import sys
class Time:
    ticks_add = staticmethod(lambda a, b: a + b)
    ticks_diff = staticmethod(lambda a, b: a - b)
    ticks_ms = staticmethod(lambda: 0)
sys.modules['time'] = Time
from sumpglass_board import patterns
from sumpglass_board.signals import Button, Signals, pitch_hz
"""


def test_the_table_is_fresh():
    text = subprocess.run(
        [sys.executable, "-c", "import make_signals_table as m; print(m.table(), end='')"],
        capture_output=True, text=True, check=True, cwd=FIRMWARE,
    ).stdout  # fmt: skip
    assert (FIRMWARE / "SIGNALS.md").read_text() == text, "run `python firmware/make_signals_table.py`"


def test_pitch_follows_the_level_and_is_silent_around_zero(tmp_path):
    told = run_on_board(STEPS + "told([pitch_hz(p) for p in (0, 19, -19, 20, -80, 320, -1280, 99999)])", tmp_path)
    assert told[:3] == [0, 0, 0]
    assert told[3:] == [pytest.approx(hz, abs=1) for hz in (250, 500, 1000, 2000, 3200)]


def test_patterns_sound_as_the_table_says_and_differ(tmp_path):
    told = run_on_board(
        STEPS
        + """
out = {}
for number in patterns.PATTERNS:
    heard = []
    signals = Signals(lambda hz, duty: heard.append((signals_now[0], hz)), lambda on: None, 50, False)
    signals_now = [0]
    signals.play(number, 0)
    for now in range(0, 1500, 10):
        signals_now[0] = now
        signals.tick(now)
    out[str(number)] = heard
told(out)
""",
        tmp_path,
    )
    sounds = {number: tuple(hz for _, hz in heard if hz) for number, heard in told.items()}
    assert sounds["1"] == (1200, 900, 600, 400)
    assert len(set(sounds.values())) == len(sounds)
    assert all(heard[-1][1] == 0 for heard in told.values())


def test_vacuum_is_steady_pressure_beats_mute_is_silent(tmp_path):
    told = run_on_board(
        STEPS
        + """
def changes(level, muted, volume=50):
    heard = []
    signals = Signals(lambda hz, duty: heard.append([hz, duty]), lambda on: None, volume, muted)
    signals.level_pa = level
    for now in range(0, 1200, 10):
        signals.tick(now)
    return heard
told([changes(-320, False), changes(320, False), changes(-320, True), changes(-320, False, 100)])
""",
        tmp_path,
    )
    vacuum, pressure, muted, loud = told
    assert [hz for hz, _ in vacuum] == [1000]
    assert len(pressure) >= 9 and {hz for hz, _ in pressure} == {0, 1000}
    assert muted == []
    assert loud[0][1] == 32768 and vacuum[0][1] == 8192


def test_button_bounces_and_long_presses(tmp_path):
    told = run_on_board(
        STEPS
        + """
class Clock:
    def now_us(self): return 1000 * now
level = [False]
button = Button(lambda: level[0])
now = 0
out = []
downs = [(100, 103), (105, 300), (302, 304), (1000, 2500), (3000, 3010)]
while now < 4000:
    level[0] = any(a <= now < b for a, b in downs)
    press = button.look(now, Clock())
    if press:
        out.append([now] + list(press))
    now += 1
told(out)
""",
        tmp_path,
    )
    assert [(number, kind) for _, number, kind, _ in told] == [(1, 1), (2, 2)]
    assert told[0][3] == pytest.approx(105_000, abs=6000)
    assert told[1][3] == pytest.approx(1_000_000, abs=2000)
    assert told[1][0] == pytest.approx(2020, abs=30)


def test_the_board_hears_a_loss_a_recovery_and_a_reversal(tmp_path):
    told = run_on_board(
        """
from sumpglass_board.listener import Listener
def hear(levels):
    listener = Listener()
    out = []
    for number, level in enumerate(levels):
        what = listener.hear(level, 0.06)
        if what:
            out.append([round(number * 0.06, 2), what])
    return out
steady = [-500.0] * 100
told([
    hear(steady + [-40.0] * 50 + [-480.0] * 50),
    hear(steady + [60.0] * 100),
    hear([-500.0 + 2.0 * k for k in range(100)]),
    hear([3.0, -4.0] * 100),
    hear(steady + [-40.0] * 4 + steady),
])
""",
        tmp_path,
    )
    loss, reversal, drift, quiet, gulp = told
    assert [what for _, what in loss] == [1, 4]
    assert 6.5 < loss[0][0] < 7.2
    assert [what for _, what in reversal] == [1, 2]
    assert drift == [] and quiet == [] and gulp == []


def test_a_loss_is_heard_on_the_sounder_of_a_board(tmp_path):
    import numpy as np

    t = np.arange(0, 14, 1 / 4000)
    pressure = np.where(t < 8.0, -400.0, -10.0)
    log = tmp_path / "sounds"
    run_requests(
        ArraySource(pressure), 13.0, [(wire.START, {"channel_mask": 0})],
        settings={"channels": [{"sensor": "analogue"}], "sounder_pin": 15}, extra={"sound_log": str(log)},
    )  # fmt: skip
    rows = [tuple(int(word) for word in line.split()) for line in log.read_text().splitlines()]
    before = [hz for at, hz, _ in rows if at < 8e6 and hz]
    assert before and 1050 < before[-1] < 1200  # 400 Pa: 250 * 2^(log4(20)) = 1118 Hz
    pattern = [hz for at, hz, _ in rows if 8.2e6 < at < 10e6]
    assert [hz for hz in pattern if hz in (1200, 900, 600, 400)] == [1200, 900, 600, 400]
    assert rows[-1][1] == 0


def test_sound_request_plays_and_sets_the_volume():
    play = (wire.SOUND, {"pattern": 3, "volume_percent": 0})
    wrong = (wire.SOUND, {"pattern": 99, "volume_percent": 255})
    messages = run_requests(
        SineSource(), 2.0, [play, wrong, (wire.READ_SETTINGS, {"offset": 256})],
        settings={"channels": [{"sensor": "analogue"}], "sounder_pin": 15},
    )  # fmt: skip
    answers = named(messages, "answer")
    assert answers[0]["request_type"] == wire.SOUND
    assert b'"muted": true' in answers[-1]["data"] or answers[-1]["answer"]["total"] > 256
    assert named(messages, "error")[0]["code"] == 4
