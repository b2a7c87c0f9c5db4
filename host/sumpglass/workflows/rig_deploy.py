"""Firmware onto a board, and the proof that the board runs it afterwards."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

from sumpglass.deploy.install import DeployStep, go_back, install, reset
from sumpglass.deploy.payload import find_payload
from sumpglass.deploy.raw_repl import BoardRepl
from sumpglass.errors import DeviceError, SumpglassError
from sumpglass.workflows.sources import find_rig

BACK_WAIT_S = 60.0
"""A Pico is back after 3 s; an emulated one, which is slower than its clock, after 40 s."""
TELL_EACH_S = 5.0


@dataclass(frozen=True)
class Deployed:
    """How it ended: what the board says of itself, and whether that is what was sent."""

    port: str
    board: str
    firmware: str
    digest: str
    is_current: bool
    """The board runs exactly the firmware of this program."""


def deploy(port: str | None, again: bool = False, back: bool = False) -> Iterator[DeployStep | Deployed]:
    """Put this program's firmware on the board (or switch `back` to the one before); the last item is a `Deployed`.

    Raises DeviceError, RefusedError, InputError. A deploy cut short is repeated; the board starts old or new meanwhile.
    """
    path = port or find_rig().path
    payload = find_payload()
    with BoardRepl(path) as board:
        yield from go_back(board) if back else install(board, payload, again)
        yield DeployStep("starting the board anew", 1.0)
        reset(board)
    yield from _wait_for(path, payload.short_digest)


def _wait_for(path: str, digest: str) -> Iterator[DeployStep | Deployed]:
    """Ask the board who it is until it is back; the last item says who. Raises DeviceError with what it said last."""
    from sumpglass.link.serial_port import probe

    begun = told_at = time.monotonic()
    last = "it did not come back"
    # A port that is still there after a reset may be the old one, about to go.
    time.sleep(0.5)
    while time.monotonic() - begun < BACK_WAIT_S:
        if time.monotonic() - told_at > TELL_EACH_S:
            told_at = time.monotonic()
            yield DeployStep(f"waiting for the board, which compiles its firmware: {told_at - begun:.0f} s", 1.0)
        try:
            fields = probe(path).fields
        except SumpglassError as error:
            last = str(error)
            time.sleep(0.3)
            continue
        version = ".".join(str(fields[f"firmware_{part}"]) for part in ("major", "minor", "patch"))
        told = bytes(fields["firmware_digest"]).hex()
        yield Deployed(path, fields["board"], version, told, told == digest)
        return
    raise DeviceError(
        f"the firmware is on the board, every file checked, but it does not answer ({last}): unplug it, plug it in "
        "again, then run `sumpglass ports`; `sumpglass rig deploy --back` returns to the version before"
    )
