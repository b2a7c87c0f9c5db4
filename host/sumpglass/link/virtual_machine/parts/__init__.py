# mypy: ignore-errors
"""Parts on a bus, written from their data sheets and apart from the firmware's drivers."""


def centipascals_to(value, numerator, denominator, low, high):
    """A converter's code for a pressure, rounded and held between its ends."""
    scaled = value * numerator
    code = (2 * scaled + denominator) // (2 * denominator)
    return low if code < low else high if code > high else code
