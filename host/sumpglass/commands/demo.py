"""`sumpglass demo`: a scripted leak test on the built-in virtual rig, on the dashboard or without a screen."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from sumpglass.commands.replay import add_look, look
from sumpglass.report.to_terminal import write_text

if TYPE_CHECKING:
    from sumpglass.workflows.demo import DemoResult


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `demo`."""
    parser.add_argument("--no-screen", action="store_true", help="faster than real time, to a casebook and a report")
    parser.add_argument("--out", metavar="FOLDER", help="where to write; without it a new folder here")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another engine run")
    add_look(parser)


def run(options: argparse.Namespace) -> int:
    """On a terminal the dashboard, else the summary."""
    if options.no_screen or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return _without_screen(options)
    return _on_screen(options)


def _on_screen(options: argparse.Namespace) -> int:
    from pathlib import Path

    from sumpglass.commands.live_options import open_request
    from sumpglass.tui.run import run_dashboard
    from sumpglass.workflows.watch_request import WatchRequest

    out = None
    if options.out:
        from sumpglass.workflows.demo import CASEBOOK, new_folder

        out = str(Path(new_folder(options.out)) / CASEBOOK)
    request = WatchRequest(scenario="leak-test", out=out, record=out is not None, seed=options.seed)
    status = run_dashboard(lambda: open_request(request), look(options))
    sys.stdout.write(
        f"{f'recorded to {out}; ' if out else ''}`sumpglass demo --no-screen` writes a casebook and a report\n"
    )
    return status


def _without_screen(options: argparse.Namespace) -> int:
    from sumpglass.workflows.demo import run_demo

    def progress(words: str) -> None:
        sys.stderr.write(words + "\n")

    result = run_demo(options.out, options.seed, progress)
    write_text("\n".join(_summary(result)))
    return 0


def _leak_lines(result: DemoResult) -> list[str]:
    """The leak's size, claimed only where the readings agree with each other."""
    leak, given = result.leak, result.leak_input
    if leak is None or given is None:
        return []
    from sumpglass.workflows.size_leak import readings_agree

    if not readings_agree(leak):
        return ["", "Leak size: not claimed, because the readings with known openings do not agree with each other."]
    from sumpglass.report.size_leak_text import leak_size_text

    return ["", leak_size_text(leak, given.readings, given.warnings)]


def _summary(result: DemoResult) -> list[str]:
    from sumpglass.report.assess_text import assess_text

    made = "the real firmware under MicroPython" if result.firmware else "the simulator alone, no firmware"
    lines = [result.title, result.story, "", f"Sampled by {made}.", assess_text(result.assessment, result.casebook)]
    lines += _leak_lines(result)
    lines += ["", f"casebook  {result.casebook}", f"report    {result.report}"]
    lines.append(f"`sumpglass replay {result.casebook}` shows it on the dashboard.")
    return lines
