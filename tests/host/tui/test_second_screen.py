"""The second screen: what is passed on, who may set marks, and who is let in."""

import time
import urllib.error
import urllib.request

import pytest

from sumpglass.errors import DeviceError, InputError
from sumpglass.link.relay import RelayServer, RelaySource
from sumpglass.link.source import Chunk, End
from sumpglass.records import Mark

FACTS = {"name": "rig", "mode": "LIVE", "subject": "pump 3", "cylinders": 4, "zero": [3.0, 1.0, 10.0, 0.0]}


def wait_until(condition, patience_s=5.0):
    until = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < until, "it did not happen in time"
        time.sleep(0.01)


@pytest.fixture
def relay():
    server = RelayServer(FACTS)
    yield server
    server.close()


def collected(source, number, patience_s=5.0):
    found, until = [], time.monotonic() + patience_s
    while len(found) < number and time.monotonic() < until:
        found += source.poll(0.05)
    return found


def test_what_came_before_and_after_joining_arrives_in_order(relay):
    now = time.monotonic()
    for number in range(5):
        relay.append(bytes([number]) * 10, now + number * 0.05)
    source = RelaySource(relay.path)
    assert source.facts.subject == "pump 3" and source.facts.zero.pressure_pa == 3.0
    wait_until(lambda: relay.screens == 1)
    relay.append(b"later", now + 1.0)
    found = collected(source, 6)
    assert [chunk.data[:1] for chunk in found] == [b"\0", b"\1", b"\2", b"\3", b"\4", b"l"]
    assert found[5] == Chunk(b"later", now + 1.0)
    source.close()
    wait_until(lambda: relay.screens == 0)


def test_only_the_last_minute_is_kept(relay):
    for second in range(200):
        relay.append(str(second).encode(), float(second))
    source = RelaySource(relay.path)
    found = collected(source, 61)
    assert found[0].data == b"139" and len(found) == 61
    source.close()


def test_marks_come_only_where_they_are_allowed():
    for allowed in (False, True):
        server = RelayServer(FACTS, marks_allowed=allowed)
        source = RelaySource(server.path)
        source.ask_mark("from the bay")
        server.mark("host-1", Mark(3.0, "cap filler", "host"), 3_000_000)
        wait_until(lambda source=source: source.marks)
        assert source.marks[0]["text"] == "cap filler" and source.marks[0]["board_us"] == 3_000_000
        time.sleep(0.1)
        assert list(server.marks_asked) == (["from the bay"] if allowed else [])
        source.close()
        server.close()


def test_the_end_of_the_first_screen_is_told(relay):
    source = RelaySource(relay.path)
    wait_until(lambda: relay.screens == 1)
    relay.close()
    assert isinstance(collected(source, 1)[-1], End)


def test_the_board_is_asked_who_it_is_when_a_screen_joins(relay):
    joined = []
    relay.on_join = lambda: joined.append(1)
    source = RelaySource(relay.path)
    wait_until(lambda: joined)
    source.close()


def test_a_screen_that_does_not_read_is_let_go(relay):
    import socket

    stuck = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    stuck.connect(relay.path)
    wait_until(lambda: relay.screens == 1)
    began = time.monotonic()
    for number in range(200):
        relay.append(b"x" * 100_000, float(number) * 0.01)
        if relay.screens == 0:
            break
    assert relay.screens == 0 and time.monotonic() - began < 6.0
    stuck.close()


def test_no_relay_is_told_in_a_sentence(tmp_path):
    with pytest.raises(DeviceError, match="watch --serve"):
        RelaySource(str(tmp_path / "nobody"))


def test_strangers_are_refused(relay, tmp_path):
    pytest.importorskip("textual_serve")
    from sumpglass.tui.serve import SecondScreen

    port = free_port()
    second = SecondScreen("127.0.0.1", port, relay.path).start()
    try:
        base = f"http://127.0.0.1:{port}"
        for path in ("/", "/?key=wrong", "/ws", "/static/js/textual.js", "/download/x"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(base + path)
            assert refused.value.code == 403
        first_url = second.url
        visitor = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        page = visitor.open(first_url).read().decode()
        assert "data-session-websocket-url" in page and "googleapis" not in page
        assert visitor.open(base + "/").status == 200
        # The key was good for one visitor only.
        assert second.url != first_url
        with pytest.raises(urllib.error.HTTPError):
            urllib.request.build_opener(urllib.request.HTTPCookieProcessor()).open(first_url)
        # A page from elsewhere may not use the visitor's cookie.
        foreign = urllib.request.Request(base + "/", headers={"Origin": "http://elsewhere.example"})
        with pytest.raises(urllib.error.HTTPError):
            visitor.open(foreign)
    finally:
        second.stop()


def test_a_taken_port_is_told(relay):
    pytest.importorskip("textual_serve")
    import socket

    from sumpglass.tui.serve import SecondScreen

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(DeviceError, match="cannot be listened on"):
            SecondScreen("127.0.0.1", taken.getsockname()[1], relay.path).start()


@pytest.mark.parametrize("text", ["", "x", "host:", "127.0.0.1:0", "127.0.0.1:99999", ":"])
def test_wrong_addresses(text):
    from sumpglass.commands.watch import serve_address

    with pytest.raises(InputError, match="HOST:PORT"):
        serve_address(text)


def test_right_addresses():
    from sumpglass.commands.watch import serve_address

    assert serve_address("8080") == ("127.0.0.1", 8080)
    assert serve_address("0.0.0.0:81") == ("0.0.0.0", 81)
    assert serve_address("[::1]:8080") == ("::1", 8080)


def free_port():
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
