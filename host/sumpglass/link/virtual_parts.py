"""Which sensors a virtual board has fitted: from its settings, so that both agree unless a test says otherwise."""

from __future__ import annotations

from typing import Any

from sumpglass.simulate.script import Scenario

CONVERTER_VOLTS = 3.3
CODES = 4096

# part: gain (1/kPa), offset, least and greatest kPa; Vout = supply (gain P + offset). Data sheet of each part.
ANALOGUE = {
    "MPXV7002DP": (0.2, 0.5, -2.0, 2.0),
    "MPXV7007DP": (0.057, 0.5, -7.0, 7.0),
    "MPX5010DP": (0.09, 0.04, 0.0, 10.0),
    "MPX5050DP": (0.018, 0.04, 0.0, 50.0),
}
HEADROOM = 0.05
"""How far past its range, relative to half its span, a part still follows; the simulator's default."""
ADDRESSES = {
    "ads1115": 0x48, "sdp8xx": 0x25, "bridge14": 0x28, "xgzp6897d": 0x6D, "bmp280": 0x76, "hx710b": 0,
}  # fmt: skip


def settings_for(scenario: Scenario | None) -> dict[str, Any]:
    """Settings of a board with one analogue sensor wide enough for the scenario's."""
    channel: dict[str, Any] = {
        "sensor": "analogue", "part": "MPXV7002DP", "pin": 26, "divider": 0.6, "supply_v": 5.0,
    }  # fmt: skip
    if scenario is not None:
        low_kpa, high_kpa = scenario.rig.sensor.range_low_pa / 1e3, scenario.rig.sensor.range_high_pa / 1e3
        made = [name for name, (_, _, low, high) in ANALOGUE.items() if (low, high) == (low_kpa, high_kpa)]
        if made:
            channel["part"] = made[0]
        else:
            # A part of that range that nobody makes: 10 to 90 % of the supply over its range.
            gain = 0.8 / (high_kpa - low_kpa)
            channel |= {
                "part": scenario.rig.sensor.part, "gain_per_kpa": gain, "offset_share": 0.1 - gain * low_kpa,
                "low_kpa": low_kpa, "high_kpa": high_kpa,
            }  # fmt: skip
        if scenario.rig.line is not None:
            line = scenario.rig.line
            channel["line"] = {
                "bore_mm": round(line.bore_m * 1e3, 6), "length_mm": round(line.length_m * 1e3, 6),
                "volume_mm3": round(line.volume_m3 * 1e9, 6),
            }  # fmt: skip
    return {"name": "virtual rig", "channels": [channel]}


def fitted_parts(settings: dict[str, Any]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """(analogue parts, bus parts) for the stand-ins. Channel 1 reads the second port, all others the first."""
    analogue: list[dict[str, Any]] = []
    bus: list[dict[str, Any]] = []
    for number, channel in enumerate(settings.get("channels", [])):
        column = 1 if number == 1 else 0
        name = channel["sensor"]
        if name == "analogue":
            analogue.append(analogue_part(channel, number, column))
            if channel.get("reference_pin") is not None:
                analogue.append(_reference(channel))
            continue
        part = {k: v for k, v in channel.items() if k not in ("sensor", "rate_hz", "quantity")}
        part |= {"model": name, "number": number, "column": column}
        part.setdefault("address", ADDRESSES.get(name, 0))
        bus.append(part)
    return analogue, bus


def analogue_part(channel: dict[str, Any], number: int, column: int) -> dict[str, Any]:
    """Code of the chip's converter as `(offset + gain * hundredths of a pascal) / 2^20`, held between low and high."""
    gain, offset, low_kpa, high_kpa = _transfer(channel)
    supply = channel.get("true_supply_v", channel.get("supply_v", 5.0))
    full = supply * channel.get("divider", 0.6) / CONVERTER_VOLTS * CODES
    past = HEADROOM * (high_kpa - low_kpa) / 2.0
    return {
        "pin": channel.get("pin", 26), "number": number, "column": column,
        "gain": round(gain / 1000.0 / 100.0 * full * 2**20), "offset": round(offset * full * 2**20),
        "low": max(0, int(full * (gain * (low_kpa - past) + offset))),
        "high": min(CODES - 1, int(full * (gain * (high_kpa + past) + offset))),
    }  # fmt: skip


def _transfer(channel: dict[str, Any]) -> tuple[float, float, float, float]:
    if "gain_per_kpa" in channel:
        return channel["gain_per_kpa"], channel["offset_share"], channel["low_kpa"], channel["high_kpa"]
    return ANALOGUE[channel.get("part", "MPXV7002DP")]


def _reference(channel: dict[str, Any]) -> dict[str, Any]:
    supply = channel.get("true_supply_v", channel.get("supply_v", 5.0))
    divider = channel.get("reference_divider", channel.get("divider", 0.6))
    code = int(supply * divider / CONVERTER_VOLTS * CODES)
    return {
        "pin": channel["reference_pin"], "number": 7, "column": 0, "gain": 0, "offset": code << 20,
        "low": 0, "high": CODES - 1,
    }  # fmt: skip
