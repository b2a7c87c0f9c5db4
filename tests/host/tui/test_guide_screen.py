"""The guided screen: what stands on it at each moment, and that a test runs from list to verdict by keys and signal."""

import json
import math

import numpy as np
import pytest

from sumpglass.procedures.guide import Guide
from sumpglass.procedures.trade_test import find_test
from sumpglass.records import Happening, Mark
from sumpglass.store.casebook import Casebook
from sumpglass.tui.app import ScreenOptions, SumpglassApp
from sumpglass.tui.screens.guide import GuideScreen
from sumpglass.workflows.guide import kept_results, kept_state
from sumpglass.workflows.live import HappeningNow, MarkNow, Pulses, Reading, RigHealth, Samples


class Rig:
    """Pushes what a feed would, with a level that the test sets."""

    def __init__(self, app, screen, recording=None):
        self.app, self.screen, self.recording = app, screen, recording
        self.t, self.level, self.target, self.swing, self.engine = 0.0, 0.0, 0.0, 10.0, "stopped"
        self.rng = np.random.default_rng(4)

    async def run(self, pilot, seconds, target=None, engine=None):
        self.target = self.target if target is None else target
        self.engine = self.engine if engine is None else engine
        for _ in range(round(seconds / 0.25)):
            t = self.t + np.arange(1, 51) / 200.0
            p = self.target + (self.level - self.target) * np.exp(-(t - self.t) / 0.4)
            self.t, self.level = float(t[-1]), float(p[-1])
            swing = self.swing if self.engine == "running" else 0.0
            p = p + swing * np.sin(2 * np.pi * 26.7 * t) + self.rng.normal(0, 1, len(t))
            self.app.live.take(
                [
                    Samples(t, p),
                    Reading(self.t, self.level, 5.0, "vacuum" if self.level < -5 else "undecided", age_s=0.0),
                    Pulses(26.7, 801.0, 3.0, False, self.engine)
                    if self.engine == "running"
                    else Pulses(engine=self.engine),
                    RigHealth("/dev/ttyACM0", 200.0, zero_known=True, recording=self.recording),
                ]
            )
        self.screen.settle()
        await pilot.pause()


def app_for(story, **options):
    return SumpglassApp(lambda: story(), ScreenOptions(**options), started=False)


def drain(app, feed):
    while app._pump._asked:
        app._pump._asked.popleft()(feed)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_the_list_says_what_each_test_is_for(story, lines, size):
    app = app_for(story)
    async with app.run_test(size=size) as pilot:
        screen = GuideScreen()
        app.push_screen(screen)
        await pilot.pause()
        text = "\n".join(lines(app))
        for title in ("Zero", "Known openings", "Seal hunt", "Hold, engine off", "Before and after"):
            assert title in text
        await pilot.press("down", "down")
        await pilot.pause()
        assert "slight vacuum is wanted" in "\n".join(lines(app))
        assert all(len(line) <= size[0] for line in lines(app))


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_draw_from_list_to_verdict(story, lines, size, tmp_path):
    path = str(tmp_path / "job.casebook")
    Casebook.create(path).close()
    app = app_for(story)
    feed = story()
    async with app.run_test(size=size) as pilot:
        screen = GuideScreen()
        app.push_screen(screen)
        await pilot.pause()
        rig = Rig(app, screen, path)
        await pilot.press("down", "enter")
        await rig.run(pilot, 1.0, 0.0)
        text = "\n".join(lines(app))
        assert "Carbon monoxide kills" in text and "step 1 of 4" in text
        await pilot.press("space")
        assert screen.guide.step.id == "cautions", "space does not acknowledge"
        await pilot.press("y")
        await rig.run(pilot, 4.0, -60.0, "running")
        assert screen.guide.step.id == "dead_end"
        await rig.run(pilot, 2.0, -900.0)
        text = "\n".join(lines(app))
        assert "dead-ended:" in text and "[ ] waiting for: a level that has settled" in text
        await rig.run(pilot, 8.0)
        assert screen.guide.step.id == "let_go"
        await rig.run(pilot, 3.0, 0.0)
        assert screen.guide.verdict.state == "good"
        await pilot.pause(0.3)
        text = "\n".join(lines(app))
        assert "The path draws" in text and "does not prove" in text
        drain(app, feed)
        assert ("mark", "closed") in feed.asked
        await app.workers.wait_for_complete()
        kept = kept_results(path, again=True)
        assert [r.kind for r in kept] == ["draw"] and kept[0].same_again


async def test_stop_call_fills_the_screen(story, lines):
    app = app_for(story)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = GuideScreen("draw")
        app.push_screen(screen)
        await pilot.pause()
        rig = Rig(app, screen)
        await rig.run(pilot, 0.5)
        await pilot.press("y")
        await rig.run(pilot, 4.0, -60.0, "running")
        await rig.run(pilot, 3.0, -4200.0)
        text = "\n".join(lines(app))
        assert screen.guide.status.stop and ("█" in text or "STOP" in text)
        assert "OPEN THE HOSE" in text.upper() or "█" in text


async def test_board_button_goes_on_and_pauses_are_told(story, lines):
    app = app_for(story)
    async with app.run_test(size=(120, 40)) as pilot:
        screen = GuideScreen("known-openings", {"openings_mm": [5.0, 3.2]})
        app.push_screen(screen)
        await pilot.pause()
        rig = Rig(app, screen)
        await rig.run(pilot, 0.5)
        await pilot.press("y")
        await rig.run(pilot, 3.0, -80.0, "running")
        app.live.take([MarkNow("board-1", Mark(rig.t, "note button 1", "board"))])
        assert screen.guide.step.id == "opening_5"
        app.live.take([HappeningNow(Happening("rig_fault", rig.t, rig.t, -80.0, 0.0, "tap_off", 0.9, 1))])
        rig.level = 0.0  # an open hose stands at the room's pressure at once
        await rig.run(pilot, 1.0, 0.0, "unknown")
        assert "hose came off" in screen.guide.status.paused
        app.live.take([Reading(rig.t, 0.0, 5.0, "undecided", age_s=0.0, connected=False)])
        assert screen.guide.status.paused


async def test_broken_off_and_taken_up_again(story, tmp_path):
    path = str(tmp_path / "job.casebook")
    Casebook.create(path).close()
    app = app_for(story)
    async with app.run_test(size=(120, 40)) as pilot:
        screen = GuideScreen("known-openings", {"openings_mm": [5.0, 3.2]})
        app.push_screen(screen)
        await pilot.pause()
        rig = Rig(app, screen, path)
        await rig.run(pilot, 0.5)
        await pilot.press("y")
        await rig.run(pilot, 3.0, -80.0, "running")
        await pilot.press("space")
        await rig.run(pilot, 9.0, -80.0)
        assert len(screen.guide.taken) == 1
        await pilot.press("escape")
        await app.workers.wait_for_complete()
        assert kept_state(path, "known-openings")["step"] == "opening_3.2"
        again = GuideScreen()
        app.push_screen(again)
        await pilot.pause()
        await pilot.press("r")
        await pilot.pause()
        assert again.guide.step.id == "opening_3.2" and len(again.guide.taken) == 1


async def test_a_file_s_text_never_reaches_the_screen_as_commands(story, lines):
    app = app_for(story)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = GuideScreen("seal-hunt", {"suspects": ["\x1b[31mred[bold]"]})
        app.push_screen(screen)
        await pilot.pause()
        assert all("\x1b" not in line for line in lines(app))


def test_state_is_plain_json():
    guide = Guide(find_test("seal-hunt"), {"suspects": ["a"]})
    assert json.loads(json.dumps(guide.to_fields())) == guide.to_fields() or math.isfinite(1.0)


@pytest.mark.parametrize("size", [(60, 20), (80, 24)])
async def test_no_caution_is_acknowledged_that_was_not_shown(story, lines, size):
    app = app_for(story)
    async with app.run_test(size=size) as pilot:
        screen = GuideScreen("draw")
        app.push_screen(screen)
        await pilot.pause()
        seen = ""
        while screen.guide.step.id == "cautions":
            screen.settle()
            await pilot.pause()
            seen += " ".join(" ".join(lines(app)).replace("!", " ").split())
            await pilot.press("y")
            await pilot.pause()
        for caution in screen.guide.test.cautions:
            assert caution in seen
        await Rig(app, screen).run(pilot, 4, target=-400.0, engine="running")
        await pilot.press("space")
        await pilot.pause()
        assert screen.guide.step.id != "cautions"
        text = " ".join(" ".join(lines(app)).replace("!", " ").split())
        for caution in screen.guide.status.cautions:
            assert caution in text
