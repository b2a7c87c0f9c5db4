"""What comes out of the decoder, in the order in which it came off the wire."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt


class Samples(NamedTuple):
    """One or more blocks of one channel, all of the same length and configuration.

    `time_us` is the board's time of each block's first sample, (f,) int64, or of the only block a plain number, which a
    live stream makes sooner than an array; `counts` (f, n) int16 or int32 are the counts as they were sent, the most
    negative value where there was no valid reading.
    """

    channel: int
    configuration: int
    time_us: npt.NDArray[np.int64] | int
    counts: npt.NDArray[np.signedinteger]

    @property
    def times_us(self) -> npt.NDArray[np.int64]:
        """`time_us` as (f,) int64."""
        return np.atleast_1d(np.asarray(self.time_us, np.int64))


@dataclass(frozen=True)
class Bins:
    """One block of bins of one channel: `mean`, `least`, `greatest`, `mean_square` are (n,), in counts."""

    channel: int
    configuration: int
    width: int
    time_us: int
    mean: npt.NDArray[np.float32]
    least: npt.NDArray[np.signedinteger]
    greatest: npt.NDArray[np.signedinteger]
    mean_square: npt.NDArray[np.float32]


@dataclass(frozen=True)
class Message:
    """Any other message. `name` and `fields` are those of `sumpglass_wire.layouts`."""

    name: str
    time_us: int
    fields: dict[str, Any]
    end: int = 0
    """Bytes of the stream up to and with this message's frame; tells in which chunk it arrived."""


@dataclass(frozen=True)
class BoardReset:
    """The board started anew between the item before this and the next: its clock begins again near zero."""


Item = Samples | Bins | Message | BoardReset


@dataclass
class FrameCounts:
    """What the decoder has seen so far."""

    frames: int = 0
    """Frames whose checksum agrees."""
    lost: int = 0
    damaged: int = 0
    """Not COBS, too long, wrong checksum, or a checksum that agrees over a body that makes no sense."""
    repeated: int = 0
    unknown: int = 0
    """Good frames of a type that this program does not know."""
    other_version: int = 0
    resets: int = 0
