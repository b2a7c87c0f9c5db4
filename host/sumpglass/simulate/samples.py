"""Samples of a simulation, with the truth of each beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.physics.gas import FloatArray
from sumpglass.simulate.sensor_output import CountArray


@dataclass(frozen=True)
class Chunk:
    """Samples in a row, all arrays (n,)."""

    t_s: FloatArray
    pressure_pa: FloatArray
    """As the sensor tells it: the codes by the data sheet's scale."""
    counts: CountArray
    port_pa: FloatArray
    """Gauge pressure in the crankcase, the truth."""
    sensed_pa: FloatArray
    """Gauge pressure at the membrane, without the sensor's errors, noise and range."""
    analogue_pa: FloatArray
    """The same with errors and noise, before range and converter: for stand-ins that do those themselves."""
    sensed_mean_pa: FloatArray
    """Mean of `sensed_pa` over the sample's period: does not alias where sampling is slower than the pulses."""
    port_mean_pa: FloatArray
    """Mean of `port_pa` likewise."""
    port_root: FloatArray
    """Mean of sign(p) sqrt|p| of `port_pa` likewise, sqrt(Pa): what drives flow through openings."""
    rpm: FloatArray
    turns: FloatArray
    """Crank angle in turns."""
    opening_cda_m2: FloatArray
    """All openings that let room air in, together: seals and breather too."""
    suction_kg_s: FloatArray
    """What the suction would draw at zero gauge pressure, less the mean blow-by: the net draw."""
    present: npt.NDArray[np.bool_]
    """False where the sensor gave no sample; the other fields then hold what it would have given."""

    @staticmethod
    def join(chunks: list[Chunk]) -> Chunk:
        """All of them in a row; an empty chunk for none."""
        names = Chunk.__dataclass_fields__
        if not chunks:
            kinds = {"counts": np.int64, "present": np.bool_}
            return Chunk(**{name: np.zeros(0, dtype=kinds.get(name, np.float64)) for name in names})
        return Chunk(**{name: np.concatenate([getattr(chunk, name) for chunk in chunks]) for name in names})

    def part(self, begin: int, end: int) -> Chunk:
        """Samples begin..end."""
        return Chunk(**{name: getattr(self, name)[begin:end] for name in Chunk.__dataclass_fields__})

    def arrived(self) -> Chunk:
        """Only what the sensor gave."""
        if self.present.all():
            return self
        return Chunk(**{name: getattr(self, name)[self.present] for name in Chunk.__dataclass_fields__})
