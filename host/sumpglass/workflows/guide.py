"""Guided tests and what they leave in the casebook: results that can be computed again, states to be taken up later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sumpglass.errors import InputError
from sumpglass.procedures.guide import Guide, judge_again
from sumpglass.procedures.guide_keep import verdict_fields
from sumpglass.procedures.leak_recording import rig_zero
from sumpglass.procedures.marks import State, stretches_of
from sumpglass.procedures.seal_shares import CappedReading, SealHunt, seal_hunt
from sumpglass.procedures.settled import settled_level
from sumpglass.procedures.trade_test import TradeTest, all_tests, find_test
from sumpglass.records import Recording
from sumpglass.store.casebook import Casebook, is_sqlite

STATE = "guide-state"
"""Kind of the casebook entries that hold a test which was broken off."""

__all__ = [
    "Guide",
    "KeptResult",
    "TradeTest",
    "all_tests",
    "find_test",
    "keep_result",
    "keep_state",
    "kept_state",
    "kept_results",
    "seal_hunt_of",
]


@dataclass(frozen=True)
class KeptResult:
    """A result as `sumpglass results` lists it. `same_again`: computed again, was it the same? None: not tried."""

    id: int
    at: str
    kind: str
    title: str
    recording_id: int | None
    sentence: str
    verdict: str | None
    body: dict[str, Any]
    same_again: bool | None = None


def keep_result(path: str, guide: Guide, recording_id: int | None = None) -> int:
    """Write a finished test into the casebook `path`; returns its number."""
    fields = guide.result_fields()
    with Casebook.open(path, writable=True) as book:
        number = book.add_result(guide.test.id, guide.test.title, fields, recording_id)
        if _open_state(book, guide.test.id) is not None:
            book.add_result(STATE, guide.test.id, {"over": True})
        return number


def keep_state(path: str, guide: Guide) -> int:
    """Write a test that was broken off into the casebook `path`."""
    with Casebook.open(path, writable=True) as book:
        return book.add_result(STATE, guide.test.id, guide.to_fields())


def kept_state(path: str, test_id: str | None = None) -> dict[str, Any] | None:
    """The newest state of a broken-off test that was not finished or begun anew since; None if there is none."""
    if not is_sqlite(path):
        raise InputError(f"{path}: found no casebook, expected the one in which the test was broken off")
    with Casebook.open(path) as book:
        return _open_state(book, test_id)


def _open_state(book: Casebook, test_id: str | None) -> dict[str, Any] | None:
    newest: dict[str, dict[str, Any]] = {}
    for entry in book.results(STATE):
        newest.pop(entry.title, None)
        newest[entry.title] = entry.body
    going = {name: body for name, body in newest.items() if not body.get("over")}
    if test_id is not None:
        return going.get(test_id)
    return next(reversed(going.values()), None)


def kept_results(path: str, again: bool = False) -> list[KeptResult]:
    """Results of a casebook, oldest first, broken-off states left out. `again` computes guided verdicts anew."""
    name = path.partition("#")[0]
    if not is_sqlite(name):
        raise InputError(f"{path}: found no casebook, expected one with results")
    with Casebook.open(name) as book:
        entries = [e for e in book.results() if e.kind != STATE]
    found = []
    for entry in entries:
        sentence = entry.body.get("sentence")
        same = _same(entry.body) if again and "state" in entry.body else None
        found.append(
            KeptResult(
                entry.id,
                entry.at,
                entry.kind,
                entry.title,
                entry.recording_id,
                sentence if isinstance(sentence, str) else "",
                entry.body.get("verdict"),
                entry.body,
                same,
            )
        )
    return found


def _same(body: Mapping[str, Any]) -> bool:
    fields = verdict_fields(judge_again(body))
    return all(_close(fields[name], body.get(name)) for name in ("verdict", "figures"))


def _close(one: Any, other: Any) -> bool:
    """Equal up to the last digits in which machines may differ."""
    if isinstance(one, float) and isinstance(other, (int, float)):
        return abs(one - other) <= 1e-9 * max(1.0, abs(one), abs(other))
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_close(v, other[k]) for k, v in one.items())
    if isinstance(one, (list, tuple)) and isinstance(other, (list, tuple)):
        return len(one) == len(other) and all(_close(a, b) for a, b in zip(one, other))
    return bool(one == other)


def seal_hunt_of(recording: Recording, zero_pa: float | None = None) -> SealHunt:
    """A seal hunt from a recording whose marks say `cap NAME` and `uncap NAME`; before the first cap nothing is
    capped."""
    t_s, end_s = recording.t_s, float(recording.t_s[-1])
    stretches = stretches_of(recording.marks, end_s)
    zero = rig_zero(recording, stretches, zero_pa)
    capped: frozenset[str] = frozenset()
    rows: list[CappedReading] = []
    first = next((s.t0_s for s in stretches if s.state.kind in ("cap", "uncap")), None)
    if first is None:
        raise InputError("no mark says `cap NAME`, expected them in a recording of a seal hunt")
    spans: list[tuple[float, float, State | None]] = [(s.t0_s, s.t1_s, s.state) for s in stretches]
    if not any(
        t0 < first and state is not None and state.kind in ("closed", "tap", "engine_on", "rpm")
        for t0, _, state in spans
    ):
        spans.insert(0, (float(t_s[0]), first, None))
    for t0, t1, state in spans:
        if state is not None and state.kind in ("opening", "engine_off"):
            continue
        if state is not None and state.kind == "cap":
            capped = capped | {state.name}
        elif state is not None and state.kind == "uncap":
            capped = capped - {state.name}
        level = settled_level(t_s, recording.pressure_pa, t0, t1)
        if level is not None:
            rows.append(CappedReading(capped, _as_reading(level, zero.pressure_pa), 0.5 * (level.t0_s + level.t1_s)))
    return seal_hunt(rows)


def _as_reading(level: Any, zero_pa: float) -> Any:
    from sumpglass.procedures.openings import Reading

    return Reading(
        0.0, -(level.mean_pa - zero_pa), level.u_pa, shape_pa=-level.swing_pa, name=f"recorded {level.t0_s:.1f} s"
    )
