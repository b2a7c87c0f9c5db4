"""Crankcase pulses computed from crank, cylinder pressure and hose, plain sums of sines, and machines of a workshop.

A fifth maker of engines, which shares no line with the others: slider-crank volumes, blow-by that goes with the
cylinder's pressure over the cycle, a crankcase that leaks to the room, a port that hears the cylinders unlike, the hose
after Bergh and Tijdeman 1965 (single line), a part that averages, codes and clips.
"""

from __future__ import annotations

import numpy as np
from pulse_maker import PulseTrace
from scipy.special import jv

RATES_HZ = (100.0, 250.0, 500.0, 1000.0)
ROOM_PA, GAMMA, ORDERS, STEPS = 101325.0, 1.4, 96, 2048
TWINS = (((0, 360), (0, 0)), ((0, 180), (0, 180)), ((0, 270), (0, 270)), ((0, 405), (0, 45)), ((0, 360), (0, 360)))
ODD_SIX = ((0, 90, 240, 330, 480, 570), (0, 90, 240, 330, 120, 210))
MACHINES = ("pump", "blower", "switching")


def _layout(rng: np.random.Generator, cylinders: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Firing angles of 720 and crank angles of 360 degrees."""
    firing = tuple(720.0 * k / cylinders for k in range(cylinders))
    if cylinders == 2:
        return TWINS[rng.integers(len(TWINS))]
    if cylinders == 6 and rng.uniform() < 0.2:
        return ODD_SIX
    return firing, tuple(angle % 360 for angle in firing)


def _hose_gain(hz: np.ndarray, bore: float, length: float, volume: float) -> np.ndarray:
    """Complex gain (k,) from port to sensor: bore and length in metres, volume in cubic metres."""
    alpha = 1j**1.5 * bore / 2 * np.sqrt(1.2041 * 2 * np.pi * hz / 1.81e-5)
    wall, heat = (jv(2, a) / jv(0, a) for a in (alpha, alpha * np.sqrt(0.707)))
    n = 1 / (1 + (GAMMA - 1) / GAMMA * heat)
    phi = 2 * np.pi * hz / 343.2 * np.sqrt(1 / wall) * np.sqrt(GAMMA / n)
    inside = np.pi * bore**2 / 4 * length
    end = volume / inside / GAMMA * n * phi * length * np.sinh(phi * length)
    return np.asarray(1 / (np.cosh(phi * length) + end))


def _port(rng: np.random.Generator, cylinders: int, rpm: float) -> np.ndarray:
    """Complex amplitudes (orders,) in pascals of the multiples of rpm/120 at the port."""
    firing, crank = _layout(rng, cylinders)
    angle = np.arange(STEPS) * 720.0 / STEPS
    bore = rng.uniform(0.06, 0.1)
    radius, ratio = bore * rng.uniform(0.375, 0.625), rng.uniform(0.24, 0.34)
    area = np.pi / 4 * bore**2
    swept = area * 2 * radius

    def fall(deg: np.ndarray) -> np.ndarray:
        a = np.deg2rad(deg)
        return radius * ((1 - np.cos(a)) + (1 - np.sqrt(1 - (ratio * np.sin(a)) ** 2)) / ratio)

    least = swept / (rng.uniform(8.5, 20.0) - 1)
    load = rng.uniform(0.25, 1.0)
    about = (angle + 360) % 720 - 360
    squeezed = ROOM_PA * load * ((least + swept) / (least + area * fall(about))) ** 1.32
    burnt = 1 - np.exp(-5 * np.clip((about + 8) / rng.uniform(40, 60), 0, 1) ** 3)
    gas = np.where((about > -180) & (about < 150), squeezed * (1 + burnt * rng.uniform(2.5, 3.5)), ROOM_PA)
    leak = np.maximum(gas - ROOM_PA, 0.0)
    leak *= rng.uniform(0.003, 0.02) * swept * load * rpm / 120 / leak.mean()
    share = np.exp(10 ** rng.uniform(-1.7, -0.6) * rng.standard_normal(cylinders))
    if rng.uniform() < 0.15:
        share[rng.integers(cylinders)] *= 1 + rng.uniform(0.3, 3.0)
    flow = sum(part * np.roll(leak, round(at / 720 * STEPS)) for part, at in zip(share, firing))
    unlike = 1 + (rng.uniform(0, 0.1) if rng.uniform() < 0.4 else 0.0) * rng.standard_normal(cylinders)
    volume = sum(-area * heard * fall(angle - at) for heard, at in zip(unlike, crank))
    turn = 2j * np.pi * rpm / 120 * np.arange(1, ORDERS + 1)
    stiff = GAMMA * ROOM_PA / (swept * cylinders * rng.uniform(1.0, 3.0) + 0.0005)
    slow = turn + 2 * np.pi * np.exp(rng.uniform(0.0, np.log(40.0)))
    blow, swing = (2 / STEPS * np.fft.fft(of)[1 : ORDERS + 1] * stiff / slow for of in (flow, volume))
    swing = swing * turn
    loud = float(np.sqrt((np.abs(swing) ** 2).sum() / 2))
    return np.asarray(blow - swing * min(1.0, 10 ** rng.uniform(2.0, 3.1) / max(loud, 1e-9)))


def _pink(rng: np.random.Generator, n: int) -> np.ndarray:
    spectrum = np.fft.rfft(rng.standard_normal(n))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0.0
    noise = np.fft.irfft(spectrum, n)
    return np.asarray(noise / noise.std())


def _as_read(rng: np.random.Generator, pressure: np.ndarray, noise: float) -> np.ndarray:
    """As a part of 2 or 10 kPa and 10 to 14 bits reads it."""
    most = 2000.0 if rng.uniform() < 0.6 else 10_000.0
    code = most * 2 / 2.0 ** rng.choice([10, 12, 14])
    n = len(pressure)
    noisy = pressure + noise * (rng.standard_normal(n) + 10 ** rng.uniform(-1, 0.5) * _pink(rng, n))
    return np.clip(np.round(noisy / code) * code, -most, most)


def engine(rng: np.random.Generator, rate_hz: float | None = None, run: float = 0.0) -> PulseTrace:
    """An engine of 400 to 6000 rpm, whose speed runs by the share `run` if that is not 0."""
    rate = rate_hz or float(rng.choice(RATES_HZ))
    cylinders, rpm = int(rng.integers(1, 9)), float(np.exp(rng.uniform(np.log(400), np.log(6000))))
    n = int(rng.uniform(5, 20) * rate)
    t = np.arange(n) / rate
    hunt = 10 ** rng.uniform(-3.3, -2.0) * np.sin(2 * np.pi * t / rng.uniform(0.8, 5.0) + rng.uniform(0, 6.28))
    way = np.clip((t / t[-1] - rng.uniform(0, 0.3)) / rng.uniform(0.4, 0.7), 0, 1)
    speed = rpm * (1 + hunt + 10 ** rng.uniform(-3.5, -2.5) * _pink(rng, n)) * (1 + run * way)
    turn = 2 * np.pi * np.cumsum(speed / 120) / rate
    hz = rpm / 120 * np.arange(1, ORDERS + 1)
    hose = _hose_gain(hz, rng.choice([1.5, 2, 3, 4]) * 1e-3, rng.uniform(0.2, 2.5), 10 ** rng.uniform(-0.7, 0.7) * 1e-6)
    if rng.uniform() < 0.25:
        hose = hose / (1 + 1j * hz / rng.uniform(5, 40))
    if rng.uniform() < 0.6:
        hose = hose * np.sinc(hz / rate)
    sizes = _port(rng, cylinders, rpm) * hose / (1 + 1j * hz / rng.uniform(150, 1000))
    heard = np.flatnonzero(np.abs(sizes) > 1e-4 * np.abs(sizes).max())
    pulses = sum(np.real(sizes[k] * np.exp(1j * (k + 1) * turn)) for k in heard)
    if rng.uniform() < 0.35:
        mains = rng.choice([50.0, 60.0]) * (1 + 3e-4 * rng.standard_normal())
        pulses = pulses + 10 ** rng.uniform(-0.5, 1.0) * np.sin(2 * np.pi * mains * t)
    level = -(10 ** rng.uniform(1.0, 3.1)) if rng.uniform() < 0.85 else 10 ** rng.uniform(0, 2.3)
    read = _as_read(rng, level + pulses * (1 + 0.03 * _pink(rng, n)), 10 ** rng.uniform(-0.6, 1.2))
    return PulseTrace(read, rate, cylinders, "ramp" if run else "crank", float(speed.mean()), float(speed.min()),
                      float(speed.max()), held_rpm=float(speed.mean()) if run else rpm)  # fmt: skip


def plain(rng: np.random.Generator) -> PulseTrace:
    """Firing and its multiples as sines, with a piston's swing or half orders in some, firing below half the rate."""
    rate = float(rng.choice(RATES_HZ))
    cylinders = int(rng.integers(1, 9))
    most = min(6000.0, 0.45 * rate * 120 / cylinders)
    rpm = float(np.exp(rng.uniform(np.log(400), np.log(max(500.0, most)))))
    n = int(rng.uniform(6, 20) * rate)
    t = np.arange(n) / rate
    hunt = 1 + 10 ** rng.uniform(-4, -2.3) * np.sin(2 * np.pi * rng.uniform(0.2, 1) * t + 1)
    turn = 2 * np.pi * rpm / 120 * np.cumsum(hunt) / rate
    first = 10 ** rng.uniform(1.0, 2.3)
    sizes = {cylinders: first, 2 * cylinders: first * rng.uniform(0.1, 0.5)}
    if rng.uniform() < 0.6:
        sizes[3 * cylinders] = first * rng.uniform(0.03, 0.2)
    if rng.uniform() < 0.4 and cylinders in (1, 2, 4):
        tooth = {1: 2, 2: 2, 4: 4}[cylinders]
        sizes[tooth] = sizes[tooth] + first * rng.uniform(0.5, 6.0)
    if rng.uniform() < 0.4:
        sizes[1] = sizes.get(1, 0.0) + first * rng.uniform(0.02, 0.2)
    pulses = sum(size * np.sin(k * turn + rng.uniform(0, 6.28)) for k, size in sizes.items() if k * rpm < 60 * rate)
    read = -(10 ** rng.uniform(1.7, 3.0)) + pulses + 10 ** rng.uniform(0, 1.2) * rng.standard_normal(n)
    return PulseTrace(np.round(read / 1.3) * 1.3, rate, cylinders, "plain", rpm, held_rpm=rpm)


def machine(rng: np.random.Generator, kind: str) -> PulseTrace:
    """The open port beside a machine: an induction motor's pump, a blower, a converter that switches."""
    rate = float(rng.choice(RATES_HZ))
    n = int(rng.uniform(5, 30) * rate)
    t = np.arange(n) / rate
    noise = 10 ** rng.uniform(-0.6, 1.2)
    if kind == "switching":
        tones = [(rng.uniform(5, 0.49 * rate), 10 ** rng.uniform(-0.7, 0.7)) for _ in range(rng.integers(1, 6))]
    else:
        base = 50.0 / rng.choice([1, 2]) * (1 - rng.uniform(0.01, 0.06)) if kind == "pump" else rng.uniform(15, 400)
        loud = 10 ** rng.uniform(-0.5, 0.8)
        tones = [(base * k, loud * rng.uniform(0.1, 1) / k) for k in range(1, 5 if kind == "pump" else 3)]
    slip = 1 + 0.0005 * _pink(rng, n)
    hum = sum(size * np.sin(2 * np.pi * hz * np.cumsum(slip) / rate + rng.uniform(0, 6.28)) for hz, size in tones)
    read = _as_read(rng, 10 * rng.standard_normal() + noise * hum + 0 * t, noise)
    return PulseTrace(read, rate, int(rng.integers(1, 9)), kind)
