"""Items off the wire to pressures, times, marks and faults. The live screen, replay and batch all come through here."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sumpglass.decode.board_settings import SettingsReader
from sumpglass.decode.items import Bins, BoardReset, Item, Message, Samples
from sumpglass.decode.scale import ChannelScale
from sumpglass.decode.timeline import Timeline
from sumpglass.records import FloatArray, Mark, SensorFault
from sumpglass_wire import layouts as wire

NEAR_NOMINAL = 0.02
"""Blocks follow each other at the rate that was told, within this; where they do not, samples were lost between."""
MOST_HELD = 4096
"""Blocks that may wait for the identity or the reference that explains them; the oldest are given up beyond it."""

_STEPS = np.arange(256.0)


class PressureBlock(NamedTuple):
    """Readings of one channel: f blocks of n samples. Times are seconds from the start, by the board's clock.

    The first three are (f,), or plain numbers for the one block of a live stream.
    """

    channel: int
    scale: ChannelScale
    start_us: npt.NDArray[np.int64] | int
    start_s: FloatArray | float
    """Time of each block's first sample."""
    period_s: FloatArray | float
    """Distance of the samples within each block."""
    pressure_pa: FloatArray
    """(f, n), NaN for no reading."""
    clipped: int
    low_pa: FloatArray | None = None
    high_pa: FloatArray | None = None
    mean_square_pa2: FloatArray | None = None

    @property
    def t_s(self) -> FloatArray:
        """(f * n,) time of every sample."""
        count = self.pressure_pa.shape[1]
        steps = _STEPS[:count] if count <= len(_STEPS) else np.arange(count, dtype=np.float64)
        if isinstance(self.start_s, float):
            t_s = steps * self.period_s
            t_s += self.start_s
            return t_s
        return (self.start_s[:, None] + np.atleast_1d(self.period_s)[:, None] * steps).ravel()

    @property
    def flat_pressure_pa(self) -> FloatArray:
        """(f * n,) pressure of every sample."""
        return self.pressure_pa.ravel()


Interpreted = PressureBlock | Mark | SensorFault | Message | BoardReset


class Interpreter:
    """Follows one board's identity, status and time. `take` turns items into what they mean, in order."""

    def __init__(self) -> None:
        self.timeline = Timeline()
        self.identity: Message | None = None
        self.status: Message | None = None
        self.board_settings = SettingsReader()
        self.given_up = 0
        """Blocks that no identity ever explained."""
        self._scales: dict[tuple[int, int], ChannelScale] = {}
        self._reference: int | None = None
        self._held: deque[tuple[Samples | Bins, float | None]] = deque()
        self._previous: dict[int, tuple[int, int]] = {}  # channel: first sample's time, samples, of its last block
        self._faults: dict[tuple[int, int], float] = {}

    @property
    def reference_counts(self) -> int | None:
        """Counts of the reference channel in the latest status, None if there is none."""
        return self._reference

    def scale_of(self, channel: int) -> ChannelScale | None:
        """The channel's scale in the latest identity."""
        if self.identity is None:
            return None
        return self._scales.get((self.identity.fields["configuration"], channel))

    @property
    def scales(self) -> list[ChannelScale]:
        """All channels of the latest identity."""
        if self.identity is None:
            return []
        configuration = self.identity.fields["configuration"]
        return [scale for (number, _), scale in self._scales.items() if number == configuration]

    def explains(self, item: Samples | Bins) -> bool:
        """True when this block can be turned into pressures now."""
        scale = self._scales.get((item.configuration, item.channel))
        return scale is not None and (not scale.ratiometric or self._reference is not None)

    def changes_scale(self, message: Message) -> bool:
        """True when blocks before and after `message` may read differently, so that they must not be joined."""
        if message.name == "identity":
            configuration = message.fields["configuration"]
            if self.identity is not None and message.fields["channels"] is self.identity.fields["channels"]:
                return bool(self._held)
            return bool(self._held) or any(
                self._scales.get((configuration, scale.channel)) != scale
                for scale in map(ChannelScale.of, message.fields["channels"])
            )
        if message.name == "status":
            return bool(self._held) or any(scale.ratiometric for scale in self._scales.values())
        return False

    def take(self, items: Iterable[Item], received_s: float | None = None) -> list[Interpreted]:
        """What `items` mean. `received_s` is when they came, by the host's clock; it bridges resets of the board."""
        out: list[Interpreted] = []
        for item in items:
            if isinstance(item, (Samples, Bins)):
                self._take_block(item, received_s, out)
            elif isinstance(item, Message):
                self._take_message(item, out)
            else:
                self._reset(out)
        return out

    def finish(self) -> list[Interpreted]:
        """At the end: what is held, by the last scale known; `given_up` counts the rest."""
        out: list[Interpreted] = []
        by_channel = {channel: scale for (_, channel), scale in self._scales.items()}
        while self._held:
            item, received_s = self._held.popleft()
            scale = by_channel.get(item.channel)
            if scale is None or (scale.ratiometric and self._reference is None):
                self.given_up += len(item.counts) if isinstance(item, Samples) else 1
            else:
                out.append(self._scaled(item, scale, received_s))
        return out

    def _take_block(self, item: Samples | Bins, received_s: float | None, out: list[Interpreted]) -> None:
        scale = self._scales.get((item.configuration, item.channel))
        if scale is None or (scale.ratiometric and self._reference is None):
            self._held.append((item, received_s))
            if len(self._held) > MOST_HELD:
                self._held.popleft()
                self.given_up += 1
        else:
            out.append(self._scaled(item, scale, received_s))

    def _scaled(self, item: Samples | Bins, scale: ChannelScale, received_s: float | None) -> PressureBlock:
        if isinstance(item, Samples):
            if isinstance(item.time_us, int):
                return self._scaled_one(item, item.time_us, scale, received_s)
            scaled, start_us = scale.samples(item, self._reference), item.time_us
        else:
            scaled, start_us = scale.bins(item, self._reference), np.array([item.time_us])
        count = scaled.pressure_pa.shape[1]
        period_us = self._periods(item.channel, start_us, count, 1e6 / max(scale.rate_hz, 1e-6))
        self.timeline.place(int(start_us[0]), int(start_us[-1] + period_us[-1] * (count - 1)), received_s)
        origin_us, base_s = self.timeline.runs[-1]
        return PressureBlock(
            item.channel, scale, start_us, (start_us - origin_us) * 1e-6 + base_s, period_us * 1e-6,
            scaled.pressure_pa, scaled.clipped, scaled.low_pa, scaled.high_pa, scaled.mean_square_pa2,
        )  # fmt: skip

    def _scaled_one(self, item: Samples, start_us: int, scale: ChannelScale, received_s: float | None) -> PressureBlock:
        """Live, block by block: the same, with numbers instead of arrays of one."""
        pressure_pa, clipped = scale.pressures(item.counts, self._reference)
        count = pressure_pa.shape[1]
        nominal_us = 1e6 / max(scale.rate_hz, 1e-6)
        before = self._previous.get(item.channel)
        period_us = (start_us - before[0]) / before[1] if before else nominal_us
        if not abs(period_us - nominal_us) <= NEAR_NOMINAL * nominal_us:
            period_us = nominal_us
        self._previous[item.channel] = (start_us, count)
        start_s = self.timeline.place(start_us, int(start_us + period_us * (count - 1)), received_s)
        return PressureBlock(item.channel, scale, start_us, start_s, period_us * 1e-6, pressure_pa, clipped)

    def _periods(self, channel: int, start_us: npt.NDArray[np.int64], count: int, nominal_us: float) -> FloatArray:
        """(f,) sample distance of each block: that of the block before it where nothing was lost between."""
        before = self._previous.get(channel)
        measured = np.empty(len(start_us))
        measured[1:] = np.diff(start_us) / count
        measured[0] = (int(start_us[0]) - before[0]) / before[1] if before else nominal_us
        self._previous[channel] = (int(start_us[-1]), count)
        return np.where(np.abs(measured - nominal_us) <= NEAR_NOMINAL * nominal_us, measured, nominal_us)

    def _take_message(self, message: Message, out: list[Interpreted]) -> None:
        out.append(message)
        if message.name == "identity":
            known = self.identity is not None and message.fields["channels"] is self.identity.fields["channels"]
            self.identity = message
            if known:
                return
            configuration = message.fields["configuration"]
            # Numbers of configurations turn over at 256: an old one must not outlive its number.
            self._scales = {key: scale for key, scale in self._scales.items() if key[0] != configuration}
            for fields in message.fields["channels"]:
                self._scales[configuration, fields["channel"]] = ChannelScale.of(fields)
            self._release(out)
        elif message.name == "status":
            self.status = message
            reference = message.fields["reference_counts"]
            self._reference = None if reference == wire.NO_REFERENCE else reference
            self._follow_faults(message, out)
            self._release(out)
        elif message.name == "answer":
            self.board_settings.take(message)
        elif message.name == "mark":
            length = " (long press)" if message.fields["kind"] == 2 else ""
            t_s = self.timeline.t_s(message.time_us)
            out.append(Mark(t_s, f"note button {message.fields['number']}{length}", "board"))

    def _release(self, out: list[Interpreted]) -> None:
        waiting = list(self._held)
        self._held.clear()
        for item, received_s in waiting:
            self._take_block(item, received_s, out)

    def _follow_faults(self, message: Message, out: list[Interpreted]) -> None:
        if not message.fields["faults"] and not self._faults:
            return
        t_s = self.timeline.t_s(message.time_us)
        now = {(fault["channel"], fault["kind"]) for fault in message.fields["faults"]}
        for key in now - self._faults.keys():
            self._faults[key] = t_s
            out.append(SensorFault(t_s, None, _fault_kind(key[1]), key[0]))
        for key in self._faults.keys() - now:
            out.append(SensorFault(self._faults.pop(key), t_s, _fault_kind(key[1]), key[0]))

    def _reset(self, out: list[Interpreted]) -> None:
        self.timeline.reset()
        self._previous.clear()
        self._scales.clear()
        self._reference = None
        self.identity = self.status = None
        out.append(BoardReset())


def _fault_kind(kind: int) -> str:
    return wire.FAULT_KINDS.get(kind, "not_ready")
