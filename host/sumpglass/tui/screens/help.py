"""All keys, and how to read the screen."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

_LIVE = """\
space    mark this moment; the button on the rig does the same
n        name the last mark"""
_REPLAY = """\
space p  pause and go on
.        one step of a tenth of a second
← →      10 s back or on          home  to the start
+ -      twice or half the speed"""
_ALL = """\
u        next unit: Pa, kPa, mbar, mmH2O, inH2O, inHg, psi
w        strip of one minute or ten
h        hold the strip still, then ← → move it; recording goes on
s enter  what happened is seen; ↑ ↓ move through the list
b        bell on or muted
g        guided tests            f  find the fault
t        dark or light           c  block characters, no braille
k        address of the second screen (watch --serve)
q        quit"""
_READING = (
    "VACUUM is below room pressure and is drawn below the bold zero line, PRESSURE above it. The line is the level, "
    "the band the swing of the pulses. UNDECIDED: no further from zero than the interval. OLD: nothing came for half a "
    "second. CLIPPED: beyond what the sensor reads. Capital letters on the strip are happenings, small ones are marks; "
    "a letter that is struck through was taken back."
)


class Help(ModalScreen[None]):
    """Any of the usual keys closes it."""

    BINDINGS = [Binding("escape,question_mark,q,enter,space,f1", "close")]
    CSS = "Help #box { width: 78; height: auto; padding: 0 2; }"

    def __init__(self, replaying: bool = False) -> None:
        super().__init__()
        self._replaying = replaying

    def compose(self) -> ComposeResult:
        with VerticalScroll(id="box"):
            yield Static((_REPLAY if self._replaying else _LIVE) + "\n" + _ALL, markup=False)
            yield Static("\n" + _READING + "\n\nEscape closes this.", markup=False, classes="words")

    def action_close(self) -> None:
        self.dismiss(None)
