"""A casebook or a recording as one HTML page that goes to a distant owner by mail."""

from __future__ import annotations

import os
from datetime import datetime
from typing import Any

from sumpglass.errors import InputError, SumpglassError
from sumpglass.report.page import Report, ReportedRecording, report_page
from sumpglass.store.casebook import Casebook
from sumpglass.store.whole_file import whole_file
from sumpglass.workflows.assess import assess_recording
from sumpglass.workflows.load_recording import kind_of_file, load_recording, split_spec
from sumpglass.workflows.size_leak import readings_agree, size_leak_of_file

MOST_RECORDINGS = 12
MOST_RESULTS = 40
BENT = (
    "The readings bend away from a straight line: the draw is not choked or its valve moves, which the size allows for."
)


def write_report(
    spec: str, out: str, *, cylinders: int | None = None, zero_pa: float | None = None, unit: str = "kPa",
    overwrite: bool = False,
) -> str:  # fmt: skip
    """Write the report on `spec` (`FILE` or `FILE#RECORDING`) to `out`; returns `out`. Raises InputError, DiskError."""
    if os.path.exists(out):
        source = split_spec(spec)[0]
        if os.path.exists(source) and os.path.samefile(source, out):
            raise InputError(f"{out}: is the recording itself, expected another name")
        if not overwrite:
            raise InputError(f"{out}: is there already, expected a new name, or --overwrite")
    page = report_page(make_report(spec, cylinders=cylinders, zero_pa=zero_pa), unit)
    with whole_file(out, "w") as file:
        file.write(page)
    return out


def make_report(spec: str, *, cylinders: int | None = None, zero_pa: float | None = None) -> Report:
    """Everything that the page tells. Raises InputError."""
    path, which = split_spec(spec)
    notes: list[str] = []
    subject, specs, began = "", [spec], [""]
    kept: tuple[dict[str, str], ...] = ()
    if kind_of_file(path) == "casebook":
        with Casebook.open(path) as book:
            subject, known = book.subject()
            cylinders = cylinders if cylinders is not None else known
            entries = book.recordings() if which is None else [book.find_recording(which)]
            results = book.results()
        if len(entries) > MOST_RECORDINGS:
            notes.append(f"The casebook holds {len(entries)} recordings; these are the last {MOST_RECORDINGS}.")
            entries = entries[-MOST_RECORDINGS:]
        if len(results) > MOST_RESULTS:
            notes.append(f"The casebook holds {len(results)} results; these are the last {MOST_RESULTS}.")
        kept = tuple(
            {
                "at": entry.at[:16].replace("T", " "),
                "title": entry.title or entry.kind,
                "words": result_words(entry.kind, entry.body),
            }
            for entry in results[-MOST_RESULTS:]
        )
        specs, began = (
            [f"{path}#{entry.id}" for entry in entries],
            [entry.started_at[:16].replace("T", " ") for entry in entries],
        )
    reported = []
    for one, when in zip(specs, began, strict=True):
        try:
            reported.append(_reported(one, when, cylinders, zero_pa))
        except InputError as error:
            # A recording that was cut off before its first sample must not take the others with it.
            if len(specs) == 1:
                raise
            notes.append(str(error))
    if not reported and not kept:
        raise InputError(f"{path}: found nothing to report, expected a recording or a result")
    name = os.path.basename(path)
    return Report(
        title=subject.split("\n")[0][:80] or (reported[0].recording.name if len(reported) == 1 else name) or name,
        source=name,
        made=datetime.now().strftime("%Y-%m-%d %H:%M"),
        recordings=tuple(reported),
        subject=subject,
        cylinders=cylinders,
        results=kept,
        notes=tuple(notes),
    )


def _reported(spec: str, began: str, cylinders: int | None, zero_pa: float | None) -> ReportedRecording:
    recording = load_recording(spec)
    assessment = assess_recording(recording, cylinders, zero_pa)
    zero = zero_pa if zero_pa is not None else recording.zero.pressure_pa if recording.zero is not None else 0.0
    return ReportedRecording(recording, assessment, zero, began, tuple(_leak_sentences(spec, recording.marks, zero_pa)))


def _leak_sentences(spec: str, marks: tuple[Any, ...], zero_pa: float | None) -> list[str]:
    """The size of the leak where the marks tell of known openings; silent where there is none to compute."""
    if not any(mark.text.startswith("opening ") for mark in marks):
        return []
    try:
        leak, _ = size_leak_of_file(spec, zero_pa=zero_pa)
    except SumpglassError:
        return []
    if not readings_agree(leak):
        return ["The readings with known openings do not agree with each other well enough to size the leak."]
    fields = {
        "leak": {name: getattr(leak, name, None) for name in ("equivalent_mm", "lo95_mm", "hi95_mm")},
        "net_draw_lpm": leak.net_draw_lpm, "net_draw_lo95": leak.net_draw_lo95, "net_draw_hi95": leak.net_draw_hi95,
    }  # fmt: skip
    return [f"{result_words('leak-size', fields)}.", *([BENT] if leak.bent else [])]


def result_words(kind: str, body: dict[str, Any]) -> str:
    """A kept result in one sentence; what is not known by kind is told by its plain fields."""
    try:
        if kind == "leak-size":
            return _leak_words(body)
        if kind == "assessment":
            level = body["level"]
            from sumpglass.units import in_words

            events = len(body["events"])
            size = in_words(level["mean_pa"]) if level["mean_pa"] is not None else "no reading"
            return f"{level['state'].replace('_', ' ')}, {size}; {events} happening{'s' if events != 1 else ''}"
    except (KeyError, TypeError, ValueError, AttributeError):
        return "kept, but not in a form that this program knows"
    plain = {name: value for name, value in body.items() if name not in ("schema", "version") and _is_plain(value)}
    return ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in list(plain.items())[:8]) or "kept"


def _leak_words(body: dict[str, Any]) -> str:
    leak = body["leak"]
    low, high = leak["lo95_mm"], leak["hi95_mm"]
    if leak["equivalent_mm"] is None:
        words = "The leak could not be sized"
    elif not low:
        words = f"The leak is no larger than a drilled hole of {high:.2f} mm, if there is one"
    else:
        words = f"The leak is as large as a drilled hole of {leak['equivalent_mm']:.2f} mm ({low:.2f} to {high:.2f} mm)"
    if body.get("net_draw_lpm") is not None:
        words += f"; the net draw is {body['net_draw_lpm']:.1f} L/min"
        if body.get("net_draw_lo95") is not None and body.get("net_draw_hi95") is not None:
            words += f" ({body['net_draw_lo95']:.1f} to {body['net_draw_hi95']:.1f})"
    return words


def _is_plain(value: Any) -> bool:
    return isinstance(value, (int, float, str, bool))
