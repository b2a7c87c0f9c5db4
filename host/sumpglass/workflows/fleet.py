"""Many casebooks side by side: which engine needs somebody next, and why. One casebook a job, one row an engine.

An engine's state is that of its newest verdicts; a fault that a later test of the same kind found mended counts no
more. Where no test was judged, the last recording's level speaks. Computes nothing that the casebooks do not hold,
apart from that level.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from sumpglass.errors import InputError, SumpglassError
from sumpglass.store.casebook import Casebook
from sumpglass.store.casebook_file import APPLICATION_ID, MAGIC
from sumpglass.workflows.guide import KeptResult, kept_results

URGENCY = ("fault", "unread", "undecided", "unknown", "good")
"""From what wants somebody first to what can wait."""
LEAK_FIGURE = "leak_mm"
MOST_FILES = 2000
MOST_DEPTH = 6


@dataclass(frozen=True)
class LeakSeen:
    """The leak as it was sized once: bore of the drilled hole that leaks as much, with its 95 % interval."""

    at: str
    equivalent_mm: float
    lo95_mm: float
    hi95_mm: float


@dataclass(frozen=True)
class FleetEntry:
    """One engine. `state` is one of `URGENCY`; `why` says in sentences what stands behind it, weightiest first."""

    path: str
    state: str
    why: tuple[str, ...]
    subject: str = ""
    cylinders: int | None = None
    recordings: int = 0
    last_at: str | None = None
    """UTC, ISO 8601: the last recording or result."""
    level_state: str | None = None
    level_pa: float | None = None
    level_u95_pa: float | None = None
    leaks: tuple[LeakSeen, ...] = field(default=())
    """Oldest first."""


def survey(places: Sequence[str]) -> Iterator[FleetEntry]:
    """One entry for each casebook among `places` (files, or folders that are searched). Raises InputError."""
    found = False
    for path in _casebooks(places):
        found = True
        yield entry_of(path)
    if not found:
        raise InputError(f"{places[0]}: found no casebook there, expected at least one")


def by_urgency(entries: Sequence[FleetEntry]) -> list[FleetEntry]:
    """What wants somebody first on top; among equals the one that was not looked at for longest."""
    return sorted(entries, key=lambda entry: (URGENCY.index(entry.state), entry.last_at or "", entry.path))


def entry_of(path: str) -> FleetEntry:
    """The engine of one casebook. A casebook that cannot be read is an entry that says so."""
    try:
        with Casebook.open(path) as book:
            subject, cylinders = book.subject()
            recordings = book.recordings()
        results = kept_results(path)
        level = _last_level(path, results, len(recordings))
    except SumpglassError as error:
        return FleetEntry(path, "unread", (str(error),))
    times = [entry.ended_at or entry.started_at for entry in recordings] + [result.at for result in results]
    leaks = tuple(_leaks(results))
    state, why = _judged(results, level, leaks)
    return FleetEntry(
        path=path,
        state=state,
        why=tuple(why),
        subject=subject.split("\n")[0],
        cylinders=cylinders,
        recordings=len(recordings),
        last_at=max(times, default=None),
        level_state=level.get("state"),
        level_pa=level.get("mean_pa"),
        level_u95_pa=level.get("u95_pa"),
        leaks=leaks,
    )


def _casebooks(places: Sequence[str]) -> Iterator[str]:
    """Casebooks in order of their names, each once. Links to folders are not followed, so that there is an end."""
    seen: set[str] = set()
    for place in places:
        if not os.path.isdir(place):
            with Casebook.open(place):
                pass
        for path in [place] if not os.path.isdir(place) else _inside(place):
            real = os.path.realpath(path)
            if real not in seen:
                seen.add(real)
                yield path
            if len(seen) > MOST_FILES:
                raise InputError(
                    f"{place}: found more than {MOST_FILES} casebooks, expected fewer: name a folder below"
                )


def _inside(folder: str) -> Iterator[str]:
    depth = folder.rstrip(os.sep).count(os.sep)
    for here, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        if here.count(os.sep) - depth >= MOST_DEPTH:
            folders.clear()
        for name in sorted(files):
            path = os.path.join(here, name)
            if os.path.isfile(path) and _is_casebook(path):
                yield path


def _is_casebook(path: str) -> bool:
    """By the first bytes alone: folders hold databases of other programs, too."""
    try:
        with open(path, "rb") as file:
            start = file.read(72)
    except OSError:
        return False
    return start.startswith(MAGIC) and int.from_bytes(start[68:72], "big") == APPLICATION_ID


def _last_level(path: str, results: Sequence[KeptResult], recordings: int) -> dict[str, Any]:
    """Level of the last assessment that was kept, else of the last recording; empty where there is neither."""
    for result in reversed(results):
        level = result.body.get("level") if result.kind == "assessment" else None
        if isinstance(level, dict):
            return level
    if not recordings:
        return {}
    from sumpglass.workflows.assess import assess_recording
    from sumpglass.workflows.load_recording import load_recording

    try:
        recording = load_recording(path)
        level_found = assess_recording(recording, recording.cylinders).level
    except InputError:
        # Cut off before its first sample: the engine has other things to tell.
        return {}
    return {"state": level_found.state, "mean_pa": level_found.mean_pa, "u95_pa": level_found.u95_pa}


def _leaks(results: Sequence[KeptResult]) -> Iterator[LeakSeen]:
    for result in results:
        told = result.body.get("leak") if result.kind == "leak-size" else _figure(result, LEAK_FIGURE)
        if not isinstance(told, dict):
            continue
        values = [told.get(name) for name in ("equivalent_mm", "lo95_mm", "hi95_mm")]
        if result.kind != "leak-size":
            values = [told.get(name) for name in ("value", "lo95", "hi95")]
        if all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in values):
            yield LeakSeen(result.at, *(float(value) for value in values if value is not None))


def _figure(result: KeptResult, name: str) -> dict[str, Any] | None:
    figures = result.body.get("figures")
    for figure in figures if isinstance(figures, list) else []:
        if isinstance(figure, dict) and figure.get("name") == name:
            return figure
    return None


def _judged(results: Sequence[KeptResult], level: dict[str, Any], leaks: Sequence[LeakSeen]) -> tuple[str, list[str]]:
    """State and its reasons, from the newest verdict of each kind of test, the level and how the leak went."""
    newest = {result.kind: result for result in results if result.verdict in ("fault", "undecided", "good")}
    why = [_words(result) for result in newest.values() if result.verdict == "fault"]
    grew = _leak_grew(leaks)
    if grew:
        why.append(grew)
    state = "fault" if why else ""
    undecided = [_words(result) for result in newest.values() if result.verdict == "undecided"]
    if not newest and level.get("state") == "pressure":
        undecided.append(
            "The last recording shows pressure in the crankcase, where a slight vacuum is wanted unless suction was "
            "stopped for a test: `sumpglass guide as-driven` decides."
        )
    why += undecided
    state = state or ("undecided" if undecided else "")
    if not state and newest:
        state = "good"
        why.append(f"The last verdicts were good: {', '.join(result.title for result in newest.values())}.")
    if not state:
        state = "unknown"
        why.append("Nothing was judged yet: `sumpglass guide` leads through the tests.")
    return state, why


def _words(result: KeptResult) -> str:
    return f"{result.title}, {result.at[:10]}: {result.sentence or result.verdict}"


def _leak_grew(leaks: Sequence[LeakSeen]) -> str | None:
    """A sentence where the last leak lies above the one before by more than both intervals."""
    if len(leaks) < 2 or leaks[-1].lo95_mm <= leaks[-2].hi95_mm:
        return None
    before, now = leaks[-2], leaks[-1]
    return (
        f"The leak grew from a hole of {before.equivalent_mm:.2g} mm ({before.at[:10]}) to one of "
        f"{now.equivalent_mm:.2g} mm ({now.at[:10]}), by more than the uncertainty of both."
    )


def write_page(out: str, entries: Sequence[FleetEntry], *, overwrite: bool = False) -> None:
    """Write the fleet as one HTML page. Raises InputError when it is there already, DiskError."""
    from datetime import datetime

    from sumpglass.report.fleet_text import fleet_page
    from sumpglass.store.whole_file import whole_file

    if os.path.exists(out) and not overwrite:
        raise InputError(f"{out}: is there already, expected a new name, or --overwrite")
    with whole_file(out, "w") as file:
        file.write(fleet_page(entries, datetime.now().strftime("%Y-%m-%d %H:%M")))
