"""What a person asks of `sumpglass watch`. Loads nothing, so that the first paint waits for nothing."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class WatchRequest:
    """What a person asked for."""

    port: str | None = None
    scenario: str | None = None
    """Name of a scenario for the virtual rig; None for a real one."""
    out: str | None = None
    """Casebook to write to; None picks a name."""
    record: bool = True
    cylinders: int | None = None
    zero_pa: float | None = None
    rate_hz: float | None = None
    subject: str = ""
    seed: int = 1
    serve: tuple[str, int] | None = None
    """Host and port at which a second screen may watch."""
    serve_marks: bool = False
    """Whether it may set marks."""
