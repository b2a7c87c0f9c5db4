"""A decoder that leaves out what only repeats gives the same recording as one that leaves out nothing."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from wire_making import identity, message, samples, status

from sumpglass.decode.assemble import RecordingBuilder
from sumpglass.decode.items import Message
from sumpglass.decode.stream import StreamDecoder
from sumpglass.records import Recording
from sumpglass_wire import layouts as wire

TRACES = sorted(Path(__file__).parents[3].joinpath("demo_traces").glob("*.capture"))


def recording_of(data: bytes, terse: bool) -> tuple[Recording, StreamDecoder, int]:
    decoder, builder = StreamDecoder(terse), RecordingBuilder()
    items = decoder.feed(data)
    builder.add(items)
    messages = sum(isinstance(item, Message) for item in items)
    return builder.build("here", decoder.counts, decoder.refusal), decoder, messages


def same(data: bytes) -> tuple[int, int]:
    full, whole, many = recording_of(data, False)
    terse, brief, few = recording_of(data, True)
    for field in fields(Recording):
        one, other = getattr(full, field.name), getattr(terse, field.name)
        if isinstance(one, np.ndarray):
            np.testing.assert_array_equal(one, other, err_msg=field.name)
        else:
            assert one == other, field.name
    assert whole.counts == brief.counts
    return many, few


def eventful(seed: int) -> bytes:
    """A stream in which statuses and identities mostly repeat and sometimes do not."""
    random = np.random.default_rng(seed)
    ratiometric = {"transfer": 2, "offset": 0.5, "scale": 5000.0} if seed % 2 else {}
    news = {"reference_counts": 8000 if seed % 2 else wire.NO_REFERENCE}
    out, sequence, time_us, boot, scale = [b"\0"], 0, 1_000_000, 7, 1.0
    for k in range(400):
        counts = random.integers(-20000, 20000, 60).tolist()
        kind = random.integers(0, 60)
        if k % 40 == 0 or kind == 0:
            scale = 2.0 if kind == 0 else scale
            told = dict(ratiometric) or {"scale": 0.0625 * scale}
            out.append(identity(sequence, time_us, boot_id=boot, **told))
            sequence += 1
        if k % 5 == 0:
            if kind == 1:
                news["late_samples"] = int(random.integers(0, 50))
            elif kind == 2 and seed % 2:
                news["reference_counts"] = int(random.integers(5000, 9000))
            faults = [{"channel": 0, "kind": 3, "occurrences": k}] if 100 <= k < 150 else []
            told = {"free_memory_bytes": int(random.integers(60000, 70000)), "faults": faults}
            out.append(status(sequence, time_us, **news, **told))
            sequence += 1
        if kind == 3:
            out.append(message(wire.MARK, sequence, time_us, {"number": k, "kind": 1}))
            sequence += 1
        if kind == 4:
            time_us, boot, sequence = 1_000_000, boot + 1, 0
            out.append(identity(sequence, time_us, boot_id=boot, **ratiometric))
            out.append(status(sequence + 1, time_us, **news))
            sequence += 2
        if kind != 5:
            out.append(samples(sequence, time_us, counts))
            if kind == 6:
                out.append(out[-1])
        sequence += 1
        time_us += 60_000
    return b"".join(out)


@pytest.mark.parametrize("seed", range(12))
def test_the_recording_is_the_same(seed: int) -> None:
    many, few = same(eventful(seed))
    assert few < many


@pytest.mark.parametrize("path", TRACES, ids=lambda path: path.stem)
def test_so_it_is_for_the_demo_traces(path: Path) -> None:
    same(path.read_bytes())
