"""A whole recording out of decoded items: one channel's samples joined, times fitted, losses counted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from sumpglass.decode.clock import ClockFit
from sumpglass.decode.interpret import Interpreted, Interpreter, PressureBlock
from sumpglass.decode.items import FrameCounts, Item, Message, Samples
from sumpglass.decode.timing import GAP_PERIODS
from sumpglass.errors import InputError, VersionError
from sumpglass.records import FloatArray, LinkLosses, Mark, Recording, SensorFault

JOINED_FRAMES = 1 << 17
"""Blocks of one kind that are scaled in one go."""


@dataclass
class _Piece:
    """The readings of one `PressureBlock` as they are kept until the end: single precision, half the memory."""

    block: PressureBlock
    pressure_pa: FloatArray


class RecordingBuilder:
    """Takes items in order, as a whole file or bit by bit, and gives the `Recording` of one channel."""

    def __init__(self, channel: int | None = None) -> None:
        self.interpreter = Interpreter()
        self._channel = channel
        self._waiting: list[Samples] = []
        self._waiting_frames = 0
        self._waiting_received_s: float | None = None
        self._pieces: list[_Piece] = []
        self._marks: list[Mark] = []
        self._faults: list[SensorFault] = []
        self._late = 0
        self._overruns = 0
        self._zero_reference: int | None = None
        self._last_identity: Message | None = None

    def add(self, items: Iterable[Item], received_s: float | None = None) -> None:
        """Take decoded items; blocks of one kind that follow each other are joined first, which is much faster."""
        for item in items:
            if isinstance(item, Samples):
                if not self._joins(item):
                    self._flush()
                self._waiting.append(item)
                self._waiting_frames += len(item.time_us)
                self._waiting_received_s = received_s
            elif isinstance(item, Message) and not self.interpreter.changes_scale(item) and item.name != "mark":
                self._keep(self.interpreter.take([item], received_s))
            else:
                self._flush()
                self._keep(self.interpreter.take([item], received_s))

    def _joins(self, item: Samples) -> bool:
        if not self._waiting:
            return True
        first = self._waiting[0]
        same = (first.channel, first.configuration) == (item.channel, item.configuration)
        return same and first.counts.shape[1] == item.counts.shape[1] and self._waiting_frames < JOINED_FRAMES

    def _flush(self) -> None:
        if not self._waiting:
            return
        first = self._waiting[0]
        joined = first
        if len(self._waiting) > 1:
            joined = Samples(
                first.channel,
                first.configuration,
                np.concatenate([item.time_us for item in self._waiting]),
                np.concatenate([item.counts for item in self._waiting]),
            )
        self._waiting.clear()
        self._waiting_frames = 0
        self._keep(self.interpreter.take([joined], self._waiting_received_s))

    def _keep(self, things: list[Interpreted]) -> None:
        for thing in things:
            if isinstance(thing, PressureBlock):
                if self._wanted(thing):
                    single = thing.pressure_pa.astype(np.float32, copy=False)
                    self._pieces.append(_Piece(_without_pressure(thing), single))
            elif isinstance(thing, Mark):
                self._marks.append(thing)
            elif isinstance(thing, SensorFault):
                if thing.t1_s is not None:
                    self._faults = [f for f in self._faults if (f.t0_s, f.kind, f.channel) != _fault_key(thing)]
                self._faults.append(thing)
            elif isinstance(thing, Message):
                self._keep_message(thing)

    def _wanted(self, block: PressureBlock) -> bool:
        if self._channel is None and block.scale.quantity == "differential_pressure":
            self._channel = block.channel
        return block.channel == self._channel

    def _keep_message(self, message: Message) -> None:
        if message.name == "status":
            # Both count from the start of streaming; a new start must not make the sum fall.
            self._late = max(self._late, message.fields["late_samples"])
            self._overruns = max(self._overruns, message.fields["overruns"])
            if self._zero_reference is None:
                self._zero_reference = self.interpreter.reference_counts
        elif message.name == "identity":
            self._last_identity = message

    def finish(self) -> None:
        """No more items will come; `build` does it too."""
        self._flush()
        self._keep(self.interpreter.finish())

    def build(
        self,
        where: str,
        counts: FrameCounts,
        refusal: str | None = None,
        clock: ClockFit | None = None,
        name: str = "",
        source: str = "capture",
        more_marks: Iterable[Mark] = (),
        named: Mapping[float, str] | None = None,
    ) -> Recording:
        """The recording. `where` names the file in errors; `clock` maps the board's seconds to the host's.

        `more_marks` are those of the host, by the board's pace; `named` gives board marks (by time) another text.

        Raises InputError where there is not one sample that can be read, VersionError where all frames were of
        another version.
        """
        self.finish()
        if not self._pieces:
            raise _nothing(where, counts, refusal, self.interpreter.given_up, self._channel)
        warnings: list[str] = []
        pieces = self._in_order(warnings)
        start_s = np.concatenate([piece.block.start_s for piece in pieces])
        period_s = np.concatenate([piece.block.period_s for piece in pieces])
        sizes = np.concatenate([np.full(len(p.block.start_s), p.pressure_pa.shape[1]) for p in pieces])
        stretch = 1.0 + (clock.trusted_rate if clock is not None else 0.0)
        t_s, pressure = _joined(pieces, start_s * stretch, period_s * stretch)
        low, high, square = _joined_bins(pieces, pressure)
        scale = pieces[-1].block.scale
        missing, gaps = _missing_between(start_s, period_s, sizes)
        faulty = int(np.count_nonzero(np.isnan(pressure)))
        median_s = float(np.median(period_s))
        rate = scale.rate_hz if abs(median_s * scale.rate_hz - 1.0) < 2e-3 else 1.0 / median_s
        self._tell(warnings, counts, refusal, missing, gaps, faulty, len(t_s))
        zero = scale.zero(self._zero_reference)
        return Recording(
            t_s=t_s,
            pressure_pa=pressure,
            marks=self._all_marks(more_marks, named or {}, stretch),
            rate_hz=rate if len(t_s) > 1 else None,
            missing=missing + faulty,
            sensor=scale.facts(),
            line=self.interpreter.board_settings.line(scale.channel),
            zero=zero,
            losses=LinkLosses(
                counts.frames, counts.lost, counts.damaged, counts.repeated, counts.unknown, self._late, self._overruns
            ),
            sensor_faults=tuple(f for f in self._faults if f.channel == self._channel),
            pressure_low_pa=low,
            pressure_high_pa=high,
            mean_square_pa2=square,
            name=name,
            source=source,
            warnings=tuple(warnings),
        )

    def _all_marks(self, more: Iterable[Mark], named: Mapping[float, str], stretch: float) -> tuple[Mark, ...]:
        """All marks by time, on the host's clock. Both ends hold times as they came, so equal times mean one mark."""
        own = [Mark(mark.t_s, named.get(mark.t_s, mark.text), mark.origin) for mark in self._marks]
        marks = (Mark(mark.t_s * stretch, mark.text, mark.origin) for mark in (*own, *more))
        return tuple(sorted(marks, key=lambda mark: mark.t_s))

    def _in_order(self, warnings: list[str]) -> list[_Piece]:
        """The pieces with every block that does not lie behind all before it left out: times must increase."""
        kept, dropped, end_s = [], 0, -np.inf
        for piece in self._pieces:
            start, size = piece.block.start_s, piece.pressure_pa.shape[1]
            last = start + piece.block.period_s * (size - 1)
            furthest = np.maximum.accumulate(np.concatenate([[end_s], last]))
            good = start > furthest[:-1]
            if not good.all():
                dropped += int(np.count_nonzero(~good)) * size
                if not good.any():
                    continue
                piece = _Piece(_rows_of(piece.block, good), piece.pressure_pa[good])
            end_s = float(furthest[-1])
            kept.append(piece)
        if dropped:
            warnings.append(f"{dropped} samples with times that did not increase were left out.")
        self._pieces = []
        return kept

    def _tell(
        self,
        warnings: list[str],
        counts: FrameCounts,
        refusal: str | None,
        missing: int,
        gaps: int,
        faulty: int,
        n: int,
    ) -> None:
        if n == 1:
            warnings.append("The recording is a single sample, so it has no rate.")
        if missing:
            warnings.append(f"{missing} samples are missing in {gaps} gap{'s' if gaps > 1 else ''}.")
        if faulty:
            warnings.append(f"{faulty} readings were told as faulty by the board and are left out.")
        if counts.lost or counts.damaged:
            warnings.append(
                f"{counts.lost} frames were lost and {counts.damaged} pieces between frames could not be read."
            )
        if counts.resets:
            unknown = self.interpreter.timeline.unknown_gaps
            away = "; how long it was away is not known and taken as 1 s" if unknown else ""
            warnings.append(f"The board started anew {counts.resets} time{'s' if counts.resets > 1 else ''}{away}.")
        if self.interpreter.given_up:
            warnings.append(f"{self.interpreter.given_up} blocks came without an identity that explains them.")
        if refusal:
            warnings.append(f"{counts.other_version} frames were not read: {refusal}.")


def _fault_key(fault: SensorFault) -> tuple[float, str, int]:
    return fault.t0_s, fault.kind, fault.channel


def _nothing(
    where: str, counts: FrameCounts, refusal: str | None, given_up: int, channel: int | None
) -> InputError | VersionError:
    if refusal and not counts.frames:
        return VersionError(f"{where}: {refusal}")
    if given_up:
        return InputError(
            f"{where}: found sample blocks but no identity of the board, expected one: record from before the start"
        )
    if counts.frames:
        which = "differential pressure" if channel is None else f"channel {channel}"
        return InputError(f"{where}: found {counts.frames} frames but no samples of {which}, expected at least one")
    return InputError(
        f"{where}: byte 0: found no frame with a right checksum, expected a raw capture, a casebook or CSV"
    )


def _without_pressure(block: PressureBlock) -> PressureBlock:
    # `pressure_pa` is kept in single precision beside it: the double one would double the memory.
    return PressureBlock(
        block.channel, block.scale, block.start_us, block.start_s, block.period_s,
        np.empty((0, block.pressure_pa.shape[1])), block.clipped, block.low_pa, block.high_pa, block.mean_square_pa2,
    )  # fmt: skip


def _rows_of(block: PressureBlock, which: np.ndarray) -> PressureBlock:
    def rows(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else values[which]

    return PressureBlock(
        block.channel, block.scale, block.start_us[which], block.start_s[which], block.period_s[which],
        block.pressure_pa, block.clipped, rows(block.low_pa), rows(block.high_pa), rows(block.mean_square_pa2),
    )  # fmt: skip


def _joined(pieces: list[_Piece], start_s: FloatArray, period_s: FloatArray) -> tuple[FloatArray, FloatArray]:
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


def _joined_bins(
    pieces: list[_Piece], pressure: FloatArray
) -> tuple[FloatArray | None, FloatArray | None, FloatArray | None]:
    if all(piece.block.low_pa is None for piece in pieces):
        return None, None, None
    low, high, square = pressure.copy(), pressure.copy(), pressure.astype(np.float64) ** 2
    at = 0
    for piece in pieces:
        block = piece.block
        size = len(block.start_s) * block.pressure_pa.shape[1]
        if block.low_pa is not None and block.high_pa is not None and block.mean_square_pa2 is not None:
            low[at : at + size] = block.low_pa.ravel()
            high[at : at + size] = block.high_pa.ravel()
            square[at : at + size] = block.mean_square_pa2.ravel()
        at += size
    return low, high, square


def _missing_between(start_s: FloatArray, period_s: FloatArray, sizes: FloatArray) -> tuple[int, int]:
    """Samples that should stand between the blocks, and the number of gaps."""
    steps = np.diff(start_s) - period_s[:-1] * (sizes[:-1] - 1)
    gap = steps > GAP_PERIODS * period_s[:-1]
    wide = np.rint(steps[gap] / period_s[:-1][gap]) - 1
    return int(np.maximum(wide, 1).sum()), int(np.count_nonzero(gap))
