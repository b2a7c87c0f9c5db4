"""The codec against other libraries' COBS and CRC, the golden frames on both interpreters, and any bytes at all."""

import contextlib
import json
import shutil
import struct
import subprocess
import sys
import tracemalloc
import zlib
from pathlib import Path

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpglass_wire import frames, layouts, messages
from sumpglass_wire.cobs import decode_into, encode_into, longest_encoded

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).parent


def micropython() -> str:
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if not found:
        pytest.skip("the MicroPython Unix port is not installed")
    return found


def encode(raw: bytes) -> bytes:
    target = bytearray(longest_encoded(len(raw)))
    return bytes(target[: encode_into(bytearray(raw), len(raw), target)])


def decode(raw: bytes, room: int = 2000) -> bytes | None:
    target = bytearray(room)
    length = decode_into(bytearray(raw), 0, len(raw), target)
    return None if length < 0 else bytes(target[:length])


def up_to(first: int, last: int) -> bytes:
    return bytes(range(first, last + 1))


# Cheshire & Baker 1999 and the cobs package 1.2.2.
PUBLISHED = [
    (b"", b"\x01"),
    (b"\0", b"\x01\x01"),
    (b"\0\0", b"\x01\x01\x01"),
    (b"\0\x11\0", b"\x01\x02\x11\x01"),
    (b"\x11\x22\0\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\0\0\0", b"\x02\x11\x01\x01\x01"),
    (up_to(1, 254), b"\xff" + up_to(1, 254)),
    (up_to(0, 254), b"\x01\xff" + up_to(1, 254)),
    (up_to(1, 255), b"\xff" + up_to(1, 254) + b"\x02\xff"),
    (up_to(2, 255) + b"\0", b"\xff" + up_to(2, 255) + b"\x01\x01"),
    (up_to(3, 255) + b"\0\x01", b"\xfe" + up_to(3, 255) + b"\x02\x01"),
    (bytes.fromhex("4500002c4c79000040064f37"), bytes.fromhex("024501042c4c79010540064f37")),
]


@pytest.mark.parametrize(("raw", "encoded"), PUBLISHED)
def test_published_cobs_pairs(raw, encoded):
    assert encode(raw) == encoded
    assert decode(encoded) == raw


@pytest.mark.parametrize("length, encoded", [(0, 1), (253, 254), (254, 255), (255, 257), (508, 510), (509, 512)])
def test_encoded_length_of_nonzero_bytes(length, encoded):
    # cobs package 1.2.2
    assert len(encode(b"\x55" * length)) == encoded == longest_encoded(length)


@pytest.mark.parametrize("broken", ["00", "0531323 3", "053132333400", "0531320034"])
def test_what_must_be_refused(broken):
    assert decode(bytes.fromhex(broken.replace(" ", ""))) is None


@given(st.binary(max_size=1200))
def test_cobs_as_the_cobs_package_does_it(raw):
    assert encode(raw) == cobs.encode(raw)
    assert decode(cobs.encode(raw)) == raw


@given(st.binary(max_size=600))
def test_cobs_refuses_what_the_cobs_package_refuses(raw):
    try:
        wanted = cobs.decode(raw) if raw else None
    except cobs.DecodeError:
        wanted = None
    assert decode(raw) == wanted


def test_crc_of_the_check_string():
    # CRC-32/ISO-HDLC check value, catalogue of parametrised CRC algorithms: CBF43926
    payload = frames.payload_buffer()
    payload[:9] = b"123456789"
    frame = frames.frame_buffer()
    length = frames.seal(payload, 9, frame)
    assert bytes(payload[9:13]) == bytes.fromhex("2639f4cb")
    assert cobs.decode(bytes(frame[: length - 1])) == b"123456789" + struct.pack("<I", zlib.crc32(b"123456789"))


def test_golden_frames_are_what_other_libraries_make(tmp_path, monkeypatch):
    sys.path.insert(0, str(HERE))
    import make_vectors

    monkeypatch.setattr(make_vectors, "VECTORS", tmp_path)
    make_vectors.main()
    for made in tmp_path.iterdir():
        assert made.read_text() == (ROOT / "protocol" / "vectors" / made.name).read_text()


@pytest.mark.parametrize("interpreter", ["cpython", "micropython"])
def test_golden_frames(interpreter):
    words = [sys.executable] if interpreter == "cpython" else [micropython(), "-X", "heapsize=192K"]
    words += [str(HERE / "board_vectors.py"), str(ROOT / "protocol"), str(ROOT / "protocol" / "vectors")]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    count = sum(len(json.loads(path.read_text())) for path in (ROOT / "protocol" / "vectors").glob("*.json"))
    assert done.stdout.strip() == f"ok {count}", done.stdout + done.stderr


unsigned = {"B": 8, "H": 16, "I": 32, "Q": 64}
signed = {"h": 16, "i": 32}


def values_of(form: str, names):
    codes = form.lstrip("<").replace("3B", "BBB").replace("8s", "s")
    assert len(codes) == len(names)
    fields = {}
    for code, name in zip(codes, names):
        if code in unsigned:
            fields[name] = st.integers(0, 2 ** unsigned[code] - 1)
        elif code in signed:
            fields[name] = st.integers(-(2 ** (signed[code] - 1)), 2 ** (signed[code] - 1) - 1)
        elif code == "f":
            fields[name] = st.floats(width=32, allow_nan=False)
        else:
            fields[name] = st.binary(min_size=8, max_size=8)
    return st.fixed_dictionaries(fields)


printable = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=layouts.LONGEST_TEXT)


@st.composite
def any_message(draw):
    kind = draw(st.sampled_from(sorted(layouts.BODIES)))
    if kind in (layouts.SAMPLES, layouts.BINS):
        width = draw(st.sampled_from([2, 4]))
        fields = {"channel": draw(st.integers(0, 3)), "width": width, "configuration": draw(st.integers(0, 255))}
        count = st.integers(-(2 ** (8 * width - 1)), 2 ** (8 * width - 1) - 1)
        if kind == layouts.SAMPLES:
            fields["counts"] = draw(st.lists(count, min_size=1, max_size=249 if width == 2 else 124))
        else:
            form = layouts.BIN_2 if width == 2 else layouts.BIN_4
            fields["bins"] = draw(st.lists(values_of(form, layouts.BIN_FIELDS), min_size=1, max_size=31))
        return kind, fields
    fields = draw(values_of(*layouts.BODIES[kind]))
    if kind == layouts.IDENTITY:
        channel = values_of(layouts.CHANNEL, layouts.CHANNEL_FIELDS)
        fields["board"] = draw(printable.map(lambda words: words[:20]))
        fields["channels"] = draw(st.lists(channel, max_size=4))
        for item in fields["channels"]:
            item["part"] = draw(printable.map(lambda words: words[:16]))
    elif kind == layouts.STATUS:
        fields["faults"] = draw(st.lists(values_of(layouts.FAULT, layouts.FAULT_FIELDS), max_size=16))
    elif kind == layouts.ERROR:
        fields["text"] = draw(printable)
    elif kind == layouts.WRITE_SETTINGS:
        fields["data"] = draw(st.binary(max_size=256))
    elif kind == layouts.ANSWER:
        if fields["request_type"] in layouts.ANSWER_BODIES:
            fields["answer"] = draw(values_of(*layouts.ANSWER_BODIES[fields["request_type"]]))
        fields["data"] = draw(st.binary(max_size=256))
    return kind, fields


def framed(kind, sequence, time_us, fields) -> bytes:
    payload, frame = frames.payload_buffer(), frames.frame_buffer()
    return bytes(frame[: frames.seal(payload, messages.encode(payload, kind, sequence, time_us, fields), frame)])


@settings(max_examples=300)
@given(any_message(), st.integers(0, 65535), st.integers(0, 2**64 - 1))
def test_every_message_survives(message, sequence, time_us):
    kind, fields = message
    frame = framed(kind, sequence, time_us, fields)
    assert frame.index(0) == len(frame) - 1
    receiver = frames.FrameReceiver()
    (payload,) = receiver.feed(frame)
    got = messages.decode(payload)
    assert (got.pop("type"), got.pop("sequence"), got.pop("time_us")) == (kind, sequence, time_us)
    assert got.pop("name") == layouts.NAMES[kind]
    assert got == fields


@settings(max_examples=300)
@given(st.lists(st.binary(max_size=700), max_size=8), any_message())
def test_any_bytes_raise_nothing_and_lose_nothing_after_the_next_zero(noise, message):
    kind, fields = message
    receiver = frames.FrameReceiver()
    for chunk in noise:
        for payload in receiver.feed(chunk):
            with contextlib.suppress(messages.MessageError):
                messages.decode(payload)
    frame = framed(kind, 1, 2, fields)
    payloads = receiver.feed(b"\0") + receiver.feed(frame)
    assert messages.decode(payloads[-1])["type"] == kind


@settings(max_examples=300)
@given(st.binary(max_size=520))
def test_any_payload_at_all_is_decoded_or_refused_in_words(payload):
    for start in (b"", bytes([0xA1, payload[0] if payload else 0x10])):
        try:
            messages.decode(start + payload)
        except messages.MessageError as problem:
            assert str(problem)


def test_receiver_memory_is_bounded():
    receiver = frames.FrameReceiver()
    receiver.feed(b"\x55" * 1000)
    tracemalloc.start()
    for _ in range(1000):
        receiver.feed(b"\x55" * 4096)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 64 * 1024
    assert receiver.pending <= frames.LONGEST_FRAME


@given(st.integers(0, 200_000))
def test_no_request_begins_like_a_key_that_asks_for_the_prompt(number):
    sequence = messages.request_sequence(number)
    assert 0 < sequence < 65536 and sequence & 0xFF
    assert framed(layouts.IDENTIFY, sequence, 0, {})[0] > 3
    assert messages.request_sequence(number + 1) != sequence


def test_another_major_version_says_what_to_do():
    payload = bytearray(32)
    messages.encode(payload, layouts.STOP, 1, 0)
    payload[0] = 0xA2
    with pytest.raises(messages.OtherVersion, match="sumpglass rig deploy"):
        messages.decode(bytes(payload[:12]))


def test_wire_cost_of_a_full_block():
    fields = {"channel": 0, "width": 2, "configuration": 1, "counts": list(range(1, 61))}
    assert len(framed(layouts.SAMPLES, 1, 2**40, fields)) / 60 <= 2.4
