"""Marks that say in what state the rig and the engine are, and the stretches of a recording that they bound."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sumpglass.records import Mark

_OPENING = re.compile(r"opening\s+(\d+\.?\d*|\.\d+)\s*mm", re.ASCII | re.IGNORECASE)
_NAMED = re.compile(r"(tap|cap|uncap)\s+(\S.*)", re.IGNORECASE)
_ENGINE = re.compile(r"engine\s+(on|off)", re.IGNORECASE)
_SPEED = re.compile(r"rpm\s+(\d+\.?\d*)", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True)
class State:
    """What a mark says. `kind` is "opening" (`value` mm), "closed", "tap", "cap", "uncap" (`name`), "engine_on",
    "engine_off" or "rpm" (`value`)."""

    kind: str
    value: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Stretch:
    """A state from its mark to the next state mark (or the end of the recording)."""

    t0_s: float
    t1_s: float
    state: State


def state_of(text: str) -> State | None:
    """The state that a mark's text announces; None for a note and for free text, which end nothing."""
    text = text.strip()
    if text.lower() == "closed":
        return State("closed")
    if found := _OPENING.fullmatch(text):
        return State("opening", float(found[1]))
    if found := _NAMED.fullmatch(text):
        return State(found[1].lower(), name=found[2].strip())
    if found := _ENGINE.fullmatch(text):
        return State(f"engine_{found[1].lower()}")
    if found := _SPEED.fullmatch(text):
        return State("rpm", float(found[1]))
    return None


def stretches_of(marks: Sequence[Mark], end_s: float) -> tuple[Stretch, ...]:
    """Stretches in order of time; `end_s` is the end of the recording."""
    states = [(m.t_s, s) for m in sorted(marks, key=lambda m: m.t_s) if (s := state_of(m.text)) is not None]
    ends = [t for t, _ in states[1:]] + [end_s]
    return tuple(Stretch(t0, t1, s) for (t0, s), t1 in zip(states, ends) if t1 > t0)
