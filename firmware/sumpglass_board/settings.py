"""Settings in one JSON file on the board: defaults if damaged, checked before they are taken, replaced atomically."""

import json
import os

from sumpglass_board import forget

PATH = "settings.json"
TEMPORARY = "settings.new"
LONGEST = 4096

DEFAULTS = """{"name": "sumpglass rig", "rate_hz": 1000, "oversampling": 4, "i2c": null,
"channels": [{"sensor": "analogue", "part": "MPXV7002DP", "pin": 26, "divider": 0.6, "supply_v": 5.0}],
"stream_at_boot": false, "watchdog": true, "button": {"pin": 22, "active": "high"}, "light_pin": "LED",
"sounder_pin": null, "volume_percent": 50, "muted": false,
"journal": {"on": false, "limit_kb": 512}, "zeros": {}}"""
"""A bare board with one analogue sensor: nothing but the converter and the light is touched."""

SETTABLE_IN_PASSING = ("volume_percent", "muted", "zeros")


def defaults():
    """A fresh copy of the defaults."""
    return json.loads(DEFAULTS)


def load(path=PATH):
    """`(settings, damaged)`: from the file, or the defaults when there is none (not damaged) or it makes no sense."""
    try:
        with open(path) as file:
            text = file.read(LONGEST + 1)
    except OSError:
        return defaults(), False
    try:
        return parse(text), False
    except ValueError:
        return defaults(), True


def parse(text):
    """Checked settings from JSON text; keys left out take their defaults. Raises ValueError with what is wrong."""
    if len(text) > LONGEST:
        raise ValueError("settings longer than %d bytes" % LONGEST)
    try:
        given = json.loads(text)
    except ValueError:
        raise ValueError("the settings are no JSON")
    if not isinstance(given, dict):
        raise ValueError("the settings are no JSON object")
    settings = defaults()
    for key in given:
        if key not in settings:
            raise ValueError("there is no setting %r" % key)
        settings[key] = given[key]
    from sumpglass_board.settings_check import check

    problem = check(settings)
    forget("settings_check")
    if problem:
        raise ValueError(problem)
    return settings


def save(settings, path=PATH, temporary=TEMPORARY):
    """Write beside and rename over: at any moment the file is the old one or the new one, whole."""
    with open(temporary, "w") as file:
        json.dump(settings, file)
    if hasattr(os, "sync"):
        os.sync()
    os.rename(temporary, path)
    if hasattr(os, "sync"):
        os.sync()
