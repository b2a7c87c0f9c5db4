# mypy: ignore-errors
"""Stand-in for `select` on a live board: the real one, with the board's timers run while it waits."""

import select as host_select

import world as surroundings

world = surroundings.current()


class Poll:
    """Stand-in for `select.poll`."""

    def __init__(self):
        self._poll = host_select.poll()
        self._write = False

    def register(self, stream, events):
        """One stream, for one kind of event."""
        self._write = events == host_select.POLLOUT
        self._poll.register(stream, events)

    def ipoll(self, timeout_ms=-1):
        """Wait for the stream; the board's timers go on."""
        if self._write:
            return self._poll.poll(timeout_ms)
        world.run_due()
        if timeout_ms == 0:
            return self._usable(self._poll.poll(0))
        found = self._usable(self._poll.poll(max(timeout_ms, surroundings.REAL_WAIT_MS)))
        world.run_due()
        return found

    def _usable(self, found):
        for _, event in found:
            if event & host_select.POLLIN:
                return found
            if event & (host_select.POLLHUP | host_select.POLLERR):
                raise SystemExit(0)  # the host side is gone
        return ()


class Select:
    """Stand-in for the module."""

    POLLIN = host_select.POLLIN
    POLLOUT = host_select.POLLOUT
    poll = Poll
