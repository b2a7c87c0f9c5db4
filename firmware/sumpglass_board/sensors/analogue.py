"""Analogue sensors whose output is a share of their supply, on the chip's own converter.

    {"sensor": "analogue", "part": "MPXV7002DP", "pin": 26, "divider": 0.6, "supply_v": 5.0}

Vout = supply * (gain * P[kPa] + offset), then a divider down to the converter's range. With `reference_pin` (the supply
through `reference_divider`, by default the same) the reading is ratiometric: the supply falls out. Without, the supply
is taken to be `supply_v`, and its error goes into the reading.
"""

# part: gain (1/kPa), offset, least and greatest kPa, relative error of the full span.
# MPXV7002 and its points: data sheet MPXV7002. MPXV7007: range from its data sheet, formula from memory.
# MPX5010: range and 450 mV/kPa from its data sheet, offset from memory. MPX5050: from memory.
PARTS = {
    "MPXV7002DP": (0.2, 0.5, -2.0, 2.0),
    "MPXV7007DP": (0.057, 0.5, -7.0, 7.0),
    "MPX5010DP": (0.09, 0.04, 0.0, 10.0),
    "MPX5050DP": (0.018, 0.04, 0.0, 50.0),
}
RAIL_SHARE = 0.01
"""Closer to ground or supply than this share of the supply, the output is no pressure: a wire is off or shorted."""
FULL_VOLTS = 3.3
CODES = 4096.0
SPREAD = 65535 / 4095  # read_u16 spreads 12 bits over 16: (x << 4) + (x >> 8)


def raw_of(share):
    """Mean raw conversion for an input of `share` of the converter's range: a code stands for half a step more."""
    return (share * CODES - 0.5) * SPREAD


def check(config):
    """What is wrong with these settings, or None."""
    if config.get("part", "MPXV7002DP") not in PARTS:
        return "part %r is not one of %s" % (config.get("part"), ", ".join(sorted(PARTS)))
    for name, low, high in (("divider", 0.01, 1.0), ("reference_divider", 0.01, 1.0), ("supply_v", 2.5, 5.5)):
        value = config.get(name)
        if value is not None and not (isinstance(value, (int, float)) and low <= value <= high):
            return "%s is %r, expected %s to %s" % (name, value, low, high)
    return None


def make(config, board):
    """The sensor on the board's converter."""
    return Analogue(config, board)


class Analogue:
    """One analogue part."""

    hard = True
    width = 2
    stuck_after_s = 5

    def __init__(self, config, board):
        self.part = config.get("part", "MPXV7002DP")
        self._gain, self._offset, self._low_kpa, self._high_kpa = PARTS[self.part]
        self._divider = config.get("divider", 0.6)
        self._supply_v = config.get("supply_v", 5.0)
        self.read = board.converter(config.get("pin", 26))
        self.read_reference = None
        pin = config.get("reference_pin")
        if pin is not None:
            self.read_reference = board.converter(pin)
        self._reference_divider = config.get("reference_divider", self._divider)
        full = self._supply_v * self._divider / FULL_VOLTS
        self.rail_low = max(8, int(raw_of(RAIL_SHARE * full)))
        self.rail_high = min(65520, int(raw_of((1 - RAIL_SHARE) * full)))

    def facts(self):
        """Channel fields of IDENTITY."""
        full = self._supply_v * self._divider / FULL_VOLTS
        per_pa = self._gain / 1000
        if self.read_reference:
            share = self._divider / self._reference_divider
            transfer, offset, scale = 2, self._offset * share, 1 / (per_pa * share)
        else:
            offset = raw_of(self._offset * full) - 32768
            transfer, scale = 1, 1 / (per_pa * full * CODES * SPREAD)
        counts = [int(round(raw_of((self._gain * kpa + self._offset) * full))) - 32768 for kpa in
                  (self._low_kpa, self._high_kpa)]
        return {
            "quantity": 1,
            "transfer": transfer,
            "width": 2,
            "offset": offset,
            "scale": scale,
            "range_low": self._low_kpa * 1000,
            "range_high": self._high_kpa * 1000,
            "resolution": 1 / (per_pa * full * CODES),
            "counts_low": counts[0],
            "counts_high": counts[1],
            "part": self.part,
        }
