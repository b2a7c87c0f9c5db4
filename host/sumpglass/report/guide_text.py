"""What a guided test asks for, and a seal hunt's result, in words and as JSON fields."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sumpglass.procedures.seal_shares import SealHunt
from sumpglass.procedures.trade_test import CAUTIONS, TradeTest
from sumpglass.report.terminal_text import safe


def list_text(tests: Sequence[TradeTest]) -> str:
    """All tests, one line each."""
    width = max(len(t.id) for t in tests)
    lines = [f"  {t.id:<{width}}  {t.why}" for t in tests]
    return "\n".join(
        [
            "Tests of the trade, guided step by step:",
            *lines,
            "",
            "`sumpglass guide TEST --show` says what one needs; on a terminal `sumpglass guide TEST` begins it.",
        ]
    )


def list_fields(tests: Sequence[TradeTest]) -> dict[str, Any]:
    """Fields of `sumpglass/guide-tests/1`."""
    return {
        "tests": [
            {"id": t.id, "title": t.title, "why": t.why, "minutes": t.minutes, "running_engine": t.running_engine}
            for t in tests
        ]
    }


def test_text(test: TradeTest, settings: Mapping[str, Any]) -> str:
    """One test in full."""
    lines = [test.title, "", f"Why: {test.why}", f"Set-up: {test.set_up}", "", "Cautions:"]
    lines += [f"  - {c}" for c in test.cautions]
    lines += ["", "Steps:"]
    for number, step in enumerate(test.plan(settings), 1):
        lines.append(f"  {number}. {safe(step.words)}" + (f". {safe(step.detail)}" if step.detail else ""))
        if step.condition_words:
            lines.append(f"     the signal shows: {safe(step.condition_words)}")
        lines += [f"     caution: {CAUTIONS[c]}" for c in step.cautions]
    return "\n".join([*lines, "", f"It does not prove: {test.does_not_prove}"])


def test_fields(test: TradeTest, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Fields of `sumpglass/guide-test/1`."""
    steps = [
        {
            "id": s.id,
            "words": s.words,
            "detail": s.detail,
            "signal_shows": s.condition_words,
            "reading": s.reading,
            "cautions": [CAUTIONS[c] for c in s.cautions],
            "settle_s": s.settle_s,
            "dead_ended": s.dead_ended,
        }
        for s in test.plan(settings)
    ]
    return {
        "id": test.id,
        "title": test.title,
        "why": test.why,
        "set_up": test.set_up,
        "cautions": list(test.cautions),
        "steps": steps,
        "does_not_prove": test.does_not_prove,
        "settings": dict(settings),
    }


def seal_hunt_fields(hunt: SealHunt) -> dict[str, Any]:
    """Fields of `sumpglass/seal-hunt/1`."""
    return {
        "seals": [
            {"name": s.name, "share": s.share, "lo95": s.lo95, "hi95": s.hi95, "p_holm": s.p_holm, "leaks": s.leaks}
            for s in hunt.seals
        ],
        "unexplained": hunt.unexplained,
        "unexplained_lo95": hunt.unexplained_lo95,
        "unexplained_hi95": hunt.unexplained_hi95,
        "chi2": hunt.chi2,
        "freedom": hunt.freedom,
        "drift_counted": hunt.drift_counted,
        "warnings": list(hunt.warnings),
    }


def seal_hunt_text(hunt: SealHunt) -> str:
    """The same for a person."""
    lines = ["Share of the leak that each suspect carries:"]
    for s in hunt.seals:
        call = "leaks" if s.leaks else "no change beyond chance"
        lines.append(
            f"  {safe(s.name, 40):<20} {100 * s.share:5.0f} % ({100 * s.lo95:.0f} to {100 * s.hi95:.0f})  "
            f"{call} (p {s.p_holm:.2g})"
        )
    lines.append(
        f"  {'none of them':<20} {100 * hunt.unexplained:5.0f} % ({100 * hunt.unexplained_lo95:.0f} to "
        f"{100 * hunt.unexplained_hi95:.0f})"
    )
    lines.append("p is the chance of such a change by luck, with so many suspects tried (Holm).")
    return "\n".join([*lines, *(f"Note: {safe(w, 400)}" for w in hunt.warnings)])
