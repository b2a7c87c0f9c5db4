"""A layout for a terminal: drawing, seals, faults and tests."""

from __future__ import annotations

from sumpglass.faults.layout import Layout
from sumpglass.report.layout_picture import Marks
from sumpglass.report.terminal_text import safe


def layout_text(layout: Layout, marks: Marks | None = None) -> str:
    """The whole layout as text."""
    lines = [safe(layout.title), ""]
    lines += [f"  {safe(edge.start)} -- {safe(edge.label)} -- {safe(edge.end)}" for edge in layout.edges]
    return "\n".join(lines) + "\n"
