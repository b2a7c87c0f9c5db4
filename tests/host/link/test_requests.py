"""Requests as frames: none of them ends what a board is doing before it listens."""

from hypothesis import given
from hypothesis import strategies as st

from sumpglass.link.requests import RequestWriter
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import FrameReceiver
from sumpglass_wire.messages import decode

PLAIN = [(wire.IDENTIFY, {}), (wire.START, {"channel_mask": 1}), (wire.STOP, {}), (wire.READ_SETTINGS, {"offset": 0})]


@given(st.lists(st.sampled_from(PLAIN), min_size=1, max_size=20), st.integers(0, 70_000))
def test_a_request_holds_no_ctrl_c_and_is_itself(requests, sent):
    writer, receiver = RequestWriter(), FrameReceiver()
    writer._sent = sent
    for kind, fields in requests:
        sequence, framed = writer.frame(kind, fields)
        assert b"\x03" not in framed
        (payload,) = receiver.feed(framed)
        message = decode(bytes(payload), False)
        assert message["type"] == kind and message["sequence"] == sequence
    assert receiver.damaged == 0
