"""A host's side of a virtual board's port, as plain as can be."""

import time

import serial

from sumpglass.link.requests import RequestWriter
from sumpglass_wire.frames import FrameReceiver
from sumpglass_wire.messages import decode


class Talk:
    """A host's side of the port, as plain as can be."""

    def __init__(self, path):
        self.path = path
        self.reopen()

    def reopen(self):
        self.port = serial.Serial(self.path, timeout=0.02)
        self.writer, self.receiver, self.messages = RequestWriter(), FrameReceiver(), []

    def send(self, kind, fields=None):
        sequence, frame = self.writer.frame(kind, fields)
        self.port.write(frame)
        return sequence

    def read(self, seconds):
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for payload in self.receiver.feed(self.port.read(4096)):
                self.messages.append(decode(bytes(payload)))
        return self.messages

    def wait_for(self, name, seconds=6.0, **fields):
        until = time.monotonic() + seconds
        seen = 0
        while time.monotonic() < until:
            self.read(0.02)
            for message in self.messages[seen:]:
                if message["name"] == name and all(message.get(key) == value for key, value in fields.items()):
                    return message
            seen = len(self.messages)
        raise AssertionError(f"no {name} {fields} within {seconds} s, got {[m['name'] for m in self.messages]}")

    def ask(self, kind, fields=None, name="answer"):
        sequence = self.send(kind, fields)
        if name == "identity":
            return self.wait_for(name)
        return self.wait_for(name, request_sequence=sequence)
