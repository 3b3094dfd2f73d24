"""Whether a loop waits for something from outside: it is tried with a key, a pad, a button, a serial byte.

What a register means cannot be read off its name: a loop that waits for a key with the wrong mask reads the keyboard,
too. So everything that can be done to the machine is done, and the machine is put back as it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from simkit.backplane.cycle import Kind
from simkit.contract.errors import SimkitError
from simkit.contract.ports import ButtonsPort, KeysPort, PadsPort, SerialPort
from simkit.machine.machine import Machine
from simkit.machine.until import MomentError
from simkit.records.recorder import Filter, Recorder

TRIED_SECONDS = 0.4
"""Machine time for one way of doing something: longer than a byte at 110 baud and the polls of a slow loop."""

MOST_CYCLES = 300_000
"""Bounds the host's time where clocks are fast."""

HELD_SECONDS = 0.005
"""How long a button is held: longer than a round of a small loop."""

KEYS = ("enter", "space", "a", "1")
BYTES = b"\r A"


def is_left_by_input(machine: Machine, loop: set[int]) -> bool:
    """Whether input of some kind takes the program out of a loop; the machine is afterwards as it was before.

    Args:
        machine: stands in the loop, between two instructions; nobody watches it.
        loop: addresses of the loop's instructions.

    Where a card cannot keep its state, or fails at what is tried, nothing is known and nothing is said: False.
    """
    try:
        before = machine.save_state()
        try:
            for offer in _offers(machine):
                machine.load_state(before)
                if _is_left(machine, loop, offer):
                    return True
        finally:
            machine.load_state(before)
    except SimkitError:
        return False
    return False


def _is_left(machine: Machine, loop: set[int], offer: Callable[[], None]) -> bool:
    """Whether the main program is led out of the loop; a handler that returns to it leads nowhere."""
    pointers: set[int] = set()
    for _ in range(64):
        if machine.cpu.pc in loop:
            pointers.add(machine.cpu.sp)
        machine.step()
    lowest = min(pointers, default=0)
    offer()
    seconds = min(TRIED_SECONDS, float(MOST_CYCLES / machine.clock_hz))
    if _stays(machine, loop, seconds):
        return False
    try:
        machine.run(until=lambda m: m.cpu.pc not in loop and m.cpu.sp >= lowest, timeout=seconds)
    except MomentError:
        return False
    return True


def _stays(machine: Machine, loop: set[int], seconds: float) -> bool:
    """Whether no instruction is from elsewhere, not even a handler's; if one is, the machine is put back.

    Most loops stay, and the core sees that many times faster than steps would.
    """
    before = machine.save_state()
    with Recorder(machine, Filter(kinds={Kind.FETCH}), decoding=False) as recorder:
        machine.run(seconds=seconds)
    if machine.cpu.pc in loop and set(np.unique(recorder.cycles.address).tolist()) <= loop:
        return True
    machine.load_state(before)
    return False


def _offers(machine: Machine) -> Iterator[Callable[[], None]]:
    """What can be done to the machine, a port at a time."""
    held = max(1, int(HELD_SECONDS * machine.clock_hz))
    for seat in machine.bus.seats:
        for port in seat.ports.values():
            if isinstance(port, KeysPort):
                yield _pressed(machine, seat.slot, port.name, [(k,) for k in KEYS if k in port.keys], port.gap_cycles)
            elif isinstance(port, PadsPort):
                buttons = [(number, button) for number in port.numbers for button in port.buttons]
                yield _pressed(machine, seat.slot, port.name, buttons, held)
            elif isinstance(port, ButtonsPort):
                yield _pressed(machine, seat.slot, port.name, [(label,) for label in port.labels], held)
            elif isinstance(port, SerialPort):
                yield _sent(machine, seat.slot, port.name)


def _pressed(
    machine: Machine, slot: int, port: str, buttons: Sequence[tuple[object, ...]], apart: int
) -> Callable[[], None]:
    def offer() -> None:
        at = machine.cycle
        for button in buttons:
            for action in ("press", "release"):
                at += apart
                machine.outside(slot, port, action, *button, at=at)

    return offer


def _sent(machine: Machine, slot: int, port: str) -> Callable[[], None]:
    def offer() -> None:
        for byte in BYTES:
            machine.outside(slot, port, "receive", byte)

    return offer
