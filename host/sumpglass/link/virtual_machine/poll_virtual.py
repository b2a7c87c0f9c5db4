# mypy: ignore-errors
"""Stand-in for `select` on a board in virtual time: waiting is when time goes on; requests come from a script."""

import select as host_select
import sys as host_sys

import world as surroundings

world = surroundings.current()


class Script:
    """Requests that come in at set moments of virtual time: `[[t_us, "hex"], ...]`; stdin holds the same bytes."""

    def __init__(self, script):
        self._script = [(moment, len(text) // 2) for moment, text in script]
        self._next = 0
        self._there = 0

    def byte_is_there(self, now_us):
        """Whether a byte waits to be read by now."""
        while self._next < len(self._script) and self._script[self._next][0] <= now_us:
            self._there += self._script[self._next][1]
            self._next += 1
        return self._there > 0

    def readinto(self, buffer, length):
        """Read what is there, as `sys.stdin.buffer` does."""
        self._there -= length
        return host_sys.stdin.buffer.readinto(buffer, length)

    def next_us(self):
        """When the next bytes come, or None."""
        return self._script[self._next][0] if self._next < len(self._script) else None


SCRIPT = Script(world.config.get("requests", []))


class Poll:
    """Stand-in for `select.poll`."""

    def __init__(self):
        self._found = None

    def register(self, stream, events):
        """One stream, for one kind of event."""
        self._found = [(stream, events)]

    def ipoll(self, timeout_ms=-1):
        """The port always takes bytes; bytes come as the script says."""
        if self._found[0][1] == host_select.POLLOUT:
            return self._found
        stop = world.true_us() + timeout_ms * 1000
        while True:
            world.run_due()
            if SCRIPT.byte_is_there(world.true_us()):
                return self._found
            now = world.true_us()
            if now >= stop:
                return ()
            moment = stop
            for other in (world.next_due_us(), SCRIPT.next_us()):
                if other is not None and other < moment:
                    moment = other
            world.sleep_us(max(1, moment - now))


class Stdin:
    """Stand-in for `sys.stdin`."""

    buffer = SCRIPT


class Select:
    """Stand-in for the module."""

    POLLIN = host_select.POLLIN
    POLLOUT = host_select.POLLOUT
    poll = Poll
