"""Settings of a board: read, changed by name, sent whole; the board checks them and takes all or nothing."""

from __future__ import annotations

import json
from typing import Any
from zlib import crc32

from sumpglass.decode.board_settings import line_problem
from sumpglass.errors import DiskError, InputError
from sumpglass.store.plain_file import open_plain
from sumpglass.workflows.rig_talk import RigTalk
from sumpglass_wire import layouts as wire

LONGEST = 4096
PIECE = 256


def read_settings(talk: RigTalk) -> dict[str, Any]:
    """All settings of the board. Raises DeviceError."""
    text = b""
    while True:
        answer = talk.ask(wire.READ_SETTINGS, {"offset": len(text)})
        text += bytes(answer["data"])
        if len(text) >= answer["answer"]["total"] or not answer["data"]:
            break
    try:
        settings = json.loads(text)
    except ValueError:
        raise InputError(
            "the board's settings are no JSON: write new ones with `sumpglass rig settings --write FILE`"
        ) from None
    return settings if isinstance(settings, dict) else {}


def write_settings(talk: RigTalk, settings: dict[str, Any]) -> None:
    """Replace the board's settings as a whole. Raises InputError when they are too long, DeviceError when refused."""
    text = json.dumps(settings, separators=(",", ":")).encode()
    if len(text) > LONGEST:
        raise InputError(f"the settings are {len(text)} bytes long, expected at most {LONGEST}: shorten names")
    check = crc32(text)
    for offset in range(0, len(text), PIECE):
        piece = text[offset : offset + PIECE]
        talk.ask(wire.WRITE_SETTINGS, {"total": len(text), "offset": offset, "crc": check, "data": piece})


def changed(settings: dict[str, Any], changes: list[str]) -> dict[str, Any]:
    """A copy with `NAME=VALUE` applied, in order; NAME may go deeper by dots (`channels.0.part`).

    VALUE is JSON or a word. Raises InputError that names the part that does not fit.
    """
    result: Any = json.loads(json.dumps(settings))
    for change in changes:
        name, sign, text = change.partition("=")
        if not sign or not name:
            raise InputError(f"found {change!r}, expected NAME=VALUE, as in rate_hz=500")
        _set(result, name, _value(text))
    return dict(result)


def _value(text: str) -> Any:
    try:
        return json.loads(text)
    except ValueError:
        return text


def _set(settings: Any, name: str, value: Any) -> None:
    *path, last = name.split(".")
    place = settings
    for depth, step in enumerate(path):
        if step == "line" and isinstance(place, dict) and path[0] == "channels":
            place.setdefault("line", {})
        place = place[_key(place, step, ".".join(path[: depth + 1]), must_exist=True)]
    if isinstance(place, list) and last == str(len(place)):
        place.append(value)
        return
    # Top-level names are known; inside a channel a driver may take options that are not set yet.
    place[_key(place, last, name, must_exist=place is settings)] = value


def _key(place: Any, step: str, name: str, must_exist: bool) -> Any:
    if isinstance(place, list):
        if step.isdigit() and int(step) < len(place):
            return int(step)
        raise InputError(f"{name}: found {step!r}, expected a number from 0 to {len(place) - 1}")
    if not isinstance(place, dict):
        raise InputError(f"{name}: there is nothing below this setting, it is a plain value")
    if must_exist and step not in place:
        raise InputError(f"{name}: there is no such setting, expected one of {', '.join(sorted(place))}")
    return step


def _check_lines(settings: dict[str, Any]) -> None:
    """The board keeps a channel's `line` for the host and does not look at it, so the host does. Raises InputError."""
    channels = settings.get("channels")
    for number, channel in enumerate(channels if isinstance(channels, list) else []):
        told = channel.get("line") if isinstance(channel, dict) else None
        if told is None:
            continue
        problem = line_problem(told) if isinstance(told, dict) else f"found {told!r}, expected an object"
        if problem is not None:
            raise InputError(f"channels.{number}.line: {problem}")


def settings_file(path: str) -> dict[str, Any]:
    """Settings from a JSON file. Raises InputError with line and column."""
    with open_plain(path) as file:
        raw = file.read(LONGEST * 4 + 1)
    try:
        found = json.loads(raw.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: byte {error.start}: found what is no UTF-8, expected JSON") from None
    except json.JSONDecodeError as error:
        raise InputError(f"{path}: line {error.lineno}, column {error.colno}: found no JSON ({error.msg})") from None
    if not isinstance(found, dict):
        raise InputError(f"{path}: line 1: found {type(found).__name__}, expected a JSON object with settings")
    return found


def save_settings(path: str, settings: dict[str, Any]) -> None:
    """Keep a copy as readable JSON. Raises DiskError."""
    try:
        with open(path, "w", encoding="utf-8") as file:
            json.dump(settings, file, indent=2)
            file.write("\n")
    except OSError as error:
        raise DiskError(f"{path}: cannot be written ({error.strerror}): choose another place") from None


def change_settings(
    talk: RigTalk, changes: list[str], write: str | None, save: str | None
) -> tuple[dict[str, Any], bool]:
    """Read the settings, keep a copy, apply a file and then single changes; (what the board has now, was it changed).

    Raises InputError, DeviceError (the board refused; nothing has changed), DiskError.
    """
    before = read_settings(talk)
    if save:
        save_settings(save, before)
    wanted = settings_file(write) if write else before
    wanted = changed(wanted, changes)
    _check_lines(wanted)
    if wanted == before and not write:
        return before, False
    # A board that streams has little memory left to load another sensor's driver with.
    talk.ask(wire.STOP)
    write_settings(talk, wanted)
    return read_settings(talk), True
