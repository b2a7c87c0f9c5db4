"""Quick pressure traces with their truth, made without any physics of the product's own simulator.

Phenomenological: a level that relaxes exponentially to whatever the script says, pulses as sums over cylinders of a
blow-by pulse and a piston swing, a line that damps or rings, and a cheap sensor (white and wandering noise, offset,
quantising, clipping). Engines and speeds are drawn at random from a seed, so that tuning and judging can use others.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

FIRING_DEGREES = {
    1: [(0,)],
    2: [(0, 360), (0, 180), (0, 270), (0, 450)],
    3: [(0, 240, 480)],
    4: [(0, 180, 360, 540)],
    5: [(0, 144, 288, 432, 576)],
    6: [(0, 120, 240, 360, 480, 600), (0, 90, 240, 330, 480, 570)],
    7: [tuple(720 / 7 * k for k in range(7))],
    8: [tuple(90 * k for k in range(8))],
}
CRANK_DEGREES = {
    1: [(0,)],
    2: [(0, 0), (0, 180), (0, 270), (0, 90)],
    3: [(0, 120, 240)],
    4: [(0, 180, 180, 0)],
    5: [(0, 72, 144, 216, 288)],
    6: [(0, 120, 240, 240, 120, 0), (0, 120, 240, 60, 180, 300)],
    7: [tuple(360 / 7 * k for k in range(7))],
    8: [(0, 90, 270, 180, 0, 90, 270, 180)],
}


@dataclass
class TruthEvent:
    kind: str
    t_s: float
    cause: str
    before_pa: float
    after_pa: float


@dataclass
class Trace:
    t_s: np.ndarray
    pressure_pa: np.ndarray
    cylinders: int
    rate_hz: float
    range_pa: float | None
    zero_pa: float
    events: list[TruthEvent] = field(default_factory=list)
    firing_hz: float | None = None
    """At the start; None where no pulses can be seen."""
    rpm: float | None = None
    level_pa: np.ndarray | None = None
    uneven: bool = False
    about: str = ""


@dataclass
class Step:
    """From `t_s` on the level heads for `target_pa` with time constant `tau_s`, the speed for `rpm` over `ramp_s`."""

    t_s: float
    cause: str
    target_pa: float
    tau_s: float
    rpm: float | None = None
    ramp_s: float = 0.5
    pulse_gain: float = 1.0
    until_s: float | None = None


def _ramped(t: np.ndarray, start: float, steps: list[tuple[float, float, float]]) -> np.ndarray:
    value = np.full(len(t), float(start))
    for t0, target, ramp in steps:
        at = np.interp(t0, t, value)
        now = at + (target - at) * np.clip((t - t0) / max(ramp, 1e-3), 0, 1)
        value = np.where(t >= t0, now, value)
    return value


def _relaxed(t: np.ndarray, start: float, steps: list[tuple[float, float, float]]) -> np.ndarray:
    value = np.full(len(t), float(start))
    for t0, target, tau in steps:
        at = np.interp(t0, t, value)
        value = np.where(t >= t0, target + (at - target) * np.exp(-(t - t0).clip(0) / max(tau, 1e-4)), value)
    return value


def _wander(rng: np.random.Generator, n: int, rate: float, sd: float, tau: float) -> np.ndarray:
    if sd <= 0:
        return np.zeros(n)
    from scipy.signal import lfilter

    a = np.exp(-1 / (rate * tau))
    e = rng.standard_normal(n) * np.sqrt(1 - a * a)
    e[0] = rng.standard_normal()
    return sd * lfilter([1.0], [1.0, -a], e)


def make(
    rng: np.random.Generator,
    steps: list[Step],
    duration_s: float,
    rate_hz: float = 1000.0,
    cylinders: int = 4,
    rpm: float = 800.0,
    level_pa: float = -600.0,
    fire_pa: float = 40.0,
    swing_pa: float = 150.0,
    spread: float = 0.05,
    noise_pa: float = 8.0,
    wander_pa: float = 3.0,
    wander_tau_s: float = 1.0,
    lsb_pa: float = 1.3,
    offset_pa: float = 0.0,
    range_pa: float | None = 2000.0,
    line: tuple[str, float] | None = None,
    layout: int = 0,
    running: bool = True,
    jitter: float = 0.004,
    weak_cylinder: float = 0.0,
) -> Trace:
    """One trace with truth. `line` is ("damped", corner_hz) or ("resonant", peak_hz)."""
    over = max(1, int(np.ceil(4000 / rate_hz)))
    fine = rate_hz * over
    t = np.arange(int(duration_s * fine)) / fine
    physical = [s for s in steps if s.cause not in ("tap_off", "line_blocked", "sensor_fault", "rail", "missing")]
    revs = _ramped(t, rpm if running else 0.0, [(s.t_s, s.rpm, s.ramp_s) for s in physical if s.rpm is not None])
    slow = _wander(rng, len(t) // 50 + 2, fine / 50, jitter, 0.4)
    revs = revs * (1 + np.interp(t, np.arange(len(slow)) * 50 / fine, slow))
    cycle = np.cumsum(revs / 120 / fine) + rng.uniform()
    level = _relaxed(t, level_pa if running else 0.0, [(s.t_s, s.target_pa, s.tau_s) for s in physical])
    gain = _relaxed(t, 1.0, [(s.t_s, s.pulse_gain, 0.05) for s in physical])
    firing, crank = FIRING_DEGREES[cylinders], CRANK_DEGREES[cylinders]
    layout = layout % len(firing)
    blow = np.zeros(len(t))
    swing = np.zeros(len(t))
    weights = 1 + spread * rng.standard_normal(cylinders)
    weights[rng.integers(cylinders)] += weak_cylinder
    width = rng.uniform(0.02, min(0.07, 0.3 / cylinders))
    for k in range(cylinders):
        phase = (cycle - firing[layout][k] / 720) % 1.0
        pulse = np.exp(-0.5 * (np.minimum(phase, 1 - phase) / width) ** 2)
        blow += weights[k] * (pulse - width * np.sqrt(2 * np.pi))
        theta = 2 * np.pi * (2 * cycle - crank[layout][k] / 360)
        swing += np.cos(theta) + 0.3 * np.cos(2 * theta)
    blow /= max(1e-9, np.sqrt(np.mean(blow[: int(fine)] ** 2))) if running else 1.0
    size = np.sqrt(np.mean(swing[: int(2 * fine)] ** 2)) if running else 1.0
    swing = swing / size if size > 0.3 else swing
    alive = np.clip(revs / 250, 0, 1)
    ac = alive * gain * (np.sqrt(2) * fire_pa * blow * np.sqrt(0.5) + swing_pa * swing)
    if line is not None:
        from scipy.signal import butter, lfilter

        if line[0] == "damped":
            b, a = butter(1, min(0.9, line[1] / (fine / 2)))
        else:
            w = 2 * np.pi * line[1] / fine
            r = 1 - w * 0.08
            a = np.array([1, -2 * r * np.cos(w), r * r])
            b = np.array([a.sum(), 0, 0])
        # The line passes the level too: it lags with the pulses.
        start = level[0]
        both = lfilter(b, a, ac + level - start) + start
        lagged = lfilter(b, a, level - start) + start
        ac, level = both - lagged, lagged
    true_level = level.copy()
    signal = level + ac
    out_of_range = range_pa is not None and np.abs(level).max() > range_pa
    for s in steps:
        end = s.until_s if s.until_s is not None else duration_s + 1
        on = (t >= s.t_s) & (t < end)
        if s.cause == "tap_off":
            decay = np.exp(-(t - s.t_s).clip(0) / max(s.tau_s, 1e-3))
            signal = np.where(on, signal * decay, signal)
            true_level = np.where(on, true_level * decay, true_level)
        elif s.cause == "line_blocked":
            decay = np.exp(-(t - s.t_s).clip(0) / 0.03)
            at = np.interp(s.t_s, t, level)
            creep = at + (s.target_pa - at) * (1 - np.exp(-(t - s.t_s).clip(0) / s.tau_s))
            signal = np.where(on, creep + (signal - level) * decay, signal)
            true_level = np.where(on, creep, true_level)
    p = signal[::over] + offset_pa
    ts = t[::over]
    n = len(p)
    p = p + noise_pa * rng.standard_normal(n) + _wander(rng, n, rate_hz, wander_pa, wander_tau_s)
    if lsb_pa:
        p = np.round(p / lsb_pa) * lsb_pa
    if range_pa is not None:
        p = np.clip(p, -range_pa, range_pa)
    keep = np.ones(n, bool)
    true_level = true_level[::over]
    for s in steps:
        end = s.until_s if s.until_s is not None else duration_s + 1
        on = (ts >= s.t_s) & (ts < end)
        if s.cause == "sensor_fault" and on.any():
            p[on] = p[np.argmax(on)]
            true_level[on] = p[np.argmax(on)]
        elif s.cause == "rail" and on.any():
            p[on] = s.target_pa
            true_level[on] = s.target_pa
        elif s.cause == "missing":
            keep &= ~on
    trace = Trace(
        ts[keep], p[keep], cylinders, rate_hz, range_pa, offset_pa,
        firing_hz=cylinders * rpm / 120 if running else None, rpm=rpm if running else None, level_pa=true_level[keep],
        uneven=weak_cylinder > 0,
    )  # fmt: skip
    trace.events = true_events(ts, true_level, steps, range_pa if out_of_range else None)
    return trace


def true_events(t: np.ndarray, level: np.ndarray, steps: list[Step], range_pa: float | None) -> list[TruthEvent]:
    """Happenings by their definitions, from the pulse-free level."""
    events: list[TruthEvent] = []
    lost: list[float] = []
    rig = {"tap_off": "tap_off", "line_blocked": "line_blocked", "sensor_fault": "sensor_fault", "rail": "sensor_fault",
           "missing": "sensor_fault", "out_of_range": "out_of_range"}  # fmt: skip
    order = sorted(steps, key=lambda s: s.t_s)
    sign = np.sign(level[0]) if abs(level[0]) > 30 else 0.0
    for i, s in enumerate(order):
        end = order[i + 1].t_s if i + 1 < len(order) else t[-1]
        if s.cause == "missing":
            events.append(TruthEvent("rig_fault", s.t_s, "sensor_fault", np.nan, np.nan))
            continue
        now = (t >= s.t_s) & (t < end)
        before = float(level[np.searchsorted(t, s.t_s) - 1])
        part = level[now]
        tt = t[now]
        after = float(part[-1])
        cause = rig.get(s.cause, s.cause)
        if cause in rig.values():
            at = s.t_s
            if s.cause == "out_of_range" and range_pa is not None:
                beyond = np.flatnonzero(np.abs(part) > range_pa)
                at = float(tt[beyond[0]]) if len(beyond) else s.t_s
            events.append(TruthEvent("rig_fault", at, cause, before, after))
        moved = np.abs(part - before) >= 0.1 * abs(after - before)
        tenth = float(tt[np.argmax(moved)]) if moved.any() else s.t_s
        if before < -20:
            below = part > 0.5 * before
            if below.any():
                k = int(np.argmax(below))
                ends = np.flatnonzero(~below[k:])
                hold = (tt[k + ends[0]] if len(ends) else end) - tt[k]
                if tt[k] - tenth < 2.0 and hold >= 0.5:
                    events.append(TruthEvent("sudden_loss", tenth, cause, before, after))
                    lost.append(before)
        if lost:
            regained = part < 0.5 * lost[-1]
            if regained[-1] and not before < 0.5 * lost[-1]:
                while lost and after < 0.5 * lost[-1]:
                    lost.pop()
                events.append(TruthEvent("recovery", tenth, cause, before, after))
        if abs(after) > 30:
            new = float(np.sign(after))
            if sign and new != sign:
                crossing = np.flatnonzero(np.sign(part[:-1]) != np.sign(part[1:]))
                at = float(tt[crossing[-1]]) if len(crossing) else tenth
                events.append(TruthEvent("sign_reversal", at, cause, before, after))
            sign = new
    return sorted(events, key=lambda e: e.t_s)


def draw_engine(rng: np.random.Generator, rate_hz: float) -> dict:
    """A random engine, line and sensor."""
    cylinders = int(rng.choice([1, 2, 3, 4, 4, 4, 5, 6, 6, 8]))
    rpm = float(
        rng.choice([rng.uniform(400, 1000), rng.uniform(600, 1100), rng.uniform(1000, 3500)], p=[0.3, 0.5, 0.2])
    )
    line = None
    pick = rng.uniform()
    if pick < 0.2:
        line = ("damped", float(rng.uniform(8, 40)))
    elif pick < 0.35:
        line = ("resonant", float(rng.uniform(30, 120)))
    return {
        "cylinders": cylinders, "rpm": rpm, "level_pa": -float(np.exp(rng.uniform(np.log(120), np.log(1500)))),
        "fire_pa": float(np.exp(rng.uniform(np.log(8), np.log(150)))),
        "swing_pa": float(np.exp(rng.uniform(np.log(5), np.log(500)))), "noise_pa": float(rng.uniform(1, 15)),
        "wander_pa": float(rng.uniform(0, 6)), "wander_tau_s": float(rng.uniform(0.2, 5)),
        "lsb_pa": float(rng.choice([0.1, 1.34, 3.5, 6.0])), "range_pa": float(rng.choice([2500.0, 3500.0, 7000.0])),
        "line": line, "layout": int(rng.integers(4)), "rate_hz": rate_hz, "offset_pa": float(rng.uniform(-30, 30)),
        "spread": float(rng.uniform(0, 0.15)),
    }  # fmt: skip


STORIES = ("opening", "suction", "stop", "stall_start", "speed", "blip", "blow_by", "tap_off", "blocked", "frozen",
           "rail", "missing", "range", "steady", "drift")  # fmt: skip


def story(seed: int, name: str | None = None, rate_hz: float | None = None) -> Trace:
    """One random scenario of the kind `name`, with its truth."""
    rng = np.random.default_rng(seed)
    rate = float(rate_hz or rng.choice([100, 200, 250, 500, 1000]))
    engine = draw_engine(rng, rate)
    name = name or str(rng.choice(STORIES))
    level, rpm = engine["level_pa"], engine["rpm"]
    tau = float(np.exp(rng.uniform(np.log(0.02), np.log(0.5))))
    t1 = float(rng.uniform(6, 12))
    t2 = t1 + float(rng.uniform(3, 10))
    t3 = t2 + float(rng.uniform(4, 8))
    small = float(rng.uniform(0.01, 0.3))
    gain = float(rng.uniform(0.5, 1.1))
    back = Step(t2, "closing", level, tau)
    end = t3
    if name == "opening":
        steps = [Step(t1, "opening", level * small, tau, pulse_gain=gain), back]
    elif name == "suction":
        steps = [Step(t1, "suction_lost", float(rng.uniform(50, 400)), 2 * tau), Step(t2, "suction_back", level, tau)]
    elif name == "stop":
        steps = [
            Step(t1, "engine_stop", 0.0, float(rng.uniform(0.2, 0.9)), rpm=0.0, ramp_s=float(rng.uniform(0.5, 1.8)))
        ]
    elif name == "stall_start":
        steps = [Step(t1, "engine_stop", 0.0, float(rng.uniform(0.2, 0.8)), rpm=0.0,
                      ramp_s=float(rng.uniform(0.4, 1.5))),
                 Step(t2, "engine_start", level, float(rng.uniform(0.2, 0.7)), rpm=rpm,
                      ramp_s=float(rng.uniform(0.3, 1.0)))]  # fmt: skip
    elif name == "speed":
        new = rpm * float(rng.uniform(1.4, 2.5))
        steps = [Step(t1, "speed_change", level * float(rng.uniform(0.05, 0.8)), 0.3, rpm=new,
                      ramp_s=float(rng.uniform(0.3, 1.5))),
                 Step(t2, "speed_change", level, 0.3, rpm=rpm, ramp_s=float(rng.uniform(0.3, 1.5)))]  # fmt: skip
    elif name == "blip":
        hold = float(rng.uniform(0.1, 0.3))
        new = rpm * float(rng.uniform(1.5, 3))
        steps = [
            Step(t1, "speed_change", level * 0.2, 0.1, rpm=new, ramp_s=0.2),
            Step(t1 + hold, "speed_change", level, 0.1, rpm=rpm, ramp_s=0.4),
        ]
    elif name == "blow_by":
        steps = [Step(t1, "blow_by_rise", float(rng.uniform(40, 400)), 2 * tau, pulse_gain=float(rng.uniform(1.4, 3)))]
    elif name == "tap_off":
        steps = [Step(t1, "tap_off", 0.0, float(rng.uniform(0.002, 0.015)))]
    elif name == "blocked":
        steps = [Step(t1, "line_blocked", level * float(rng.uniform(0.3, 1.1)), float(rng.uniform(5, 30)))]
    elif name == "frozen":
        steps = [Step(t1, "sensor_fault", 0, 0, until_s=None if rng.uniform() < 0.6 else t2)]
    elif name == "rail":
        steps = [Step(t1, "rail", engine["range_pa"] * float(rng.choice([-1, 1])), 0)]
    elif name == "missing":
        steps = [Step(t1, "missing", 0, 0, until_s=t2)]
    elif name == "range":
        engine["range_pa"] = float(rng.choice([500.0, 1000.0, 2000.0]))
        engine["level_pa"] = -0.5 * engine["range_pa"]
        engine["swing_pa"] = min(engine["swing_pa"], 0.2 * engine["range_pa"])
        steps = [Step(t1, "out_of_range", -2.5 * engine["range_pa"], float(rng.uniform(0.2, 1.5)))]
    elif name == "drift":
        steps = [Step(t1, "drift", level * 0.2, 12.0)]
        end = 60.0
    else:
        steps = []
        end = 30.0
    trace = make(rng, steps, end, **engine)
    if name == "drift":
        trace.events = [e for e in trace.events if e.kind != "sudden_loss"]
    trace.about = (
        f"{name} seed {seed} {rate:.0f} Hz N{engine['cylinders']} {rpm:.0f} rpm level {level:.0f} {engine['line']}"
    )
    return trace
