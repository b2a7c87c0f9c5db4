"""A reading typed in, as a distant owner tells it from a dial gauge."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Container
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from sumpglass.errors import SumpglassError
from sumpglass.faults.reading import Reading as FaultReading
from sumpglass.faults.typed import FORMS, typed_reading
from sumpglass.report.terminal_text import safe


class TypeReading(ModalScreen[FaultReading | None]):
    """One line for a reading; returns it, or None when it was left with Escape."""

    BINDINGS = [Binding("escape", "cancel")]

    def __init__(self, test: str, label: str, unit: str) -> None:
        super().__init__()
        self._test, self._label, self._unit = test, label, unit

    def compose(self) -> ComposeResult:
        with Container(id="box"):
            yield Static(safe(self._label), markup=False)
            yield Static(f"In {self._unit} unless you say otherwise, {FORMS}.", markup=False, classes="words")
            yield Input(max_length=80)
            yield Static("Enter takes it, Escape leaves it", markup=False, classes="words", id="told")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        try:
            self.dismiss(typed_reading(event.value, self._test, self._unit))
        except SumpglassError as error:
            self.query_one("#told", Static).update(safe(str(error)))

    def action_cancel(self) -> None:
        self.dismiss(None)
