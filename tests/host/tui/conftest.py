"""A feed with a fixed story, and the dashboard's screen as plain lines."""

import os
from pathlib import Path

import numpy as np
import pytest

from sumpglass.records import Happening, Mark
from sumpglass.workflows.live import HappeningNow, MarkNow, Playing, Pulses, Reading, RigHealth, Samples

STORY = (
    Happening("sudden_loss", 40.0, 40.2, -640.0, -35.0, "opening", 0.97, 1),
    Happening("sign_reversal", 47.8, 48.0, -30.0, 30.0, "blow_by_rise", 0.5, 2),
    Happening("sign_reversal", 47.8, 48.0, -30.0, 30.0, "blow_by_rise", 0.5, 2, withdrawn_s=49.0),
    Happening("recovery", 55.05, 55.4, -35.0, -535.0, "closing", 0.9, 3),
)


class StoryFeed:
    """Vacuum is lost at 40 s and comes back at 55 s; a false flag is withdrawn; the button is pressed at 52 s."""

    mode, subject = "LIVE", "Pump engine no. 3, north orchard"

    def __init__(self, replaying=False):
        self.t_s = 0.0
        self.asked = []
        self.due = []
        self.told = 0
        self.replaying = replaying
        self.paused = False
        self._rng = np.random.default_rng(1)
        if replaying:
            self.mode = "REPLAY"

    def block(self, samples=50):
        t = self.t_s + np.arange(samples) / 1000.0
        self.t_s += samples / 1000.0
        level = np.where(t < 40, -640.0, np.where(t < 55, -35.0, -535.0))
        return t, level + 150 * np.sin(2 * np.pi * 26.7 * t) + self._rng.normal(0, 5, samples)

    def until(self, end_s):
        """All events up to `end_s`."""
        events = []
        while self.t_s < end_s - 1e-9:
            t, pressure = self.block()
            events.append(Samples(t, pressure))
        level = -640.0 if self.t_s < 40 else -35.0 if self.t_s < 55 else -535.0
        events.append(Reading(self.t_s, level, 16.0, "vacuum" if level < -40 else "undecided", age_s=0.0))
        while self.told < len(STORY) and STORY[self.told].t_raised_s <= end_s:
            events.append(HappeningNow(STORY[self.told]))
            self.told += 1
        if end_s > 52.0:
            events.append(MarkNow("board-1", Mark(52.0, "note button 1", "board")))
        events.append(Pulses(26.7, 801.0, 3.0, False, "running"))
        events.append(
            RigHealth("/dev/ttyACM0", 1000.0, zero_known=True, zero_age_s=130.0, recording="pump3.casebook",
                      disk_free_bytes=14_000_000_000)
        )  # fmt: skip
        if self.replaying:
            events.append(Playing(self.t_s, 75.0, 1.0, self.paused))
        return events

    def poll(self, wait_s=0.0):
        due, self.due = self.due, []
        return due

    def mark(self, text=""):
        self.asked.append(("mark", text))

    def name_mark(self, key, text):
        self.asked.append(("name", key, text))

    def pause(self, paused=True):
        self.paused = paused
        self.asked.append(("pause", paused))

    def step(self, seconds=0.1):
        self.asked.append(("step",))

    @property
    def now_s(self):
        return self.t_s

    def set_speed(self, speed):
        self.asked.append(("speed", speed))

    def seek(self, t_s):
        self.asked.append(("seek", round(t_s, 3)))

    def close(self):
        self.asked.append(("close",))


@pytest.fixture
def story():
    return StoryFeed


def screen_lines(app):
    """The screen as text, a line a row."""
    rows = app.screen._compositor.render_strips()
    return ["".join(segment.text for segment in strip if not segment.control).rstrip() for strip in rows]


@pytest.fixture
def lines():
    return screen_lines


@pytest.fixture
def same_as():
    """Compare text with a kept file; SUMPGLASS_NEW_SNAPSHOTS=1 writes it anew, to be looked at before it is kept."""

    def compare(name, text):
        path = Path(__file__).parent / "snapshots" / f"{name}.txt"
        if os.environ.get("SUMPGLASS_NEW_SNAPSHOTS"):
            path.write_text(text, encoding="utf-8")
        assert text == path.read_text(encoding="utf-8"), f"{name}: the screen looks different from {path}"

    return compare
