"""From bytes or readings to the detector's verdicts, sample by sample: what live and replay have in common."""

from __future__ import annotations

import math

import numpy as np

from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings
from sumpglass.decode.clock import EchoClock
from sumpglass.decode.interpret import Interpreted, Interpreter, PressureBlock
from sumpglass.decode.items import BoardReset, Message
from sumpglass.decode.scale import MOST_ZERO_PA, ChannelScale
from sumpglass.decode.stream import StreamDecoder
from sumpglass.link.source import Readings, SourceFacts
from sumpglass.records import FloatArray, Mark, SensorFault, Zero
from sumpglass.workflows.live import HappeningNow, LiveEvent, MarkNow, Pulses, Reading, Samples
from sumpglass_wire import layouts as wire

DEFAULT_ZERO_U95_PA = 10.0
"""Half-width of the zero's interval where nobody measured one."""
CLIPPED_HOLD_S = 1.0

FAULT_WORDS = {
    "no_answer": "the sensor does not answer: check its wiring",
    "bad_checksum": "the sensor's answers are garbled: shorten its wires and keep them from the ignition",
    "stuck": "the sensor repeats one and the same value: check that it is the part set up, then change it",
    "rail_low": "the sensor reads its low end stop: check its supply and wiring",
    "rail_high": "the sensor reads its high end stop: check its supply and wiring",
    "out_of_range": "the pressure is beyond the sensor's range",
    "not_ready": "the sensor is not ready yet",
}


class LiveAnalysis:
    """Decoder, interpreter and detector of one run; a seek backwards makes a new one."""

    def __init__(
        self, facts: SourceFacts, cylinders: int | None = None, zero: Zero | None = None, channel: int | None = None
    ) -> None:
        self.decoder = StreamDecoder()
        self.interpreter = Interpreter()
        self.clock = EchoClock()
        self.detector: HappeningDetector | None = None
        self.cylinders = cylinders
        self.zero = zero
        self.scale: ChannelScale | None = None
        self.samples = 0
        self.clipped = 0
        self.last_t_s: float | None = None
        self.last_answer: Message | None = None
        """The latest answer or error of the board."""
        self._facts = facts
        self._zero_given = zero is not None
        self._channel = channel
        self._settings: DetectorSettings | None = None
        self._faults: dict[int, dict[str, SensorFault]] = {}
        self._clipped_at_s = -math.inf
        self._runs = 0

    @property
    def zero_pa(self) -> float:
        """What is subtracted before anything is shown."""
        return self.zero.pressure_pa if self.zero is not None else 0.0

    def feed(self, data: bytes, received_s: float | None, events: list[LiveEvent]) -> None:
        """Bytes as they came; appends what they mean to `events`."""
        for thing in self.interpreter.take(self.decoder.feed(data), received_s):
            self._take(thing, received_s, events)

    def feed_readings(self, readings: Readings, events: list[LiveEvent]) -> None:
        """Readings that never were frames."""
        if self.detector is None:
            sensor = self._facts.sensor
            self._detect_with(
                self._facts.rate_hz,
                sensor.range_low_pa if sensor else None,
                sensor.range_high_pa if sensor else None,
                sensor.resolution_pa if sensor else None,
            )
        self._show(readings.t_s, readings.pressure_pa, None, None, events)

    def finish(self, events: list[LiveEvent]) -> None:
        """No more will come: what is held is given out, and the detector settles its happenings."""
        for thing in self.interpreter.finish():
            if isinstance(thing, PressureBlock):
                self._take(thing, None, events)
        if self.detector is not None:
            events.extend(HappeningNow(happening) for happening in self.detector.finish())

    def reading(self, age_s: float | None, connected: bool) -> Reading:
        """The level now."""
        if self.detector is None:
            return Reading(age_s=None, connected=connected, sensor_fault=self.sensor_fault())
        state = self.detector.state
        last = self.last_t_s if self.last_t_s is not None else -math.inf
        clipped = state.clipped or last - self._clipped_at_s < CLIPPED_HOLD_S
        facts = None if self.scale is None else self.scale.facts()
        range_pa = None
        if facts is not None and facts.range_low_pa is not None and facts.range_high_pa is not None:
            range_pa = facts.range_low_pa, facts.range_high_pa
        return Reading(
            state.t_s,
            state.level_pa,
            state.level_u95_pa,
            state.state,
            clipped,
            age_s,
            connected,
            self.sensor_fault(),
            range_pa,
            self._beyond_pa(range_pa, state.level_pa),
        )

    def _beyond_pa(self, range_pa: tuple[float, float] | None, level_pa: float | None) -> float | None:
        """The end of the range nearer to the last level, where the board says that the pressure is out of range."""
        if range_pa is None or "out_of_range" not in self._faults.get(self._channel or 0, {}):
            return None
        return range_pa[0] if (level_pa or 0.0) < 0 else range_pa[1]

    def pulses(self) -> Pulses | None:
        """Engine speed and evenness now, None before the first sample."""
        if self.detector is None:
            return None
        state = self.detector.state
        return Pulses(state.firing_hz, state.rpm, state.rpm_u95, state.uneven, state.engine)

    def sensor_fault(self) -> str | None:
        """What is wrong with the shown channel's sensor, in words."""
        kinds = self._faults.get(self._channel if self._channel is not None else 0, {})
        return next((FAULT_WORDS[kind] for kind in kinds), None)

    def _take(self, thing: Interpreted, received_s: float | None, events: list[LiveEvent]) -> None:
        if isinstance(thing, PressureBlock):
            self._take_block(thing, events)
        elif isinstance(thing, Mark):
            events.append(MarkNow(f"board-{self._runs}-{thing.text}", thing))
        elif isinstance(thing, SensorFault):
            kinds = self._faults.setdefault(thing.channel, {})
            if thing.t1_s is None:
                kinds[thing.kind] = thing
            else:
                kinds.pop(thing.kind, None)
        elif isinstance(thing, BoardReset):
            self._runs += 1
            self.clock = EchoClock()
            self._faults.clear()
        elif thing.name == "time_echo_answer" and received_s is not None:
            self.clock.add(thing.fields["token"] * 1e-6, thing.fields["received_us"], thing.time_us, received_s)
        elif thing.name in ("answer", "error"):
            self.last_answer = thing
            self._take_zero(thing)

    def _take_zero(self, message: Message) -> None:
        """A zero that was measured just now holds from now on."""
        fields = message.fields
        if message.name != "answer" or fields["request_type"] != wire.MEASURE_ZERO or self.scale is None:
            return
        answer = fields["answer"]
        a, b = self.scale.line(self.interpreter.reference_counts)
        value = answer["mean_counts"] * a + b
        if abs(value) < MOST_ZERO_PA and not self._zero_given:
            spread = abs(answer["sd_counts"] * a) / math.sqrt(max(answer["samples"], 1) / 10)
            step = self.scale.resolution if math.isfinite(self.scale.resolution) else 0.0
            self.zero = Zero(value, 2.0 * math.hypot(spread, step / math.sqrt(12.0)), 0.0)
            self._settings = None

    def _take_block(self, block: PressureBlock, events: list[LiveEvent]) -> None:
        if self._channel is None and block.scale.quantity == "differential_pressure":
            self._channel = block.channel
        if block.channel != self._channel:
            return
        scale = block.scale
        if scale != self.scale:
            self.scale = scale
            self._settings = None
            if not self._zero_given and self.zero is None:
                self.zero = scale.zero(self.interpreter.reference_counts)
        facts = scale.facts()
        if self._settings is None:
            self._detect_with(scale.rate_hz, facts.range_low_pa, facts.range_high_pa, facts.resolution_pa)
        t_s = block.t_s
        if block.clipped:
            self.clipped += block.clipped
            self._clipped_at_s = float(t_s[-1])
        low = None if block.low_pa is None else block.low_pa.ravel()
        high = None if block.high_pa is None else block.high_pa.ravel()
        self._show(t_s, block.flat_pressure_pa, low, high, events)

    def _detect_with(
        self, rate_hz: float | None, low_pa: float | None, high_pa: float | None, resolution_pa: float | None
    ) -> None:
        """A detector for these facts; the present one is kept if nothing it knows has changed."""
        settings = DetectorSettings(
            rate_hz=rate_hz if rate_hz and rate_hz > 0 else None,
            range_low_pa=low_pa,
            range_high_pa=high_pa,
            resolution_pa=resolution_pa,
            zero_pa=self.zero_pa,
            zero_u95_pa=self.zero.u95_pa if self.zero is not None else DEFAULT_ZERO_U95_PA,
            cylinders=self.cylinders,
        )
        self._settings = settings
        if self.detector is None or self.detector.settings != settings:
            self.detector = HappeningDetector(settings)

    def _show(
        self,
        t_s: FloatArray,
        pressure_pa: FloatArray,
        low_pa: FloatArray | None,
        high_pa: FloatArray | None,
        events: list[LiveEvent],
    ) -> None:
        last = self.last_t_s if self.last_t_s is not None else -math.inf
        if t_s[0] <= last or not (t_s[1:] > t_s[:-1]).all():
            # Times that do not increase are left out, as the batch does it.
            keep = t_s > np.maximum.accumulate(np.concatenate([[last], t_s[:-1]]))
            t_s, pressure_pa = t_s[keep], pressure_pa[keep]
            low_pa = None if low_pa is None else low_pa[keep]
            high_pa = None if high_pa is None else high_pa[keep]
            if not len(t_s):
                return
        self.last_t_s = float(t_s[-1])
        self.samples += int(np.count_nonzero(~np.isnan(pressure_pa)))
        zero = self.zero_pa
        events.append(
            Samples(
                t_s,
                pressure_pa - zero,
                None if low_pa is None else low_pa - zero,
                None if high_pa is None else high_pa - zero,
            )
        )
        if self.detector is not None:
            events.extend(HappeningNow(happening) for happening in self.detector.feed(t_s, pressure_pa))
