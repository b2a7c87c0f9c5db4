"""`sumpglass guide [TEST]`: the trade's tests, step by step on the screen; without a terminal, what a test asks for."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from sumpglass.commands.live_options import add_live, check_live, live_request, open_request
from sumpglass.commands.numbers import number
from sumpglass.commands.replay import add_look, look
from sumpglass.errors import InputError
from sumpglass.report.to_terminal import write_text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add = parser.add_argument
    add("test", nargs="?", metavar="TEST", help="one of the tests; without it they are listed")
    add("--list", action="store_true", help="list the tests with what each is for")
    add("--show", action="store_true", help="say what the test is for, its set-up, cautions and steps, and stop there")
    add("--recording", metavar="FILE", help="judge a marked recording instead: seal-hunt (`cap NAME`, `uncap NAME`)")
    add(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a setting, such as openings_mm=5,3.2,2 or limit_pa=2500",
    )
    add("--resume", action="store_true", help="take up the test that was broken off in the casebook --out")
    add_live(parser, "what is being tested")
    add("--json", action="store_true", help="one JSON object on standard output (list, --show, --recording)")
    add_look(parser)


def run(options: argparse.Namespace) -> int:
    """List, show, judge a recording, or open the screen."""
    from sumpglass.report.as_json import print_json
    from sumpglass.report.guide_text import list_fields, list_text, test_fields, test_text
    from sumpglass.workflows.guide import all_tests, find_test

    if options.test is None or options.list:
        tests = list(all_tests().values())
        if options.json:
            print_json("guide-tests", list_fields(tests))
        else:
            write_text(list_text(tests))
        return 0
    test = find_test(options.test)
    settings = settings_from(options.set, test.settings())
    if options.recording is not None:
        return _judge_recording(options)
    if options.show or options.json or not sys.stdout.isatty():
        if options.json:
            print_json("guide-test", test_fields(test, test.settings(settings)))
        else:
            write_text(test_text(test, test.settings(settings)))
        return 0
    return _on_screen(options, settings)


def settings_from(words: list[str], known: dict[str, Any]) -> dict[str, Any]:
    """`NAME=VALUE` words as settings of the kind that the test has. Raises InputError."""
    given: dict[str, Any] = {}
    for word in words:
        name, sign, text = word.partition("=")
        if not sign or name not in known:
            raise InputError(f"found --set {ascii(word[:60])}, expected NAME=VALUE with NAME one of {', '.join(known)}")
        given[name] = _value(name, text, known[name])
    return given


def _value(name: str, text: str, like: Any) -> Any:
    if isinstance(like, tuple):
        parts = [part.strip() for part in text.split(",") if part.strip()]
        return [_number(name, p) for p in parts] if like and isinstance(like[0], float) else parts
    if isinstance(like, dict):
        pairs = [part.partition(":") for part in text.split(",") if part.strip()]
        return {k.strip(): _number_or_text(v.strip()) for k, _, v in pairs}
    return _number(name, text)


def _number(name: str, text: str) -> float:
    try:
        return number(text)
    except argparse.ArgumentTypeError as error:
        raise InputError(f"--set {name}: {error}") from None


def _number_or_text(text: str) -> Any:
    try:
        return number(text)
    except argparse.ArgumentTypeError:
        return text


def _judge_recording(options: argparse.Namespace) -> int:
    from sumpglass.report.as_json import print_json
    from sumpglass.report.guide_text import seal_hunt_fields, seal_hunt_text
    from sumpglass.workflows.guide import seal_hunt_of
    from sumpglass.workflows.load_recording import load_recording

    if options.test != "seal-hunt":
        raise InputError(
            f"found --recording with the test {options.test}, expected seal-hunt (size-leak, hold and assess "
            "judge other recordings)"
        )
    try:
        hunt = seal_hunt_of(load_recording(options.recording), options.zero_pa)
    except InputError as error:
        told = str(error)
        raise InputError(told if told.startswith(options.recording) else f"{options.recording}: {told}") from None
    if options.json:
        print_json("seal-hunt", seal_hunt_fields(hunt))
    else:
        write_text(seal_hunt_text(hunt))
    return 0


def _on_screen(options: argparse.Namespace, settings: dict[str, Any]) -> int:
    from sumpglass.tui.run_guide import run_guide

    check_live(options)
    state = None
    if options.resume:
        from sumpglass.workflows.guide import kept_state

        if options.out is None:
            raise InputError("--resume needs --out FILE, the casebook in which the test was broken off")
        state = kept_state(options.out, options.test)
        if state is None:
            raise InputError(f"{options.out}: holds no {options.test} test that was broken off")
    if options.cylinders is not None:
        settings.setdefault("cylinders", options.cylinders)
    request = live_request(options)
    written: list[str] = []
    status = run_guide(lambda: open_request(request), look(options), request, options.test, settings, state, written)
    for name in written:
        sys.stdout.write(f"recorded to {name}; `sumpglass results {name}` lists what came out\n")
    return status
