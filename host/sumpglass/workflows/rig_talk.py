"""Asking a rig and listening to it for a while: what deploying, checking, calibrating and setting up have in common."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sumpglass.decode.assemble import RecordingBuilder
from sumpglass.decode.items import FrameCounts, Message
from sumpglass.decode.stream import StreamDecoder
from sumpglass.errors import DeviceError
from sumpglass.link.source import Chunk, Connection, Source
from sumpglass.records import Recording
from sumpglass.workflows.sources import find_rig, open_rig, open_virtual
from sumpglass_wire import layouts as wire

ANSWER_WAIT_S = 3.0
SILENCE_S = 3.0
FRESH_S = 0.2
"""Three blocks at 1 kHz; a block holds what was sampled before it was sent."""


class RequestRefused(DeviceError):
    """The rig answered, and the answer was no."""


@dataclass(frozen=True)
class Listening:
    """How far a recording is: seconds recorded of seconds wanted, and the latest level as it came."""

    seconds: float
    wanted_s: float


class RigTalk:
    """A conversation with one rig. Use as a context manager; raises DeviceError when the rig goes silent."""

    def __init__(self, source: Source, channel: int | None = None) -> None:
        self.source = source
        self.channel = channel
        self.status: dict[str, Any] = {}
        """Fields of the latest STATUS."""
        self._decoder = StreamDecoder()
        self._identity: Message | None = getattr(source, "identity", None)

    @classmethod
    def open(
        cls, port: str | None, virtual: bool = False, channel: int | None = None, rest_s: float = 75.0, **options: Any
    ) -> RigTalk:
        """The rig on `port`, the only one plugged in (None), or a virtual one on a bench, tapped after `rest_s`."""
        if virtual:
            return cls(open_virtual(scenario=bench_pressure(rest_s), **options), channel)
        source = open_rig(port or find_rig().path, **options)
        return cls(source, channel)

    def __enter__(self) -> RigTalk:
        return self

    def __exit__(self, *_: object) -> None:
        self.source.close()

    @property
    def identity(self) -> dict[str, Any]:
        """Fields of the latest IDENTITY."""
        if self._identity is None:
            raise DeviceError(
                f"{self.source.facts.name}: the rig has not said who it is: unplug it and plug it in again"
            )
        return self._identity.fields

    @property
    def board_id(self) -> str:
        """The chip's number, hexadecimal."""
        return bytes(self.identity["board_id"]).hex()

    @property
    def firmware_digest(self) -> str:
        """Of the firmware that runs, first 8 bytes, hexadecimal."""
        return bytes(self.identity["firmware_digest"]).hex()

    def channel_fields(self) -> dict[str, Any]:
        """IDENTITY's facts of the channel that is listened to. Raises DeviceError when the rig has no such one."""
        for fields in self.identity["channels"]:
            if fields["channel"] == self.channel or (self.channel is None and fields["quantity"] == 1):
                return dict(fields)
        raise DeviceError(
            f"{self.source.facts.name}: the rig has no channel {self.channel}, see `sumpglass rig settings`"
        )

    def ask(self, kind: int, fields: dict[str, Any] | None = None, wait_s: float = ANSWER_WAIT_S) -> dict[str, Any]:
        """Send a request and wait for its answer's fields. Raises DeviceError when it is refused or nothing comes."""
        sequence = self.source.request(kind, fields)
        until = time.monotonic() + wait_s
        while time.monotonic() < until:
            for item in self._poll():
                if not isinstance(item, Message) or item.fields.get("request_sequence") != sequence:
                    continue
                if item.name == "error":
                    words = item.fields["text"] or wire.ERROR_CODES.get(item.fields["code"], "no reason given")
                    raise RequestRefused(f"{self.source.facts.name}: the rig refuses to {wire.NAMES[kind]}: {words}")
                if item.name == "answer":
                    return item.fields
        raise DeviceError(f"{self.source.facts.name}: the rig does not answer: unplug it, plug it in again")

    def listen(self, seconds: float) -> Iterator[Listening]:
        """Record for `seconds`; yields progress, leaves the recording in `heard`."""
        self._forget_the_past()
        builder = RecordingBuilder(self.channel)
        if self._identity is not None:
            builder.add([self._identity])
        before = replace_counts(self._decoder.counts)
        began = heard_at = time.monotonic()
        told = 0.0
        while (now := time.monotonic()) - began < seconds:
            items = self._poll()
            if items:
                heard_at = now
                builder.add(items, now)
            elif now - heard_at > SILENCE_S:
                raise DeviceError(
                    f"{self.source.facts.name}: nothing has come for {SILENCE_S:g} s: check cable and port"
                )
            if now - told >= 0.5:
                told = now
                yield Listening(now - began, seconds)
        counts = replace_counts(self._decoder.counts)
        for name in ("frames", "lost", "damaged", "repeated", "unknown"):
            setattr(counts, name, getattr(counts, name) - getattr(before, name))
        self.heard: Recording = builder.build(self.source.facts.name, counts, self._decoder.refusal, source="capture")

    def _forget_the_past(self) -> None:
        """What waited while a person read the column is from before: and so is the first block after it."""
        until = time.monotonic() + FRESH_S
        while time.monotonic() < until:
            self._poll(0.02)

    def record(self, seconds: float) -> Recording:
        """The same without progress."""
        for _ in self.listen(seconds):
            pass
        return self.heard

    def _poll(self, wait_s: float = 0.1) -> list[Any]:
        items: list[Any] = []
        for arrival in self.source.poll(wait_s):
            if isinstance(arrival, Connection) and not arrival.connected:
                raise DeviceError(arrival.sentence or f"{self.source.facts.name}: the rig is gone")
            if isinstance(arrival, Chunk):
                items += self._decoder.feed(arrival.data)
        for item in items:
            if isinstance(item, Message) and item.name == "identity":
                self._identity = item
            elif isinstance(item, Message) and item.name == "status":
                self.status = item.fields
        return items


def bench_pressure(rest_s: float, seed: int = 0) -> Any:
    """What a virtual rig on a bench sees, open to the room: a few pascals of offset and noise, taps after `rest_s`."""
    from sumpglass.link.virtual_feed import RATE_HZ, ArraySource

    taps_from_s, taps_s = rest_s + 3.0, 30.0
    t_s = np.arange(round((taps_from_s + taps_s) * RATE_HZ)) / RATE_HZ
    pressure = np.random.default_rng(seed).normal(8.0, 2.0, len(t_s))
    since = np.where(t_s > taps_from_s, (t_s - taps_from_s) % 1.0, 1.0)
    # A fingertip closes the end in 4 ms; the air that it pushed in leaks out again.
    pressure += 150.0 * np.clip(since / 0.004, 0.0, 1.0) * np.exp(-since / 0.06)
    return ArraySource(pressure)


def replace_counts(counts: FrameCounts) -> FrameCounts:
    """A copy that does not go on counting."""
    return replace(counts)
