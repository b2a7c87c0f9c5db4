"""Which sensors are on the bus: addresses that answer, and what each is by its id or by what it says.

At the prompt: `from sumpglass_board import scan; scan.show()` prints one line of JSON a find, ready for the settings.
"""

import json
import os

import sumpglass_board
from sumpglass_board.sensors import module


def driver_names():
    """Names of the drivers on this board."""
    folder = sumpglass_board.__file__.rsplit("/", 1)[0] + "/sensors"
    names = [entry.rsplit(".", 1)[0] for entry in os.listdir(folder) if not entry.startswith("__")]
    names.sort()
    return names


def find(bus):
    """`[settings of a channel]` for each address that answers; `{"address": ...}` alone where nobody knows the part."""
    found = []
    for address in bus.scan():
        told = None
        for name in driver_names():
            driver = module(name)
            if address in getattr(driver, "ADDRESSES", ()):
                try:
                    told = driver.probe(bus, address)
                except OSError:
                    told = None
            if told:
                break
        found.append(told or {"address": address})
    return found


def show(config=None):
    """Scan the bus of the settings and print what is there."""
    from sumpglass_board.board import Board

    for told in find(Board().bus(config)):
        print(json.dumps(told))  # noqa: T201 - that is what it is called for
