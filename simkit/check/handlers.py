"""Interrupt handlers as they run: what they change, what they leave on the stack, whether they help."""

from __future__ import annotations

import attrs

from simkit.check.effects import Effect
from simkit.check.notes import Notes
from simkit.machine import Machine

RUNS_IN_VAIN = 24
"""Runs of a handler with IRQ low throughout and no instruction of the main program between, that count as in vain.
More than a card with a queue and a slow controller needs to let go."""

CLOSE = 4
"""Bytes by which S may miss at RTI to count as a lost or surplus pull; more is a switch to another stack."""


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
    """

    cause: str
    cycle: int
    handler: int
    back: int
    s: int
    registers: tuple[int, int, int]
    decimal: bool


@attrs.frozen(slots=True)
class Damage:
    """A register that came back changed."""

    frame: Frame
    rti: int
    before: int
    after: int


class Handlers:
    """Follows entries and exits.

    Attributes:
        frames: handlers under way, innermost last.
        damaged: registers that a handler changed and the program has not set since.
        visited: slots of cards that handlers have accessed so far.
    """

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._cpu = machine.cpu
        self._notes = notes
        self.frames: list[Frame] = []
        self.damaged: dict[str, Damage] = {}
        self._pushed: dict[int, Damage | None] = {}  # damage of bytes on the stack, by S before the push
        self._idle = True  # no instruction outside handlers since the last RTI
        self._runs = 0
        self._low_since = -1
        self.visited: set[int] = set()
        self._touched: set[int] = set()

    def reset(self) -> None:
        """RESET ends all handlers."""
        self.frames.clear()
        self.damaged.clear()
        self._pushed.clear()

    def enter(self, cause: str, back: int, handler: int, cycle: int, decimal: bool) -> None:
        """The first instruction of a handler is fetched."""
        cpu = self._cpu
        self.frames.append(Frame(cause, cycle, handler, back, cpu.sp, (cpu.a, cpu.x, cpu.y), decimal))
        if cause == "IRQ":
            self._count_run(handler, cycle)

    def main_ran(self) -> None:
        """An instruction outside handlers was executed."""
        self._idle = False

    def touch(self, slot: int) -> None:
        """A handler accessed a register of a card."""
        self._touched.add(slot)
        self.visited.add(slot)

    def _count_run(self, handler: int, cycle: int) -> None:
        since = self._machine.lines["IRQ"].since
        if self._idle and since == self._low_since:
            self._runs += 1
        else:
            self._runs = 1
            self._low_since = since
            self._touched.clear()
        self._idle = True
        if self._runs == RUNS_IN_VAIN:
            pullers = [pin for pin in self._machine.lines["IRQ"].pins if pin.value is False]
            who = " and ".join(
                f"slot {pin.slot} ({self._machine.cards[pin.slot].kind})"
                if pin.slot in self._machine.cards
                else f"pin {pin.spec.name}"
                for pin in pullers
            )
            helped = any(pin.slot in self._touched for pin in pullers)
            what = "touches it, but not the register that makes it let go" if helped else "never touches it"
            self._notes.add(
                "interrupt-unacknowledged",
                cycle,
                f"IRQ has been low since cycle {since}, pulled by {who or 'nobody any more'}; the handler at "
                f"${handler:04X} ran {self._runs} times without an instruction of the main program between and {what}.",
                pc=handler,
                slot=pullers[0].slot if pullers else None,
            )

    def leave(self, rti: int, s: int, target: int, cycle: int) -> None:
        """RTI was executed with the stack pointer `s` before it; the program goes on at `target`."""
        if not self.frames:
            return
        frame = self.frames.pop()
        missed = (s - frame.s + 128) % 256 - 128  # below 0: bytes left on the stack
        if missed:
            self.frames.clear()
            if abs(missed) <= CLOSE:
                self._notes.add(
                    "handler-stack",
                    cycle,
                    f"The handler at ${frame.handler:04X} returns with {abs(missed)} byte"
                    f"{'s' if abs(missed) > 1 else ''} {'left on' if missed < 0 else 'too many pulled from'} the "
                    f"stack: RTI goes to ${target:04X}, not back to ${frame.back:04X}.",
                    pc=rti,
                )
            return
        if target != frame.back or frame.cause == "BRK":
            return
        cpu = self._cpu
        for name, before, after in zip("axy", frame.registers, (cpu.a, cpu.x, cpu.y), strict=True):
            if before != after:
                self.damaged[name] = Damage(frame, rti, before, after)

    def left_by_stack(self, s: int) -> None:
        """TXS moved the stack pointer: handlers whose frame lies below it are over."""
        while self.frames and s > self.frames[-1].s + 2:
            self.frames.pop()

    def used(self, effect: Effect, pc: int, cycle: int, sp: int) -> None:
        """While a register is damaged: the instruction at `pc` begins; does it use the wrong value?"""
        damaged = self.damaged
        if effect.opcode.mnemonic == "RTI" or self.frames:
            return
        for name in effect.uses:
            damage = damaged.pop(name, None)
            if damage is not None:
                self._notes.add(
                    "handler-registers",
                    cycle,
                    f"{name.upper()} is used here as ${damage.after:02X}; it was ${damage.before:02X} when the "
                    f"handler at ${damage.frame.handler:04X} was entered ({damage.frame.cause}) and it returned at "
                    f"${damage.rti:04X} without restoring it.",
                    pc=damage.rti,
                    address=pc,
                )
        if effect.copies:
            self._put(effect.copies[1], damaged.get(effect.copies[0]))
        elif effect.pushes:
            self._pushed[sp] = damaged.get(effect.pushes)
        elif effect.pulls:
            self._put(effect.pulls, self._pushed.pop(sp + 1 & 0xFF, None))
        elif effect.sets:
            self._put(effect.sets, None)

    def _put(self, name: str, damage: Damage | None) -> None:
        if damage is None:
            self.damaged.pop(name, None)
        else:
            self.damaged[name] = damage
