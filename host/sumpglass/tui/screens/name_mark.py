"""Naming the last mark: a free text, or one of the forms that the computations understand."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Container
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from sumpglass.records import Mark
from sumpglass.tui.words import clock

FORMS = "opening 2.0 mm, closed, tap NAME, cap NAME, uncap NAME, engine on, engine off, rpm 800, note ..."

_UNNAMED = ("", "mark", "note")


class NameMark(ModalScreen[str | None]):
    """Returns the name, or None when it was left with Escape."""

    BINDINGS = [Binding("escape", "cancel")]

    def __init__(self, mark: Mark) -> None:
        super().__init__()
        self._mark = mark

    def compose(self) -> ComposeResult:
        with Container(id="box"):
            yield Static(f"Name the mark at {clock(self._mark.t_s)}", markup=False)
            yield Static(f"Understood: {FORMS}. Anything else is a note.", markup=False, classes="words")
            yield Input(value="" if self._mark.text in _UNNAMED else self._mark.text, max_length=200)
            yield Static("Enter keeps it, Escape leaves it as it was", markup=False, classes="words")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        self.dismiss(event.value.strip() or None)

    def action_cancel(self) -> None:
        self.dismiss(None)
