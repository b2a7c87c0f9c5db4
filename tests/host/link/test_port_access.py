"""Reading a port: on a real pseudo-terminal, and on a port that the operating system knows nothing of."""

import os
import pty
import time
import tty

import pytest
import serial

from sumpglass.link.port_access import READ_BYTES, open_port, read_port


def test_what_came_is_read_at_once_and_silence_is_waited_for():
    master, slave = pty.openpty()
    tty.setraw(slave)
    port = open_port(os.ttyname(slave))
    begin = time.monotonic()
    assert read_port(port, 0.1) == b""
    assert 0.09 < time.monotonic() - begin < 0.6
    sent = bytes(range(256)) * 10
    os.write(master, sent)
    got = b""
    while len(got) < len(sent):
        got += read_port(port, 1.0)
    assert got == sent
    os.write(master, b"abc")
    assert read_port(port, 0.5) == b"abc" and read_port(port, 0.0) == b""
    os.close(slave)
    os.close(master)
    with pytest.raises(OSError):
        read_port(port, 0.5)
    port.close()
    with pytest.raises(OSError):
        read_port(port, 0.5)


def test_a_port_with_a_protocol_of_its_own_is_read_by_pyserial():
    port = serial.serial_for_url("loop://", timeout=0.1)
    assert read_port(port, 0.05) == b""
    sent = bytes(range(256)) * 3
    port.write(sent)
    assert len(sent) < READ_BYTES and read_port(port, 0.5) == sent
    port.close()
