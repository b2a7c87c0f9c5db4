"""What is kept of a guided test, as plain values: its state when it is broken off, its verdict when it is done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sumpglass import __version__
from sumpglass.errors import InputError
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade_test import Verdict

STATE_SCHEMA = "sumpglass/guide-state/1"


@dataclass(frozen=True)
class GuideState:
    """A test that was broken off: the steps done, the one at hand, and the readings so far."""

    test: str
    settings: Mapping[str, Any]
    step: str
    done: tuple[str, ...]
    taken: tuple[Taken, ...]


def state_fields(
    test: str, settings: Mapping[str, Any], step: str, done: Sequence[str], taken: Sequence[Taken]
) -> dict[str, Any]:
    """A state for JSON."""
    return {
        "schema": STATE_SCHEMA,
        "version": __version__,
        "test": test,
        "settings": dict(settings),
        "step": step,
        "done": list(done),
        "taken": [t.to_fields() for t in taken],
    }


def read_state(fields: Any) -> GuideState:
    """The state that `state_fields` wrote. Raises InputError for what is none."""
    if not isinstance(fields, Mapping) or fields.get("schema") != STATE_SCHEMA:
        raise InputError("found something else than the state of a guided test, expected one that this program wrote")
    try:
        taken = tuple(Taken.from_fields(t) for t in fields["taken"])
        return GuideState(fields["test"], dict(fields["settings"]), fields["step"], tuple(fields["done"]), taken)
    except (KeyError, ValueError, TypeError) as error:
        raise InputError(
            f"the state of the guided test is damaged ({error}), expected one that this program wrote"
        ) from None


def verdict_fields(verdict: Verdict) -> dict[str, Any]:
    """A verdict as plain values."""
    return {
        "verdict": verdict.state,
        "sentence": verdict.sentence,
        "figures": [
            {"name": f.name, "value": f.value, "lo95": f.lo95, "hi95": f.hi95, "unit": f.unit} for f in verdict.figures
        ],
        "next": verdict.next_step,
        "does_not_prove": verdict.does_not_prove,
        "warnings": list(verdict.warnings),
        "details": dict(verdict.details),
    }
