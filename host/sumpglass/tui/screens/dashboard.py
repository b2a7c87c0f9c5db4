"""The dashboard: level, what happened, the last minute, the rig's health, the keys."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

from textual.app import ComposeResult
from textual.containers import Container
from textual.events import Resize
from textual.timer import Timer

from sumpglass.tui.screens.keys import BINDINGS, LIVE_KEYS, SEEK_S, ReplayKeys
from sumpglass.tui.widgets.foot import HeadLine, KeyBar, RigLine
from sumpglass.tui.widgets.happenings_list import HappeningsList
from sumpglass.tui.widgets.level_panel import LevelPanel
from sumpglass.tui.widgets.pulses_panel import PulsesPanel, speed_words
from sumpglass.tui.widgets.strip_chart import WINDOWS_S, StripChart
from sumpglass.tui.widgets.strip_chrome import Flag
from sumpglass.tui.widgets.too_small import LEAST_COLUMNS, LEAST_ROWS, TooSmall
from sumpglass.workflows.live import (
    Ended,
    HappeningNow,
    LiveEvent,
    MarkNow,
    Playing,
    Pulses,
    Restarted,
    RigHealth,
    Samples,
)

CHART_REDRAW_S = 0.1
FLASH_S = 3.0


class Dashboard(ReplayKeys):
    """Takes the feed's events from `app.live` and draws them, at most `redraws_hz` times a second."""

    BINDINGS = [*BINDINGS]

    def __init__(self) -> None:
        super().__init__()
        self._last_draw = 0.0
        self._last_chart = 0.0
        self._draw_timer: Timer | None = None
        self._quit_asked = 0.0
        self._flash_until = 0.0

    def compose(self) -> ComposeResult:
        host = self.host
        self.head = HeadLine(mode="OPENING")
        self.level = LevelPanel(host.unit)
        self.happenings = HappeningsList(host.unit)
        self.pulses = PulsesPanel()
        self.chart = StripChart(host.live.history, host.unit, host.options.braille)
        self.rig = RigLine()
        self.key_bar = KeyBar(LIVE_KEYS)
        self.too_small = TooSmall(id="too-small")
        yield self.head
        with Container(id="top"):
            yield self.level
            with Container(id="side"):
                yield self.happenings
                yield self.pulses
        yield self.chart
        yield self.rig
        yield self.key_bar
        yield self.too_small

    def on_mount(self) -> None:
        self._leave = self.host.live.subscribe(self.take)
        self.set_interval(0.25, self._tick)

    def on_unmount(self) -> None:
        self._leave()

    def on_resize(self, event: Resize) -> None:
        width, height = event.size
        self.set_class(width < LEAST_COLUMNS or height < LEAST_ROWS, "small")
        self.set_class(width < 76, "narrow")
        self.set_class(height < 22, "low")
        self.set_class(width >= 100, "wide")
        self.set_class(height >= 32 and (width >= 76 or height >= 46), "tall")
        self.set_class(height >= 48 and width >= 150, "huge")
        self.set_class(height >= 46 and width < 90, "column")

    # Events in

    def take(self, events: list[LiveEvent]) -> None:
        """A batch of events: the quick ones are drawn together, soon; the rare ones at once."""
        for event in events:
            if isinstance(event, Restarted):
                self.happenings.clear()
                self.chart.restart()
            elif isinstance(event, HappeningNow):
                self._take_happening(event)
            elif isinstance(event, MarkNow):
                entry, _ = self.happenings.put_mark(event.key, event.mark)
                self.chart.put_flag(Flag(event.key, event.mark.t_s, entry.letter, "mark"))
            elif isinstance(event, Pulses):
                self.pulses.show(self.host.live.pulses)
            elif isinstance(event, RigHealth):
                self.rig.show(replace(event, trouble=event.trouble or self.host.live.reading.sensor_fault))
            elif isinstance(event, Playing):
                self._take_playing(event)
        if any(isinstance(event, (HappeningNow, MarkNow, Ended)) for event in events):
            self._slow_lines()
        if any(isinstance(event, (Samples, Restarted)) for event in events):
            self._draw_soon()

    def _take_playing(self, event: Playing) -> None:
        """Its position is shown by the tick; what a key changed is shown at once."""
        before, self.head.playing = self.head.playing, event
        if before is None or (before.paused, before.speed) != (event.paused, event.speed):
            self._slow_lines()

    def _take_happening(self, event: HappeningNow) -> None:
        happening = event.happening
        entry, new = self.happenings.put_happening(happening)
        kind = "withdrawn" if happening.withdrawn_s is not None else "happening"
        self.chart.put_flag(Flag(f"h{happening.key}", happening.t_s, entry.letter, kind))
        if new and kind == "happening":
            self.host.sound(event)

    def _draw_soon(self) -> None:
        """Draw now if the last drawing is long enough ago, else when it is."""
        if self._draw_timer is not None:
            return
        wait = self._last_draw + 1.0 / self.host.options.redraws_hz - time.monotonic()
        if wait <= 0.004:
            self._draw()
        else:
            self._draw_timer = self.set_timer(wait, self._draw)

    def _draw(self) -> None:
        self._draw_timer = None
        self._last_draw = now = time.monotonic()
        if self.has_class("small"):
            self.too_small.show(self.host.live.reading, self.host.unit)
            return
        self._show_level()
        if now - self._last_chart >= CHART_REDRAW_S - 0.01:
            self._last_chart = now
            self.chart.advance()

    def settle(self) -> None:
        """Draw everything now, whatever is due (pictures)."""
        self._last_chart = 0.0
        self._draw()
        self._slow_lines()

    def _show_level(self) -> None:
        live = self.host.live
        extra = "" if self.pulses.display else speed_words(live.pulses)
        self.level.show(live.reading, extra)

    def _tick(self) -> None:
        """Four times a second: ages, clocks, what was flashed; nothing is drawn that did not change."""
        if self._draw_timer is None and time.monotonic() - self._last_draw > 0.2:
            self._draw()
        self._slow_lines()

    def _slow_lines(self) -> None:
        host, live = self.host, self.host.live
        head = self.head
        head.mode = host.mode or "OPENING"
        head.subject = host.subject
        head.playing = live.playing
        head.recording = live.health.recording
        head.elapsed_s = live.last_t_s
        head.muted = host.muted
        head.watchers = live.health.watchers
        head.note = head.note if time.monotonic() < self._flash_until else live.ended.sentence if live.ended else ""
        head.update_lines()
        self.happenings.now_s = live.last_t_s
        self.happenings.update_lines()
        self.key_bar.keys = self.keys_shown()
        self.key_bar.update_lines()
        self.rig.update_lines()
        self.pulses.update_lines()

    def flash(self, words: str, seconds: float = FLASH_S) -> None:
        """A note at the head for a few seconds."""
        self.head.note = words
        self._flash_until = time.monotonic() + seconds
        self.head.update_lines()

    # Keys

    def action_mark(self) -> None:
        if self.replaying:
            self.action_pause()
            return
        if self._may_only_watch():
            return
        self.host.mark()
        self.flash("marked; n names it")

    def action_name_mark(self) -> None:
        if self.replaying or self._may_only_watch():
            return
        last = self.host.live.last_mark
        if last is None:
            self.flash("no mark yet: space sets one")
            return
        from sumpglass.tui.screens.name_mark import NameMark

        def named(text: str | None) -> None:
            if text:
                self.host.ask(lambda feed: feed.name_mark(last.key, text))

        self.app.push_screen(NameMark(last.mark), named)

    def action_unit(self) -> None:
        unit = self.host.next_unit()
        self.level.set_unit(unit)
        self.happenings.unit = unit
        self.chart.set_unit(unit)
        self.happenings.update_lines()
        self._show_level()

    def action_window(self) -> None:
        names = list(WINDOWS_S)
        self.chart.set_window(names[(names.index(self.chart.window) + 1) % len(names)])

    def action_hold(self) -> None:
        self.chart.hold(not self.chart.held)

    def action_seen(self) -> None:
        self.happenings.see()

    def action_list(self, rows: int) -> None:
        self.happenings.scroll_by(rows)

    def action_bell_key(self) -> None:
        self.host.muted = not self.host.muted
        self.flash("bell muted" if self.host.muted else "bell on")

    def action_theme(self) -> None:
        self.host.next_theme()

    def action_cells(self) -> None:
        self.chart.braille = not self.chart.braille
        self.chart.redraw()

    def playing_changed(self) -> None:
        self._slow_lines()

    def action_move(self, way: int) -> None:
        """Move a held strip, or the time of a replay."""
        if self.chart.held:
            self.chart.pan(0.25 * way)
        elif self.replaying:
            self.seek_by(way * SEEK_S)
        else:
            self.flash("h holds the strip, then ← and → move it")

    def action_help(self) -> None:
        from sumpglass.tui.screens.help import Help

        self.app.push_screen(Help(self.replaying))

    def action_guide(self) -> None:
        if self.replaying:
            self.flash("guided tests need a live rig, or the virtual one")
            return
        self._push("guide", "GuideScreen")

    def action_find_fault(self) -> None:
        self._push("find_fault", "FindFaultScreen")

    def action_second_screen(self) -> None:
        url = self.host.second_screen_url
        self.flash(f"second screen: {url}" if url else "no second screen: start with --serve", 20.0)

    def _may_only_watch(self) -> bool:
        if self.host.options.watch_only:
            self.flash("this screen only watches")
        return self.host.options.watch_only

    def _push(self, module: str, name: str) -> None:
        if self._may_only_watch():
            return
        import importlib

        screen: Any = getattr(importlib.import_module(f"sumpglass.tui.screens.{module}"), name)
        self.app.push_screen(screen())

    def action_quit_key(self) -> None:
        """Leaving ends the recording, so one press is not enough while there is one."""
        if self.host.recording and time.monotonic() - self._quit_asked > FLASH_S:
            self._quit_asked = time.monotonic()
            self.flash("q again stops the recording and quits; it is kept")
            return
        self.host.action_leave_now()
