"""What is particular to ESP32 boards: soft timer callbacks only, and a watchdog that cannot be stopped, so none."""

FULL_VOLTS = 3.3
TIMERS = (0, 1, 2, 3)
I2C_PINS = {0: (21, 22), 1: (25, 26)}


def hard_ticks(machine, period_us, callback):
    """None: a timer of this port calls back through the scheduler."""
    return


def converter(machine, pin):
    """The chip's converter on `pin`, at its widest range."""
    adc = machine.ADC(pin)
    if hasattr(adc, "atten"):
        adc.atten(adc.ATTN_11DB)
    return adc


def temperature(machine):
    """Not known: the first ESP32 has no calibrated sensor on the chip."""
    return


def supply(machine, name):
    """Not known: there is no divider for the supply."""
    return


def watchdog_start(machine, timeout_ms):
    """None: once started it could not be stopped for the prompt."""
    return


def watchdog_stop(machine, name):
    """Nothing to stop."""
    return True
