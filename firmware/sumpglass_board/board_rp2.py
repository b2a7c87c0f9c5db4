"""What is particular to RP2040 and RP2350 boards. Addresses: RP2040 datasheet 4.7, RP2350 datasheet 12.9."""

FULL_VOLTS = 3.3
TIMERS = (-1,)
I2C_PINS = {0: (4, 5), 1: (6, 7)}

_WATCHDOG_CTRL = 0x40058000
_WATCHDOG_CTRL_RP2350 = 0x400D8000
_CLEAR = 0x3000  # writing to a register's address + 0x3000 clears the bits written
_ENABLE = 1 << 30


def hard_ticks(machine, period_us, callback):
    """Calls from the interrupt: by a timer from MicroPython 1.26 on, before by a state machine; None without either."""
    timer = machine.Timer(-1)
    try:
        timer.init(mode=machine.Timer.PERIODIC, period=period_us, tick_hz=1000000, callback=callback, hard=True)
    except TypeError:
        try:
            from sumpglass_board.board_ticks import Ticks
        except ImportError:
            return None
        return Ticks(period_us, callback)
    return timer


def converter(machine, pin):
    """The chip's converter on `pin`."""
    return machine.ADC(pin)


def temperature(machine):
    """`(read, raw -> degC)` of the sensor on the chip (datasheet 4.9.5: 0.706 V at 27 degC, -1.721 mV a degree)."""
    read = machine.ADC(getattr(machine.ADC, "CORE_TEMP", 4)).read_u16
    return read, lambda raw: 27 - (raw * FULL_VOLTS / 65535 - 0.706) / 0.001721


def supply(machine, name):
    """`(read, raw -> mV)` of VSYS through the board's divider by 3; None where that pin serves the radio."""
    if "Pico" not in name or "W" in name.split("Pico", 1)[1].split("with")[0]:
        return None
    read = machine.ADC(29).read_u16
    return read, lambda raw: int(raw * 3 * FULL_VOLTS * 1000 / 65535)


def watchdog_start(machine, timeout_ms):
    """A watchdog that resets the chip when it is not fed."""
    return machine.WDT(timeout=timeout_ms)


def watchdog_stop(machine, name):
    """Switch it off again, which `machine.WDT` cannot: so that the prompt never ends in a surprise reset.

    Returns whether it is off.
    """
    base = _WATCHDOG_CTRL_RP2350 if "RP2350" in name else _WATCHDOG_CTRL
    machine.mem32[base + _CLEAR] = _ENABLE
    return not machine.mem32[base] & _ENABLE
