"""A board at its interpreter's prompt, through mpremote's serial transport: run a piece of code, get what it printed.

Only four calls of mpremote are used (open, raw REPL, exec, close): its file functions change between versions.
"""

from __future__ import annotations

import contextlib
import io
import struct
from typing import Any

from sumpglass.errors import DeviceError

SILENCE_S = 10.0
"""Longest that a board may say nothing before it counts as gone; erasing flash takes a second at most."""


class BoardRepl:
    """Use as `with BoardRepl(port) as board: board.run("print(1)")`. Raises DeviceError, never another."""

    def __init__(self, port: str, baud: int = 115200) -> None:
        self.port = port
        self._baud = baud
        self._transport: Any = None

    def __enter__(self) -> BoardRepl:
        try:
            from mpremote.transport_serial import SerialTransport
        except ImportError:
            raise DeviceError(
                "mpremote is not installed, and deploying needs it: pip install 'sumpglass[rig]'"
            ) from None
        with _quiet(self.port):
            # Two seconds: longer than any pause of a flash erase, short enough to notice a board that died.
            self._transport = SerialTransport(self.port, baudrate=self._baud, timeout=2.0)
            self._transport.enter_raw_repl(soft_reset=True)
        return self

    def __exit__(self, *_: object) -> None:
        if self._transport is None:
            return
        with contextlib.suppress(Exception):
            self._transport.exit_raw_repl()
        with contextlib.suppress(Exception):
            self._transport.close()
        self._transport = None

    def run(self, code: str) -> str:
        """What `code` printed. Raises DeviceError when it failed on the board or the board went away."""
        with _quiet(self.port):
            out, error = self._transport.exec_raw(code, timeout=SILENCE_S)
        if error:
            raise DeviceError(_board_said(error.decode("utf-8", "replace")))
        return str(out.decode("utf-8", "replace"))

    def run_and_leave(self, code: str) -> None:
        """Start `code` and do not wait for an answer: for a reset."""
        with _quiet(self.port):
            self._transport.exec_raw_no_follow(code)


def _board_said(traceback: str) -> str:
    last = next((line for line in reversed(traceback.split("\n")) if line.strip()), "no reason").strip()
    if "ENOSPC" in last or last in ("OSError: 28", "OSError: [Errno 28]"):
        return "the board's flash is full: free some of it (journal segments, old files), then deploy again"
    if last.startswith("MemoryError"):
        return "the board ran out of memory: unplug it, plug it in again, then deploy again"
    return f"the board answered {last!r}: unplug it, plug it in again, then deploy again"


@contextlib.contextmanager
def _quiet(port: str) -> Any:
    """mpremote prints what it received before it raises; that is for its own users, not for ours."""
    import serial
    from mpremote.transport import TransportError

    with contextlib.redirect_stdout(io.StringIO()):
        try:
            yield
        except (TransportError, serial.SerialException, struct.error, OSError) as error:
            hint = (
                "close other programs that use the port, unplug the board and plug it in again, then repeat the command"
            )
            raise DeviceError(
                f"{port}: the board did not answer as a MicroPython prompt does ({_short(error)}); {hint}"
            ) from None


def _short(error: BaseException) -> str:
    return (" ".join(str(error).split()) or type(error).__name__)[:120]
