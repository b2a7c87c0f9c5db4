"""Our two colour themes, dark and light. Blue is vacuum, orange pressure; colour only repeats words and place."""

from __future__ import annotations

from textual.app import App
from textual.theme import Theme

from sumpglass.errors import SumpglassError

DARK = Theme(
    name="sumpglass-dark",
    dark=True,
    primary="#58a9ff",
    secondary="#ffa24c",
    accent="#e8d9b0",
    foreground="#d9dfe6",
    background="#11161c",
    surface="#11161c",
    panel="#1a222b",
    warning="#ffa24c",
    error="#ffa24c",
    success="#58a9ff",
    variables={
        "vacuum": "#58a9ff",
        "pressure": "#ffa24c",
        "vacuum-band": "#1f4468",
        "pressure-band": "#69421a",
        "quiet": "#8592a0",
        "faint": "#33404d",
        "zero": "#f2efe6",
        "zero-lane": "#1c252e",
        "alert": "#ffd166",
        "alert-ink": "#1b1508",
    },
)
LIGHT = Theme(
    name="sumpglass-light",
    dark=False,
    primary="#0a56a3",
    secondary="#b45309",
    accent="#5a4a1c",
    foreground="#1c232b",
    background="#f6f4ee",
    surface="#f6f4ee",
    panel="#e9e5da",
    warning="#b45309",
    error="#b45309",
    success="#0a56a3",
    variables={
        "vacuum": "#0a56a3",
        "pressure": "#b45309",
        "vacuum-band": "#b5d3f0",
        "pressure-band": "#f3cfa6",
        "quiet": "#5d6873",
        "faint": "#cbc6b8",
        "zero": "#11161c",
        "zero-lane": "#e4dfd2",
        "alert": "#8a4a00",
        "alert-ink": "#fff8ea",
    },
)
THEMES = (DARK, LIGHT)


class LookApp(App[SumpglassError | None]):
    """An app that knows our themes; widgets may name their colours even before the theme is set."""

    def __init__(self, light: bool = False) -> None:
        super().__init__()
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = THEMES[light].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return DARK.variables
