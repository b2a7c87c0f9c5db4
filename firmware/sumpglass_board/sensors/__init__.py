"""Sensors: one file a part. A new one is a new file here; its name is what the settings call it.

Each module has `make(config, board)`, which returns a sensor, and `check(config)`, which returns a sentence that says
what is wrong with the settings of this channel, or None. Buses and pins come from the board, never from here.

An analogue sensor has `hard = True` and `read()`, a raw 16-bit conversion. A bus sensor has `hard = False` and
`read()`: counts, or NO_READING with the reason in `fault`. Both have `facts()`: fields of a channel in IDENTITY.
"""

import sys

NO_READING = -0x80000000
NO_ANSWER = 1
BAD_CHECKSUM = 2
STUCK = 3
RAIL_LOW = 4
RAIL_HIGH = 5
OUT_OF_RANGE = 6
NOT_READY = 7

QUANTITIES = {
    "differential_pressure": 1,
    "absolute_pressure": 2,
    "manifold_pressure": 3,
    "temperature": 4,
    "reference_voltage": 5,
}


def module(name):
    """The driver called `name`. Raises ValueError when there is none."""
    if not isinstance(name, str) or not _plain(name):
        raise ValueError("sensor %r is no name" % (name,))
    try:
        __import__("sumpglass_board.sensors." + name)
    except ImportError:
        raise ValueError("there is no sensor %r" % name)
    return sys.modules["sumpglass_board.sensors." + name]


def _plain(name):
    for letter in name:
        if not (letter.isalpha() or letter.isdigit() or letter == "_"):
            return False
    return bool(name)


class BusSensor:
    """What all bus sensors share: a fault with its kind, and patience with a bus that does not answer."""

    hard = False
    width = 2
    stuck_after_s = 3

    def __init__(self, bus, address):
        self.bus = bus
        self.address = address
        self.fault = NOT_READY
        self._skip = 0
        self._failures = 0
        self.skip_after_failure = 100
        """Readings left out after three failures in a row: a held bus costs its timeout each time. See `app`."""

    def read(self):
        """Counts, or NO_READING with the reason in `fault`. Never raises."""
        if self._skip:
            self._skip -= 1
            return NO_READING
        try:
            value = self.read_counts()
        except OSError:
            self._failures += 1
            self.fault = NO_ANSWER
            if self._failures >= 3:
                self._skip = self.skip_after_failure
                self.begin_again()
            return NO_READING
        self._failures = 0
        return value

    def begin_again(self):
        """Called when the part has failed three times: start it as after power-on. Never raises."""
        try:
            self.start()
        except OSError:
            pass

    def failed(self, kind):
        """Note the kind of fault; returns NO_READING."""
        self.fault = kind
        return NO_READING
