"""`sumpglass record`: record without a screen."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from sumpglass.commands.numbers import positive
from sumpglass.report.terminal_text import safe
from sumpglass.units import in_words

if TYPE_CHECKING:
    from sumpglass.workflows.record import RecordingTally


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `record`."""
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--port", metavar="P", help="serial port of the rig; without it the one rig that is plugged in")
    where.add_argument(
        "--virtual",
        nargs="?",
        const="leak-test",
        metavar="SCENARIO",
        help="the built-in virtual rig, no hardware needed",
    )
    parser.add_argument(
        "--out", metavar="FILE", help="casebook (.casebook, a new recording is added) or raw capture (.capture)"
    )
    parser.add_argument("--seconds", type=float, metavar="N", help="stop after so long; without it at Ctrl-C")
    parser.add_argument("--cylinders", type=int, metavar="N", help="cylinders of the engine, kept with the recording")
    parser.add_argument("--subject", default="", metavar="WORDS", help="which engine this is, kept in the casebook")
    parser.add_argument(
        "--rate-hz", type=positive, metavar="R", help="samples a second; without it as the board is set"
    )
    parser.add_argument("--json", action="store_true", help="print a summary as JSON at the end")


def run(options: argparse.Namespace) -> int:
    """Record until the time is over or Ctrl-C; prints how it goes on standard error."""
    from sumpglass.errors import InputError
    from sumpglass.report.as_json import print_json
    from sumpglass.workflows.record import default_name, record

    if options.cylinders is not None and not 1 <= options.cylinders <= 8:
        raise InputError(f"found {options.cylinders} cylinders, expected 1 to 8")
    path = options.out or default_name()
    more: dict[str, Any] = {"rate_hz": options.rate_hz} if options.rate_hz is not None else {}
    if options.virtual is not None:
        more["scenario"] = options.virtual
    last: RecordingTally | None = None
    interrupted = False
    progress = _Progress()
    tallies = record(
        options.port,
        path,
        options.seconds,
        virtual=options.virtual is not None,
        cylinders=options.cylinders,
        subject=options.subject,
        **more,
    )
    try:
        for last in tallies:
            progress.show(last)
    except KeyboardInterrupt:
        interrupted = True
    finally:
        tallies.close()  # type: ignore[attr-defined]
        if sys.stderr.isatty():
            sys.stderr.write("\n")
    if last is not None:
        health = last.health
        if options.json:
            fields: dict[str, Any] = {
                "path": path, "duration_s": last.seconds, "samples": last.samples, "rate_hz": health.rate_hz,
                "frames_lost": health.frames_lost, "frames_damaged": health.frames_damaged,
                "samples_late": health.samples_late, "samples_overrun": health.samples_overrun, "warnings": [],
            }  # fmt: skip
            print_json("record", fields)
        else:
            sys.stdout.write(f"{last.samples} samples in {last.seconds:.1f} s recorded in {safe(path)}\n")
            if health.frames_lost or health.samples_overrun:
                sys.stdout.write(
                    f"lost on the way: {health.frames_lost} frames, {health.samples_overrun} samples on the board\n"
                )
    if interrupted:
        raise KeyboardInterrupt
    return 0


class _Progress:
    """How it goes, on standard error: a line that is written over on a terminal, else only what went wrong."""

    def __init__(self) -> None:
        self._told: str | None = None

    def show(self, tally: RecordingTally) -> None:
        """Tell one tally."""
        trouble = tally.health.trouble
        if trouble != self._told and trouble is not None:
            sys.stderr.write(f"{chr(13) + chr(27) + '[K' if sys.stderr.isatty() else ''}{safe(trouble)}\n")
        self._told = trouble
        if not sys.stderr.isatty():
            return
        level = in_words(tally.level_pa) if tally.level_pa is not None else "no reading"
        lost = f", {tally.health.frames_lost} frames lost" if tally.health.frames_lost else ""
        sys.stderr.write(f"\r\x1b[K{tally.seconds:8.1f} s  {level}{lost}")
        sys.stderr.flush()
