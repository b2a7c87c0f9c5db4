"""A serial port that no cable hangs on: the end of a pseudo terminal, under a name of its own."""

from __future__ import annotations

import os
import select
import tty
from pathlib import Path

PIPE_BYTES = 4096


def open_port(path: str) -> int:
    """The board's end of a new port (a descriptor that never blocks); the host opens the link `path`."""
    board_end, host_end = os.openpty()
    tty.setraw(host_end)
    name = os.ttyname(host_end)
    os.close(host_end)
    os.set_blocking(board_end, False)
    link = Path(path)
    link.unlink(missing_ok=True)
    link.symlink_to(name)
    return board_end


def somebody_listens(board_end: int) -> bool:
    """Whether somebody has the port open; the kernel says "hung up" while nobody has."""
    poll = select.poll()
    poll.register(board_end, select.POLLIN)
    return not any(event & select.POLLHUP for _, event in poll.poll(0))


def shorten_pipe(descriptor: int) -> None:
    """As little room as a board's port has, where the system can do that."""
    import fcntl

    if hasattr(fcntl, "F_SETPIPE_SZ"):
        fcntl.fcntl(descriptor, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
