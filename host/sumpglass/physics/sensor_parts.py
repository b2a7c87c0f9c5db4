"""Transfer functions of the sensors and converters that a rig may carry: counts to pascals and back.

Every chain here is a straight line, `pascals = (counts - counts_at_zero) * pascals_per_count`, so one dataclass holds
all of them; how each part arrives at its two numbers is a function of its own, with the datasheet facts beside it.
What a datasheet promises about accuracy is kept too: the error budgets in `hardware/` and the acceptance limits of
`sumpglass rig check` are computed from it. Figures said to be from memory were not looked up again for this table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

ADS1115_VOLTS_PER_COUNT: dict[float, float] = {
    6.144: 187.5e-6,
    4.096: 125e-6,
    2.048: 62.5e-6,
    1.024: 31.25e-6,
    0.512: 15.625e-6,
    0.256: 7.8125e-6,
}
"""Volts of one count at each full scale (V) of the 16-bit converter (ADS1115 datasheet)."""

XGZP6897D_COUNTS_PER_PA: tuple[tuple[float, int], ...] = (
    (1.0, 8192), (2.0, 4096), (4.0, 2048), (8.0, 1024), (16.0, 512),
    (32.0, 256), (65.0, 128), (131.0, 64), (260.0, 32),
)  # fmt: skip
"""Upper range (kPa) of the part up to which the divisor holds; second-hand, from two public driver libraries."""


@dataclass(frozen=True)
class LinearScale:
    """Counts to pascals by a straight line."""

    pascals_per_count: float
    counts_at_zero: float = 0.0
    counts_low: float | None = None
    """Least count that still means a pressure; None where the converter has no lower rail of its own."""
    counts_high: float | None = None

    def pascals(self, counts: npt.ArrayLike) -> Any:
        """Gauge pressure, Pa, shape of `counts`."""
        return (np.asarray(counts, dtype=np.float64) - self.counts_at_zero) * self.pascals_per_count

    def counts(self, pressure_pa: npt.ArrayLike) -> Any:
        """Unrounded counts, shape of `pressure_pa`: the inverse, for stand-ins and limits."""
        return np.asarray(pressure_pa, dtype=np.float64) / self.pascals_per_count + self.counts_at_zero

    @property
    def quantum_pa(self) -> float:
        """Size of one count, Pa."""
        return abs(self.pascals_per_count)


def analogue_volts(pressure_pa: float, supply_v: float, slope_per_kpa: float, offset: float) -> float:
    """Output of a ratiometric analogue sensor, `supply * (slope * P[kPa] + offset)` (MPXV/MPX series datasheets)."""
    return supply_v * (slope_per_kpa * pressure_pa / 1000.0 + offset)


def analogue_scale(
    slope_per_kpa: float, offset: float, supply_v: float, volts_per_count: float, divider: float = 1.0
) -> LinearScale:
    """Scale of an analogue sensor behind a divider (output over input, 1 for none) and a converter.

    Example: 0.2/kPa + 0.5 at 5 V, divider 0.6, 12 bits of 3.3 V: 1.342773 Pa a count, zero at 1861.818.
    """
    counts_per_kpa = supply_v * slope_per_kpa * divider / volts_per_count
    return LinearScale(1000.0 / counts_per_kpa, supply_v * offset * divider / volts_per_count)


def thermal_scale(counts_per_pa: float) -> LinearScale:
    """Digital flow-through parts: signed 16-bit word over 60 (500 Pa part) or 240 (125 Pa part) (SDP8xx datasheet)."""
    return LinearScale(1.0 / counts_per_pa, 0.0, -32768, 32767)


def bridge_14bit_scale(range_low_pa: float, range_high_pa: float) -> LinearScale:
    """14-bit parts with 10 to 90 % output: 1638.4 counts at the low end of the range, 14745.6 at the high end."""
    pascals_per_count = (range_high_pa - range_low_pa) / (0.8 * 16384)
    return LinearScale(pascals_per_count, 0.1 * 16384 - range_low_pa / pascals_per_count, 0, 16383)


def bridge_14bit_celsius(counts_11bit: int) -> float:
    """Temperature of those parts from their 11-bit word, `counts / 2047 * 200 - 50` (from memory)."""
    return counts_11bit / 2047.0 * 200.0 - 50.0


def xgzp6897d_scale(range_high_kpa: float) -> LinearScale:
    """24-bit digital membrane part: pascals = raw / K, with K by its upper range. Raises ValueError above 260 kPa."""
    for upper_kpa, counts_per_pa in XGZP6897D_COUNTS_PER_PA:
        # The first step is below 1 kPa, all others include their end.
        if range_high_kpa < upper_kpa or (range_high_kpa == upper_kpa and upper_kpa > 1.0):
            return LinearScale(1.0 / counts_per_pa, 0.0, -(1 << 23), (1 << 23) - 1)
    raise ValueError(f"no divisor is known for an upper range of {range_high_kpa:g} kPa, expected at most 260")


def wheatstone_24bit_scale(millivolt_per_volt_at_full: float, full_pa: float, gain: float = 128.0) -> LinearScale:
    """A bare bridge on an HX710B or HX711-type converter, whose full scale is +-0.5 supply / gain, ratiometric.

    The bridge's own sensitivity scatters by tens of percent: a nominal scale only, to be calibrated.
    """
    counts_at_full = millivolt_per_volt_at_full / 1000.0 * gain / 0.5 * (1 << 23)
    return LinearScale(full_pa / counts_at_full, 0.0, -(1 << 23), (1 << 23) - 1)


def ratiometric_pascals(counts: npt.ArrayLike, reference_counts: float, offset: float, scale: float) -> Any:
    """Transfer `ratiometric` of the wire: `(counts / reference - offset) * scale`, both already shifted to unsigned.

    A supply that is not what was assumed then falls out: at 4.75 V instead of 5 V the reading stays right, where a
    fixed scale would read -125 Pa at zero and 1775 Pa at 2 kPa.
    """
    return (np.asarray(counts, dtype=np.float64) / reference_counts - offset) * scale


def twos_complement(word: int, bits: int) -> int:
    """`word` of `bits` bits as a signed number: (0xFFFFFF, 24) is -1."""
    return word - (1 << bits) if word & (1 << (bits - 1)) else word


@dataclass(frozen=True)
class SensorPart:
    """What a datasheet says of one sensor with its converter. Error terms are half-widths that hold every good part."""

    key: str
    title: str
    principle: str
    """"membrane" (dead-ended, nothing flows) or "flow-through" (a little gas passes, and fouls it)."""
    range_low_pa: float
    range_high_pa: float
    scale: LinearScale
    offset_pa: float
    """Offset as bought; taken away by a zero, down to `zero_drift_pa`."""
    zero_drift_pa: float
    """Wander of the offset within an hour after a zero, with 10 K of warming."""
    gain_relative: float
    """Error of the slope as bought; replaced by that of the water column once calibrated."""
    nonlinearity_pa: float
    """Departure from the straight line that no two-point calibration takes away."""
    noise_rms_pa: float
    """Of one sample at the rate that the rig uses."""
    response_s: float
    """10 to 90 % rise time of the sensor itself."""
    proof_pa: float
    """Pressure that it survives."""
    supply_v: float
    source: str
    ratiometric: bool = True
    """False: a supply that is not what was assumed shifts the reading."""
    supply_relative: float = 0.0
    """Half-width of the supply's error where the converter does not follow it."""
    oil_mist: bool = True
    """True if it lasts behind a catch loop; False for flow-through parts (common practice, no source)."""
    membrane_volume_mm3: float = 300.0
    """Volume in front of the membrane, for the line model; an assumption unless the datasheet gives it."""

    @property
    def span_pa(self) -> float:
        """From one end of the range to the other, Pa."""
        return self.range_high_pa - self.range_low_pa


def _analogue(key: str, slope_per_kpa: float, offset: float, low_kpa: float, high_kpa: float, error_of_span: float,
              converter: str, proof_pa: float, source: str) -> SensorPart:  # fmt: skip
    """One MPX-type part at 5 V on one of two converters; `error_of_span` is the datasheet's total error."""
    span_pa = (high_kpa - low_kpa) * 1000.0
    if converter == "ads1115":
        scale = analogue_scale(slope_per_kpa, offset, 5.0, ADS1115_VOLTS_PER_COUNT[6.144])
        noise_pa, uneven_pa, supply_relative = 1.0 * span_pa / 4000.0, 0.0, 0.01
        title = f"{key}, 16-bit converter (ADS1115-type)"
    else:
        scale = analogue_scale(slope_per_kpa, offset, 5.0, 3.3 / 4096, divider=0.6)
        # 8.7 effective bits of the 12 (RP2040, from memory), and steps of several counts at four codes (RP2040-E11).
        noise_pa, uneven_pa, supply_relative = scale.quantum_pa * 2 ** (12 - 8.7) / 12**0.5, 4 * scale.quantum_pa, 0.01
        title = f"{key}, board's own 12-bit converter"
    return SensorPart(
        key=f"{key}-{converter}", title=title, principle="membrane",
        range_low_pa=low_kpa * 1000.0, range_high_pa=high_kpa * 1000.0, scale=scale,
        offset_pa=error_of_span * span_pa, zero_drift_pa=0.005 * span_pa, gain_relative=error_of_span,
        nonlinearity_pa=0.0025 * span_pa + uneven_pa, noise_rms_pa=noise_pa, response_s=0.001, proof_pa=proof_pa,
        supply_v=5.0, source=source, ratiometric=False, supply_relative=supply_relative,
    )  # fmt: skip


_MPX = "range and transfer function from the datasheet; drift, linearity and noise are this project's assumptions"


def _table() -> dict[str, SensorPart]:
    parts = [
        SensorPart(
            "SDP810-500", "flow-through, digital, +-500 Pa", "flow-through", -500.0, 500.0, thermal_scale(60.0),
            offset_pa=0.1, zero_drift_pa=0.1, gain_relative=0.03, nonlinearity_pa=0.0, noise_rms_pa=0.05,
            response_s=0.003, proof_pa=100e3, supply_v=3.3, oil_mist=False,
            source="transfer function from the datasheet; zero 0.1 Pa and span 3 % of reading from memory",
        ),
        SensorPart(
            "SDP810-125", "flow-through, digital, +-125 Pa", "flow-through", -125.0, 125.0, thermal_scale(240.0),
            offset_pa=0.08, zero_drift_pa=0.08, gain_relative=0.03, nonlinearity_pa=0.0, noise_rms_pa=0.03,
            response_s=0.003, proof_pa=100e3, supply_v=3.3, oil_mist=False,
            source="transfer function from the datasheet; zero 0.08 Pa and span 3 % of reading from memory",
        ),
        _analogue("MPXV7002", 0.2, 0.5, -2, 2, 0.0625, "ads1115", 75e3, _MPX),
        _analogue("MPXV7002", 0.2, 0.5, -2, 2, 0.0625, "adc12", 75e3, _MPX),
        _analogue("MPXV7007", 0.057, 0.5, -7, 7, 0.05, "ads1115", 75e3, _MPX),
        _analogue("MPX5010", 0.09, 0.04, 0, 10, 0.05, "ads1115", 75e3, _MPX),
        _analogue("MPX5050", 0.018, 0.04, 0, 50, 0.025, "ads1115", 200e3, _MPX),
        SensorPart(
            "BRIDGE14-7K", "14-bit bridge, 10 to 90 %, +-6.9 kPa (1 psi)", "membrane", -6894.757, 6894.757,
            bridge_14bit_scale(-6894.757, 6894.757), offset_pa=0.015 * 13790, zero_drift_pa=0.0025 * 13790,
            gain_relative=0.0075, nonlinearity_pa=0.0025 * 13790, noise_rms_pa=1.5, response_s=0.001, proof_pa=30e3,
            supply_v=3.3, source="coding from the datasheet; total error band 1.5 % of span from memory",
        ),
        SensorPart(
            "XGZP6897D-5K", "24-bit digital membrane part, +-5 kPa", "membrane", -5000.0, 5000.0, xgzp6897d_scale(5.0),
            offset_pa=0.02 * 10000, zero_drift_pa=0.005 * 10000, gain_relative=0.02, nonlinearity_pa=0.003 * 10000,
            noise_rms_pa=2.0, response_s=0.0025, proof_pa=20e3, supply_v=3.3,
            source="divisor second-hand from two public libraries; accuracy 2 % of span from memory",
        ),
        SensorPart(
            "BRIDGE24-40K", "bare 40 kPa bridge on a 24-bit converter (HX710B-type)", "membrane", 0.0, 40e3,
            wheatstone_24bit_scale(15.0, 40e3), offset_pa=0.25 * 40e3, zero_drift_pa=0.003 * 40e3, gain_relative=0.33,
            nonlinearity_pa=0.003 * 40e3, noise_rms_pa=4.0, response_s=0.1, proof_pa=80e3, supply_v=3.3,
            source="24-bit coding from the datasheet; bridge scatter (10 to 20 mV/V at full scale) from memory",
        ),
    ]  # fmt: skip
    return {part.key: part for part in parts}


SENSOR_PARTS: dict[str, SensorPart] = _table()
"""Every part that the project knows, by key; `sumpglass rig` and `hardware/` read it."""
