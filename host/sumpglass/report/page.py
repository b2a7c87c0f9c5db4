"""The report as one self-contained HTML page: words first, then the picture, then the figures. Computes nothing.

Everything that came from a file is escaped by the template; only the pictures, which escape it themselves, are not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sumpglass import __version__
from sumpglass.records import Happening, Mark, Recording
from sumpglass.report.happening_words import CAUSE_WORDS, clock, counted, length_words, sentence
from sumpglass.report.terminal_text import as_sentence, safe
from sumpglass.report.trace_picture import NARROW, WIDE, flag_letter, trace_picture
from sumpglass.units import decimals_for, in_words

MOST_MARKS, MOST_STRETCHES, MOST_FLAGS = 60, 40, 60


@dataclass(frozen=True)
class ReportedRecording:
    """One recording, what was made of it, and what else is said of it."""

    recording: Recording
    assessment: Any
    """`sumpglass.workflows.assess.Assessment`."""
    zero_pa: float
    """Subtracted from the trace, as the assessment subtracts it."""
    began: str = ""
    more_found: tuple[str, ...] = ()
    """Sentences of other computations on this recording, such as the size of the leak."""


@dataclass(frozen=True)
class Report:
    """All that a page tells."""

    title: str
    source: str
    made: str
    recordings: tuple[ReportedRecording, ...]
    subject: str = ""
    cylinders: int | None = None
    results: tuple[dict[str, str], ...] = ()
    """`at`, `title` and `words` of each."""
    notes: tuple[str, ...] = field(default_factory=tuple)


def report_page(report: Report, unit: str = "kPa") -> str:
    """The page as HTML."""
    from jinja2 import Environment, PackageLoader

    environment = Environment(loader=PackageLoader("sumpglass.report"), autoescape=True, trim_blocks=True)
    return environment.get_template("report.html.j2").render(
        title=_clean(report.title),
        subject=_clean(report.subject, 1000) if report.subject != report.title else "",
        cylinders=report.cylinders,
        source=_clean(report.source),
        made=report.made,
        version=__version__,
        sections=[_section(reported, unit) for reported in report.recordings],
        results=[{name: _clean(text, 600) for name, text in result.items()} for result in report.results],
        notes=[_clean(note, 600) for note in report.notes],
    )


def _clean(text: str, most: int = 200) -> str:
    """Without control and direction characters: they hide or turn around what follows, in a page as in a terminal."""
    return safe(text, most)


def _section(reported: ReportedRecording, unit: str) -> dict[str, Any]:
    recording, assessment = reported.recording, reported.assessment
    happenings = assessment.happenings[:MOST_FLAGS]
    level, more = _level(assessment.level, unit)
    return {
        "title": _clean(recording.name or "Recording"),
        "began": reported.began,
        "length": f"{length_words(recording.duration_s)}, {counted(len(recording.t_s), 'reading')}",
        "state": assessment.level.state,
        "level": level,
        "level_more": more,
        "fault": assessment.fault,
        "found": _found(reported, unit),
        "wide": _picture(reported, happenings, unit, True),
        "narrow": _picture(reported, happenings, unit, False),
        "flags": [_flag(number, happening, unit) for number, happening in enumerate(happenings)],
        "marks": [_mark(number, mark) for number, mark in enumerate(recording.marks[:MOST_MARKS])],
        "marks_more": max(0, len(recording.marks) - MOST_MARKS),
        "stretches": [_stretch(stretch, unit) for stretch in assessment.stretches[:MOST_STRETCHES]],
        "figures": _figures(reported, unit),
        "warnings": [as_sentence(_clean(warning, 600)) for warning in assessment.warnings],
    }


def _level(level: Any, unit: str) -> tuple[str, str]:
    if level.mean_pa is None:
        return "No reading", ""
    words = in_words(level.mean_pa, unit)
    words = words[0].upper() + words[1:]
    if level.state == "undecided":
        words = f"Undecided: {in_words(level.mean_pa, unit)}"
    if level.u95_pa is None:
        return words, "mean level; its uncertainty is not known"
    decimals = min(1, decimals_for(level.u95_pa))
    return (
        words,
        f"mean level, {in_words(level.mean_pa, 'Pa', decimals)} \N{PLUS-MINUS SIGN} {level.u95_pa:.{decimals}f} Pa",
    )


def _found(reported: ReportedRecording, unit: str) -> list[str]:
    """The answer in sentences, the weightiest first."""
    assessment = reported.assessment
    lines = []
    losses = [h for h in assessment.happenings if h.kind == "sudden_loss"]
    recoveries = sum(h.kind == "recovery" for h in assessment.happenings)
    if losses:
        causes = "; ".join(dict.fromkeys(CAUSE_WORDS[h.cause] for h in losses))
        times = "once" if len(losses) == 1 else f"{len(losses)} times"
        back = (
            "" if not recoveries else " and came back" + ("" if recoveries == len(losses) else f" {recoveries} times")
        )
        lines.append(f"The vacuum was lost {times}{back}: {causes}.")
    reversals = sum(h.kind == "sign_reversal" for h in assessment.happenings)
    if reversals:
        lines.append(f"The level crossed zero {'once' if reversals == 1 else f'{reversals} times'}.")
    if any(h.kind == "rig_fault" for h in assessment.happenings):
        lines.append("The rig itself was at fault for a while: see the flags.")
    if not assessment.happenings:
        lines.append("Nothing sudden happened.")
    lines += [_clean(line, 600) for line in reported.more_found]
    pulses = assessment.pulses
    if pulses.rpm is not None:
        even = {True: "One cylinder differs from its neighbours.", False: "The cylinders are even.", None: ""}[
            pulses.uneven
        ]
        lines.append(f"The engine ran at {pulses.rpm:.0f} rpm. {even}".strip())
    elif pulses.firing_hz is not None:
        lines.append(f"The pulses come at {pulses.firing_hz:.1f} Hz; the number of cylinders would tell the speed.")
    return lines


def _picture(reported: ReportedRecording, happenings: tuple[Happening, ...], unit: str, wide: bool) -> str:
    recording = reported.recording

    def zeroed(values: Any) -> Any:
        return None if values is None else values - reported.zero_pa

    return trace_picture(
        recording.t_s,
        zeroed(recording.pressure_pa),
        happenings,
        recording.marks[:MOST_MARKS],
        low_pa=zeroed(recording.pressure_low_pa),
        high_pa=zeroed(recording.pressure_high_pa),
        unit=unit,
        size=WIDE if wide else NARROW,
    )


def _flag(number: int, happening: Happening, unit: str) -> dict[str, str]:
    return {
        "letter": flag_letter(number),
        "words": sentence(happening, unit),
        "delay": f"{max(0.0, happening.t_raised_s - happening.t_s):.2f} s",
    }


def _mark(number: int, mark: Mark) -> dict[str, str]:
    who = {"host": "typed", "board": "the rig's button", "file": "file", "script": "script"}.get(mark.origin, "")
    return {"number": str(number + 1), "at": clock(mark.t_s), "text": _clean(mark.text, 400), "origin": who}


def _stretch(stretch: Any, unit: str) -> dict[str, str]:
    engine = stretch.engine
    if stretch.rpm is not None:
        engine += f", {stretch.rpm:.0f} rpm"
    elif stretch.firing_hz is not None:
        engine += f", pulses at {stretch.firing_hz:.1f} Hz"
    level = in_words(stretch.mean_pa, unit) if stretch.mean_pa is not None else "no reading"
    return {"t0": clock(stretch.t0_s), "t1": clock(stretch.t1_s), "level": level, "engine": engine}


def _figures(reported: ReportedRecording, unit: str) -> list[tuple[str, str]]:
    recording, facts = reported.recording, reported.assessment.recording
    sensor, losses = recording.sensor, recording.losses
    figures = [("Sensor", _clean(sensor.part))]
    if sensor.range_low_pa is not None and sensor.range_high_pa is not None:
        low, high = in_words(sensor.range_low_pa, unit), in_words(sensor.range_high_pa, unit)
        figures.append(("Range", f"{low} to {high}"))
    if sensor.resolution_pa is not None:
        figures.append(("Resolution", f"{sensor.resolution_pa:.3g} Pa"))
    figures.append(("Rate", "not known" if recording.rate_hz is None else f"{recording.rate_hz:.6g} Hz"))
    if recording.zero is None:
        zero = "not measured" if not reported.zero_pa else f"{in_words(reported.zero_pa, 'Pa', 1)}, as given"
    else:
        zero = f"{in_words(recording.zero.pressure_pa, 'Pa', 1)} \N{PLUS-MINUS SIGN} {recording.zero.u95_pa:.1f} Pa"
    figures.append(("Zero", zero))
    figures.append(("Missing readings", str(recording.missing)))
    figures.append(("Clipped", f"{facts.clipped_share:.2%}"))
    if losses.frames:
        figures.append(("Frames lost, damaged", f"{losses.frames_lost}, {losses.frames_damaged} of {losses.frames}"))
        figures.append(("Readings late, overrun", f"{losses.samples_late}, {losses.samples_overrun}"))
    if recording.line is not None:
        line = recording.line
        figures.append(("Gauge line", f"{line.length_m:.2f} m long, bore {line.bore_m * 1000:.1f} mm"))
    return figures
