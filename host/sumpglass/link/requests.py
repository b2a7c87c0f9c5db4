"""Requests to a board as frames."""

from __future__ import annotations

import time
from typing import Any

from sumpglass.errors import InputError
from sumpglass_wire.frames import frame_buffer, payload_buffer, seal
from sumpglass_wire.messages import MessageError, encode, request_sequence

CTRL_C, MOST_TRIES = b"\x03", 16


class RequestWriter:
    """Numbers and frames requests. The token of a time echo is the host's monotonic clock in microseconds."""

    def __init__(self) -> None:
        self._sent = 0
        self._payload, self._frame = payload_buffer(), frame_buffer()

    def frame(self, kind: int, fields: dict[str, Any] | None = None) -> tuple[int, bytes]:
        """(sequence number, bytes to send). The first frame has a 0x00 in front, which ends whatever noise came before.

        Raises InputError for values that the message cannot hold.
        """
        sequence = request_sequence(self._sent)
        for attempt in range(MOST_TRIES):
            # 0x03 is Ctrl-C to a board that is not yet listening, or no longer: another time, another CRC. The clock
            # itself may have a 3 in it for minutes.
            now_us = time.monotonic_ns() // 1000 + attempt if attempt < MOST_TRIES // 2 else 17 * attempt
            try:
                length = encode(self._payload, kind, sequence, now_us, fields)
            except MessageError as error:
                raise InputError(f"this request cannot be sent ({error})") from None
            size = seal(self._payload, length, self._frame)
            framed = bytes(memoryview(self._frame)[:size])
            if CTRL_C not in framed:
                break
        first = self._sent == 0
        self._sent += 1
        return sequence, (b"\x00" if first else b"") + framed

    def begin_anew(self) -> None:
        """After the port was opened again: put 0x00 in front once more."""
        self._sent = 0
