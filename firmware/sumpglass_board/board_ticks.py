"""Ticks from a state machine of the RP2040's programmable input and output, whose interrupt may call back hard.

For interpreters before 1.26, whose `machine.Timer` calls back through the scheduler only: that waits while memory is
collected (10 ms and more) and holds eight calls. No pin is used. RP2040 datasheet 3.4; RP2350 datasheet 11.4.
"""

import rp2

_STEP_HZ = 1000000
_STEPS_BESIDE = 3  # of a period: mov, irq, and the jump that ends the wait


@rp2.asm_pio()
def _program():
    pull(block)  # noqa: F821 - words of the assembler, which knows them without an import
    wrap_target()  # noqa: F821
    mov(x, osr)  # noqa: F821
    label("wait")  # noqa: F821
    jmp(x_dec, "wait")  # noqa: F821
    irq(rel(0))  # noqa: F821
    wrap()  # noqa: F821


class Ticks:
    """Calls `callback(state machine)` every `period_us` from the interrupt until `deinit`."""

    def __init__(self, period_us, callback):
        self._machine = rp2.StateMachine(0, _program, freq=_STEP_HZ)
        self._machine.irq(callback, hard=True)
        self._machine.active(1)
        self._machine.put(period_us - _STEPS_BESIDE)

    def deinit(self):
        """No more calls."""
        self._machine.active(0)
        self._machine.irq(None)
