# mypy: ignore-errors
"""The interpreter's prompt of a virtual board: the friendly and the raw one, as MicroPython documents them.

Raw: Ctrl-A enters and says `raw REPL; CTRL-B to exit`; text up to Ctrl-D is run, answered by `OK`, its output, 0x04,
its errors, 0x04 and `>`. Ctrl-E `A` Ctrl-A asks for raw paste, which is declined with `R` 0x00 as the protocol allows.
Ctrl-D with no text is a soft reset: the process ends with status 44 (friendly) or 45 (raw, so main.py is left out).
"""

import io
import sys

_out = sys.stdout.buffer
_in = sys.stdin.buffer
_names = {"__name__": "__main__"}


def _say(text):
    _out.write(text if isinstance(text, bytes) else text.encode())


def _read():
    byte = _in.read(1)
    if not byte:
        sys.exit(0)
    return byte


def serve(raw):
    """Serve until a soft reset."""
    if raw:
        _say("\r\nMPY: soft reboot\r\n")
    else:
        _say("\r\nMicroPython (virtual board)\r\n>>> ")
    while True:
        raw = _serve_raw() if raw else _serve_friendly()


def _serve_friendly():
    line = b""
    while True:
        byte = _read()
        if byte == b"\x01":
            return True
        if byte == b"\x02" or byte == b"\x03":
            line = b""
            _say("\r\n>>> ")
        elif byte == b"\x04" and not line:
            _say("\r\nMPY: soft reboot\r\n")
            sys.exit(44)
        elif byte == b"\r":
            _say("\r\n")
            _run_line(line.decode())
            line = b""
            _say(">>> ")
        elif byte >= b" ":
            line += byte
            _say(byte)


def _run_line(line):
    if not line.strip():
        return
    try:
        try:
            result = eval(line, _names)
            if result is not None:
                print(repr(result))
        except SyntaxError:
            exec(line, _names)
    except Exception as problem:
        sys.print_exception(problem)


def _serve_raw():
    _say("raw REPL; CTRL-B to exit\r\n>")
    text = b""
    while True:
        byte = _read()
        if byte == b"\x01":
            _say("raw REPL; CTRL-B to exit\r\n>")
            text = b""
        elif byte == b"\x02":
            _say("\r\nMicroPython (virtual board)\r\n>>> ")
            return False
        elif byte == b"\x03":
            text = b""
        elif byte == b"\x04":
            if not text:
                _say("OK")
                sys.exit(45)
            _run_raw(text)
            text = b""
        elif byte == b"\x05" and not text:
            _read()
            _read()
            _say(b"R\x00")
        else:
            text += byte


def _run_raw(text):
    _say("OK")
    errors = ""
    try:
        exec(text.decode(), _names)
    except Exception as problem:
        told = io.StringIO()
        sys.print_exception(problem, told)
        errors = told.getvalue()
    _say(b"\x04")
    _say(errors.replace("\n", "\r\n"))
    _say(b"\x04>")
