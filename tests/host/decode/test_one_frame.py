"""One frame opened by the host's quick way and by the board's own function."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from sumpglass.decode.frames import open_one
from sumpglass_wire.frames import LONGEST_FRAME, frame_buffer, open_frame, payload_buffer, seal

LONG = bytes(range(1, 255)) * 2


def by_the_board(frame: bytes) -> bytes | None:
    payload = payload_buffer()
    length = open_frame(frame, 0, len(frame), payload) if len(frame) < LONGEST_FRAME else -1
    return bytes(memoryview(payload)[:length]) if length > 0 else None


@given(
    st.lists(st.one_of(st.binary(min_size=1, max_size=8), st.just(bytes(3)), st.just(LONG)), max_size=6)
    .map(b"".join).filter(lambda raw: 0 < len(raw) <= 512),
    st.integers(-1, 10_000), st.integers(1, 255),
)  # fmt: skip
@example(bytes(512), -1, 1)
@example(bytes([7]) * 512, -1, 1)
def test_good_and_damaged_frames_are_judged_alike(raw: bytes, place: int, flip: int) -> None:
    payload, frame = payload_buffer(), frame_buffer()
    payload[: len(raw)] = raw
    sealed = bytearray(frame[: seal(payload, len(raw), frame) - 1])
    if place >= 0:
        sealed[place % len(sealed)] = (sealed[place % len(sealed)] ^ flip) or 1
    told = bytes(sealed)
    assert open_one(told) == by_the_board(told)
    if place < 0:
        assert open_one(told) == raw


@given(st.binary(max_size=600).map(lambda data: data.replace(b"\0", b"\1")))
def test_any_bytes_are_judged_alike(data: bytes) -> None:
    assert open_one(data) == by_the_board(data)
