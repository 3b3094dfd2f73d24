"""Interrupt handlers as they run: when they begin and end, what they change and what they leave on the stack."""

from __future__ import annotations

import attrs

from simkit.check.result.notes import Noted, Notes
from simkit.check.watches.damage import Damage, Damages, Held, Registers
from simkit.check.watches.ran import Ran
from simkit.check.watches.registers_open import OpenRegisters
from simkit.check.watches.requests import Requests
from simkit.machine.machine import Machine

CLOSE = 4
"""Bytes by which S may miss at RTI to count as a lost or surplus pull; more is a switch to another stack."""

FRAMES = 256 // 3
"""Handlers under way that the stack has room for."""


@attrs.define(slots=True)
class Frame:
    """One handler under way.

    Attributes:
        cause: "IRQ", "NMI" or "BRK".
        cycle: of its first instruction.
        handler: its address.
        back: address it should return to.
        s: stack pointer at its first instruction.
        registers: A, X, Y at its first instruction.
        decimal: D as it was found, while the handler has not set or cleared it.
        own_decimal: whether it has.
        aside: what the interrupted program holds wrong.
        noted: finding about the BRK that led here, to be completed at the RTI; else None.
    """

    cause: str
    cycle: int
    handler: int
    back: int
    s: int
    registers: Registers
    decimal: bool
    aside: Held
    noted: Noted | None = None
    own_decimal: bool = False

    @property
    def pulled(self) -> int:
        """S from which on the flags and the address that the interrupt pushed are all pulled."""
        return self.s + 3


class Handlers:
    """Follows entries and exits.

    Attributes:
        frames: handlers under way, innermost last.
        damages: registers that a handler changed and the program has not set since.
        requests: the lines that ask.
        open: registers that handlers gave back changed.
        visited: slots of cards that handlers have accessed so far.
        emptied: the last handler whose frame was pulled, until something is pushed over it; the owner clears it then.
    """

    def __init__(self, machine: Machine, notes: Notes, ran: Ran) -> None:
        self._cpu = machine.cpu
        self._notes = notes
        self.open = OpenRegisters(machine, ran)
        self.frames: list[Frame] = []
        self.damages = Damages(notes)
        self.requests = Requests(machine, notes)
        self.visited = self.requests.visited
        self.emptied: Frame | None = None

    def reset(self) -> None:
        """RESET ends all handlers."""
        self.frames.clear()
        self.damages.held.clear()
        self.emptied = None

    def enter(self, cause: str, back: int, handler: int, cycle: int, decimal: bool) -> Frame:
        """The first instruction of a handler is fetched."""
        cpu = self._cpu
        registers = (cpu.a, cpu.x, cpu.y)
        frame = Frame(cause, cycle, handler, back, cpu.sp, registers, decimal, self.damages.set_aside())
        self.frames.append(frame)
        if len(self.frames) > FRAMES:
            del self.frames[0]
        self.emptied = None
        nested = 1 if len(self.frames) == 1 else sum(1 for one in self.frames if one.handler == handler)
        self.requests.taken(cause, handler, cycle, nested)
        return frame

    def touch(self, slot: int) -> None:
        """A handler accessed a register of a card."""
        self.requests.touched(slot)

    def leave(self, rti: int, s: int, target: int, cycle: int) -> None:
        """RTI was executed with the stack pointer `s` before it; the program goes on at `target`."""
        frame, self.emptied = self.emptied, None
        if frame is None or (self.frames and self.frames[-1].s == s):
            if not self.frames:
                return
            frame = self.frames.pop()
        _complete(frame, _way_back(frame, target))
        missed = (s - frame.s + 128) % 256 - 128  # below 0: bytes left on the stack
        if missed:
            self.frames.clear()
            self.damages.held.clear()
            if abs(missed) <= CLOSE:
                self._notes.add(
                    "handler-stack",
                    cycle,
                    f"The handler at ${frame.handler:04X} returns with {abs(missed)} byte"
                    f"{'s' if abs(missed) > 1 else ''} {'left on' if missed < 0 else 'too many pulled from'} the "
                    f"stack: RTI goes to ${target:04X}, not back to ${frame.back:04X}.",
                    pc=rti,
                )
        elif target != frame.back and frame.cause != "BRK":
            self.damages.held.clear()  # another program goes on
        else:
            now = (self._cpu.a, self._cpu.x, self._cpu.y)
            changed = [each for each in zip("axy", frame.registers, now, strict=True) if each[1] != each[2]]
            if frame.cause == "BRK":  # as after a JSR: what has changed is a result
                aside = {place: damage for place, damage in frame.aside.items() if place not in [c[0] for c in changed]}
                self.damages.returned(aside, {})
                return
            if not self.frames:
                self.open.returned(frame.cause, frame.handler, rti, [name for name, _, _ in changed], cycle)
            self.damages.returned(
                frame.aside,
                {name: Damage(frame.cause, frame.handler, rti, before, after) for name, before, after in changed},
            )

    def left_by_rts(self, pc: int, s: int, target: int, cycle: int) -> None:
        """RTS was executed with the stack pointer `s` before it."""
        frame = self.frames[-1]
        if s == frame.s:
            self.frames.pop()
            self._notes.add(
                "handler-stack",
                cycle,
                f"The handler at ${frame.handler:04X} ends by RTS: it takes the saved flags and half of the address "
                f"${frame.back:04X} for a return address and goes to ${target:04X}. Only RTI ends a handler.",
                pc=pc,
            )
            return
        if s == frame.s + 1 and target == frame.back + 1 & 0xFFFF and frame.cause != "BRK":
            self._notes.add(
                "handler-stack",
                cycle,
                f"The handler at ${frame.handler:04X} pulls the flags and ends by RTS, which adds 1: it goes to "
                f"${target:04X}, not back to ${frame.back:04X}. Only RTI ends a handler.",
                pc=pc,
            )
        self.moved_up(self._cpu.sp)

    def moved_up(self, s: int) -> None:
        """Bytes were pulled, or TXS moved S: handlers whose frame lies below it are over."""
        while self.frames and s >= self.frames[-1].pulled:
            self.emptied = self.frames.pop()
            _complete(self.emptied, "ends without RTI.")


def _complete(frame: Frame, how: str) -> None:
    """Say in the finding about the BRK, the first time, how the handler has ended."""
    noted = frame.noted
    if noted is not None and noted.count == 1:
        pc = frame.back - 2 & 0xFFFF
        noted.message = f"BRK at ${pc:04X}: the handler at ${frame.handler:04X} runs and {how}"
        frame.noted = None


def _way_back(frame: Frame, target: int) -> str:
    skipped = frame.back - 1 & 0xFFFF
    if target == frame.back:
        return f"its RTI returns to ${target:04X}, so the byte at ${skipped:04X} is skipped."
    if target == skipped:
        return f"its RTI returns to ${target:04X}, the byte after the BRK: it has corrected the stacked address."
    return f"its RTI goes to ${target:04X}: it has changed the stacked address ${frame.back:04X}."
