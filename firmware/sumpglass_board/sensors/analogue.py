"""Analogue sensors on the chip's own converter.

    {"sensor": "analogue", "part": "MPXV7002DP", "pin": 26, "divider": 0.6, "supply_v": 5.0}

The output goes through a divider down to the converter's range. With `reference_pin` (the supply through
`reference_divider`, by default the same) the reading is ratiometric: the supply falls out. Without, the supply is taken
to be `supply_v`, and its error goes into the reading.
"""

from sumpglass_board.analogue_parts import RAIL_SHARE, check_part, part_facts

FULL_VOLTS = 3.3
CODES = 4096.0
SPREAD = 65535 / 4095  # read_u16 spreads 12 bits over 16: (x << 4) + (x >> 8)


def raw_of(share):
    """Mean raw conversion for an input of `share` of the converter's range: a code stands for half a step more."""
    return (share * CODES - 0.5) * SPREAD


def check(config):
    """What is wrong with these settings, or None."""
    return check_part(config)


def make(config, board):
    """The sensor on the board's converter."""
    return Analogue(config, board)


class Analogue:
    """One analogue part."""

    hard = True
    width = 2
    stuck_after_s = 2

    def __init__(self, config, board):
        self.part, self._gain, self._offset, self._low_kpa, self._high_kpa = part_facts(config)
        self._divider = config.get("divider", 0.6)
        self.read = board.converter(config.get("pin", 26))
        self.read_reference = None
        pin = config.get("reference_pin")
        if pin is not None:
            self.read_reference = board.converter(pin)
        self._reference_divider = config.get("reference_divider", self._divider)
        self._full = config.get("supply_v", 5.0) * self._divider / FULL_VOLTS
        self.rail_low = max(8, int(raw_of(RAIL_SHARE * self._full)))
        self.rail_high = min(65520, int(raw_of((1 - RAIL_SHARE) * self._full)))

    def facts(self):
        """Channel fields of IDENTITY."""
        full = self._full
        per_pa = self._gain / 1000
        if self.read_reference:
            share = self._divider / self._reference_divider
            transfer, offset, scale = 2, self._offset * share, 1 / (per_pa * share)
        else:
            offset = raw_of(self._offset * full) - 32768
            transfer, scale = 1, 1 / (per_pa * full * CODES * SPREAD)
        low, high = self._low_kpa, self._high_kpa
        return {
            "quantity": 1,
            "transfer": transfer,
            "width": 2,
            "offset": offset,
            "scale": scale,
            "range_low": low * 1000,
            "range_high": high * 1000,
            "resolution": 1 / (per_pa * full * CODES),
            "counts_low": int(round(raw_of((self._gain * low + self._offset) * full))) - 32768,
            "counts_high": int(round(raw_of((self._gain * high + self._offset) * full))) - 32768,
            "part": self.part,
        }
