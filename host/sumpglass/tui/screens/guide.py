"""Guided tests: the list of them, and one step at a time in large type with what the signal must show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

from textual.app import ComposeResult
from textual.binding import Binding
from textual.events import Resize
from textual.screen import Screen

from sumpglass.errors import SumpglassError
from sumpglass.procedures.guide import Guide
from sumpglass.procedures.guide_events import Finished, GuideEvent, MarkWanted, ReadingTaken, StepBegan, StopCall
from sumpglass.procedures.trade_test import TradeTest, all_tests, find_test
from sumpglass.records import Happening
from sumpglass.report.terminal_text import safe
from sumpglass.tui.widgets.foot import KeyBar
from sumpglass.tui.widgets.guide_pane import GuidePane, TestList
from sumpglass.tui.widgets.level_panel import LevelPanel
from sumpglass.workflows.guide import keep_result, keep_state, kept_state
from sumpglass.workflows.live import HappeningNow, LiveEvent, MarkNow, Pulses, Reading, Restarted, Samples

if TYPE_CHECKING:
    from sumpglass.tui.app import SumpglassApp

SURE = 0.7
"""A rig fault less likely than this does not hold a test up."""
REDRAW_S = 0.2
LEVEL_COLUMNS = 34
LIST_KEYS = (
    ("↑↓", "choose", "choose(1)"),
    ("enter", "begin", "go_on"),
    ("r", "take up again", "resume"),
    ("u", "unit", "unit"),
    ("esc", "back", "leave"),
)
RUN_KEYS = (
    ("space", "done / go on", "go_on"),
    ("backspace", "step back", "step_back"),
    ("a", "step anew", "redo"),
    ("m", "mark", "mark"),
    ("u", "unit", "unit"),
    ("esc", "break off", "leave"),
)
CAUTION_KEYS = (
    ("y", "read and understood", "acknowledge"),
    ("u", "unit", "unit"),
    ("esc", "break off", "leave"),
)
VERDICT_KEYS = (
    ("backspace", "step back", "step_back"),
    ("n", "another test", "list"),
    ("u", "unit", "unit"),
    ("esc", "dashboard", "leave"),
)


def _sure(happening: Happening) -> bool:
    return happening.kind == "rig_fault" and happening.p_cause >= SURE


class GuideScreen(Screen[None]):
    """Feeds a `Guide` with the live signal and shows its status. Nothing here computes."""

    BINDINGS = [
        Binding("space,enter", "go_on"),
        Binding("y", "acknowledge"),
        Binding("backspace,b", "step_back"),
        Binding("a", "redo"),
        Binding("escape,q", "leave"),
        Binding("m", "mark"),
        Binding("u", "unit"),
        Binding("r", "resume"),
        Binding("n", "list"),
        Binding("up,k", "choose(-1)"),
        Binding("down,j", "choose(1)"),
        Binding("t", "theme"),
    ]
    CSS = """
    GuideScreen { layout: vertical; }
    GuideScreen LevelPanel { layer: over; position: absolute; width: 34; height: 7; }
    GuideScreen GuidePane, GuideScreen TestList { height: 1fr; width: 1fr; }
    GuideScreen KeyBar { dock: bottom; height: 1; width: 1fr; }
    """

    def __init__(
        self, test: str | None = None, settings: Mapping[str, Any] | None = None, state: Mapping[str, Any] | None = None
    ) -> None:
        super().__init__()
        self._wanted, self._settings, self._state = test, dict(settings or {}), state
        self.guide: Guide | None = None
        self._stopped_before = False
        self._quit_asked = False

    @property
    def host(self) -> SumpglassApp:
        """The application, by its own type."""
        return cast("SumpglassApp", self.app)

    def compose(self) -> ComposeResult:
        self.level = LevelPanel(self.host.unit)
        self.pane = GuidePane()
        self.tests = TestList(list(all_tests().values()))
        self.keys = KeyBar(LIST_KEYS)
        yield self.level
        yield self.pane
        yield self.tests
        yield self.keys

    def on_mount(self) -> None:
        self._leave_live = self.host.live.subscribe(self.take)
        self.set_interval(REDRAW_S, self.settle)
        if self._state is not None:
            self._start(Guide.from_fields(self._state))
        elif self._wanted is not None:
            self._begin(find_test(self._wanted))
        else:
            self._show_list()

    def on_unmount(self) -> None:
        self._leave_live()

    def on_resize(self, event: Resize) -> None:
        # The level stands over the pane's upper right corner, which the pane leaves free (`guide_pane.SIDE`).
        self.level.styles.offset = (max(0, event.size.width - LEVEL_COLUMNS), 0)

    # Starting and ending

    def _show_list(self) -> None:
        self.guide = None
        self.tests.display, self.pane.display = True, False
        self._use_keys(LIST_KEYS)
        self.tests.update_lines()

    def _begin(self, test: TradeTest) -> None:
        given = {name: value for name, value in self._settings.items() if name in test.settings()}
        if self.host.live.health.zero_known:
            given.setdefault("zero_u95_pa", 1.0)
        try:
            self._start(Guide(test, given))
        except SumpglassError as error:
            self.notify(safe(str(error)), markup=False)
            self._show_list()

    def _start(self, guide: Guide) -> None:
        self.guide = guide
        self.tests.display, self.pane.display = False, True
        self._handle(guide.begin())
        self.settle()

    def _use_keys(self, keys: Sequence[tuple[str, str, str]]) -> None:
        self.keys.keys = list(keys)
        self.keys.update_lines()

    # Events in

    def take(self, events: list[LiveEvent]) -> None:
        """A batch from the feed."""
        guide = self.guide
        if guide is None:
            return
        for event in events:
            if isinstance(event, Samples):
                self._handle(guide.feed(event.t_s, event.pressure_pa))
            elif isinstance(event, Pulses):
                self._handle(guide.engine(event.engine, event.firing_hz, event.rpm))
            elif isinstance(event, HappeningNow) and event.happening.withdrawn_s is None:
                self._handle(guide.happening(event.happening.cause) if _sure(event.happening) else [])
            elif isinstance(event, Reading):
                self._handle(guide.connection(event.connected))
                self._handle(guide.clipping(event.clipped))
                self._handle(guide.beyond_range(event.beyond_pa))
            elif isinstance(event, MarkNow) and event.mark.origin == "board":
                self._handle(guide.press())
            elif isinstance(event, Restarted):
                self._handle(guide.redo())

    def _handle(self, events: list[GuideEvent]) -> None:
        for event in events:
            if isinstance(event, MarkWanted):
                self.host.mark(event.text)
            elif isinstance(event, StopCall) or (isinstance(event, ReadingTaken) and not self.host.muted):
                self.app.bell()
            elif isinstance(event, StepBegan):
                self._use_keys(CAUTION_KEYS if event.step.needs_acknowledgement else RUN_KEYS)
            elif isinstance(event, Finished):
                self._use_keys(VERDICT_KEYS)
                self._keep()
            self.pane.note(event)

    def _keep(self) -> None:
        """Write the result beside the recording, off the screen's thread."""
        guide, path = self.guide, self.host.live.health.recording
        if guide is None:
            return
        if path is None:
            self.pane.say("Nothing is being recorded, so the result is not kept.")
            return
        self.run_worker(
            lambda: self._write(lambda: keep_result(path, guide), f"Kept in {path}."), thread=True, group="keep"
        )

    def _write(self, what: Any, done: str) -> None:
        try:
            what()
        except SumpglassError as error:
            done = f"Not kept: {error}"
        self.app.call_from_thread(self._say, done)

    def _say(self, words: str) -> None:
        if self.is_mounted:
            self.pane.say(safe(words, 300))

    def settle(self) -> None:
        """Draw what is now."""
        self.level.show(self.host.live.reading)
        if self.guide is not None:
            self.pane.show(self.guide.test, self.guide.status)

    # Keys

    def action_go_on(self) -> None:
        if self.guide is None:
            self._begin(self.tests.chosen)
        elif self.guide.verdict is None and not self.pane.turn_page():
            self._handle(self.guide.press())
            self.settle()

    def action_acknowledge(self) -> None:
        if self.guide is not None and not self.pane.turn_page():
            self._handle(self.guide.acknowledge())
            self.settle()

    def action_step_back(self) -> None:
        if self.guide is not None:
            self._handle(self.guide.back())
            self.settle()

    def action_redo(self) -> None:
        if self.guide is not None and self.guide.verdict is None:
            self._handle(self.guide.redo())
            self.settle()

    def action_choose(self, way: int) -> None:
        if self.guide is None:
            self.tests.choose(way)

    def action_mark(self) -> None:
        self.host.mark("note")

    def action_unit(self) -> None:
        self.level.set_unit(self.host.next_unit())
        self.settle()

    def action_theme(self) -> None:
        self.host.next_theme()

    def action_list(self) -> None:
        if self.guide is not None and self.guide.verdict is not None:
            self._show_list()

    def action_resume(self) -> None:
        """Take up the test that was broken off in this casebook."""
        path = self.host.live.health.recording
        if self.guide is not None or path is None:
            return
        try:
            state = kept_state(path)
            if state is None:
                self.notify("No test was broken off in this casebook.")
            else:
                self._start(Guide.from_fields(state))
        except SumpglassError as error:
            self.notify(safe(str(error)), markup=False)

    def action_leave(self) -> None:
        """Break off: what was taken is kept and can be taken up again."""
        guide, path = self.guide, self.host.live.health.recording
        going = guide is not None and guide.verdict is None and bool(guide.taken)
        if guide is not None and going and path is None and not self._quit_asked:
            self._quit_asked = True
            self.pane.say(
                "Nothing is being recorded: breaking off loses the readings. Escape again to leave all the same."
            )
            return
        if guide is not None and going and path is not None:
            self.run_worker(lambda: self._keep_state(path, guide), thread=True, group="keep")
        self.app.pop_screen()

    def _keep_state(self, path: str, guide: Guide) -> None:
        words = "broken off: g, then r takes it up again"
        try:
            keep_state(path, guide)
        except SumpglassError as error:
            words = f"not kept: {error}"
        self.app.call_from_thread(self.host.flash, safe(words))
