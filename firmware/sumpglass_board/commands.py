"""Requests from the host: bytes to requests, and requests to what the rig does. Knows neither port nor pins."""

from micropython import const

from sumpglass_wire import layouts as L
from sumpglass_wire import messages
from sumpglass_wire.frames import LONGEST_FRAME, open_frame, payload_buffer

_CTRL_C = const(0x03)
_RETURN = const(0x0D)

_UNKNOWN_REQUEST = const(1)
_WRONG_VERSION = const(2)
_BAD_LENGTH = const(3)
BAD_VALUE = 4
NOT_NOW = 5
SENSOR_FAULT = 6
SETTINGS_REFUSED = 7
_STORAGE_FAILED = const(8)

NOTHING = 0
REQUEST = 1
PROMPT = 2


class Refused(Exception):
    """The request is not carried out: `code` of ERROR and a sentence."""

    def __init__(self, code, text):
        super().__init__(text)
        self.code = code
        self.text = text


class RequestReader:
    """Bytes in, one at a time; tells when a request is whole, or when someone asks for the prompt.

    Ctrl-C (0x03) where a frame begins, or after a lone carriage return there, asks for the prompt: a request never
    begins with 0x03 (see WIRE.md). Bytes that stop in mid-frame are forgotten by `idle`, so that a tool which sends
    Ctrl-C after half a frame is heard too. `payload`: a buffer that others use as well, but never between a REQUEST
    and the reading of it.
    """

    def __init__(self, payload=None):
        self._frame = bytearray(LONGEST_FRAME)
        self._length = 0
        self._overlong = False
        self.payload = payload or payload_buffer()
        self.length = 0
        self.damaged = 0

    def take(self, byte):
        """NOTHING, REQUEST (it is in `payload[:length]`) or PROMPT."""
        if (
            byte == _CTRL_C
            and not self._overlong
            and (not self._length or (self._length == 1 and self._frame[0] == _RETURN))
        ):
            self._length = 0
            return PROMPT
        if byte:
            if self._length == LONGEST_FRAME - 1:
                self._overlong = True
            else:
                self._frame[self._length] = byte
                self._length += 1
            return NOTHING
        stop = self._length
        self._length = 0
        if self._overlong:
            self._overlong = False
            self.damaged += 1
            return NOTHING
        if not stop:
            return NOTHING
        self.length = open_frame(self._frame, 0, stop, self.payload)
        if self.length < 0:
            self.damaged += 1
            return NOTHING
        return REQUEST

    @property
    def unfinished(self):
        """Whether a frame has begun."""
        return self._length > 0 or self._overlong

    def idle(self):
        """Nothing came for a while: what was begun is damaged, the next byte begins a frame."""
        if self._overlong or self._length > 1:
            self.damaged += 1
        self._overlong = False
        self._length = 0


class Commands:
    """Carries out requests on `rig`; each gives one reply, at once or later (zero)."""

    def __init__(self, rig):
        self._rig = rig
        self._draft = bytearray()
        self._draft_total = 0

    def handle(self, payload, received_us):
        """The reply to a request, as `(kind, fields)`; None when it comes later."""
        try:
            request = messages.decode(payload, False)
        except messages.OtherVersion as problem:
            return self._error(payload, _WRONG_VERSION, "the board speaks version %d" % L.MAJOR, problem)
        except messages.UnknownType as problem:
            return self._error(payload, _UNKNOWN_REQUEST, "this firmware does not know that request", problem)
        except messages.MessageError as problem:
            return self._error(payload, _BAD_LENGTH, str(problem), problem)
        kind = request["type"]
        try:
            return self._carry_out(kind, request, received_us)
        except Refused as refusal:
            return L.ERROR, self._head(request, {"code": refusal.code, "text": refusal.text})
        except MemoryError:
            self._rig.halt()
            return L.ERROR, self._head(request, {"code": NOT_NOW, "text": "the board is out of memory: reset it"})
        except OSError as problem:
            return L.ERROR, self._head(request, {"code": _STORAGE_FAILED, "text": "flash: error %r" % problem.args[0]})

    def _carry_out(self, kind, request, received_us):
        rig = self._rig
        answer = None
        data = b""
        if kind == L.IDENTIFY:
            return L.IDENTITY, rig.identity()
        if kind == L.TIME_ECHO:
            return L.TIME_ECHO_ANSWER, {
                "request_sequence": request["sequence"],
                "token": request["token"],
                "received_us": received_us,
            }
        if kind == L.START:
            rig.start(request["channel_mask"])
        elif kind == L.STOP:
            rig.stop()
        elif kind == L.SET_RATE:
            _changes().set_rate(
                rig, request["channel"], request["rate_millihertz"], request["decimation"], request["form"]
            )
        elif kind == L.MEASURE_ZERO:
            _changes().measure_zero(rig, request["channel"], request["tenths_of_seconds"], request["sequence"])
            return None
        elif kind == L.READ_SETTINGS:
            text = _changes().settings_text(rig)
            offset = request["offset"]
            answer = {"total": len(text), "offset": offset}
            data = text[offset : offset + L.LONGEST_DATA]
        elif kind == L.WRITE_SETTINGS:
            self._write_settings(request)
        elif kind == L.GIVE_PROMPT:
            rig.leave("prompt")
        elif kind == L.RESET:
            rig.leave("reset")
        elif kind == L.SOUND:
            _changes().sound(rig, request["pattern"], request["volume_percent"])
        elif kind == L.JOURNAL_LIST:
            answer = _changes().journal_list(rig)
        elif kind == L.JOURNAL_READ:
            answer, data = _changes().journal_read(rig, request["segment"], request["offset"])
        elif kind == L.JOURNAL_ERASE:
            _changes().journal_erase(rig, request["segment"], request["crc"])
        else:
            raise Refused(_UNKNOWN_REQUEST, "type 0x%02x is no request" % kind)
        fields = {"answer": answer} if answer else {}
        fields["data"] = data
        return L.ANSWER, self._head(request, fields)

    def _write_settings(self, request):
        offset = request["offset"]
        data = request["data"]
        total = request["total"]
        if offset == 0:
            self._draft = bytearray()
            self._draft_total = total
        if total != self._draft_total or offset != len(self._draft) or offset + len(data) > total or total > 4096:
            self._draft = bytearray()
            raise Refused(SETTINGS_REFUSED, "pieces have to come in order, at most 4096 bytes in all")
        self._draft += data
        if len(self._draft) < total:
            return
        whole = self._draft
        self._draft = bytearray()
        _changes().write_settings(self._rig, whole, request["crc"])

    def _head(self, request, fields):
        fields["request_sequence"] = request["sequence"]
        fields["request_type"] = request["type"]
        return fields

    def _error(self, payload, code, text, problem):
        fields = {"request_sequence": 0, "request_type": 0, "code": code, "text": text}
        if len(payload) >= L.HEADER_LENGTH:
            fields["request_type"] = payload[1]
            fields["request_sequence"] = payload[2] | payload[3] << 8
        return L.ERROR, fields


def _changes():
    from sumpglass_board import changes

    return changes
