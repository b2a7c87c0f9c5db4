# mypy: ignore-errors
"""Starts the unchanged firmware in a virtual board: `micropython -X heapsize=192K start.py CONFIG.json`."""

import json
import os as host_os
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


class Plain:
    """A module's names, some of which are then replaced."""


class Implementation:
    """Stand-in for `sys.implementation`."""

    name = "micropython"
    version = sys.implementation[1]
    _machine = CONFIG.get("board_name", "Raspberry Pi Pico with RP2040 (virtual)")


def _copy(source, names):
    target = Plain()
    for name in names.split():
        setattr(target, name, getattr(source, name))
    return target


def _install():
    sys.modules["time"] = Time
    sys.modules["select"] = __import__("poll_virtual" if world.virtual else "poll_real").Select
    seed = CONFIG.get("random")
    if seed is not None:
        system = _copy(host_os, "chdir ilistdir listdir mkdir remove rename rmdir stat statvfs unlink")
        system.urandom = lambda count: bytes([(seed * (index + 3) * 40503 >> 7) & 0xFF for index in range(count)])
        sys.modules["os"] = system
    elif not world.virtual and not CONFIG.get("packages"):
        # A board that is about to be deployed to: its root has the name "", which this system does not know.
        system = _copy(host_os, "chdir getcwd ilistdir listdir mkdir remove rename rmdir statvfs unlink urandom")
        system.stat = lambda path: host_os.stat(path or ".")
        sys.modules["os"] = system
    names = _copy(sys, "stdin stdout modules path print_exception exit version implementation maxsize byteorder")
    if world.virtual:
        names.stdin = sys.modules["poll_virtual"].Stdin
    names.implementation = Implementation
    names.platform = "rp2"
    sys.modules["sys"] = names
    told = CONFIG.get("free_memory_bytes")
    if told is not None:
        import gc as host_gc

        memory = _copy(host_gc, "collect threshold mem_alloc enable disable")
        memory.mem_free = lambda: told
        sys.modules["gc"] = memory
    host_os.chdir(CONFIG["flash"])
    for folder in CONFIG.get("packages", ()):
        sys.path.append(folder)


import machine  # noqa: E402, F401 - while the level is high

micropython.opt_level(0)


def _run():
    """As the rp2 port starts: main.py from the flash if there is one, else the firmware that was put beside it."""
    global _install, _copy
    _install()
    _install = _copy = None  # their memory is not the board's
    if CONFIG.get("packages"):
        import sumpglass_board.boot

        sumpglass_board.boot.main()
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
