"""Starting the firmware, which the board first has to compile: seconds in which a host may already be asking.

Bytes that come meanwhile must not interrupt (0x03 is data in a request), yet a person must get in: between one module
and the next the port is looked at, and Ctrl-C where a frame begins leads to the prompt at once. All else is kept for
the firmware.
"""

import select
import sys

import micropython

from sumpglass_board import forget

STEPS = ("board", "channels", "sender", "commands", "signals", "rig", "app")
CTRL_C = 0x03
RETURN = 0x0D
MOST_EARLY = 256


class Listener:
    """Tells Ctrl-C from requests while nobody answers those yet, and keeps them."""

    def __init__(self):
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._one = bytearray(1)
        self._begun = 0
        self.early = bytearray()

    def asked_for_prompt(self):
        """Take what has come; True when it is Ctrl-C."""
        while True:
            there = False
            for _ in self._poll.ipoll(0):
                there = True
            if not there:
                return False
            sys.stdin.buffer.readinto(self._one, 1)
            byte = self._one[0]
            if byte == CTRL_C and self._begun in (0, RETURN):
                return True
            if len(self.early) < MOST_EARLY:
                self.early.append(byte)
            # 0 at the start of a frame, a lone carriage return, or anything else
            self._begun = 0 if byte == 0 else RETURN if byte == RETURN and self._begun == 0 else 1


def main():
    """Called by main.py."""
    micropython.kbd_intr(-1)
    listener = Listener()
    for step in STEPS:
        __import__("sumpglass_board." + step)
        if listener.asked_for_prompt():
            micropython.kbd_intr(3)
            return
    early = bytes(listener.early)
    listener = None
    forget("boot")
    globals().pop("Listener")  # this function goes on as long as the firmware does, and would keep it
    sys.modules["sumpglass_board.app"].main(early)
