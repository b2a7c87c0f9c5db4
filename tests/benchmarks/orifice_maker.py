"""A second, independent maker of traces: one gas volume with orifices, and pulses drawn harmonic by harmonic.

It shares no code and no drawing with `trace_maker` or with the product's simulator, so that what is tuned on one is
held against the other. The level solves dx/dt = k (blow-by - draw - a sqrt-law leak), so how fast it moves follows
from what happened; pulses are harmonics of the engine cycle with random sizes and phases; the line is a first- or
second-order filter of random corner; the sensor adds white, reddened and slowly wandering noise, codes and a range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

STEP_S = 0.001


@dataclass
class Truth:
    """One true happening; `optional` where the definition leaves it to the detector's uncertainty."""

    kind: str
    t_s: float
    cause: str
    before_pa: float
    after_pa: float
    optional: bool = False
    also_causes: tuple[str, ...] = ()


@dataclass
class Made:
    """A trace with its truth. `zero_pa`: what the rig reads open to the room; None where nobody took a zero."""

    t_s: np.ndarray
    pressure_pa: np.ndarray
    rate_hz: float
    zero_pa: float | None
    range_pa: float | None
    cylinders: int
    events: list[Truth]
    about: str = ""


@dataclass
class Act:
    """From `t_s` on, over `ramp_s`, `what` heads for `to`; `cause` is its name in the truth."""

    t_s: float
    what: str
    to: float
    ramp_s: float
    cause: str


@dataclass
class Plant:
    """One engine, its gauge line and its sensor, drawn at random."""

    cylinders: int
    rpm: float
    level_pa: float
    blow_share: float
    """Blow-by as a part of what the suction carries."""
    tau_s: float
    """Time constant of the closed crankcase at its level."""
    harmonics: list[tuple[float, float, float]]
    """(order of the engine cycle, amplitude in pascals, phase); the first `firing` of them grow with blow-by."""
    swing_share: float
    line_hz: float
    line_q: float
    rate_hz: float
    noise_pa: float
    red_pa: float
    red_tau_s: float
    pink_pa: float
    code_pa: float
    range_pa: float
    offset_pa: float
    jitter: float
    hum_pa: float
    unsteady: float
    acts: list[Act] = field(default_factory=list)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw_plant(rng: np.random.Generator) -> Plant:
    """A random engine with a random cheap rig."""
    cylinders = int(rng.integers(1, 9))
    rpm = float(rng.uniform(450, 1200) if rng.uniform() < 0.65 else rng.uniform(1200, 3600))
    level = -log_uniform(rng, 80, 3500)
    size = log_uniform(rng, 0.01, 0.8) * abs(level) + log_uniform(rng, 0.5, 30)
    harmonics = []
    uneven = float(rng.choice([0.02, 0.1, 0.3]))
    for order in range(1, 4 * cylinders + 1):
        if order % cylinders == 0:
            amplitude = size * (order // cylinders) ** -1.2 * log_uniform(rng, 0.4, 1.6)
        elif order % 2 == 0 and rng.uniform() < 0.3:
            amplitude = 0.5 * uneven * size
        else:
            amplitude = uneven * size * rng.uniform(0, 1) / math.sqrt(order)
        harmonics.append((float(order), amplitude, float(rng.uniform(0, 2 * np.pi))))
    if cylinders in (1, 2, 4) and rng.uniform() < 0.7:
        # The pistons' own swing: once or twice a turn, whatever the firing does.
        order = 2.0 if cylinders < 4 else 4.0
        harmonics.append((order, size * log_uniform(rng, 0.3, 3.0), float(rng.uniform(0, 2 * np.pi))))
    room = (abs(level) + 1.6 * size) * float(rng.uniform(1.2, 4.0))
    range_pa = next((r for r in (500.0, 1000.0, 2000.0, 4000.0, 7000.0, 10000.0) if r >= room), 25000.0)
    rate = float(rng.choice([100, 120, 200, 250, 400, 500, 750, 1000]))
    return Plant(
        cylinders, rpm, level, float(rng.uniform(0.15, 0.7)), log_uniform(rng, 0.05, 0.7), harmonics,
        float(rng.uniform(0.2, 0.9)), log_uniform(rng, 6, 400), float(rng.choice([0.5, 0.6, 1.5, 4.0])), rate,
        range_pa * log_uniform(rng, 1e-4, 8e-3), range_pa * log_uniform(rng, 1e-4, 1.5e-3), log_uniform(rng, 0.1, 6.0),
        range_pa * log_uniform(rng, 5e-5, 8e-4),
        2 * range_pa / float(rng.choice([512, 1024, 4096, 4096, 16384, 65536])),
        range_pa, range_pa * float(rng.normal(0, 0.008)), float(rng.choice([0.0, 0.02, 0.15])),
        range_pa * log_uniform(rng, 2e-5, 1.5e-3) if rng.uniform() < 0.35 else 0.0, log_uniform(rng, 0.001, 0.02),
    )  # fmt: skip


def _ramps(n: int, start: float, acts: list[Act], what: str) -> np.ndarray:
    """(n,) value at every step: straight ramps from wherever it stands."""
    value = np.full(n, start)
    for act in acts:
        if act.what != what:
            continue
        first = int(act.t_s / STEP_S)
        length = max(1, int(act.ramp_s / STEP_S))
        at = value[min(first, n - 1)]
        ramp = at + (act.to - at) * np.minimum(np.arange(n - first) / length, 1.0)
        value[first:] = ramp
    return value


def _level(plant: Plant, n: int, speed: np.ndarray, acts: list[Act]) -> tuple[np.ndarray, np.ndarray]:
    """(level, blow-by over that at the start) at every step; unit of flow: what the closed leaks draw at 1 Pa."""
    net = math.sqrt(abs(plant.level_pa))
    suction = net / (1.0 - plant.blow_share)
    blow = suction - net
    k = 2.0 * net / plant.tau_s
    leak = 1.0 + _ramps(n, 0.0, acts, "opening")
    pull = suction * _ramps(n, 1.0, acts, "suction") * np.minimum(1.0, speed / 300.0)
    worn = _ramps(n, 1.0, acts, "blow_by")
    push = blow * worn * np.minimum(1.0, speed / 300.0) * np.sqrt(np.maximum(speed, 1.0) / plant.rpm)
    # The manifold's vacuum outlives the engine a little.
    x = plant.level_pa if speed[0] > 0 else 0.0
    level = np.empty(n)
    soft = 4.0
    k_dt = k * STEP_S
    for i, (a, s, b) in enumerate(zip(leak.tolist(), pull.tolist(), push.tolist())):
        # Implicit in the root law, so that a wide opening stays stable.
        slope = a / math.sqrt(abs(x) + soft)
        x = (x + k_dt * (b - s)) / (1.0 + k_dt * slope)
        level[i] = x
    return level, worn * np.minimum(1.0, speed / 300.0)


def _scattered(rng: np.random.Generator, n: int, every: int) -> np.ndarray:
    """(n,) normal values, one drawn every so many steps and joined by straight lines."""
    knots = rng.standard_normal(n // every + 2)
    return np.interp(np.arange(n), np.arange(len(knots)) * every, knots)


def _pulses(plant: Plant, speed: np.ndarray, worn: np.ndarray, opened: np.ndarray, rng: np.random.Generator):
    n = len(speed)
    shake = _scattered(rng, n, 200) * plant.unsteady
    turns = np.cumsum(speed * (1 + shake)) / 120.0 * STEP_S + rng.uniform()
    breath = 1 + 0.08 * _scattered(rng, n, 70)
    alive = np.clip(speed / 150.0, 0.0, 1.0)
    total = np.zeros(n)
    grown = plant.swing_share + (1 - plant.swing_share) * worn
    for order, amplitude, phase in plant.harmonics:
        above = order * plant.rpm / 120.0
        if above < 480:
            total += amplitude * np.cos(2 * np.pi * order * turns + phase)
    return total * alive * grown * breath * opened


def _line(plant: Plant, values: np.ndarray) -> np.ndarray:
    from scipy.signal import lfilter

    w = 2 * np.pi * min(plant.line_hz, 250.0) * STEP_S
    a0 = 1 + w / plant.line_q + w * w
    start = values[0]
    return lfilter([w * w / a0], [1.0, -(2 + w / plant.line_q) / a0, 1 / a0], values - start) + start


def _coloured(rng: np.random.Generator, n: int, plant: Plant) -> np.ndarray:
    from scipy.signal import lfilter

    a = math.exp(-1.0 / (plant.rate_hz * plant.red_tau_s))
    red = lfilter([math.sqrt(1 - a * a)], [1.0, -a], rng.standard_normal(n))
    freq = np.fft.rfftfreq(n, 1.0 / plant.rate_hz)
    shaped = np.fft.rfft(rng.standard_normal(n)) / np.sqrt(np.maximum(freq, 0.05) / 1.0)
    pink = np.fft.irfft(shaped, n)
    pink /= pink.std() + 1e-12
    hum = plant.hum_pa * np.sin(2 * np.pi * (50.0 * np.arange(n) / plant.rate_hz + rng.uniform()))
    return plant.noise_pa * rng.standard_normal(n) + plant.red_pa * red + plant.pink_pa * pink + hum


def make(rng: np.random.Generator, plant: Plant, acts: list[Act], duration_s: float, running: bool = True) -> Made:
    """Play `acts` on `plant`."""
    n = int(duration_s / STEP_S)
    axis = np.arange(n) * STEP_S
    speed = _ramps(n, plant.rpm if running else 0.0, acts, "speed")
    level, worn = _level(plant, n, speed, acts)
    thin = np.minimum(1.0, _ramps(n, 1.0, acts, "thin"))
    seen = level + _pulses(plant, speed, worn, thin, rng)
    level, seen = _rig_acts(axis, level, seen, acts)
    seen = _line(plant, seen)
    level = _line(plant, level) if plant.line_hz < 100 else level
    count = int(duration_s * plant.rate_hz)
    t = (np.arange(count) + plant.jitter * rng.uniform(-0.5, 0.5, count)) / plant.rate_hz
    t = np.maximum(t, 0.0)
    p = np.interp(t, axis, seen) + plant.offset_pa + _coloured(rng, count, plant)
    p = np.clip(np.round(p / plant.code_pa) * plant.code_pa, -plant.range_pa, plant.range_pa)
    keep = np.ones(count, bool)
    for act in acts:
        on = (t >= act.t_s) & (t < act.t_s + act.ramp_s)
        if act.what == "frozen" and on.any():
            p[on] = p[np.argmax(on)]
        elif act.what == "rail":
            p[on] = act.to
        elif act.what == "missing":
            keep &= ~(on & (rng.uniform(size=count) < act.to))
    if rng.uniform() < 0.2:
        keep &= rng.uniform(size=count) > rng.uniform(0, 0.04)
    if rng.uniform() < 0.1:
        gap = rng.uniform(0, duration_s)
        keep &= ~((t > gap) & (t < gap + 0.15))
    events = truth_of(axis, level, acts, plant, _unsure(plant))
    zero = plant.offset_pa if rng.uniform() < 0.7 else None
    if zero is None:
        p = p - round(plant.offset_pa / plant.code_pa) * plant.code_pa
    told = plant.range_pa if rng.uniform() < 0.6 else None
    return Made(t[keep], p[keep], plant.rate_hz, zero, told, plant.cylinders, events)


def _rig_acts(axis, level, seen, acts):
    """What the gauge line does to what it passes: off, on again, narrowed, blocked."""
    for act in acts:
        since = axis - act.t_s
        on = since >= 0
        if act.what == "off":
            fade = np.where(on, np.exp(-np.maximum(since, 0) / max(act.ramp_s, 1e-4)), 1.0)
            till = act.to if act.to > 0 else np.inf
            back = np.clip((since - till) / 0.01, 0, 1) if np.isfinite(till) else 0.0
            fade = np.maximum(fade, back)
            seen, level = seen * fade, level * fade
        elif act.what == "blocked":
            # The sealed line keeps what it holds and creeps to `to` times that, over 4 to 25 s.
            at = float(np.interp(act.t_s, axis, level))
            shut = np.clip(since / max(act.ramp_s, 0.01), 0, 1)
            held = at * (1 + (act.to - 1) * (1 - np.exp(-np.maximum(since, 0) / (4 + 20 * (act.to % 0.1) * 10))))
            now = np.where(on, shut * held + (1 - shut) * level, level)
            seen = np.where(on, now + (seen - level) * (1 - shut), seen)
            level = now
        elif act.what == "narrowed":
            shut = np.clip(since / max(act.ramp_s, 0.01), 0, 1)
            seen = np.where(on, level + (seen - level) * (1 - shut * (1 - act.to)), seen)
    return level, seen


def _unsure(plant: Plant) -> float:
    """Standard uncertainty of a settled level: wander of the sensor over a second, and its zero."""
    return math.hypot(plant.red_pa, plant.pink_pa, 0.3 * plant.code_pa, 3.0)


RIG = {"off": "tap_off", "blocked": "line_blocked", "narrowed": "line_blocked", "frozen": "sensor_fault",
       "rail": "sensor_fault", "missing": "sensor_fault"}  # fmt: skip


def truth_of(axis: np.ndarray, level: np.ndarray, acts: list[Act], plant: Plant, unsure_pa: float) -> list[Truth]:
    """Happenings by their definitions, read off the level that has no pulses."""
    events: list[Truth] = []
    lost: list[tuple[float, bool]] = []
    sign = 0 if abs(level[0]) < 2 * unsure_pa + 8 else int(np.sign(level[0]))
    groups = sorted({act.t_s for act in acts if act.cause})
    ends = [*groups[1:], float(axis[-1])]
    for start, end in zip(groups, ends):
        act = next(a for a in acts if a.t_s == start and a.cause)
        a, b = np.searchsorted(axis, [start, end])
        part, tt = level[a:b], axis[a:b]
        before, after, told = float(level[a - 1]), float(part[-1]), len(events)
        rig = RIG.get(act.what)
        if rig is not None:
            optional = act.what == "narrowed" and act.to > 0.12 or act.what == "missing" and act.to < 0.5
            late = 0.1 * act.ramp_s if act.what in ("blocked", "narrowed") else 0.0
            events.append(Truth("rig_fault", start + late, rig, before, after, optional))
        cause = rig or act.cause
        if act.what in ("frozen", "rail", "missing"):
            continue
        events += _losses(level[a:], axis[a:], b - a, cause, before, unsure_pa, lost, rig is not None)
        if act.what == "off" and act.to > 0:
            _put_back(events, lost, start + act.to, before)
            continue
        margin = 2 * unsure_pa + 8
        new = int(np.sign(after))
        if abs(after) > 0.35 * margin and sign and new == -sign:
            crossed = np.flatnonzero(np.sign(part[:-1]) != np.sign(part[1:]))
            at = float(tt[crossed[-1]]) if len(crossed) else start
            held = end - at
            weak = abs(after) < 1.8 * margin or held < 1.6 or rig is not None
            events.append(Truth("sign_reversal", at, cause, before, after, weak))
        if abs(after) > margin and end - start > 1.0:
            sign = new
        if np.count_nonzero(np.abs(part + plant.offset_pa) > plant.range_pa) * STEP_S > 0.5:
            # By the contract what is told beside a reading beyond the range carries its cause.
            for event in events[told:]:
                event.also_causes = ("out_of_range",)
    return sorted(events, key=lambda e: e.t_s)


def _put_back(events, lost, t_s, level_pa):
    """The hose is put on again: a recovery, if the loss was told; never asked for."""
    if lost:
        events.append(Truth("recovery", t_s, "unknown", 0.0, level_pa, True))
        lost.clear()


def _losses(level, axis, count, cause, before, unsure_pa, lost, rig) -> list[Truth]:
    """Loss and recovery of one act; `level` runs on beyond the act's own `count` steps."""
    found = []
    part, after = level[:count], float(level[count - 1])
    span = after - before
    moved = (part - before) * np.sign(span) >= 0.1 * abs(span)
    tenth = float(axis[np.argmax(moved)]) if moved.any() else float(axis[0])
    least = 4 * unsure_pa + 10
    if before < -0.5 * least:
        share = level / before
        nearly = np.flatnonzero(share[:count] < 0.58)
        if len(nearly):
            below = np.flatnonzero(share[:count] < 0.5)
            k = int(below[0]) if len(below) else int(nearly[0])
            ends = np.flatnonzero(share[k:] >= 0.5)
            hold = float(axis[min(k + ends[0], len(axis) - 1)] - axis[k]) if len(ends) else float(axis[-1] - axis[k])
            took = float(axis[k] - axis[0])
            sure = len(below) and share[:count].min() < 0.43 and took < 1.7 and hold > 0.65 and before < -2 * least
            if took < 2.6 and (hold > 0.4 or not len(below)):
                found.append(Truth("sudden_loss", tenth, cause, before, after, rig or not sure))
                lost.append((before, bool(sure and not rig)))
    if lost and after < 0.43 * lost[-1][0] and before > 0.5 * lost[-1][0] and not (found and span > 0):
        deep, sure = lost[-1]
        found.append(Truth("recovery", tenth, cause, before, after, not sure or after > 0.57 * deep))
        while lost and after < 0.5 * lost[-1][0]:
            lost.pop()
    return found


def _area_for(share: float) -> float:
    """Extra area, in units of the closed leak, that leaves `share` of the level."""
    return 1.0 / math.sqrt(share) - 1.0


def _stories(name: str, rng: np.random.Generator, plant: Plant, t1: float, t2: float) -> tuple[list[Act], bool]:
    """(acts, whether the engine runs at the start)."""
    hand = log_uniform(rng, 0.01, 0.35)
    rpm = plant.rpm
    wide = _area_for(log_uniform(rng, 0.0008, 0.12))
    thin = float(rng.uniform(0.55, 1.0))
    if name in ("opening", "opening_part", "opening_small"):
        share = {"opening_part": (0.12, 0.42), "opening_small": (0.6, 0.9)}.get(name)
        area = wide if share is None else _area_for(float(rng.uniform(*share)))
        acts = [Act(t1, "opening", area, hand, "opening"), Act(t2, "opening", 0.0, hand, "closing")]
        thinned = [Act(t1, "thin", thin, hand, ""), Act(t2, "thin", 1.0, hand, "")]
        return (acts + thinned if share is None else acts), True
    if name == "two_openings":
        first = _area_for(float(rng.uniform(0.2, 0.6)))
        return [Act(t1, "opening", first, hand, "opening"), Act(t2, "opening", first + wide, hand, "opening")], True
    if name == "suction":
        left = float(rng.uniform(0.0, 0.6)) * plant.blow_share
        return [Act(t1, "suction", left, hand, "suction_lost"), Act(t2, "suction", 1.0, hand, "suction_back")], True
    if name == "suction_part":
        b = plant.blow_share
        left = b + (1 - b) * math.sqrt(float(rng.uniform(0.05, 0.4)))
        return [Act(t1, "suction", left, hand, "suction_lost"), Act(t2, "suction", 1.0, hand, "suction_back")], True
    if name == "slow_leak":
        over = float(rng.uniform(6, 14))
        return [Act(t1, "opening", wide, over, "opening")], True
    if name == "slow_reversal":
        return [Act(t1, "suction", 0.4 * plant.blow_share, float(rng.uniform(5, 10)), "suction_lost")], True
    if name in ("stop", "stall_restart"):
        acts = [Act(t1, "speed", 0.0, float(rng.uniform(0.4, 1.8)), "engine_stop")]
        if name == "stall_restart":
            acts.append(Act(t2, "speed", rpm, float(rng.uniform(0.3, 1.2)), "engine_start"))
        return acts, True
    if name == "start":
        return [Act(t1, "speed", rpm, float(rng.uniform(0.3, 1.2)), "engine_start")], False
    if name in ("speed", "blip"):
        new = rpm * float(rng.uniform(1.3, 2.6))
        pull = float(rng.uniform(0.35, 0.7)) if name == "speed" else float(rng.uniform(0.1, 0.6))
        pull = plant.blow_share + (1 - plant.blow_share) * pull**2 if rng.uniform() < 0.7 else pull
        ramp = float(rng.uniform(0.2, 1.0)) if name == "speed" else float(rng.uniform(0.08, 0.25))
        stop = t2 if name == "speed" else t1 + ramp + float(rng.uniform(0.02, 0.15))
        return [
            Act(t1, "speed", new, ramp, "speed_change"), Act(t1, "suction", pull, 0.5 * ramp, ""),
            Act(stop, "speed", rpm, 1.5 * ramp, "speed_change"), Act(stop, "suction", 1.0, 0.5 * ramp, ""),
        ], True  # fmt: skip
    if name == "blow_by":
        # So much that the level ends between a twentieth of its size and all of it, on the other side of zero.
        rise = (1 + (1 - plant.blow_share) * math.sqrt(float(rng.uniform(0.05, 1.0)))) / plant.blow_share
        return [Act(t1, "blow_by", rise, log_uniform(rng, 0.03, 0.6), "blow_by_rise")], True
    if name == "tap_off":
        back = t2 - t1 if rng.uniform() < 0.4 else 0.0
        return [Act(t1, "off", back, log_uniform(rng, 0.001, 0.012), "tap_off")], True
    if name in ("blocked", "blocked_slow"):
        ramp = log_uniform(rng, 0.01, 0.3) if name == "blocked" else float(rng.uniform(0.5, 2.5))
        return [Act(t1, "blocked", float(rng.uniform(0.4, 1.15)), ramp, "line_blocked")], True
    if name == "condensate":
        first = Act(t1, "narrowed", float(rng.uniform(0.4, 0.7)), float(rng.uniform(0.1, 1.5)), "line_blocked")
        return [first, Act(t2, "narrowed", float(rng.uniform(0.0, 0.08)), log_uniform(rng, 0.02, 1.0),
                           "line_blocked")], True  # fmt: skip
    if name == "frozen":
        return [Act(t1, "frozen", 0.0, 99.0 if rng.uniform() < 0.5 else t2 - t1, "sensor_fault")], True
    if name == "rail":
        return [Act(t1, "rail", plant.range_pa * float(rng.choice([-1, 1])), 99.0, "sensor_fault")], True
    if name == "missing":
        return [Act(t1, "missing", float(rng.choice([0.3, 0.6, 1.0])), t2 - t1, "sensor_fault")], True
    return [], name != "at_rest"


STORIES = ("opening", "opening_part", "opening_small", "two_openings", "suction", "suction_part", "slow_leak",
           "slow_reversal", "stop", "stall_restart", "start", "speed", "blip", "blow_by", "tap_off", "blocked",
           "blocked_slow", "condensate", "frozen", "rail", "missing", "steady", "at_rest")  # fmt: skip


def story(seed: int, name: str) -> Made:
    """One random trace of the kind `name`."""
    rng = np.random.default_rng([seed, STORIES.index(name), 77])
    plant = draw_plant(rng)
    t1 = float(rng.uniform(5, 14))
    t2 = t1 + float(rng.uniform(3, 8))
    end = t2 + float(rng.uniform(2.5, 7))
    acts, running = _stories(name, rng, plant, t1, t2)
    made = make(rng, plant, acts, end, running)
    pulse = math.sqrt(sum(a * a for _, a, _ in plant.harmonics) / 2)
    made.about = (
        f"{name} {seed} {plant.rate_hz:.0f} Hz N{plant.cylinders} {plant.rpm:.0f} rpm level {plant.level_pa:.0f} "
        f"pulses {pulse:.0f} noise {plant.noise_pa:.1f} code {plant.code_pa:.1f} line {plant.line_hz:.0f} "
        f"tau {plant.tau_s:.2f}"
    )
    return made
