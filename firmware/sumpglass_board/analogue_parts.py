"""Analogue sensors whose output is a share of their supply: Vout = supply * (gain * P[kPa] + offset)."""

# part: gain (1/kPa), offset, least and greatest kPa.
# MPXV7002 and its points: data sheet MPXV7002. MPXV7007: range from its data sheet, formula from memory.
# MPX5010: range and 450 mV/kPa from its data sheet, offset from memory. MPX5050: from memory.
PARTS = {
    "MPXV7002DP": (0.2, 0.5, -2.0, 2.0),
    "MPXV7007DP": (0.057, 0.5, -7.0, 7.0),
    "MPX5010DP": (0.09, 0.04, 0.0, 10.0),
    "MPX5050DP": (0.018, 0.04, 0.0, 50.0),
}
USUAL = "MPXV7002DP"
OTHER = ("gain_per_kpa", "offset_share", "low_kpa", "high_kpa")
"""Settings that describe a part which is not in the table."""
RAIL_SHARE = 0.01
"""Closer to ground or supply than this share of the supply, the output is no pressure: a wire is off or shorted."""


def check_part(config):
    """What is wrong with the part in these settings, or None."""
    given = [name for name in OTHER if name in config]
    if given:
        for name in OTHER:
            if not isinstance(config.get(name), (int, float)):
                return "a part of one's own needs numbers for %s" % ", ".join(OTHER)
        if not 0.0001 <= config["gain_per_kpa"] <= 10 or not config["low_kpa"] < config["high_kpa"]:
            return "gain_per_kpa has to be 0.0001 to 10, and low_kpa under high_kpa"
    elif config.get("part", USUAL) not in PARTS:
        return "part %r is not one of %s" % (config.get("part"), ", ".join(sorted(PARTS)))
    for name, low, high in (("divider", 0.01, 1.0), ("reference_divider", 0.01, 1.0), ("supply_v", 2.5, 5.5)):
        value = config.get(name)
        if value is not None and not (isinstance(value, (int, float)) and low <= value <= high):
            return "%s is %r, expected %s to %s" % (name, value, low, high)
    return None


def part_facts(config):
    """`(name, gain per kPa, offset, least kPa, greatest kPa)` of the part in these settings."""
    name = config.get("part", USUAL)
    if "gain_per_kpa" in config:
        return (name,) + tuple([config[key] for key in OTHER])
    return (name,) + PARTS[name]
