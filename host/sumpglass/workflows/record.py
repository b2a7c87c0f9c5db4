"""Recording without a screen: a rig or the virtual one to a casebook or a raw capture, until told to stop."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sumpglass.errors import InputError
from sumpglass.store.casebook_recorder import CaptureRecorder, CasebookRecorder
from sumpglass.workflows.live import Ended, RigHealth, Samples
from sumpglass.workflows.session import Session
from sumpglass.workflows.sources import find_rig, open_rig, open_virtual

CASEBOOK_ENDINGS = (".casebook", ".sqlite", ".db")
CAPTURE_ENDINGS = (".capture", ".raw", ".bin")
POLL_WAIT_S = 0.05


@dataclass(frozen=True)
class RecordingTally:
    """What was recorded so far."""

    path: str
    seconds: float
    samples: int
    level_pa: float | None
    health: RigHealth


def default_name() -> str:
    """A file name for a new casebook: local date and time, sorts by age."""
    return f"sumpglass-{datetime.now():%Y%m%d-%H%M%S}.casebook"


def recorder_for(path: str, source: str, cylinders: int | None = None, subject: str = "") -> Any:
    """A recorder by the ending of `path`. Raises InputError for another ending, DiskError if it cannot be made."""
    ending = os.path.splitext(path)[1].lower()
    if ending in CASEBOOK_ENDINGS:
        return CasebookRecorder(path, source=source, cylinders=cylinders, subject=subject)
    if ending in CAPTURE_ENDINGS:
        return CaptureRecorder(path)
    raise InputError(
        f"{path}: found the ending {ending or '(none)'!r}, expected .casebook, or .capture for the bytes alone; "
        "`sumpglass convert` makes CSV of either"
    )


def record(
    port: str | None,
    path: str,
    seconds: float | None = None,
    *,
    virtual: bool = False,
    cylinders: int | None = None,
    subject: str = "",
    **options: Any,
) -> Iterator[RecordingTally]:
    """Record to `path`; yields a tally twice a second and one at the end. Closing the iterator ends it properly.

    `seconds` are of recorded time. Raises DeviceError, DiskError, InputError, VersionError; what was recorded is kept.
    """
    if seconds is not None and not (math.isfinite(seconds) and seconds > 0):
        raise InputError(f"found {seconds} seconds, expected a number above 0")
    ending = os.path.splitext(path)[1].lower()
    if ending not in (*CASEBOOK_ENDINGS, *CAPTURE_ENDINGS):
        recorder_for(path, "")
    source = open_virtual(**options) if virtual else open_rig(port if port is not None else find_rig().path, **options)
    try:
        recorder = recorder_for(path, source.facts.name, cylinders, subject)
    except BaseException:
        source.close()
        raise
    session = Session(source, recorder, cylinders=cylinders)
    try:
        yield from _run(session, path, seconds)
    finally:
        session.close()


def _run(session: Session, path: str, seconds: float | None) -> Iterator[RecordingTally]:
    samples, due = 0, 0.0
    while True:
        events = session.poll(POLL_WAIT_S)
        samples += sum(len(event.t_s) for event in events if isinstance(event, Samples))
        elapsed = session.analysis.last_t_s or 0.0
        failed = session.recorder.trouble() if session.recorder is not None else None
        if failed is not None:
            raise failed
        ended = any(isinstance(event, Ended) for event in events)
        # The last sample stands one period before the end of its second.
        done = seconds is not None and elapsed + _period_s(session) >= seconds
        now = time.monotonic()
        if now >= due or done or ended:
            due = now + 0.5
            yield _tally(session, path, elapsed, samples)
        if done or ended:
            return


def _period_s(session: Session) -> float:
    scale = session.analysis.scale
    return 1.0 / scale.rate_hz if scale is not None and scale.rate_hz > 0 else 0.0


def _tally(session: Session, path: str, elapsed: float, samples: int) -> RecordingTally:
    detector = session.analysis.detector
    return RecordingTally(
        path, elapsed, samples, detector.state.level_pa if detector is not None else None, session.health()
    )
