"""Which flags of a 6522 cannot come to be set, as the program has set the chip up: the reasons of findings.

[R] peripheral control register, auxiliary control register, timer 1 and 2 operation; sources are listed in card.py.
"""

from __future__ import annotations

from simkit.contract import Pin
from simkit_cards.ports_6522.handshake import OUTPUTS, ControlLines
from simkit_cards.ports_6522.shift import BY_CB1, FREE_RUN, OFF, ShiftRegister


def of_shift_register(sr: ShiftRegister, cb1: Pin) -> str:
    """Why the flag SR does not come; "" when it may."""
    if sr.mode == OFF:
        return "the shift register is off (ACR bits 4 to 2 are 000), where it sets no flag"
    if sr.mode == FREE_RUN:
        return "in mode 100 (ACR bits 4 to 2) the shift register goes on for ever and sets no flag"
    if sr.mode in BY_CB1:
        return "CB1, the clock of the shift register, is joined to nothing" if cb1.line is None else ""
    return "" if sr.edges else "no byte is under way: a read or write of SR starts one"


def of_timer(number: int, *, runs: bool, open_pulses: bool) -> str:
    """Why the flag of timer 1 or 2 does not come; "" when it may.

    Args:
        number: of the timer.
        runs: it was started and has not run out since, or runs free.
        open_pulses: it counts pulses, and nothing can make any.
    """
    if not runs:
        return f"timer {number} is not under way: a write to T{number}CH starts it, one to T{number}CL does not"
    return "timer 2 counts falls of PB6, which is joined to nothing" if open_pulses else ""


def of_control_line(pin: Pin, lines: ControlLines, sr: ShiftRegister, *, noisy: bool) -> str:
    """Why the flag of a control line does not come; "" when it may. `noisy`: open inputs pick up noise."""
    name = pin.spec.name
    if name[2] == "2" and lines.code in OUTPUTS:
        return f"{name} is an output (PCR), which sets no flag"
    if name[1] == "B" and (sr.makes_clock if name[2] == "1" else sr.mode != OFF):
        return f"{name} is the shift register's (ACR bits 4 to 2), which sets no flag of it"
    return "" if noisy or pin.line is not None else f"{name} is joined to nothing, so it has no edge"
