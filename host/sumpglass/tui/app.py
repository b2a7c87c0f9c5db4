"""The dashboard's application: one feed on a thread of its own, and the screens that watch it.

How a screen gets live readings (all of it on the screen's own thread; nothing here ever waits for port or disk):

    class GuideScreen(Screen):
        def on_mount(self) -> None:
            self._leave = self.app.live.subscribe(self.take)     # every event, in order, in batches

        def on_unmount(self) -> None:
            self._leave()

        def take(self, events: list[LiveEvent]) -> None:         # see sumpglass.workflows.live for the records
            for event in events:
                if isinstance(event, Samples):                   # t_s, pressure_pa: arrays, zero subtracted
                    self.procedure.feed(event.t_s, event.pressure_pa)

    app.live.reading     the newest Reading (level_pa, u95_pa, state, clipped, age_s kept fresh)
    app.live.pulses      the newest Pulses (firing_hz, rpm, uneven, engine)
    app.live.health      the newest RigHealth
    app.live.last_t_s    time of the newest sample, seconds from the start of the recording
    app.mark("cap filler_cap")     sets a mark, recorded; comes back as a MarkNow event
    app.ask(lambda feed: ...)      runs on the feed's thread; the feed is a `workflows.session.Session` (its recorder,
                                   request, analysis ...), which no other thread may touch
    app.unit             the unit shown now, a key of units.PASCALS_PER_UNIT
    app.flash("words")   a short note at the head of the dashboard

A pushed screen is imported when its key is pressed: `g` pushes `sumpglass.tui.screens.guide.GuideScreen()`, `f` pushes
`sumpglass.tui.screens.find_fault.FindFaultScreen()`; both find everything else on `self.app`. `LevelPanel(unit)` from
`sumpglass.tui.widgets.level_panel` and `StripChart(app.live.history, unit)` from `sumpglass.tui.widgets.strip_chart`
may be used there too: `panel.show(app.live.reading)`, `chart.advance()`.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import threading
import traceback
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from textual.binding import Binding

from sumpglass.errors import SumpglassError
from sumpglass.tui.live_now import LiveNow
from sumpglass.tui.look import THEMES, LookApp
from sumpglass.tui.messages import FeedReady
from sumpglass.tui.screens.dashboard import Dashboard
from sumpglass.tui.settings import ScreenOptions
from sumpglass.units import PASCALS_PER_UNIT
from sumpglass.workflows.feed import Feed, Pump
from sumpglass.workflows.live import HappeningNow, Restarted

if TYPE_CHECKING:
    from sumpglass.tui.serve import SecondScreen
    from sumpglass.workflows.watch_request import WatchRequest

__all__ = ["ScreenOptions", "SumpglassApp"]

GONE_S = 3.0
"""How long the screen may take to close once its terminal is gone; everything recorded is on the disk before."""


class SumpglassApp(LookApp):
    """Runs a feed and its dashboard. `opener` opens the feed on its thread, so the first paint waits for nothing."""

    CSS_PATH = "sumpglass.tcss"
    TITLE = "sumpglass"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS = [Binding("ctrl+c", "leave_now", show=False, priority=True), Binding("ctrl+q", "leave_now", show=False)]

    def __init__(
        self,
        opener: Callable[[], Feed],
        options: ScreenOptions | None = None,
        *,
        request: WatchRequest | None = None,
        started: bool = True,
    ) -> None:
        """`request`: what to offer again when there is no rig. `started` False leaves the feed unopened (pictures)."""
        self.options = options or ScreenOptions()
        super().__init__(light=self.options.light)
        self.live = LiveNow()
        self.unit = self.options.unit
        self.muted = self.options.muted
        self.mode, self.subject = "", ""
        self.files: list[str] = []
        """Casebooks that were recorded to."""
        self.dashboard = Dashboard()
        self._request = request
        self._started = started
        self._second: SecondScreen | None = None
        self._pump = self._pump_for(opener)

    def _pump_for(self, opener: Callable[[], Feed]) -> Pump:
        return Pump(opener, lambda: self.post_message(FeedReady()))

    def get_default_screen(self) -> Dashboard:
        return self.dashboard

    def on_ready(self) -> None:
        for number in (signal.SIGTERM, getattr(signal, "SIGHUP", None)):
            if number is not None:
                # A terminal that was closed, a lost remote line: the recording is ended properly all the same.
                with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                    asyncio.get_running_loop().add_signal_handler(number, self._leave_for_certain, number)
        if self._started:
            # The feed loads and opens much: the first paint goes before it.
            self.call_after_refresh(self._pump.start)

    def restart_feed(self, opener: Callable[[], Feed]) -> None:
        """Close the present feed, if there is one, and open another."""
        self._pump.stop(patience_s=0.0)
        self.live.take([Restarted()])
        self.live.playing = None
        self.mode, self.subject = "", ""
        self._pump = self._pump_for(opener)
        self._pump.start()

    def on_feed_ready(self) -> None:
        pump = self._pump
        events = pump.drain()
        if pump.feed is None and pump.error is not None and self._request is not None:
            self._no_rig(pump.error)
            return
        if pump.feed is not None:
            fresh = self.mode != pump.feed.mode
            self.mode, self.subject = pump.feed.mode, pump.feed.subject
            self._serve(pump.feed)
            if fresh:
                self.dashboard.settle()
        self.live.take(events)
        name = self.live.health.recording
        if name is not None and name not in self.files:
            self.files.append(name)

    def _serve(self, feed: Any) -> None:
        """Open the door for a second screen once there is something to show."""
        if self._request is None or self._request.serve is None or self._second is not None:
            return
        relay = getattr(feed, "relay", None)
        if relay is None:
            return
        from sumpglass.tui.serve import SecondScreen

        self._second = SecondScreen(*self._request.serve, relay.path, self._request.serve_marks)
        self.run_worker(self._start_serving, thread=True)

    def _start_serving(self) -> None:
        second = self._second
        if second is None:
            return
        try:
            second.start()
        except SumpglassError as error:
            self.call_from_thread(self.dashboard.flash, str(error), 10.0)
            return
        self.call_from_thread(self.dashboard.flash, f"second screen: {second.url}", 20.0)

    @property
    def second_screen_url(self) -> str | None:
        """What to open on the other device; None where nothing is served."""
        return self._second.url if self._second is not None else None

    def stop_serving(self) -> None:
        """Close the door."""
        if self._second is not None:
            self._second.stop()

    def _no_rig(self, error: SumpglassError) -> None:
        from sumpglass.tui.screens.no_rig import NoRig

        if self._request is not None and not isinstance(self.screen, NoRig):
            self.push_screen(NoRig(str(error), self._request))

    def ask(self, what: Callable[[Any], object]) -> None:
        """Run `what(feed)` on the feed's thread."""
        self._pump.ask(what)

    def mark(self, text: str = "") -> None:
        """Set a mark now."""
        self.ask(lambda feed: feed.mark(text))

    def flash(self, words: str) -> None:
        """A short note at the head of the dashboard."""
        self.dashboard.flash(words)

    def next_unit(self) -> str:
        """Step to the next unit."""
        units = list(PASCALS_PER_UNIT)
        self.unit = units[(units.index(self.unit) + 1) % len(units)]
        return self.unit

    def next_theme(self) -> None:
        """Dark or light."""
        names = [theme.name for theme in THEMES]
        self.theme = names[(names.index(self.theme) + 1) % len(names)]

    @property
    def recording(self) -> bool:
        """True while something is being written."""
        return self.live.health.recording is not None and self.live.ended is None

    def action_leave_now(self) -> None:
        """Stop the feed, keep what was recorded, leave."""
        self.end_feed()
        self.exit(self._pump.error)

    def _leave_for_certain(self, number: int) -> None:
        """End the recording properly, then leave even where the screen cannot: a terminal that is gone takes the
        thread that draws with it, and the library then waits for that thread without end."""
        self.end_feed()
        last_way = threading.Timer(GONE_S, os._exit, (128 + number,))
        last_way.daemon = True
        last_way.start()
        self.exit(self._pump.error)

    def end_feed(self) -> None:
        """Stop the feed and wait until what was recorded is written. May be called twice."""
        self._pump.stop()

    @property
    def failure(self) -> str | None:
        """What went wrong with the screen itself, in a few words; None if nothing did."""
        error = self._exception
        if error is None:
            return None
        frames = traceback.extract_tb(error.__traceback__)
        place = f" in {os.path.basename(frames[-1].filename)}, line {frames[-1].lineno}" if frames else ""
        return f"{type(error).__name__}{place}"

    def _fatal_error(self) -> None:
        """A mistake of the screen's own: no traceback reaches a person; `failure` tells the place in one line."""
        if os.environ.get("SUMPGLASS_TRACEBACK"):
            super()._fatal_error()
            return
        self._close_messages_no_wait()

    def sound(self, event: HappeningNow) -> None:
        """The terminal bell for a loss or a reversal."""
        if not self.muted and event.happening.kind in ("sudden_loss", "sign_reversal", "rig_fault"):
            self.bell()
