"""Starts the unchanged firmware in a virtual board: `micropython -X heapsize=192K start.py CONFIG.json`."""

import json
import os as host_os
import select as host_select
import sys

HERE = __file__.rsplit("/", 1)[0]
sys.path.insert(0, HERE)
sys.path.insert(0, "")

import micropython  # noqa: E402 - the path has to be set first

micropython.opt_level(3)  # the stand-ins without line numbers: their memory is not the board's
import world as surroundings  # noqa: E402

with open(sys.argv[1]) as _file:
    CONFIG = json.load(_file)
world = surroundings.open_world(CONFIG)


class Time:
    """Stand-in for `time` with the 30-bit ticks of a 32-bit board."""

    @staticmethod
    def ticks_us():
        world.spend_us(2)
        return world.device_us() & surroundings.TICKS_PERIOD - 1

    @staticmethod
    def ticks_ms():
        world.spend_us(2)
        return world.device_us() // 1000 & surroundings.TICKS_PERIOD - 1

    @staticmethod
    def ticks_add(ticks, delta):
        return ticks + delta & surroundings.TICKS_PERIOD - 1

    @staticmethod
    def ticks_diff(end, start):
        half = surroundings.HALF_PERIOD
        return (end - start + half & surroundings.TICKS_PERIOD - 1) - half

    @staticmethod
    def sleep_ms(milliseconds):
        world.sleep_us(milliseconds * 1000)

    @staticmethod
    def sleep_us(microseconds):
        world.sleep_us(microseconds)

    @staticmethod
    def sleep(seconds):
        world.sleep_us(int(seconds * 1000000))

    @staticmethod
    def time():
        return 1609459200 + world.true_us() // 1000000

    @staticmethod
    def time_ns():
        return (1609459200 * 1000000 + world.true_us()) * 1000


class Script:
    """Requests that come in at set moments of virtual time: `[[t_us, "hex"], ...]`; stdin holds the same bytes."""

    def __init__(self, script):
        self._script = [(moment, len(text) // 2) for moment, text in script]
        self._next = 0
        self._there = 0

    def byte_comes(self, now_us):
        """True once for each byte that is there by now (the firmware then reads it)."""
        while self._next < len(self._script) and self._script[self._next][0] <= now_us:
            self._there += self._script[self._next][1]
            self._next += 1
        if self._there:
            self._there -= 1
            return True
        return False

    def next_us(self):
        """When the next bytes come, or None."""
        return self._script[self._next][0] if self._next < len(self._script) else None


SCRIPT = Script(CONFIG.get("requests", []))


class Poll:
    """Stand-in for `select.poll`: waiting is when a virtual board's time goes on."""

    def __init__(self):
        self._poll = host_select.poll()
        self._stream = None
        self._write = False

    def register(self, stream, events):
        self._stream = stream
        self._write = events == host_select.POLLOUT
        self._poll.register(stream, events)

    def ipoll(self, timeout_ms=-1):
        if self._write:
            return [(self._stream, host_select.POLLOUT)] if world.virtual else self._poll.poll(timeout_ms)
        if world.virtual:
            return self._wait_virtual(timeout_ms)
        return self._wait_real(timeout_ms)

    def _wait_virtual(self, timeout_ms):
        stop = world.true_us() + timeout_ms * 1000
        while True:
            world.run_due()
            if SCRIPT.byte_comes(world.true_us()):
                return [(self._stream, host_select.POLLIN)]
            now = world.true_us()
            if now >= stop:
                return ()
            moment = stop
            for other in (world.next_due_us(), SCRIPT.next_us()):
                if other is not None and other < moment:
                    moment = other
            world.sleep_us(max(1, moment - now))

    def _wait_real(self, timeout_ms):
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
    """Stand-in for the module `select`."""

    POLLIN = host_select.POLLIN
    POLLOUT = host_select.POLLOUT
    poll = Poll


class Plain:
    """A module's names, some of which are then replaced."""


class Implementation:
    """Stand-in for `sys.implementation`."""

    name = "micropython"
    version = sys.implementation[1]
    _machine = CONFIG.get("board_name", "Raspberry Pi Pico with RP2040 (virtual)")


def _copy(source, target):
    for name in dir(source):
        if not name.startswith("__"):
            setattr(target, name, getattr(source, name))


def _install():
    time = Time()
    sys.modules["time"] = time
    sys.modules["select"] = Select()
    system = Plain()
    _copy(host_os, system)
    seed = CONFIG.get("random")
    if seed is not None:
        system.urandom = lambda count: bytes([(seed * (index + 3) * 40503 >> 7) & 0xFF for index in range(count)])
    system.sync = lambda: None
    sys.modules["os"] = system
    names = Plain()
    _copy(sys, names)
    names.implementation = Implementation
    names.platform = "rp2"
    sys.modules["sys"] = names
    told = CONFIG.get("free_memory_bytes")
    if told is not None:
        import gc as host_gc

        memory = Plain()
        _copy(host_gc, memory)
        memory.mem_free = lambda: told
        sys.modules["gc"] = memory
    host_os.chdir(CONFIG["flash"])
    for folder in CONFIG.get("packages", ()):
        sys.path.append(folder)


import machine  # noqa: E402, F401 - while the level is high

micropython.opt_level(0)


def _run():
    """As the rp2 port starts: main.py from the flash if there is one, else the firmware that was put beside it."""
    _install()
    if CONFIG.get("packages"):
        import sumpglass_board.app

        sumpglass_board.app.main()
        return
    try:
        with open("main.py") as file:
            text = file.read()
    except OSError:
        return
    exec(text, {"__name__": "__main__"})


try:
    if CONFIG.get("raw_boot"):
        _install()
    else:
        _run()
except surroundings.PowerCut:
    sys.exit(0)
except Exception as problem:
    sys.print_exception(problem)
if not world.virtual:
    import prompt

    prompt.serve(CONFIG.get("raw_boot", False))
sys.exit(0)
