"""The dashboard with a fixed story: what stands on it at each size, and what each key does."""

import asyncio
import time

import pytest

from sumpglass.records import Happening, Mark
from sumpglass.tui.app import ScreenOptions, SumpglassApp
from sumpglass.tui.picture import screen_svg
from sumpglass.workflows.live import Ended, HappeningNow, MarkNow, Reading, Restarted, RigHealth, Samples


class Driven:
    """An app whose feed is pushed by the test, on the screen's thread."""

    def __init__(self, feed, size=(120, 40), **options):
        self.feed = feed
        self.app = SumpglassApp(lambda: feed, ScreenOptions(**options), started=False)
        self.size = size
        self.now = 100.0
        self.app.live.clock = lambda: self.now

    async def __aenter__(self):
        self._run = self.app.run_test(size=self.size)
        self.pilot = await self._run.__aenter__()
        self.app.mode, self.app.subject = self.feed.mode, self.feed.subject
        return self

    async def __aexit__(self, *error):
        await self._run.__aexit__(*error)

    async def until(self, end_s):
        await self.take(self.feed.until(end_s))

    async def take(self, events):
        self.app.live.take(events)
        self.app.dashboard.settle()
        await self.pilot.pause()

    async def press(self, *keys):
        await self.pilot.press(*keys)
        await self.pilot.pause()
        while self.app._pump._asked:
            self.app._pump._asked.popleft()(self.feed)


@pytest.mark.parametrize("size", [(120, 40), (80, 24), (60, 18), (100, 30), (200, 60), (64, 70)])
async def test_the_screen_as_it_was_looked_at(story, lines, same_as, size):
    async with Driven(story(), size) as driven:
        await driven.until(63.0)
        text = "\n".join(lines(driven.app)) + "\n"
        same_as(f"story-{size[0]}x{size[1]}", text)
        assert all(len(line) <= size[0] for line in text.splitlines())


@pytest.mark.parametrize("light", [False, True])
@pytest.mark.parametrize("colourless", [False, True])
async def test_every_theme_draws_the_same_words(story, lines, light, colourless, monkeypatch):
    if colourless:
        monkeypatch.setenv("NO_COLOR", "1")
    async with Driven(story(), light=light) as driven:
        await driven.until(63.0)
        assert "VACUUM" in driven.app.dashboard.level.view.word
        picture = screen_svg(driven.app.screen, "#000000", "test")
        assert "Vacuum back 7 s ago" in picture.replace("\N{NO-BREAK SPACE}", " ")


async def test_the_word_is_never_left_out(story):
    async with Driven(story()) as driven:
        dashboard = driven.app.dashboard
        assert dashboard.level.view.word == "WAITING"
        await driven.until(1.0)
        assert dashboard.level.view.word == "VACUUM"
        driven.now += 0.6
        dashboard.settle()
        assert dashboard.level.view.word == "OLD" and "0.6 s old" in dashboard.level.view.note
        await driven.take([Reading(1.0, -2000.0, 5.0, "vacuum", True, 0.0)])
        driven.app.live.arrived = driven.now
        dashboard.settle()
        assert dashboard.level.view.word == "CLIPPED"
        await driven.take([Reading(1.0, -400.0, 5.0, "vacuum", False, 0.0, connected=False)])
        assert dashboard.level.view.word == "NO RIG"


async def test_a_reading_turns_old_by_itself_within_half_a_second(story):
    async with Driven(story()) as driven:
        driven.app.live.clock = time.monotonic
        await driven.until(1.0)
        assert driven.app.dashboard.level.view.word == "VACUUM"
        began = driven.app.live.arrived
        while driven.app.dashboard.level.view.word != "OLD":
            await asyncio.sleep(0.02)
            assert time.monotonic() - began < 1.5
        assert time.monotonic() - began > 0.5


async def test_unit_key_steps_through_all_units(story, lines):
    async with Driven(story(), (80, 24)) as driven:
        await driven.until(5.0)
        seen = []
        for _ in range(7):
            await driven.press("u")
            seen.append(driven.app.unit)
            assert f"  {driven.app.unit}" in "\n".join(lines(driven.app))
        assert seen == ["mbar", "mmH2O", "inH2O", "inHg", "psi", "Pa", "kPa"]


async def test_space_marks_and_n_names(story):
    async with Driven(story()) as driven:
        await driven.until(53.0)
        await driven.press("space")
        assert ("mark", "") in driven.feed.asked
        await driven.take([MarkNow("host-1", Mark(53.0, "note", "host"))])
        await driven.press("n")
        await driven.press(*"cap filler")
        await driven.press("enter")
        assert ("name", "host-1", "cap filler") in driven.feed.asked


async def test_naming_can_be_left(story):
    async with Driven(story()) as driven:
        await driven.until(53.0)
        await driven.press("n", "x", "escape")
        assert not [asked for asked in driven.feed.asked if asked[0] == "name"]
        assert driven.app.screen is driven.app.dashboard


async def test_happenings_stay_until_they_are_seen(story, lines):
    async with Driven(story()) as driven:
        await driven.until(63.0)
        assert driven.app.dashboard.happenings.unseen == 2
        assert "2 new" in "\n".join(lines(driven.app))
        await driven.press("s")
        assert driven.app.dashboard.happenings.unseen == 0
        assert "Vacuum lost" in "\n".join(lines(driven.app))


async def test_a_withdrawn_flag_is_struck_through_not_erased(story, lines):
    async with Driven(story()) as driven:
        await driven.until(63.0)
        picture = screen_svg(driven.app.screen, "#000000", "test")
        struck = [line for line in picture.splitlines() if "line-through" in line]
        assert any("turned" in line for line in struck) and "withdrawn" in picture


async def test_bell_rings_for_a_loss_and_can_be_muted(story, monkeypatch):
    rung = []
    monkeypatch.setattr(SumpglassApp, "bell", lambda self: rung.append(1))
    async with Driven(story()) as driven:
        await driven.until(45.0)
        assert rung == [1]
        await driven.press("b")
        await driven.take([HappeningNow(Happening("sign_reversal", 46, 46, -1, 1, "unknown", 0.1, 9))])
        assert rung == [1]


async def test_hold_stands_still_while_data_goes_on(story, lines):
    async with Driven(story()) as driven:
        await driven.until(45.0)
        await driven.press("h")
        rows = slice(19, 37)
        before = lines(driven.app)[rows]
        assert "STANDS STILL" in lines(driven.app)[18]
        await driven.until(60.0)
        after = lines(driven.app)[rows]
        assert [line[10:] for line in after[:-1]] == [line[10:] for line in before[:-1]]
        await driven.press("left")
        assert lines(driven.app)[rows] != after
        await driven.press("h")
        assert "STANDS STILL" not in "\n".join(lines(driven.app))


async def test_window_key_shows_ten_minutes(story, lines):
    async with Driven(story()) as driven:
        await driven.until(63.0)
        await driven.press("w")
        assert "last ten minutes" in "\n".join(lines(driven.app)) and "10 min ago" in "\n".join(lines(driven.app))


async def test_old_columns_never_change(story, lines):
    async with Driven(story()) as driven:
        await driven.until(50.0)
        chart = driven.app.dashboard.chart
        before = dict(chart._cells)
        await driven.until(56.0)
        shared = before.keys() & chart._cells.keys()
        assert len(shared) > 50
        flagged = {chart._cell_of(flag.t_s) for flag in chart._flags.values()}
        assert all(chart._cells[cell] == before[cell] for cell in shared - flagged)


async def test_resize_down_and_up_again(story, lines):
    async with Driven(story(), (120, 40)) as driven:
        await driven.until(63.0)
        whole = lines(driven.app)
        for size in ((90, 28), (59, 17), (40, 8), (20, 3), (10, 1)):
            await driven.pilot.resize_terminal(*size)
            await driven.pilot.pause()
            driven.app.dashboard.settle()
            await driven.pilot.pause()
            shown = lines(driven.app)
            assert len(shown) == size[1] and all(len(line) <= size[0] for line in shown)
            if size[0] < 60:
                assert shown[0].startswith("VACUUM"[: size[0]])
        await driven.pilot.resize_terminal(120, 40)
        await driven.pilot.pause()
        driven.app.dashboard.settle()
        await driven.pilot.pause()
        assert lines(driven.app)[3:12] == whole[3:12]


async def test_text_from_outside_cannot_steer_the_terminal(story, lines):
    nasty = "\x1b]0;owned\x07[bold red]x[/] \u202egnp.exe\r\n"
    async with Driven(story()) as driven:
        driven.app.subject = nasty
        await driven.until(5.0)
        await driven.take([MarkNow("m", Mark(4.0, nasty, "file")), RigHealth(trouble=nasty), Ended("done")])
        text = "".join(lines(driven.app))
        assert not any(ord(c) < 32 or ord(c) == 0x202E for c in text)
        assert "[bold red]x[/]" in text


async def test_a_seek_starts_the_screen_anew(story, lines):
    async with Driven(story()) as driven:
        await driven.until(63.0)
        await driven.take([Restarted()])
        text = "\n".join(lines(driven.app))
        assert "nothing yet" in text and driven.app.dashboard.level.view.word == "WAITING"
        assert driven.app.live.history.last == -1


async def test_replay_keys(story, lines):
    async with Driven(story(replaying=True)) as driven:
        await driven.until(30.0)
        assert "REPLAY 1x" in lines(driven.app)[0] and "0:30 of 1:15" in lines(driven.app)[0]
        await driven.press("space", "full_stop", "plus", "minus", "right", "left", "home")
        assert driven.feed.asked == [
            ("pause", True), ("step",), ("speed", 2.0), ("speed", 1.0), ("seek", 40.0), ("seek", 20.0), ("seek", 0.0),
        ]  # fmt: skip


async def test_quit_asks_once_while_recording(story):
    async with Driven(story()) as driven:
        await driven.until(5.0)
        await driven.press("q")
        assert "q again" in driven.app.dashboard.head.note and driven.app._exit is False
        await driven.press("q")
        assert driven.app._exit is True


async def test_a_click_on_a_key_does_what_the_key_does(story, lines):
    async with Driven(story()) as driven:
        await driven.until(5.0)
        column = lines(driven.app)[-1].index("unit")
        await driven.pilot.click(offset=(column, 39))
        assert driven.app.unit == "mbar"


async def test_help_lists_every_key_of_the_bar(story, lines):
    async with Driven(story(), (80, 24)) as driven:
        await driven.press("question_mark")
        text = "\n".join(lines(driven.app))
        for word in ("mark this moment", "next unit", "guided tests", "find the fault", "block characters"):
            assert word in text
        await driven.press("escape")
        assert driven.app.screen is driven.app.dashboard


async def test_a_slow_screen_drains_everything_at_once(story):
    feed = story()
    app = SumpglassApp(lambda: feed, ScreenOptions())
    async with app.run_test(size=(80, 24)) as pilot:
        for step in range(1, 40):
            feed.due += feed.until(step * 1.0)
        for _ in range(100):
            await pilot.pause(0.05)
            if app.live.last_t_s > 38.9:
                break
        assert app.live.last_t_s == pytest.approx(38.999)
        app.action_leave_now()
    assert ("close",) in feed.asked


async def test_samples_out_of_range_of_everything_do_not_stop_the_screen(story):
    import numpy as np

    async with Driven(story()) as driven:
        t = np.array([1.0, 2.0, 3.0])
        await driven.take([Samples(t, np.array([np.nan, np.nan, np.nan]))])
        await driven.take([Samples(t + 3, np.array([1e9, -1e9, 0.0])), Reading(6.0, 1e9, 1e9, "undecided", age_s=0.0)])
        await driven.take([Samples(np.array([]), np.array([]))])
        assert driven.app.dashboard.level.view.word == "UNDECIDED"


def test_a_mistake_in_the_screen_is_one_line_and_the_feed_is_closed(story, monkeypatch):
    from sumpglass.errors import DeviceError
    from sumpglass.tui import run
    from sumpglass.tui.screens.dashboard import Dashboard

    feed = story()
    monkeypatch.setattr(run.sys, "stdin", StandIn())
    monkeypatch.setattr(run.sys, "stdout", StandIn())
    monkeypatch.setattr(SumpglassApp, "run", lambda self: asyncio.run(self.run_async(headless=True)))
    monkeypatch.setattr(Dashboard, "_draw_soon", lambda self: 1 / 0)
    feed.due = feed.until(1.0)
    with pytest.raises(DeviceError, match="ZeroDivisionError in test_dashboard.py, line") as told:
        run.run_dashboard(lambda: feed, ScreenOptions())
    assert "recorded is kept" in str(told.value) and "\n" not in str(told.value)
    assert ("close",) in feed.asked


def test_a_mistake_in_the_feed_is_told_on_the_screen(story, monkeypatch):
    from sumpglass.workflows.feed import Pump

    feed = story()
    monkeypatch.setattr("threading.excepthook", lambda *_: None)
    monkeypatch.setattr(feed, "poll", lambda wait_s: [][1])
    woken = []
    pump = Pump(lambda: feed, lambda: woken.append(1))
    pump.start()
    pump.join(5.0)
    events = pump.drain()
    assert isinstance(events[-1], Ended) and "failed" in events[-1].sentence and ("close",) in feed.asked


class StandIn:
    """A standard stream that says it is a terminal."""

    def isatty(self):
        return True

    def fileno(self):
        return 1

    def write(self, text):
        return len(text)

    def flush(self):
        pass


async def test_no_rig_offers_what_can_be_done_and_takes_one_that_comes(story, lines, monkeypatch):
    from sumpglass.errors import DeviceError
    from sumpglass.tui.screens import no_rig
    from sumpglass.workflows.watch import PortTold
    from sumpglass.workflows.watch_request import WatchRequest

    there = []
    monkeypatch.setattr(no_rig, "LOOK_AGAIN_S", 0.05)
    monkeypatch.setattr(no_rig, "ports_seen", lambda: [PortTold("/dev/ttyS9", "not a USB port \x1b[31m")])
    monkeypatch.setattr(no_rig, "rig_is_there", lambda port: bool(there))
    feed = story()
    monkeypatch.setattr(no_rig, "watch", lambda request: feed)

    def opener():
        raise DeviceError("no rig is plugged in: plug it in")

    app = SumpglassApp(opener, ScreenOptions(), request=WatchRequest())
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(100):
            await pilot.pause(0.02)
            if isinstance(app.screen, no_rig.NoRig):
                break
        await pilot.pause(0.2)
        text = "\n".join(lines(app))
        assert "No rig is plugged in" in text and "/dev/ttyS9" in text and "virtual rig" in text
        assert "\x1b" not in text
        feed.due = feed.until(1.0)
        there.append(1)
        for _ in range(100):
            await pilot.pause(0.02)
            if app.live.last_t_s > 0.9:
                break
        assert app.screen is app.dashboard and app.live.last_t_s == pytest.approx(0.999)
        app.action_leave_now()
