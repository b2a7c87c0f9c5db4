"""Base of the dashboard's widgets: lines of styled text, of which only the changed ones are drawn again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

Piece = tuple[str, str]
"""Text and the name of its tone."""
Line = tuple[Piece, ...]


class LineWidget(Widget):
    """Subclasses give `lines(width, height)`; `update_lines` compares them with what stands on the screen."""

    TONES = (
        "title",
        "quiet",
        "plain",
        "strong",
        "alert",
        "vacuum",
        "pressure",
        "faint",
        "struck",
        "key",
        "mark",
        "badge",
    )
    COMPONENT_CLASSES = {f"lines--{tone}" for tone in TONES}
    DEFAULT_CSS = """
    LineWidget {
        .lines--title { color: $foreground; text-style: bold; }
        .lines--quiet { color: $quiet; }
        .lines--plain { color: $foreground; }
        .lines--strong { color: $foreground; text-style: bold; }
        .lines--alert { color: $alert; text-style: bold; }
        .lines--vacuum { color: $vacuum; }
        .lines--pressure { color: $pressure; }
        .lines--faint { color: $faint; }
        .lines--struck { color: $quiet; text-style: strike; }
        .lines--key { color: $foreground; background: $panel; text-style: bold; }
        .lines--mark { color: $background; background: $foreground; text-style: bold; }
        .lines--badge { color: $alert-ink; background: $alert; text-style: bold; }
    }
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._lines: list[Line] = []
        self._strips: list[Strip] = []
        self._styles: dict[str, Style] = {}

    def lines(self, width: int, height: int) -> Sequence[Line]:
        """What should stand on the screen; at most `height` lines are taken."""
        raise NotImplementedError

    def update_lines(self) -> None:
        """Draw the lines that changed. Before the widget has a size nothing is drawn."""
        width, height = self.size
        if not width or not height:
            return
        lines = list(self.lines(width, height))[:height]
        lines += [()] * (height - len(lines))
        if len(self._lines) != height:
            self._lines, self._strips = [((("\0", "plain")),)] * height, [self._blank(width)] * height
        dirty = []
        for y, (line, before) in enumerate(zip(lines, self._lines)):
            if line != before:
                self._lines[y] = line
                self._strips[y] = self._strip(line, width)
                dirty.append(Region(0, y, width, 1))
        if dirty:
            self.refresh(*dirty)

    def redraw(self) -> None:
        """Draw everything again (another size or theme)."""
        self._styles = {}
        self._lines = []
        self.update_lines()

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self.redraw())

    def on_resize(self) -> None:
        self.redraw()

    def render_line(self, y: int) -> Strip:
        return self._strips[y] if y < len(self._strips) else self._blank(self.size.width)

    def _blank(self, width: int) -> Strip:
        # With a style, though nothing shows: filters for terminals without colour take every segment to have one.
        return Strip.blank(width, self.tone("plain"))

    def tone(self, name: str) -> Style:
        """The style of a tone under the present theme."""
        style = self._styles.get(name)
        if style is None:
            style = self._styles[name] = self.get_component_rich_style(f"lines--{name}")
        return style

    def _strip(self, line: Line, width: int) -> Strip:
        strip = Strip([Segment(text, self.tone(tone)) for text, tone in line])
        return strip.adjust_cell_length(width, self.tone("plain"))


def rule(title: str, width: int, note: str = "", note_tone: str = "quiet") -> Line:
    """A title set into a rule, with a note at its right end."""
    note = f" {note} " if note else ""
    note = note if len(note) + len(title) + 8 <= width else ""
    fill = max(0, width - len(title) - len(note) - 5)
    return (("──", "faint"), (f" {title} ", "title"), ("─" * fill, "faint"), (note, note_tone), ("─", "faint"))
