"""`sumpglass rig`: deploy, check, zero, calibrate, reread, collect and settings of the board."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from sumpglass.commands.rig_arguments import add_arguments

if TYPE_CHECKING:
    from sumpglass.workflows.rig_talk import RigTalk

__all__ = ["add_arguments", "run"]


def run(options: argparse.Namespace) -> int:
    """Run the chosen part."""
    work = {
        "deploy": _deploy,
        "check": _check,
        "zero": _zero,
        "calibrate": _calibrate,
        "reread": _reread,
        "collect": _collect,
        "settings": _settings,
    }
    return work[options.part](options)


def _say(text: str) -> None:
    """Progress and prompts: never on standard output, which may be JSON."""
    sys.stderr.write(text)
    sys.stderr.flush()


def _talk(options: argparse.Namespace) -> RigTalk:
    from sumpglass.workflows.rig_talk import RigTalk

    rest_s = getattr(options, "seconds", 60.0)
    return RigTalk.open(options.port, options.virtual, getattr(options, "channel", None), rest_s)


def _deploy(options: argparse.Namespace) -> int:
    from sumpglass.report.as_json import print_json
    from sumpglass.report.terminal_text import safe
    from sumpglass.workflows.rig_deploy import Deployed, deploy

    last = ""
    for step in deploy(options.port, options.again, options.back):
        if isinstance(step, Deployed):
            if options.json:
                fields = {
                    "port": step.port,
                    "board": safe(step.board),
                    "firmware": step.firmware,
                    "digest": step.digest,
                    "is_current": step.is_current,
                    "warnings": [],
                }
                print_json("rig-deploy", fields)
            else:
                words = "this program's firmware" if step.is_current else "another firmware than this program's"
                sys.stdout.write(
                    f"{safe(step.port)}: {safe(step.board)} runs {step.firmware}, {words} ({step.digest})\n"
                )
        elif step.text != last:
            last = step.text
            _say(f"{step.share:4.0%}  {safe(step.text)}\n")
    return 0


def _check(options: argparse.Namespace) -> int:
    from sumpglass.report.as_json import print_json
    from sumpglass.report.rig_text import acceptance_sentence, checks_text
    from sumpglass.report.terminal_text import safe
    from sumpglass.workflows.rig_check import Prompt, RigReport, check_rig, write_page

    report: RigReport | None = None
    with _talk(options) as talk:
        for event in check_rig(talk, options.seconds, taps=not options.no_taps):
            if isinstance(event, RigReport):
                report = event
            elif isinstance(event, Prompt):
                _say(f"\n{event.text}\n")
            else:
                _say(f"\r{event.seconds:4.0f} of {event.wanted_s:.0f} s ")
    _say("\n")
    assert report is not None
    if options.page:
        write_page(options.page, report)
    if options.json:
        checks = [
            {
                "name": c.name,
                "outcome": c.outcome,
                "measured": safe(c.measured),
                "value": c.value,
                "limit": c.limit,
                "reason": c.reason,
            }
            for c in report.checks
        ]
        fields = {
            "board": safe(report.board),
            "board_id": report.board_id,
            "firmware": report.firmware,
            "part": safe(report.part),
            "accepted": report.accepted,
            "checks": checks,
            "warnings": list(report.warnings),
        }
        print_json("rig-check", fields)
    else:
        sys.stdout.write(checks_text(report.checks))
        sys.stdout.write(f"{acceptance_sentence(report.checks)}\n")
    return 1 if options.strict and not report.accepted else 0


def _zero(options: argparse.Namespace) -> int:
    from sumpglass.report.as_json import print_json
    from sumpglass.report.rig_text import zero_text
    from sumpglass.workflows.rig_calibrate import zero_rig

    _say(f"Engine off, port open to the room, hands off the hose: {options.seconds:g} s\n")
    with _talk(options) as talk:
        taken = zero_rig(talk, options.seconds, options.casebook)
        board_id = talk.board_id
    if options.json:
        fields = {
            "board_id": board_id,
            "zero_pa": taken.zero.pressure_pa,
            "u95_pa": taken.zero.u95_pa,
            "noise_pa": taken.rest.noise_pa,
            "duration_s": taken.duration_s,
            "samples": taken.samples,
            "resolution_pa": taken.resolution_pa,
            "warnings": [],
        }
        print_json("rig-zero", fields)
    else:
        sys.stdout.write(zero_text(taken))
    return 0


def _calibrate(options: argparse.Namespace) -> int:
    from sumpglass.analysis.water_column import WaterColumn
    from sumpglass.report.as_json import print_json
    from sumpglass.report.rig_text import calibration_json, calibration_text
    from sumpglass.workflows import rig_calibrate as work
    from sumpglass.workflows.calibrated import keep_calibration

    column = WaterColumn(
        options.column.replace("-", "_"),
        options.water_c,
        options.latitude,
        options.altitude,
        options.tilt,
        options.area_ratio,
        density_kg_m3=options.density,
        u_reading_mm=options.reading_u_mm,
        u_water_c=options.water_u_c,
        u_tilt_deg=options.tilt_u,
    )
    if options.points:
        points, rig = work.read_points(options.points), work.RigFacts()
    else:
        with _talk(options) as talk:
            rig = work.rig_facts(talk)
            points = _guided_points(talk, column, options.seconds)
    calibration = work.calibrate_points(points, column, rig)
    number = keep_calibration(options.casebook, calibration) if options.casebook else None
    if options.json:
        print_json("rig-calibration", calibration_json(calibration, number))
    else:
        sys.stdout.write(calibration_text(calibration))
        kept = f"kept as number {number}" if number is not None else "not kept: give --casebook FILE to keep it"
        sys.stdout.write(f"{kept}\n")
    return 0


def _guided_points(talk: RigTalk, column: Any, seconds: float) -> list[Any]:
    """Ask for a reading, listen, say what was seen; until the person has enough. End of input ends it too."""
    from sumpglass.errors import InputError, RefusedError
    from sumpglass.workflows.rig_calibrate import take_point

    facts = talk.channel_fields()
    reach_mm = min(300.0, 0.8 * facts["range_high"] / column.pascals_per_mm)
    _say(
        "Tee the sensor to the column. Vacuum readings are negative. Leave it a few seconds to rest at each point.\n"
        f"Good points: 0, then about {reach_mm / 2:.0f} and {reach_mm:.0f} mm, and the same below zero.\n"
    )
    points: list[Any] = []
    while True:
        _say(f"point {len(points) + 1}: reading in mm, `back` to drop the last one, nothing to end: ")
        text = sys.stdin.readline().strip()
        if not text:
            return points
        if text == "back":
            points = points[:-1]
            continue
        try:
            point = take_point(talk, _millimetres(text), seconds)
        except (RefusedError, InputError) as error:
            _say(f"not taken: {error}\n")
            continue
        points.append(point)
        _say(f"taken: the rig shows {point.indicated_pa:.1f} Pa (± {2 * point.u_indicated_pa:.1f})\n")


def _millimetres(text: str) -> float:
    from sumpglass.errors import InputError

    try:
        return float(text.removesuffix("mm").strip())
    except ValueError:
        raise InputError(f"found {text[:20]!r}, expected a number of millimetres such as -152.5") from None


def _reread(options: argparse.Namespace) -> int:
    from sumpglass.report.as_json import print_json
    from sumpglass.report.terminal_text import safe
    from sumpglass.workflows.calibrated import reread

    recording = reread(options.recording, options.calibration, options.out)
    if options.json:
        warnings = [safe(warning) for warning in recording.warnings]
        print_json("rig-reread", {"out": options.out, "samples": len(recording.t_s), "warnings": warnings})
    else:
        sys.stdout.write(f"{safe(options.out)}: {len(recording.t_s)} samples\n")
        for warning in recording.warnings:
            _say(f"{safe(warning)}\n")
    return 0


def _collect(options: argparse.Namespace) -> int:
    from sumpglass.report.as_json import print_json
    from sumpglass.report.terminal_text import safe
    from sumpglass.workflows.rig_collect import Collected, Collection, collect, into_casebook

    collection: Collection | None = None
    with _talk(options) as talk:
        for event in collect(talk, options.out, options.keep):
            if isinstance(event, Collection):
                collection = event
            elif isinstance(event, Collected):
                _say(f"\rsegment {event.segment}: {event.size_bytes} bytes, {event.frames} frames            \n")
            elif event.bytes_there % 4096 < 256:
                _say(f"\r{event.number} of {event.segments}: {event.bytes_there} of {event.bytes_in_all} bytes ")
    assert collection is not None
    number = into_casebook(options.casebook, collection) if options.casebook else None
    if options.json:
        segments = [dict(vars(one)) for one in collection.segments]
        fields = {"board_id": collection.board_id, "segments": segments, "recording": number}
        print_json(
            "rig-collect", {**fields, "bytes_lost": collection.bytes_lost, "warnings": list(collection.warnings)}
        )
    else:
        erased = sum(one.erased for one in collection.segments)
        sys.stdout.write(f"{len(collection.segments)} segments in {safe(options.out)}, {erased} erased on the board\n")
        for warning in collection.warnings:
            sys.stdout.write(f"{warning}\n")
    return 0


def _settings(options: argparse.Namespace) -> int:
    import json

    from sumpglass.report.as_json import print_json
    from sumpglass.workflows.rig_settings import change_settings

    with _talk(options) as talk:
        settings, was_changed = change_settings(talk, options.set, options.write, options.save)
    if options.json:
        print_json("rig-settings", {"settings": settings, "changed": was_changed, "warnings": []})
    else:
        sys.stdout.write(json.dumps(settings, indent=2, ensure_ascii=True) + "\n")
        _say("changed on the board\n" if was_changed else "")
    return 0
