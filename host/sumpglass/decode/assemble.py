"""A whole recording out of decoded items: one channel's samples joined, times fitted, losses counted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from sumpglass.decode.clock import ClockFit
from sumpglass.decode.interpret import Interpreted, Interpreter, PressureBlock
from sumpglass.decode.items import FrameCounts, Item, Message, Samples
from sumpglass.decode.pieces import Piece, in_order, joined, joined_bins, missing_between
from sumpglass.errors import InputError, VersionError
from sumpglass.records import LinkLosses, Mark, Recording, SensorFault

JOINED_FRAMES = 1 << 17
"""Blocks of one kind that are scaled in one go."""


class RecordingBuilder:
    """Takes items in order, as a whole file or bit by bit, and gives the `Recording` of one channel."""

    def __init__(self, channel: int | None = None) -> None:
        self.interpreter = Interpreter()
        self._channel = channel
        self._waiting: list[Samples] = []
        self._waiting_frames = 0
        self._waiting_received_s: float | None = None
        self._pieces: list[Piece] = []
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
                self._waiting_frames += len(item.counts)
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
                np.concatenate([item.times_us for item in self._waiting]),
                np.concatenate([item.counts for item in self._waiting]),
            )
        self._waiting.clear()
        self._waiting_frames = 0
        self._keep(self.interpreter.take([joined], self._waiting_received_s))

    def _keep(self, things: list[Interpreted]) -> None:
        for thing in things:
            if isinstance(thing, PressureBlock):
                if self._wanted(thing):
                    self._pieces.append(Piece.of(thing))
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
        pieces, dropped = in_order(self._pieces)
        self._pieces = []
        if dropped:
            warnings.append(f"{dropped} samples with times that did not increase were left out.")
        start_s = np.concatenate([piece.start_s for piece in pieces])
        period_s = np.concatenate([piece.period_s for piece in pieces])
        sizes = np.concatenate([np.full(len(piece.start_s), piece.samples) for piece in pieces])
        stretch = 1.0 + (clock.trusted_rate if clock is not None else 0.0)
        t_s, pressure = joined(pieces, start_s * stretch, period_s * stretch)
        low, high, square = joined_bins(pieces, pressure)
        scale = pieces[-1].scale
        missing, gaps = missing_between(start_s, period_s, sizes)
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
