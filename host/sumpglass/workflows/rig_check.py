"""Acceptance of a built rig: listen at rest, listen to taps, judge."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from sumpglass import __version__
from sumpglass.analysis.acceptance import FAILED, PASSED, UNKNOWN, BoardFacts, Check, judge_rest, judge_taps
from sumpglass.deploy.payload import find_payload
from sumpglass.errors import DiskError, InputError
from sumpglass.records import Recording
from sumpglass.report.rig_page import rig_page
from sumpglass.workflows.rig_talk import Listening, RigTalk
from sumpglass_wire import layouts as wire

REST_S = 75.0
TAPS_S = 10.0


@dataclass(frozen=True)
class Prompt:
    """What the person has to do now."""

    text: str


@dataclass(frozen=True)
class RigReport:
    """All checks of one rig."""

    board: str
    board_id: str
    firmware: str
    part: str
    checks: tuple[Check, ...]
    warnings: tuple[str, ...] = ()

    @property
    def accepted(self) -> bool:
        """No check failed."""
        return not any(check.outcome == FAILED for check in self.checks)


def check_rig(talk: RigTalk, rest_s: float = REST_S, taps: bool = True) -> Iterator[Prompt | Listening | RigReport]:
    """Yields prompts and progress, and the report at the end. Raises DeviceError, InputError."""
    if not 3.0 <= rest_s <= 3600.0:
        raise InputError(f"found {rest_s:g} s at rest, expected 3 to 3600: drift shows from 45 s on")
    yield Prompt(f"Engine off, hose end open to the room, hands off: {rest_s:.0f} s")
    yield from talk.listen(rest_s)
    rest = talk.heard
    checks = judge_rest(rest, board_facts(talk))
    if taps:
        yield Prompt(f"Tap the open end of the hose with a fingertip, once a second: {TAPS_S:.0f} s")
        yield from talk.listen(TAPS_S)
        checks.append(judge_taps(talk.heard))
    checks.append(_firmware(talk.firmware_digest))
    yield _report(talk, rest, checks)


def board_facts(talk: RigTalk) -> BoardFacts:
    """What STATUS and IDENTITY say, in the words of `analysis.acceptance`."""
    status, channel = talk.status, talk.channel_fields()
    faults = tuple(sorted({wire.FAULT_KINDS.get(fault["kind"], "unknown") for fault in status.get("faults", [])}))
    supply_mv, lateness = status.get("supply_mv"), status.get("largest_lateness_us")
    return BoardFacts(
        nominal_rate_hz=channel["rate_millihertz"] / 1000.0,
        late_samples=status.get("late_samples"),
        overruns=status.get("overruns"),
        largest_lateness_s=None if lateness is None else lateness / 1e6,
        free_memory_bytes=status.get("free_memory_bytes"),
        supply_v=supply_mv / 1000.0 if supply_mv else None,
        dropped_frames=status.get("dropped_frames"),
        faults=faults,
    )


def _firmware(digest: str) -> Check:
    mine = find_payload().short_digest
    return Check(
        "firmware", PASSED if digest == mine else FAILED,
        "the same as this program's" if digest == mine else "another than this program's: run `sumpglass rig deploy`",
        "the same files, by their digest", "an old firmware may lack what this program asks for",
    )  # fmt: skip


def _report(talk: RigTalk, rest: Recording, checks: list[Check]) -> RigReport:
    fields = talk.identity
    version = ".".join(str(fields[f"firmware_{part}"]) for part in ("major", "minor", "patch"))
    unknown = [check.name for check in checks if check.outcome == UNKNOWN]
    warnings = (f"not known: {', '.join(unknown)}",) if unknown else ()
    return RigReport(fields["board"], talk.board_id, version, rest.sensor.part, tuple(checks), warnings)


def write_page(path: str, report: RigReport) -> None:
    """The page to print. Raises DiskError."""
    text = rig_page(
        report.board, report.board_id, report.firmware, report.part, report.checks,
        datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"), f"sumpglass {__version__}",
    )  # fmt: skip
    try:
        with open(path, "w", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise DiskError(f"{path}: cannot be written ({error.strerror}): choose another place") from None
