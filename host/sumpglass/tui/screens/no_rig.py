"""No rig is plugged in: what was seen instead, why it was not taken, and what can be done without one."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, cast

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding
from textual.screen import Screen
from textual.widgets import Static

from sumpglass.report.terminal_text import safe
from sumpglass.tui.widgets.big_font import word_lines
from sumpglass.tui.widgets.foot import KeyBar
from sumpglass.workflows.watch import (
    DemoTrace,
    PortTold,
    demo_traces,
    ports_seen,
    replay,
    rig_is_there,
    watch,
)
from sumpglass.workflows.watch_request import WatchRequest

if TYPE_CHECKING:
    from sumpglass.tui.app import SumpglassApp

LOOK_AGAIN_S = 1.5
MOST_TRACES = 9
KEYS = (
    ("v", "virtual rig", "virtual"),
    ("1-9", "demo trace", "trace(1)"),
    ("r", "try again", "look"),
    ("q", "quit", "leave"),
)


class NoRig(Screen[None]):
    """Looks again by itself every second or so: plugging the rig in is enough."""

    BINDINGS = [
        Binding("v", "virtual"),
        Binding("r", "look"),
        Binding("q", "leave"),
        *(Binding(str(number), f"trace({number})") for number in range(1, MOST_TRACES + 1)),
    ]
    CSS = """
    NoRig { padding: 0 2; }
    NoRig #word { color: $alert; height: 4; padding-top: 1; }
    NoRig #why { margin-bottom: 1; }
    NoRig .quiet { color: $quiet; }
    NoRig KeyBar { dock: bottom; height: 1; }
    """

    def __init__(self, why: str, request: WatchRequest) -> None:
        super().__init__()
        self._why = why
        self._request = request
        self._traces: list[DemoTrace] = demo_traces()[:MOST_TRACES]

    @property
    def host(self) -> SumpglassApp:
        """The application, by its own type."""
        return cast("SumpglassApp", self.app)

    def compose(self) -> ComposeResult:
        yield Static("\n".join(word_lines("NO RIG", 60, 3)), id="word", markup=False)
        why = safe(self._why, 400)
        yield Static(why[:1].upper() + why[1:], id="why", markup=False)
        yield Static("", id="ports", markup=False)
        yield Static(self._offers(), id="offers")
        yield KeyBar(KEYS)

    def on_mount(self) -> None:
        self.query_one(KeyBar).update_lines()
        self._was_there = rig_is_there(self._request.port)
        self._show_ports(ports_seen())
        self.set_interval(LOOK_AGAIN_S, self._look_by_itself)

    def _show_ports(self, ports: list[PortTold]) -> None:
        lines = [f"  {safe(port.path, 40):<18} {safe(port.why, 120)}" for port in ports]
        head = "Ports seen here:" if lines else "No serial port is seen here. Is the cable one that carries data?"
        self.query_one("#ports", Static).update("\n".join([head, *lines, ""]))

    def _offers(self) -> Text:
        """Keys stand out; names and titles are plain text, whatever they hold."""
        offers = [("v", "the virtual rig: real firmware, simulated engine, leak test under way")]
        offers += [
            (str(number), f"{safe(trace.name.replace('-', ' '), 24):<24} {safe(trace.title, 44)}")
            for number, trace in enumerate(self._traces, 1)
        ]
        text = Text("Without a rig:\n")
        for key, words in offers:
            text.append(f"  {key}", "bold")
            text.append(f"  {words}\n")
        return text

    def action_look(self) -> None:
        """Try again now, whatever is to be seen."""
        self._go(self._request)

    def _look_by_itself(self) -> None:
        self.run_worker(self._look, thread=True, exclusive=True, group="look")

    def _look(self) -> None:
        """Only a rig that was not there before is tried: one that is there and does not answer must not be knocked at
        every second."""
        ports = ports_seen()
        there = rig_is_there(self._request.port)
        came = there and not self._was_there
        self._was_there = there
        if came:
            self.app.call_from_thread(self._go, self._request)
        else:
            self.app.call_from_thread(self._show_ports, ports)

    def _go(self, request: WatchRequest) -> None:
        if self.is_current:
            self.app.pop_screen()
            self.host.restart_feed(lambda: watch(request))

    def action_virtual(self) -> None:
        """The built-in rig."""
        self._go(dataclasses.replace(self._request, port=None, scenario="leak-test"))

    def action_trace(self, number: int) -> None:
        """Replay a recording that comes with the program."""
        if number <= len(self._traces):
            path = self._traces[number - 1].path
            self.app.pop_screen()
            self.host.restart_feed(lambda: replay(path))

    def action_leave(self) -> None:
        """Leave; nothing was recorded."""
        self.host.action_leave_now()
