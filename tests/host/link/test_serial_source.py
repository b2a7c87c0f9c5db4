"""A rig on a port: found, started, lost and found again; what is no rig is told as such."""

import contextlib
import os
import socket
import threading
import time

import numpy as np
import pytest
from fake_board import FakeBoard

from sumpglass.errors import DeviceError, VersionError
from sumpglass.link.port_access import is_bridge
from sumpglass.link.ports import list_ports
from sumpglass.link.serial_port import SerialSource, probe
from sumpglass.link.source import Chunk, Connection
from sumpglass.records import Mark, SensorLine
from sumpglass.store.casebook import Casebook
from sumpglass.store.casebook_recorder import CasebookRecorder
from sumpglass.workflows.live import MarkNow, Reading, RigHealth, Samples
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.session import Session


def watch(session, seconds, until=None):
    """Events of so many seconds, or until `until(events)` is true."""
    events, end = [], time.monotonic() + seconds
    while time.monotonic() < end:
        events += session.poll(0.05)
        if until is not None and until(events):
            return events
    assert until is None, "what was waited for did not come"
    return events


def samples_of(events):
    found = [event for event in events if isinstance(event, Samples)]
    return np.concatenate([event.t_s for event in found]), np.concatenate([event.pressure_pa for event in found])


def have(count):
    return lambda events: sum(len(event.t_s) for event in events if isinstance(event, Samples)) >= count


def test_noise_before_the_first_frame_is_no_hindrance(tmp_path):
    banner = b"MPY: soft reboot\r\nMicroPython v1.28\r\n>>> \xff\xfe\x01"
    with FakeBoard(tmp_path, greeting=banner) as board:
        time.sleep(0.05)
        session = Session(SerialSource(board.path).start(), cylinders=4)
        t_s, pressure = samples_of(watch(session, 5, have(600)))
        session.close()
        assert np.diff(t_s) == pytest.approx(np.full(len(t_s) - 1, 1e-3), abs=2e-5)
        assert pressure[:3].tolist() == [-1875.0, -1874.875, -1874.75]
        asked = [name for name in board.requests if name != "read_settings"]
        assert asked[:2] == ["identify", "start"] and board.requests[-1] == "stop"
        health = session.health()
        assert health.frames_lost == 0 and health.rate_hz == 1000.0 and health.trouble is None


def test_marks_get_the_boards_time(tmp_path):
    with FakeBoard(tmp_path) as board:
        session = Session(SerialSource(board.path).start())
        watch(session, 5, have(300))
        before = (board.now_us() - board.first_us) * 1e-6
        session.mark("closed")
        marks = [event for event in watch(session, 0.2) if isinstance(event, MarkNow)]
        session.name_mark(marks[0].key, "opening 2.0 mm")
        session.name_mark("unknown", "x")
        named = [event for event in watch(session, 0.2) if isinstance(event, MarkNow)]
        session.close()
    assert marks[0].mark == Mark(pytest.approx(before, abs=0.02), "closed", "host")
    assert [(n.key, n.mark.text, n.mark.t_s) for n in named] == [(marks[0].key, "opening 2.0 mm", marks[0].mark.t_s)]


def test_what_was_shown_live_is_what_the_casebook_gives(tmp_path):
    path = str(tmp_path / "run.casebook")
    with FakeBoard(tmp_path) as board:
        session = Session(SerialSource(board.path).start(), CasebookRecorder(path, source=board.path), cylinders=4)
        events = watch(session, 5, have(300))
        board.button(1)
        board.button(2)
        events += watch(session, 5, lambda events: sum(isinstance(e, MarkNow) for e in events) == 2)
        session.mark()
        keys = [event.key for event in events if isinstance(event, MarkNow)]
        session.name_mark(keys[0], "cap dipstick tube")
        events += watch(session, 0.3)
        session.close()
    t_s, pressure = samples_of(events)
    recording = load_recording(path)
    shown = len(t_s)
    assert recording.pressure_pa[:shown].tolist() == pressure.tolist()
    assert recording.line == SensorLine(4e-3, 0.6, pytest.approx(1e-6))
    assert recording.t_s[:shown].tolist() == t_s.tolist()
    assert [(m.text, m.origin) for m in recording.marks] == [
        ("cap dipstick tube", "board"), ("note button 2", "board"), ("note", "host")]  # fmt: skip
    shown_marks = {event.key: event.mark for event in events if isinstance(event, MarkNow)}
    assert [m.t_s for m in recording.marks] == pytest.approx(sorted(m.t_s for m in shown_marks.values()), abs=1e-6)
    with Casebook.open(path) as book:
        assert book.recordings()[0].source == board.path and book.recordings()[0].ended_at


def test_a_reading_grows_old_when_nothing_comes(tmp_path):
    with FakeBoard(tmp_path) as board:
        session = Session(SerialSource(board.path).start())
        watch(session, 5, have(120))
        board.streaming = False
        ages = [event.age_s for event in watch(session, 0.8) if isinstance(event, Reading)]
        session.close()
    assert ages[-1] > 0.5 and max(ages) == ages[-1]


def test_unplugged_and_plugged_again_it_goes_on(tmp_path):
    with FakeBoard(tmp_path) as board:
        session = Session(SerialSource(board.path).start())
        first = watch(session, 5, have(300))
        board.unplug()
        gone = watch(session, 5, lambda events: any(isinstance(e, RigHealth) and e.trouble for e in events))
        readings = [event for event in gone if isinstance(event, Reading)]
        assert not readings[-1].connected
        assert "plug it in" in [e.trouble for e in gone if isinstance(e, RigHealth) and e.trouble][0]
        board.plug()
        again = watch(session, 10, have(300))
        session.close()
        assert board.requests.count("start") == 2
    t_s, _ = samples_of(first + gone + again)
    assert (np.diff(t_s) > 0).all() and float(np.diff(t_s).max()) > 0.1
    assert session.health().trouble is None
    assert session.analysis.decoder.counts.resets == 1


def test_a_board_that_resets_behind_an_open_port_is_started_again(tmp_path):
    with FakeBoard(tmp_path) as board:
        session = Session(SerialSource(board.path).start())
        first = watch(session, 5, have(300))
        board.reset()
        again = watch(session, 10, have(300))
        session.close()
    t_s, _ = samples_of(first + again)
    assert (np.diff(t_s) > 0).all()
    counts = session.analysis.decoder.counts
    assert counts.resets == 1 and counts.lost == 0 and counts.damaged <= 1


def test_refusals_are_told_in_one_sentence(tmp_path):
    with FakeBoard(tmp_path, refuse=("set_rate",)) as board:
        with pytest.raises(DeviceError, match="at most 1000 Hz"):
            SerialSource(board.path, rate_hz=9000.0).start()
        assert probe(board.path).fields["board"] == "fake"


def test_another_major_version_says_which_side_to_update(tmp_path):
    with FakeBoard(tmp_path, major=3) as board, pytest.raises(VersionError, match="version 3.*update"):
        SerialSource(board.path).start()


def test_silence_bad_names_and_busy_ports(tmp_path):
    with FakeBoard(tmp_path, silent=True) as board, pytest.raises(DeviceError, match="no rig answers"):
        SerialSource(board.path).start()
    with pytest.raises(DeviceError, match="sumpglass ports"):
        SerialSource(str(tmp_path / "absent")).start()
    with FakeBoard(tmp_path) as board:
        source = SerialSource(board.path).start()
        with pytest.raises(DeviceError, match="close the other program"):
            SerialSource(board.path).start()
        source.close()
        source.close()


def test_arrivals_are_bytes_with_their_moment_and_reopening_is_told(tmp_path):
    with FakeBoard(tmp_path) as board:
        source = SerialSource(board.path).start()
        time.sleep(0.3)
        arrivals = source.poll()
        board.unplug()
        time.sleep(0.4)
        board.plug()
        end = time.monotonic() + 10
        later = []
        while time.monotonic() < end and not any(isinstance(a, Connection) and a.fresh for a in later):
            later += source.poll(0.1)
        source.close()
    chunks = [arrival for arrival in arrivals if isinstance(arrival, Chunk)]
    moments = [chunk.received_s for chunk in chunks]
    assert moments == sorted(moments) and abs(moments[-1] - time.monotonic()) < 20
    assert [a.connected for a in later if isinstance(a, Connection)][0] is False


def test_a_board_behind_a_socket_is_a_port_too(tmp_path):
    listener = socket.create_server(("127.0.0.1", 0))
    with FakeBoard(tmp_path) as board:

        def relay():
            connection, _ = listener.accept()
            connection.settimeout(0.01)
            fd = os.open(board.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            with contextlib.suppress(OSError):
                while True:
                    with contextlib.suppress(TimeoutError):
                        data = connection.recv(4096)
                        if not data:
                            break
                        os.write(fd, data)
                    with contextlib.suppress(BlockingIOError):
                        connection.sendall(os.read(fd, 4096))
            os.close(fd)

        threading.Thread(target=relay, daemon=True).start()
        session = Session(SerialSource(f"socket://127.0.0.1:{listener.getsockname()[1]}").start())
        watch(session, 5, have(300))
        session.close()
    listener.close()
    with pytest.raises(DeviceError, match="sumpglass ports"):
        SerialSource("nonsense://x").start()


def test_bridges_are_known_by_name_through_links(tmp_path):
    link = tmp_path / "rig"
    link.symlink_to("/dev/ttyUSB7")
    assert is_bridge(str(link)) and is_bridge("/dev/ttyUSB0") and not is_bridge("/dev/ttyACM0")


class Port:
    """What pyserial tells of a port."""

    def __init__(self, device, vid=None, pid=None, hwid="n/a"):
        self.device, self.vid, self.pid, self.hwid = device, vid, pid, hwid
        self.description, self.serial_number, self.location = "text", "s", "1-1"


def test_ports_are_told_apart_by_their_usb_numbers_without_opening_any():
    ports = [Port("/dev/ttyS0"), Port("/dev/ttyUSB3", 0x1234, 0x5678, "USB"), Port("/dev/ttyACM0", 0x2E8A, 5, "USB")]
    ports += [Port("/dev/ttyUSB0", 0x1A86, 0x7523, "USB"), Port("/dev/ttyS1", hwid="PNP0501")]
    seen = list_ports(lambda: ports)
    assert [port.path for port in seen] == ["/dev/ttyACM0", "/dev/ttyUSB0", "/dev/ttyS1", "/dev/ttyUSB3"]
    assert seen[0].kind and "may be a rig" in seen[0].reason
    assert seen[3].kind is None and "--port" in seen[3].reason and "1234:5678" in seen[3].reason
