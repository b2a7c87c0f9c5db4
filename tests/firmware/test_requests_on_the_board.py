"""The board's side of the wire under any bytes at all, on its own interpreter."""

from boards import named, run_on_board, run_requests

from sumpglass.link.requests import RequestWriter
from sumpglass.link.virtual_board import capture_virtual
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import FrameReceiver
from sumpglass_wire.messages import decode


def test_any_bytes_raise_nothing_and_the_next_request_is_heard(tmp_path):
    frame = RequestWriter().frame(wire.TIME_ECHO, {"token": 77})[1]
    told = run_on_board(
        f"""
from sumpglass_board.commands import NOTHING, REQUEST, RequestReader
from sumpglass_wire.messages import MessageError, decode
frame = {frame!r}
state = 12345
def random():
    global state
    state = state * 1103515245 + 12345 & 0x7FFFFFFF
    return state >> 16
heard = 0
reader = RequestReader()
for case in range(300):
    for _ in range(random() % 900 if case % 7 == 0 else random() % 60):
        # 0x03 is left out: at the start of a frame it asks for the prompt, which has a test of its own
        byte = random() & 255
        got = reader.take(byte if byte != 3 else 4)
        if got == REQUEST:
            try:
                decode(bytes(reader.payload[:reader.length]), False)
            except MessageError:
                pass
    reader.take(0)
    got = [reader.take(byte) for byte in frame]
    heard += got[-1] == REQUEST and decode(bytes(reader.payload[:reader.length]), False)["token"] == 77
told([heard, reader.damaged > 200])
""",
        tmp_path,
    )
    assert told == [300, True]


def test_every_request_gets_one_answer_and_unknown_ones_an_error():
    fields = {
        wire.START: {"channel_mask": 0}, wire.TIME_ECHO: {"token": 5}, wire.READ_SETTINGS: {"offset": 0},
        wire.SET_RATE: {"channel": 0, "rate_millihertz": 500_000, "decimation": 1, "form": 0},
        wire.MEASURE_ZERO: {"channel": 0, "tenths_of_seconds": 2}, wire.SOUND: {"pattern": 0, "volume_percent": 255},
        wire.JOURNAL_READ: {"segment": 9, "offset": 0}, wire.JOURNAL_ERASE: {"segment": 9, "crc": 0},
    }  # fmt: skip
    kinds = [
        wire.IDENTIFY, wire.START, wire.TIME_ECHO, wire.SET_RATE, wire.READ_SETTINGS, wire.SOUND, wire.JOURNAL_LIST,
        wire.JOURNAL_READ, wire.JOURNAL_ERASE, wire.MEASURE_ZERO, wire.STOP,
    ]  # fmt: skip
    requests = [(0.2 + 0.3 * number, kind, fields.get(kind, {})) for number, kind in enumerate(kinds)]
    messages = run_requests(-100.0, 5.0, requests)
    answered = {}
    for message in messages:
        if message["name"] in ("answer", "error"):
            assert message["request_sequence"] not in answered
            answered[message["request_sequence"]] = message["request_type"]
        elif message["name"] == "time_echo_answer":
            answered[message["request_sequence"]] = wire.TIME_ECHO
    assert list(answered.values()) == kinds[1:]
    assert named(messages, "identity")[0]["time_us"] < 0.4e6


def test_an_unknown_request_is_refused():
    from sumpglass_wire.frames import frame_buffer, payload_buffer, seal

    payload, frame = payload_buffer(), frame_buffer()
    payload[:12] = bytes([wire.VERSION_BYTE, 0x6F, 9, 0]) + bytes(8)
    data = capture_virtual(-100.0, 1.0, [(0.2, bytes(frame[: seal(payload, 12, frame)]))])
    errors = [decode(bytes(p)) for p in FrameReceiver().feed(data)]
    assert [(m["code"], m["request_type"], m["request_sequence"]) for m in errors] == [(1, 0x6F, 9)]
