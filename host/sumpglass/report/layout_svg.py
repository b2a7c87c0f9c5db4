"""A layout as an SVG picture."""

from __future__ import annotations

from sumpglass.faults.layout import Layout
from sumpglass.report.layout_picture import Marks


def layout_svg(layout: Layout, marks: Marks | None = None) -> str:
    """The picture as SVG text."""
    raise NotImplementedError
