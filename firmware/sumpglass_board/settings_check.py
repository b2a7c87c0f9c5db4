"""What makes settings right or wrong. Loaded when they are read or written, and forgotten after it: see `forget`."""


def check(settings):
    """What is wrong with `settings` (the parts that need no driver), in a sentence; None if nothing."""
    for key, low, high in (("rate_hz", 1, 4000), ("oversampling", 1, 16), ("volume_percent", 0, 100)):
        if not _whole(settings[key], low, high):
            return "%s is %r, expected a whole number from %d to %d" % (key, settings[key], low, high)
    for key in ("stream_at_boot", "watchdog", "muted"):
        if settings[key] is not True and settings[key] is not False:
            return "%s is %r, expected true or false" % (key, settings[key])
    if not isinstance(settings["name"], str) or not 0 < len(settings["name"]) <= 40:
        return "name: expected 1 to 40 letters"
    return (
        _check_channels(settings["channels"])
        or _check_i2c(settings["i2c"])
        or _check_pins(settings)
        or _check_journal(settings["journal"])
        or _check_zeros(settings["zeros"])
    )


def _whole(value, low, high):
    return isinstance(value, int) and value is not True and value is not False and low <= value <= high


def _check_channels(channels):
    if not isinstance(channels, list) or not 1 <= len(channels) <= 4:
        return "channels: expected a list of 1 to 4"
    for channel in channels:
        if not isinstance(channel, dict) or not isinstance(channel.get("sensor"), str):
            return 'channels: expected objects with a "sensor"'
        for pin in ("pin", "reference_pin"):
            if channel.get(pin) is not None and not _whole(channel[pin], 0, 48):
                return "channels: %s is %r, expected a pin's number" % (pin, channel[pin])
        rate = channel.get("rate_hz")
        if rate is not None and not (isinstance(rate, (int, float)) and 0.1 <= rate <= 4000):
            return "channels: rate_hz is %r, expected 0.1 to 4000" % rate
        address = channel.get("address")
        if address is not None and not _whole(address, 8, 0x77):
            return "channels: address is %r, expected 8 to 119" % address
    return None


def _check_i2c(bus):
    if bus is None:
        return None
    if not isinstance(bus, dict):
        return "i2c: expected null or an object"
    for key, high in (("id", 1), ("sda", 48), ("scl", 48), ("hz", 1000000)):
        if key in bus and not _whole(bus[key], 0, high):
            return "i2c: %s is %r" % (key, bus[key])
    return None


def _check_pins(settings):
    button = settings["button"]
    if button is not None and not (
        isinstance(button, dict) and _whole(button.get("pin"), 0, 48) and button.get("active") in ("high", "low")
    ):
        return 'button: expected null or {"pin": number, "active": "high" or "low"}'
    light = settings["light_pin"]
    if light is not None and light != "LED" and not _whole(light, 0, 48):
        return 'light_pin is %r, expected a pin\'s number, "LED" or null' % (light,)
    sounder = settings["sounder_pin"]
    if sounder is not None and not _whole(sounder, 0, 48):
        return "sounder_pin is %r, expected a pin's number or null" % (sounder,)
    return None


def _check_journal(journal):
    if not isinstance(journal, dict) or journal.get("on") not in (True, False):
        return 'journal: expected {"on": true or false, "limit_kb": number}'
    if not _whole(journal.get("limit_kb", 512), 16, 65536):
        return "journal: limit_kb is %r, expected 16 to 65536" % journal["limit_kb"]
    if not _whole(journal.get("decimation", 100), 1, 32767):
        return "journal: decimation is %r, expected 1 to 32767" % journal["decimation"]
    return None


def _check_zeros(zeros):
    if not isinstance(zeros, dict):
        return "zeros: expected an object"
    for key in zeros:
        pair = zeros[key]
        if key not in ("0", "1", "2", "3") or not isinstance(pair, list) or len(pair) != 2:
            return "zeros: expected a channel's number with [counts, standard deviation]"
        for value in pair:
            if not isinstance(value, (int, float)):
                return "zeros: expected numbers"
    return None
