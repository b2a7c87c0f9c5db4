"""Arguments to commands. Each command is one module in `sumpglass.commands`, imported only when it is called."""

from __future__ import annotations

import argparse
import importlib
import os
import re
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

from sumpglass import __version__
from sumpglass.errors import SumpglassError
from sumpglass.report.plain_letters import write_nearest
from sumpglass.report.terminal_text import as_sentence

COMMANDS: dict[str, str] = {
    "watch": "live vacuum or pressure from the rig, recorded as it comes",
    "replay": "show a recording as it was shown live",
    "record": "record without a screen",
    "demo": "a scripted leak test on the built-in virtual rig",
    "ports": "serial ports seen here, and which of them is a rig",
    "assess": "level, pulses and happenings of a recording",
    "size-leak": "size of a leak from readings with known openings",
    "blow-by": "blow-by from the steady pressure behind a known opening",
    "hold": "leak from the decay of a vacuum, engine off",
    "guide": "the trade's tests, step by step",
    "find-fault": "rank the faults that explain the readings, and name the next test",
    "layouts": "the ventilation layouts that find-fault knows",
    "results": "results kept in a casebook",
    "fleet": "many casebooks side by side, what wants somebody first on top",
    "report": "a casebook or recording as one HTML page",
    "convert": "a recording to CSV or Parquet, and CSV to a casebook",
    "rig": "deploy, check, calibrate and set up the board",
}
"""Name of each command and its line of help. The module is `sumpglass.commands.NAME` with `-` as `_`; it has
`add_arguments(parser)` and `run(arguments) -> int`."""


TRACEBACK = "SUMPGLASS_TRACEBACK"
"""Set it to see where an unforeseen fault of the program arose."""
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def one_thread_each() -> None:
    """Keep numpy's library of linear algebra to one thread, unless told otherwise; call it before numpy is loaded.

    Our products are short. On more threads none is done sooner, but the others wait for the next one at full speed: an
    hour's assessment took twice the processor's time, and a laptop under the bonnet runs on its battery.
    """
    for name in THREADS:
        os.environ.setdefault(name, "1")


class OneLineParser(argparse.ArgumentParser):
    """argparse with the contract's manners: one line on standard error, exit status 2, `--zero-pa -1e3` is a number."""

    def __init__(self, *words: Any, **options: Any) -> None:
        super().__init__(*words, **options)
        self._negative_number_matcher = re.compile(r"^-(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$")

    def error(self, message: str) -> NoReturn:
        sys.stderr.write(f"{self.prog}: {' '.join(message.split())}; see {self.prog} --help\n")
        raise SystemExit(2)


def _top_parser() -> OneLineParser:
    lines = "\n".join(f"  {name:<11} {text}" for name, text in COMMANDS.items())
    parser = OneLineParser(
        prog="sumpglass",
        description="Records, shows and judges crankcase pressure.",
        epilog=f"commands:\n{lines}\n\n`sumpglass COMMAND --help` tells more of one.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"sumpglass {__version__}")
    parser.add_argument("command", metavar="COMMAND", help="what to do, from the list below")
    parser.add_argument("words", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status of contract.md and never lets a traceback reach a person."""
    one_thread_each()
    for stream in (sys.stdout, sys.stderr):
        write_nearest(stream)
    top = _top_parser()
    arguments = top.parse_args(sys.argv[1:] if argv is None else list(argv))
    if arguments.command not in COMMANDS:
        top.error(f"there is no command {arguments.command!r}, expected one of {', '.join(COMMANDS)}")
    module = importlib.import_module(f"sumpglass.commands.{arguments.command.replace('-', '_')}")
    parser = OneLineParser(
        prog=f"sumpglass {arguments.command}",
        description=as_sentence(COMMANDS[arguments.command]),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    module.add_arguments(parser)
    options = parser.parse_args(arguments.words)
    try:
        status = module.run(options)
        sys.stdout.flush()
        return status
    except SumpglassError as error:
        sys.stderr.write(f"sumpglass {arguments.command}: {' '.join(str(error).split())}\n")
        return error.exit_status
    except MemoryError:
        sys.stderr.write(f"sumpglass {arguments.command}: the memory is full: close other programs, or cut the file\n")
        return 3
    except KeyboardInterrupt:
        sys.stderr.write("interrupted; what was recorded is kept\n")
        return 130
    except BrokenPipeError:
        # The reader of our output went away (`| head`): nothing is wrong, but Python would complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:  # noqa: BLE001 - the last resort: a person gets a sentence, a contributor the place
        if os.environ.get(TRACEBACK):
            raise
        sys.stderr.write(
            f"sumpglass {arguments.command}: a fault of the program, not yours ({type(error).__name__}: "
            f"{ascii(' '.join(str(error).split())[:200])[1:-1]}): send it to who looks after sumpglass, with what "
            f"{TRACEBACK}=1 shows; recordings are kept\n"
        )
        return 3
