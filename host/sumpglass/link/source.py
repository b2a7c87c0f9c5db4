"""The one interface behind which a port, a virtual board, a raw capture, a casebook, CSV and the simulator stand."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

from sumpglass.records import FloatArray, Mark, SensorFacts, Zero


@dataclass(frozen=True)
class Chunk:
    """Bytes as they came off the wire. `received_s` is by the host's monotonic clock, None where nobody noted it."""

    data: bytes
    received_s: float | None


@dataclass(frozen=True)
class Readings:
    """Readings (n,) that never were frames: CSV, and casebooks made from it."""

    t_s: FloatArray
    pressure_pa: FloatArray


@dataclass(frozen=True)
class Connection:
    """The port came (back) or went. `sentence` says what happened and what to do; None when all is well."""

    connected: bool
    sentence: str | None = None
    gone: bool = False
    """True when the port itself went; False when it is there and nobody answers."""
    fresh: bool = False
    """True when the port was opened anew: an unfinished frame from before will never end."""


@dataclass(frozen=True)
class End:
    """The source has no more to give."""

    sentence: str


Arrival = Chunk | Readings | Mark | Connection | End


@dataclass(frozen=True)
class SourceFacts:
    """What is known beside the stream itself."""

    name: str
    """Port or file, for a person."""
    mode: str
    """"LIVE", "VIRTUAL" or "REPLAY"."""
    sensor: SensorFacts | None = None
    zero: Zero | None = None
    cylinders: int | None = None
    subject: str = ""
    rate_hz: float | None = None
    extra: dict[str, Any] = field(default_factory=dict)


class Source(Protocol):
    """Gives what arrived. All sources are polled; none calls back, none blocks for longer than `wait_s`."""

    facts: SourceFacts

    def poll(self, wait_s: float = 0.0) -> list[Arrival]:
        """What came since the last call, in order; waits for it up to `wait_s`."""

    def request(self, kind: int, fields: dict[str, Any] | None = None) -> int | None:
        """Send a request to the board; its sequence number, or None where there is no board."""

    def restart(self) -> None:
        """The stream has stopped though the port is there: have the board started again, soon."""

    def close(self) -> None:
        """Let go of the port or file. Closing twice is allowed."""
