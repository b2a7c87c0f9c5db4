# mypy: ignore-errors
"""Converters that are clocked out over two pins."""

import world as surroundings

world = surroundings.current()

_clocked_devices = {}


def clocked_device(pin):
    """The converter that is clocked out over this pin, or None."""
    for part in world.config["bus"]:
        if pin in (part.get("clock_pin"), part.get("data_pin")):
            number = part["number"]
            if number not in _clocked_devices:
                module = __import__("parts." + part["model"], None, None, ["Device"])
                _clocked_devices[number] = module.Device(part, world)
            return _clocked_devices[number]
    return None
