"""The demo without a screen: a scripted leak test on the built-in rig, faster than real time, kept and reported."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sumpglass.errors import DeviceError, DiskError, InputError
from sumpglass.records import Mark, Recording
from sumpglass.store.casebook import Casebook
from sumpglass.workflows.assess import Assessment, assess_recording
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.report import write_report
from sumpglass.workflows.size_leak import LeakInput, LeakSize, size_leak_of_file

INVENTED = "demo: invented data"
SCENARIO = "leak-test"
IDENTIFY_AT_S, SETTINGS_AT_S, START_AT_S = 0.05, 0.07, 0.1
SETTINGS_OFFSETS = (0, 256, 512)
ZERO_S = 3.0
FRAMES_AT_ONCE = 4096
CASEBOOK, REPORT = "leak-test.casebook", "leak-test.html"

Progress = Callable[[str], object]


@dataclass(frozen=True)
class DemoResult:
    """What was found, and where it was written."""

    folder: str
    casebook: str
    report: str
    firmware: bool
    """True when the real firmware sampled it; False when the bare simulator stood in."""
    title: str
    story: str
    recording: Recording
    assessment: Assessment
    leak: LeakSize | None
    leak_input: LeakInput | None


def run_demo(out: str | None = None, seed: int = 1, progress: Progress = lambda words: None) -> DemoResult:
    """Run it; `progress` is told in words what is under way. Raises DiskError, InputError."""
    from sumpglass.simulate.orchard import scenario_named

    scenario = scenario_named(SCENARIO)
    folder = new_folder(out)
    casebook = str(folder / CASEBOOK)
    progress(f"{scenario.duration_s:.0f} s of the scenario {SCENARIO!r} on the built-in rig, faster than real time ...")
    firmware = True
    try:
        capture = _capture(scenario, seed)
        _keep_frames(casebook, scenario, capture)
    except DeviceError as error:
        progress(f"{error}; the simulator stands in for the firmware")
        firmware = False
        _keep_readings(casebook, scenario, seed)
    progress("assessing ...")
    recording = load_recording(casebook)
    assessment = assess_recording(recording, scenario.engine.cylinders)
    leak, leak_input = _leak(casebook)
    _keep_results(casebook, assessment, leak, leak_input)
    progress("writing the report ...")
    report = write_report(casebook, str(folder / REPORT))
    return DemoResult(
        str(folder), casebook, report, firmware, scenario.title, scenario.story, recording, assessment, leak, leak_input
    )


def new_folder(out: str | None) -> Path:
    """The folder that was named, or a new one under the current one. Raises DiskError, InputError."""
    folder = Path(out) if out else Path.cwd() / f"sumpglass-demo-{datetime.now():%Y%m%d-%H%M%S}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in (CASEBOOK, REPORT):
            if (folder / name).exists():
                raise InputError(f"{folder / name}: is there already, expected another folder with --out")
    except FileExistsError:
        raise InputError(f"{folder}: is a file, expected the name of a folder for --out") from None
    except OSError as error:
        raise DiskError(f"{folder}: cannot be written ({error.strerror}): choose another with --out") from None
    return folder


def _capture(scenario: Any, seed: int) -> bytes:
    from sumpglass.link.requests import RequestWriter
    from sumpglass.link.virtual_board import capture_virtual
    from sumpglass_wire import layouts as wire

    writer = RequestWriter()
    requests = [
        (IDENTIFY_AT_S, writer.frame(wire.IDENTIFY)[1]),
        *((SETTINGS_AT_S, writer.frame(wire.READ_SETTINGS, {"offset": offset})[1]) for offset in SETTINGS_OFFSETS),
        (START_AT_S, writer.frame(wire.START, {"channel_mask": 0})[1]),
    ]
    return capture_virtual(scenario, scenario.duration_s, requests, seed, settings=_zeroed(scenario, seed))


def _zeroed(scenario: Any, seed: int) -> dict[str, Any]:
    """Settings with a zero that the board measured before the job, open to the room, as a technician would do it."""
    from sumpglass.decode.items import Message
    from sumpglass.decode.stream import StreamDecoder
    from sumpglass.link.requests import RequestWriter
    from sumpglass.link.virtual_board import capture_virtual
    from sumpglass_wire import layouts as wire

    at_rest = dataclasses.replace(scenario, steps=(), duration_s=ZERO_S + 1.5, start_rpm=0.0)
    request = RequestWriter().frame(wire.MEASURE_ZERO, {"channel": 0, "tenths_of_seconds": round(ZERO_S * 10)})[1]
    for item in StreamDecoder().feed(capture_virtual(at_rest, at_rest.duration_s, [(0.5, request)], seed + 1)):
        if isinstance(item, Message) and item.name == "answer" and item.fields["request_type"] == wire.MEASURE_ZERO:
            answer = item.fields["answer"]
            return {"zeros": {"0": [answer["mean_counts"], answer["sd_counts"]]}}
    return {}


def _script_marks(scenario: Any) -> Iterator[tuple[str, float, str]]:
    """(key, true time, text) of the script's marks within the demo."""
    for number, step in enumerate(scenario.steps, 1):
        if step.mark and 0 < step.t_s < scenario.duration_s:
            yield f"script-{number}", step.t_s, step.mark


def _keep_frames(path: str, scenario: Any, capture: bytes) -> None:
    with Casebook.create(path) as book:
        book.set_subject(f"{scenario.title} ({INVENTED})", scenario.engine.cylinders)
        number = book.begin_recording(SCENARIO, "frames", "virtual rig", scenario.engine.cylinders)
        for start in range(0, len(capture), FRAMES_AT_ONCE):
            book.append_frames(number, [(capture[start : start + FRAMES_AT_ONCE], math.nan)])
        for key, true_s, text in _script_marks(scenario):
            # In virtual time the board's clock is true time.
            book.set_mark(number, key, Mark(true_s, text, "script"), round(true_s * 1e6))
        book.end_recording(number)


def _keep_readings(path: str, scenario: Any, seed: int) -> None:
    from sumpglass.simulate.engine import simulate

    done = simulate(scenario, seed).recording()
    with Casebook.create(path) as book:
        book.set_subject(f"{scenario.title} ({INVENTED})", scenario.engine.cylinders)
        body = {"sensor": dataclasses.asdict(done.sensor), "line": None, "zero": None}
        number = book.begin_recording(SCENARIO, "samples", "simulator", scenario.engine.cylinders, body)
        book.append_samples(number, done.t_s, done.pressure_pa)
        for key, true_s, text in _script_marks(scenario):
            book.set_mark(number, key, Mark(true_s, text, "script"), None)
        book.end_recording(number)


def _leak(casebook: str) -> tuple[LeakSize | None, LeakInput | None]:
    try:
        return size_leak_of_file(casebook)
    except InputError:
        return None, None


def _keep_results(casebook: str, assessment: Assessment, leak: LeakSize | None, leak_input: LeakInput | None) -> None:
    from sumpglass.report.as_json import json_object

    with Casebook.open(casebook, writable=True) as book:
        book.add_result("assessment", "Level, pulses and happenings", json_object("assessment", assessment.as_fields()))
        if leak is not None and leak_input is not None:
            from sumpglass.report.size_leak_text import leak_size_fields

            fields = leak_size_fields(leak, leak_input.readings, leak_input.warnings)
            book.add_result("leak-size", "Leak size from known openings", json_object("leak-size", fields))
