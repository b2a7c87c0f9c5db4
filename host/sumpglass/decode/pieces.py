"""The readings of a recording as they are kept until its end, put in order and joined."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sumpglass.decode.interpret import PressureBlock
from sumpglass.decode.scale import ChannelScale
from sumpglass.decode.timing import GAP_PERIODS
from sumpglass.records import FloatArray


@dataclass
class Piece:
    """One `PressureBlock` in single precision, which is half the memory: f blocks of `samples` samples."""

    scale: ChannelScale
    start_s: FloatArray
    """(f,)"""
    period_s: FloatArray
    """(f,)"""
    samples: int
    pressure_pa: FloatArray
    """(f, n); given up once it is joined."""
    low_pa: FloatArray | None = None
    high_pa: FloatArray | None = None
    mean_square_pa2: FloatArray | None = None

    @classmethod
    def of(cls, block: PressureBlock) -> Piece:
        """The readings of `block`."""
        return cls(
            block.scale, np.atleast_1d(block.start_s), np.atleast_1d(block.period_s), block.pressure_pa.shape[1],
            block.pressure_pa.astype(np.float32, copy=False), block.low_pa, block.high_pa, block.mean_square_pa2,
        )  # fmt: skip

    def rows(self, which: np.ndarray) -> Piece:
        """The blocks `which` of them."""

        def of(values: FloatArray | None) -> FloatArray | None:
            return None if values is None else values[which]

        return replace(
            self, start_s=self.start_s[which], period_s=self.period_s[which], pressure_pa=self.pressure_pa[which],
            low_pa=of(self.low_pa), high_pa=of(self.high_pa), mean_square_pa2=of(self.mean_square_pa2),
        )  # fmt: skip


def in_order(pieces: list[Piece]) -> tuple[list[Piece], int]:
    """The pieces without the blocks that do not lie behind all before them, and how many samples that left out."""
    kept, dropped, end_s = [], 0, -np.inf
    for piece in pieces:
        last = piece.start_s + piece.period_s * (piece.samples - 1)
        furthest = np.maximum.accumulate(np.concatenate([[end_s], last]))
        good = piece.start_s > furthest[:-1]
        if not good.all():
            dropped += int(np.count_nonzero(~good)) * piece.samples
            if not good.any():
                continue
            piece = piece.rows(good)
        end_s = float(furthest[-1])
        kept.append(piece)
    return kept, dropped


def joined(pieces: list[Piece], start_s: FloatArray, period_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n,) times and pressures of all pieces, written once into their final place."""
    total = sum(piece.pressure_pa.size for piece in pieces)
    t_s = np.empty(total)
    pressure = pieces[0].pressure_pa.ravel() if len(pieces) == 1 else np.empty(total, np.float32)
    at = frame = 0
    for piece in pieces:
        f, n = piece.pressure_pa.shape
        if len(pieces) > 1:
            pressure[at : at + f * n] = piece.pressure_pa.ravel()
        piece.pressure_pa = piece.pressure_pa[:0]
        rows, starts, periods = (
            t_s[at : at + f * n].reshape(f, n),
            start_s[frame : frame + f],
            period_s[frame : frame + f],
        )
        if (periods == periods[0]).all():
            np.add(starts[:, None], periods[0] * np.arange(n), out=rows)
        else:
            np.multiply(periods[:, None], np.arange(n), out=rows)
            rows += starts[:, None]
        at += f * n
        frame += f
    return t_s, pressure


def joined_bins(
    pieces: list[Piece], pressure: FloatArray
) -> tuple[FloatArray | None, FloatArray | None, FloatArray | None]:
    """(n,) least, greatest and mean square of every bin; three times None where nothing came as bins."""
    if all(piece.low_pa is None for piece in pieces):
        return None, None, None
    low, high, square = pressure.copy(), pressure.copy(), pressure.astype(np.float64) ** 2
    at = 0
    for piece in pieces:
        size = len(piece.start_s) * piece.samples
        if piece.low_pa is not None and piece.high_pa is not None and piece.mean_square_pa2 is not None:
            low[at : at + size] = piece.low_pa.ravel()
            high[at : at + size] = piece.high_pa.ravel()
            square[at : at + size] = piece.mean_square_pa2.ravel()
        at += size
    return low, high, square


def missing_between(start_s: FloatArray, period_s: FloatArray, sizes: FloatArray) -> tuple[int, int]:
    """Samples that should stand between the blocks, and the number of gaps."""
    steps = np.diff(start_s) - period_s[:-1] * (sizes[:-1] - 1)
    gap = steps > GAP_PERIODS * period_s[:-1]
    wide = np.rint(steps[gap] / period_s[:-1][gap]) - 1
    return int(np.maximum(wide, 1).sum()), int(np.count_nonzero(gap))
