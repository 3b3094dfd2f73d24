"""Calling one routine of a ROM from Python: the unit test of 6502 code.

The call is made as if a JSR stood where the program counter is: the address pushed leads back there, and the routine
is over when the CPU is back with the stack as it was. Interrupts happen as the machine and the I flag want.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING

import attrs

from simkit.backplane.cycle import Kind
from simkit.backplane.decode import Plan
from simkit.contract.errors import SimkitError
from simkit.machine.lengths import length, whole

if TYPE_CHECKING:
    from simkit.machine.handle import ProgramHandle

_STACK = 0x0100
_TXS = 0x9A
_TOO_HIGH = 16
"""Stack pointers less than this above where they began were moved there by pulls."""


class RoutineError(SimkitError):
    """The routine did not come back."""


def _hex_byte(byte: int) -> str:
    return f"0x{byte:02X}"


def _hex_bytes(written: dict[int, int]) -> str:
    """Addresses and bytes as a failing test shows them."""
    return "{" + ", ".join(f"0x{address:04X}: 0x{byte:02X}" for address, byte in written.items()) + "}"


@attrs.frozen
class RoutineResult:
    """What a routine left.

    Attributes:
        a: accumulator.
        x: index register X.
        y: index register Y.
        carry: C.
        zero: Z.
        negative: N.
        overflow: V.
        decimal: D.
        interrupts_off: I.
        cycles: from its first opcode fetch to the last cycle of its RTS, interrupts included.
        written: last byte written to each address, in order of the first write; what lay on the stack below the
            return address is left out.
        writes: every write in order: (cycle, address, byte), the stack included.
    """

    a: int = attrs.field(repr=_hex_byte)
    x: int = attrs.field(repr=_hex_byte)
    y: int = attrs.field(repr=_hex_byte)
    carry: bool
    zero: bool
    negative: bool
    overflow: bool
    decimal: bool
    interrupts_off: bool
    cycles: int
    written: dict[int, int] = attrs.field(repr=_hex_bytes)
    writes: tuple[tuple[int, int, int], ...] = attrs.field(repr=False)


def call(
    machine: ProgramHandle,
    routine: str | int,
    *,
    a: int | None = None,
    x: int | None = None,
    y: int | None = None,
    carry: bool | None = None,
    decimal: bool = False,
    memory: Mapping[str | int, int | bytes] | None = None,
    timeout: float | Fraction = 1.0,
) -> RoutineResult:
    """Run one routine up to its RTS, as if it were called from where the program stands, which stays there.

    This is `Machine.call`: `machine.call("split_digits", a=42)`.

    Args:
        machine: the machine; one just switched on goes through its reset sequence first.
        routine: label or address.
        a: accumulator; None leaves it.
        x: X.
        y: Y.
        carry: C; None leaves it.
        decimal: D.
        memory: bytes to put into memory first, by label or address.
        timeout: machine time in seconds.

    Returns:
        Registers, flags, cycles, memory written. What the routine wrote stays in memory.

    Raises:
        RoutineError: it did not return within `timeout`, pulled more than it pushed, or the CPU halted.
        SimkitError: the machine is running, no such label, a value that is no byte, no memory at an address, a timeout
            that is no length.
    """
    cpu = machine.cpu
    cpu.refuse_while_running()
    while cpu.reset_due:
        machine.step()
    if cpu.halted:
        raise RoutineError(
            f"Nothing can be called: the CPU is {cpu.halted}.", remedy="m.reset() or m.power_cycle() brings it back."
        )
    start = machine.labels[routine] if isinstance(routine, str) else routine
    machine.peek(start)  # refuses what is no address
    given = {name: value for name, value in (("a", a), ("x", x), ("y", y)) if value is not None}
    for name, value in given.items():
        if not isinstance(value, int) or not 0 <= value <= 0xFF:
            raise SimkitError(f"{name} = {value!r} is not a byte.", remedy="Write 0 to 255.")
    cycles = whole(length("timeout", timeout) * machine.clock_hz)
    for where, content in (memory or {}).items():
        address = machine.labels[where] if isinstance(where, str) else where
        for number, byte in enumerate(content if isinstance(content, bytes) else (content,)):
            machine.poke(address + number, byte)
    for name, value in given.items():
        setattr(cpu, name, value)
    if carry is not None:
        cpu.c = int(carry)
    cpu.d = 8 if decimal else 0
    waiting, cpu.waiting = cpu.waiting, False  # a program that stands in WAI stands there again afterwards
    back, top = cpu.pc, cpu.sp
    machine.poke(_STACK | top, (back - 1 & 0xFFFF) >> 8)
    machine.poke(_STACK | top - 1 & 0xFF, back - 1 & 0xFF)
    cpu.sp = top - 2 & 0xFF
    cpu.pc = start
    writes = _run(machine, routine if isinstance(routine, str) else f"${start:04X}", back, top, cycles, timeout)
    cpu.waiting = waiting
    written = {address: byte for _, address, byte in writes if not _STACK <= address <= _STACK + top}
    p = cpu.p
    return RoutineResult(
        a=cpu.a,
        x=cpu.x,
        y=cpu.y,
        carry=bool(p & 0x01),
        zero=bool(p & 0x02),
        negative=bool(p & 0x80),
        overflow=bool(p & 0x40),
        decimal=bool(p & 0x08),
        interrupts_off=bool(p & 0x04),
        cycles=machine.cycle - writes.start,
        written=written,
        writes=tuple(writes),
    )


class _Writes(list[tuple[int, int, int]]):
    """Writes of a call, and the cycle of the routine's first fetch."""

    start = 0


def _run(machine: ProgramHandle, name: str, back: int, top: int, cycles: int, timeout: float | Fraction) -> _Writes:
    writes = _Writes()
    writes.start = machine.cycle
    cpu, bus = machine.cpu, machine.bus

    def tap(cycle: int, address: int, value: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        if is_write:
            writes.append((cycle, address, value))

    limit = machine.cycle + cycles
    other_stack = False  # the routine has moved S itself
    watch = bus.watchers.add(tap=tap)
    try:
        while not (cpu.pc == back and cpu.sp == top):
            if cpu.cycle >= limit:
                raise RoutineError(
                    f"{name} did not return within {float(timeout):g} s of machine time; ${cpu.pc:04X} is next.",
                    remedy="Give a longer timeout, or look for the loop it hangs in.",
                )
            at = cpu.pc
            other_stack = other_stack or machine.peek(at) == _TXS
            cpu.step()
            if cpu.halted:
                raise RoutineError(f"In {name} the CPU is {cpu.halted}.")
            if not other_stack and cpu.pc != back and 0 < (cpu.sp - top & 0xFF) < _TOO_HIGH:
                raise _pulled_too_much(machine, name, at, cpu.sp - top & 0xFF)
    finally:
        watch.remove()
    return writes


def _pulled_too_much(machine: ProgramHandle, name: str, at: int, surplus: int) -> RoutineError:
    (done,) = machine.disassemble(at, 1)
    mnemonic = done.text.split()[0].upper()
    if mnemonic == "RTI":
        return RoutineError(
            f"{name} ends with RTI at ${at:04X}, as a handler does.",
            remedy="Call routines that end with RTS; run on until a card pulls the line to test a handler.",
        )
    return RoutineError(
        f"{name} pulls more than it pushed: after the {mnemonic} at ${at:04X} the stack pointer stands {surplus} above "
        f"where it was before the call; ${machine.cpu.pc:04X} is next.",
        remedy="Look for a PLA without its PHA, or a jump into the middle of the routine.",
    )
