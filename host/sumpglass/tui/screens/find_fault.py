"""Finding the fault as a conversation: the test to make, its reading live or typed, and what it did to the suspects."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

from textual.app import ComposeResult
from textual.binding import Binding
from textual.events import Resize
from textual.screen import Screen

from sumpglass.errors import SumpglassError
from sumpglass.faults.finding import Finding
from sumpglass.faults.reading import Reading as FaultReading
from sumpglass.procedures.guide_limits import RELIEVED, past_limit
from sumpglass.procedures.trade_test import COMMON_SETTINGS
from sumpglass.report.terminal_text import safe
from sumpglass.tui.screens.type_reading import TypeReading
from sumpglass.tui.widgets.fault_pane import UNREAD, FaultPane, LayoutList
from sumpglass.tui.widgets.foot import KeyBar
from sumpglass.tui.widgets.level_panel import LevelPanel
from sumpglass.workflows.find_fault import (
    Search,
    built_in_names,
    keep_reading,
    keep_search,
    load_layout,
    readings_in_casebook,
    withdraw_reading,
)

if TYPE_CHECKING:
    from sumpglass.tui.app import SumpglassApp

REDRAW_S = 0.25
LEVEL_COLUMNS = 34
NEAR_THE_END = 0.9
OLDEST_S = 1.0
"""A live reading older than this is not taken."""
CAUTION_KEYS = (("y", "read and understood", "acknowledge"), ("esc", "dashboard", "leave"))
LIST_KEYS = (("↑↓", "choose", "choose(1)"), ("enter", "begin", "go_on"), ("esc", "back", "leave"))
TALK_KEYS = (
    ("space", "take the reading", "go_on"), ("i", "type it", "type"), ("x", "cannot reach", "refuse"),
    ("↑↓", "another test", "choose(1)"), ("backspace", "take back", "undo"), ("d", "drawing", "drawing"),
    ("u", "unit", "unit"), ("esc", "dashboard", "leave"),
)  # fmt: skip


class FindFaultScreen(Screen[None]):
    """Shows a `Search`; the weighing runs on a thread of its own and nothing here computes."""

    BINDINGS = [
        Binding("space,enter", "go_on"), Binding("i", "type"), Binding("x", "refuse"), Binding("backspace,b", "undo"),
        Binding("up,k", "choose(-1)"), Binding("down,j", "choose(1)"), Binding("d", "drawing"), Binding("u", "unit"),
        Binding("y", "acknowledge"),
        Binding("t", "theme"), Binding("escape,q", "leave"),
    ]  # fmt: skip
    CSS = """
    FindFaultScreen { layout: vertical; }
    FindFaultScreen LevelPanel { layer: over; position: absolute; width: 34; height: 7; }
    FindFaultScreen FaultPane, FindFaultScreen LayoutList { height: 1fr; width: 1fr; }
    FindFaultScreen KeyBar { dock: bottom; height: 1; width: 1fr; }
    """

    def __init__(self, layout: str | None = None) -> None:
        super().__init__()
        self._wanted = layout
        self.search: Search | None = None
        self.finding: Finding | None = None
        self._round = 0

    @property
    def host(self) -> SumpglassApp:
        """The application, by its own type."""
        return cast("SumpglassApp", self.app)

    def compose(self) -> ComposeResult:
        self.level = LevelPanel(self.host.unit)
        self.pane = FaultPane()
        self.layouts = LayoutList([load_layout(name) for name in built_in_names()])
        self.keys = KeyBar(LIST_KEYS)
        yield self.level
        yield self.pane
        yield self.layouts
        yield self.keys

    def on_mount(self) -> None:
        self.set_interval(REDRAW_S, self.settle)
        self.pane.display = False
        if self._wanted is not None:
            self._begin(self._wanted)

    def on_resize(self, event: Resize) -> None:
        # The level stands over the upper right corner, which pane and list leave free.
        self.level.styles.offset = (max(0, event.size.width - LEVEL_COLUMNS), 0)

    def settle(self) -> None:
        """Draw the level that is now, and call stop where it is more than seals bear."""
        now = self.host.live.reading
        self.level.show(now)
        level_pa = 0.0 if now.level_pa is None or now.age_s is None or now.age_s > OLDEST_S else now.level_pa
        limit_pa = float(COMMON_SETTINGS["limit_pa"])
        if abs(level_pa) > limit_pa:
            if not self.pane.stopped:
                self.app.bell()
            self.pane.call_stop(past_limit(level_pa, limit_pa))
        elif abs(level_pa) < RELIEVED * limit_pa:
            self.pane.call_stop("")

    # The conversation

    def _begin(self, name: str) -> None:
        try:
            layout = load_layout(name)
        except SumpglassError as error:
            self.notify(safe(str(error)), markup=False)
            return
        self.search = Search(layout)
        self.layouts.display, self.pane.display = False, True
        self.keys.keys = list(TALK_KEYS if self.pane.cautions_read else CAUTION_KEYS)
        self.keys.update_lines()
        self.pane.begin(layout)
        path = self.host.live.health.recording
        if path is not None:
            self._from_casebook(path)
        self._weigh()

    def _from_casebook(self, path: str) -> None:
        search = self.search
        if search is None:
            return
        try:
            search.readings = readings_in_casebook(path, search.layout)
        except SumpglassError as error:
            self.pane.say(f"Nothing taken over: {safe(str(error))}")
            return
        if search.readings:
            self.pane.say(f"Taken over from the casebook: {', '.join(reading.test for reading in search.readings)}")

    def _weigh(self) -> None:
        search = self.search
        if search is None:
            return
        span = self.host.live.reading.range_pa
        if span is not None and all(map(math.isfinite, span)) and span[0] < span[1]:
            search.range_pa = span
        self._round += 1
        this = self._round
        self.pane.wait()
        self.run_worker(lambda: self._weigh_there(search, this), thread=True, group="weigh", exclusive=True)

    def _weigh_there(self, search: Search, this: int) -> None:
        finding = search.weigh()
        self.app.call_from_thread(self._show, finding, this)

    def _show(self, finding: Finding, this: int) -> None:
        if this != self._round or not self.is_mounted or self.search is None:
            return
        self.finding = finding
        self.pane.show(finding, self.search.refused)
        if finding.settled and self.search.readings:
            search = self.search
            self._keep(lambda path: keep_search(path, search, finding))

    def _take(self, reading: FaultReading) -> None:
        search = self.search
        if search is None:
            return
        search.take(reading)
        self._keep(lambda path: keep_reading(path, search.layout, reading))
        self._weigh()

    def _keep(self, write: Callable[[str], Any]) -> None:
        path = self.host.live.health.recording
        if path is not None and not self.host.options.watch_only:
            self.run_worker(lambda: self._write(lambda: write(path)), thread=True, group="keep")

    def _write(self, what: Callable[[], Any]) -> None:
        try:
            what()
        except SumpglassError as error:
            self.app.call_from_thread(self.pane.say, f"Not kept: {safe(str(error), 300)}")

    # Keys

    def action_go_on(self) -> None:
        """Begin with the chosen layout, or take the live reading for the chosen test."""
        if self.search is None:
            self._begin(self.layouts.chosen.name)
            return
        test = self.pane.chosen
        if test is None:
            if not self.pane.cautions_read:
                self.pane.say(UNREAD)
            return
        now = self.host.live.reading
        if now.level_pa is None or now.sensor_fault or now.age_s is None or now.age_s > OLDEST_S:
            self.pane.say("There is no live reading now: type it (i), or see to the rig")
            return
        if now.clipped:
            limit = bound_pa(now.level_pa, now.range_pa)
            deep = now.level_pa < 0
            self._take(FaultReading(test.id, deeper_than_pa=limit) if deep else FaultReading(test.id, above_pa=limit))
            return
        self._take(FaultReading(test.id, pressure_pa=now.level_pa, u95_pa=max(now.u95_pa or 0.0, 1.0)))

    def action_acknowledge(self) -> None:
        """The deliberate yes to the cautions."""
        if self.search is not None:
            self.pane.acknowledge()
            if self.pane.cautions_read:
                self.keys.keys = list(TALK_KEYS)
                self.keys.update_lines()

    def action_type(self) -> None:
        """Type a reading, as a distant owner tells it."""
        test = self.pane.chosen
        if self.search is None or test is None:
            return

        def entered(reading: FaultReading | None) -> None:
            if reading is not None:
                self._take(reading)

        self.app.push_screen(TypeReading(test.id, test.label, self.host.unit), entered)

    def action_refuse(self) -> None:
        """Leave the chosen test out."""
        test = self.pane.chosen
        if self.search is not None and test is not None:
            self.search.refuse(test.id)
            self._weigh()

    def action_undo(self) -> None:
        """Take back the last reading, or else the last refusal."""
        search = self.search
        if search is None:
            return
        had = bool(search.readings)
        test = search.undo()
        if test is not None:
            self.pane.say(f"Taken back: {test}")
            if had:
                self._keep(lambda path: withdraw_reading(path, search.layout, test))
            self._weigh()

    def action_choose(self, way: int) -> None:
        if self.search is None:
            self.layouts.choose(way)
        else:
            self.pane.choose(way)

    def action_drawing(self) -> None:
        self.pane.turn()

    def action_unit(self) -> None:
        self.level.set_unit(self.host.next_unit())
        self.settle()

    def action_theme(self) -> None:
        self.host.next_theme()

    def action_leave(self) -> None:
        self.app.pop_screen()


def bound_pa(level_pa: float, range_pa: tuple[float, float] | None) -> float:
    """What a clipped reading lies beyond: the range's end where the level is near it.

    Where only the peaks of a pulsating pressure are clipped, the level itself is the bound: clipping brings the mean
    nearer to zero.
    """
    if range_pa is not None and math.isfinite(range_pa[0]) and math.isfinite(range_pa[1]):
        end = range_pa[0] if level_pa < 0 else range_pa[1]
        if end * level_pa > 0 and abs(level_pa) >= NEAR_THE_END * abs(end):
            return end
    return level_pa
