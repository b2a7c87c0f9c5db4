"""The decoder takes any bytes, loses nothing valid, and reads the same in bulk as frame by frame."""

import json
import pathlib
import struct
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire_making import framed, identity, message, samples, status, stream

from sumpglass.decode import stream as stream_module
from sumpglass.decode.items import Bins, BoardReset, Message, Samples
from sumpglass.decode.stream import StreamDecoder
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import LONGEST_FRAME
from sumpglass_wire.messages import decode

VECTORS = pathlib.Path(__file__).parents[3] / "protocol" / "vectors"


def flattened(items):
    """Items as plain values that do not depend on how blocks were joined, samples by channel apart from messages."""
    out = []
    for item in items:
        if isinstance(item, Samples):
            for time_us, row in zip(item.times_us.tolist(), item.counts.tolist(), strict=True):
                out.append(("samples", item.channel, item.configuration, time_us, row, item.counts.itemsize))
        elif isinstance(item, Bins):
            fields = [repr(values.tolist()) for values in (item.mean, item.least, item.greatest, item.mean_square)]
            out.append(("bins", item.channel, item.configuration, item.width, item.time_us, *fields))
        elif isinstance(item, Message):
            out.append(("message", item.name, item.time_us, item.end, repr(item.fields)))
        else:
            out.append(("reset",))
    return out


def ordered_by_channel(flat):
    """Between two messages the blocks of several channels (or widths) may come in any order among them."""
    out, run = [], []
    for entry in [*flat, ("message",)]:
        if entry[0] == "samples":
            run.append(entry)
        else:
            out += sorted(run, key=lambda e: (e[1], e[2], len(e[4]), e[5]))
            run = []
            out.append(entry)
    return out


def fed(data, cuts=(), few=None):
    decoder = StreamDecoder()
    old = stream_module.FEW_BYTES
    stream_module.FEW_BYTES = old if few is None else few
    try:
        items, at = [], 0
        for cut in [*sorted(cuts), len(data)]:
            items += decoder.feed(data[at:cut])
            assert decoder.pending <= LONGEST_FRAME
            at = max(at, cut)
    finally:
        stream_module.FEW_BYTES = old
    return decoder, items


@pytest.mark.parametrize("few", [0, 10**9], ids=["in bulk", "frame by frame"])
@pytest.mark.parametrize("vector", json.loads((VECTORS / "messages.json").read_text()), ids=lambda v: v["name"])
def test_golden_messages(vector, few):
    decoder, items = fed(bytes.fromhex(vector["frame"]), few=few)
    if vector["type"] in (wire.SAMPLES, wire.BINS):
        assert isinstance(items[0], (Samples, Bins)) and items[0].channel == vector["fields"]["channel"]
        if vector["type"] == wire.SAMPLES:
            assert items[0].counts.tolist() == [vector["fields"]["counts"]]
            assert items[0].times_us.tolist() == [vector["time_us"]]
    else:
        assert items[0].name == vector["type_name"] and items[0].time_us == vector["time_us"]
    assert len(items) == 1 and decoder.counts.damaged == 0


@pytest.mark.parametrize("few", [0, 10**9], ids=["in bulk", "frame by frame"])
@pytest.mark.parametrize("vector", json.loads((VECTORS / "broken.json").read_text()), ids=lambda v: v["name"])
def test_broken_frames_are_counted_and_what_follows_is_read(vector, few):
    good = samples(1, 5, [1, 2, 3])
    decoder, items = fed(bytes.fromhex(vector["frame"]) + good, few=few)
    counts = decoder.counts
    expected = {
        "damaged": (1, 0, 0), "malformed": (1, 0, 0), "nothing": (0, 0, 0), "other_version": (0, 1, 0),
        "unknown_type": (0, 0, 1),
    }[vector["found"]]  # fmt: skip
    assert (counts.damaged, counts.other_version, counts.unknown) == expected
    assert [item.counts.tolist() for item in items if isinstance(item, Samples)] == [[[1, 2, 3]]]


def test_the_quick_way_for_a_quiet_status_is_that_of_the_codec():
    generator = np.random.default_rng(6)
    for _ in range(50):
        body = generator.integers(0, 256, struct.calcsize(wire.BODIES[wire.STATUS][0])).astype(np.uint8).tobytes()
        payload = struct.pack(wire.HEADER, wire.VERSION_BYTE, wire.STATUS, 7, 10**15) + body + b"\0"
        _, items = fed(framed(payload))
        assert items[0].fields == decode(payload)


def test_another_major_version_is_refused_with_what_to_do():
    payload = bytes([0xA2, wire.STATUS]) + bytes(40)
    decoder, items = fed(framed(payload))
    assert items == [] and "version 2" in decoder.refusal and "update" in decoder.refusal


COUNTS = st.lists(st.integers(-32768, 32767), min_size=1, max_size=130)
LONG = st.lists(st.integers(1, 255), min_size=260, max_size=480).map(bytes)  # Runs of over 254 bytes without a zero.


@st.composite
def pieces(draw):
    """A stream with everything that can happen on a wire, as (bytes, sequence numbers are kept by the sender)."""
    out, sequence, time_us = [], draw(st.integers(0, 65535)), draw(st.integers(0, 10**9))
    for _ in range(draw(st.integers(0, 25))):
        kind = draw(st.sampled_from("sssswbituvnxrlgoc"))
        frame = b""
        if kind == "s":
            frame = samples(sequence, time_us, draw(COUNTS), draw(st.integers(0, 3)), 2, draw(st.integers(0, 2)))
        elif kind == "w":
            counts = draw(st.lists(st.integers(-(2**31), 2**31 - 1), min_size=1, max_size=100))
            frame = samples(sequence, time_us, counts, 1, 4)
        elif kind == "b":
            bins = [{"mean": 1.5, "least": -3, "greatest": 9, "mean_square": 4.0}] * draw(st.integers(1, 20))
            fields = {"channel": 2, "width": draw(st.sampled_from([2, 4])), "configuration": 1, "bins": bins}
            frame = message(wire.BINS, sequence, time_us, fields)
        elif kind == "i":
            frame = identity(sequence, time_us, boot_id=draw(st.integers(1, 2)))
        elif kind == "t":
            frame = status(sequence, time_us)
        elif kind == "u":
            header = bytes([0xA1, 0x70, sequence & 255, sequence >> 8]) + time_us.to_bytes(8, "little")
            frame = framed(header + b"later")
        elif kind == "v":
            frame = framed(bytes([0xA3]) + draw(st.binary(min_size=11, max_size=40)))
        elif kind == "n":
            frame = draw(st.binary(max_size=60))
        elif kind == "x":
            whole = samples(sequence, time_us, draw(COUNTS))
            at = draw(st.integers(0, len(whole) - 1))
            frame = whole[:at] + draw(st.binary(max_size=3)) + whole[at + draw(st.integers(0, 5)) :]
        elif kind == "r" and out:
            out += out[-draw(st.integers(1, 4)) :]
            continue
        elif kind == "l":
            header = bytes([0xA1, wire.SAMPLES, sequence & 255, sequence >> 8]) + time_us.to_bytes(8, "little")
            frame = framed(header + b"\x20\x01" + draw(LONG))
        elif kind == "g":
            sequence += draw(st.integers(0, 70000))
        elif kind == "o":
            frame = draw(st.integers(500, 1200)) * b"\x55" + b"\0"
        elif kind == "c":
            sequence, time_us = draw(st.integers(0, 3)), draw(st.integers(0, 1000))
        out.append(frame)
        sequence = (sequence + 1) % 65536
        time_us += draw(st.integers(0, 100_000))
    return b"".join(out)


@settings(max_examples=120, deadline=None)
@given(data=pieces(), cuts=st.lists(st.integers(0, 5000), max_size=6))
def test_in_bulk_and_frame_by_frame_read_the_same(data, cuts):
    cuts = [cut for cut in cuts if cut < len(data)]
    one, slow = fed(data, few=10**9)
    two, bulk = fed(data, few=0)
    three, cut_up = fed(data, cuts, few=0)
    four, cut_slow = fed(data, cuts, few=10**9)
    assert one.counts == two.counts == three.counts == four.counts
    assert ordered_by_channel(flattened(slow)) == ordered_by_channel(flattened(bulk))
    assert ordered_by_channel(flattened(slow)) == ordered_by_channel(flattened(cut_slow))
    assert ordered_by_channel(flattened(slow)) == ordered_by_channel(flattened(cut_up))


@settings(max_examples=120, deadline=None)
@given(noise=st.binary(max_size=6000), few=st.sampled_from([0, 10**9]))
def test_any_bytes_raise_nothing_and_lose_nothing_after_the_next_zero(noise, few):
    good = b"".join(samples(k, k * 60_000, [k, -k]) for k in range(3))
    decoder, items = fed(noise + b"\0" + good, few=few)
    blocks = [entry for entry in flattened(items) if entry[0] == "samples"]
    assert [entry[4] for entry in blocks[-3:]] == [[0, 0], [1, -1], [2, -2]]
    assert decoder.pending == 0


def test_damage_among_many_alike_frames_is_found_one_by_one():
    frames = stream(400)
    generator = np.random.default_rng(9)
    for hits in (0, 1, 2, 3, 40):
        hurt = list(frames)
        for at in generator.choice(np.arange(5, len(frames)), hits, replace=False).tolist():
            whole = bytearray(hurt[at])
            place = int(generator.integers(1, len(whole) - 1))
            whole[place] = whole[place] ^ 0x10 or 0x7F
            hurt[at] = bytes(whole)
        slow, fast = fed(b"".join(hurt), few=10**9), fed(b"".join(hurt), few=0)
        assert slow[0].counts == fast[0].counts and flattened(slow[1]) == flattened(fast[1])
        assert slow[0].counts.damaged == hits


def test_memory_stays_bounded_whatever_comes():
    decoder = StreamDecoder()
    noise = np.random.default_rng(4).integers(1, 256, 1 << 20).astype(np.uint8).tobytes()
    tracemalloc.start()
    try:
        for _ in range(8):
            assert decoder.feed(noise) == []
            assert decoder.pending <= LONGEST_FRAME
        held, _ = tracemalloc.get_traced_memory()
        zeros = bytes(1 << 20)
        for _ in range(4):
            assert decoder.feed(zeros) == []
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 20_000
    assert peak < 40 * stream_module.STRETCH_BYTES
    assert decoder.counts.damaged == 1


def test_losses_repeats_and_resets_are_counted():
    frames = stream(12)
    data = b"".join(frames[:4] + frames[6:8] + [frames[7]] + frames[8:])
    decoder, items = fed(data)
    assert (decoder.counts.lost, decoder.counts.repeated, decoder.counts.resets) == (2, 1, 0)
    again = b"".join(stream(3, start_us=900))
    items = decoder.feed(again)
    assert decoder.counts.resets == 1 and isinstance(items[0], BoardReset)
    assert decoder.counts.lost == 2


def test_sequence_numbers_turn_over_without_loss():
    decoder, _ = fed(b"".join(stream(20, first=65530)))
    assert decoder.counts.lost == 0 and decoder.counts.resets == 0


def test_a_message_tells_where_in_the_stream_it_ended():
    frames = stream(40)
    data = b"".join(frames)
    for few in (0, 10**9):
        _, items = fed(data, cuts=[100, 2000], few=few)
        found = [item for item in items if isinstance(item, Message) and item.name == "status"]
        assert data[: found[0].end].endswith(frames[34])
