"""Everything of one kind that happens while a machine runs, each with what there is to tell of it."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import attrs

from simkit.backplane.cycle import Kind
from simkit.contract.findings import Finding
from simkit.machine.accessed import SIDES, Access, AccessWatch, register_named
from simkit.machine.lengths import whole
from simkit.machine.moments import Moment
from simkit.machine.told import Executed, Loop, digits, last_lines
from simkit.machine.views import Screen
from simkit.machine.waiting import Wait, address_of, text_shown_by
from simkit.rom.places import Place

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

_LED = 6
"""Instructions told that led to it."""
_SEQUENCES = {Kind.INTERRUPT: "the interrupt sequence", Kind.INTERRUPT_FETCH: "the interrupt sequence",
              Kind.RESET: "the reset sequence"}  # fmt: skip
_FLAGS_OF_P = 0xCF  # without B and the bit that is always one: they are in no register


@attrs.frozen(kw_only=True)
class Occurrence:
    """Something that happened.

    Attributes:
        moment: what was asked for.
        cycle: of the access, of the opcode fetch at a label, of a finding as it says; of a text the one in which it
            was seen.
        pc: the instruction by which, or at which; None where none had a part.
        place: where that is in the program.
        access: the access; None of other kinds.
        finding: the finding; None of other kinds.
        registers: of the CPU just after it, where that was looked at.
        led: the last instructions up to it, where they were looked at.
    """

    moment: Moment
    cycle: int
    pc: int | None
    place: Place | None
    access: Access | None = None
    finding: Finding | None = None
    registers: dict[str, int] = attrs.field(factory=dict)
    led: tuple[Executed | Loop, ...] = ()

    @property
    def value(self) -> int | None:
        """The byte of an access."""
        return self.access.data if self.access is not None else None

    def seen_from(self, machine: Machine) -> Occurrence:
        """The same with what a machine shows that stands just behind it."""
        cpu = machine.cpu
        registers = {name: getattr(cpu, name) for name in ("a", "x", "y", "sp")} | {"p": cpu.p & _FLAGS_OF_P}
        return attrs.evolve(self, registers=registers, led=tuple(machine.last_folded(_LED)))

    def __str__(self) -> str:
        return f"Cycle {digits(self.cycle)}: {self._what()}{self._by()}."

    def _what(self) -> str:
        if self.access is not None:
            access = self.access
            name = f"{self.moment.value} " if not self.moment.value.startswith("$") else ""
            where = f"{name}(${access.address:04X})" if name else f"${access.address:04X}"
            spare = "a discarded read of " if access.kind is Kind.DUMMY else ""
            if access.is_write:
                return f"${access.data:02X} was written to {where}"
            return (
                f"{spare}${access.data:02X} was read from {where}"
                if not spare
                else f"{spare}{where}, ${access.data:02X}"
            )
        if self.finding is not None:
            return f"{self.finding.rule}: {self.finding.message.rstrip('.')}"
        if self.moment.kind == "text":
            return f"{self.moment.value!r} stood there"
        return f"{self.moment.value} was next"

    def _by(self) -> str:
        if self.access is not None and self.access.kind in _SEQUENCES:
            return f" by {_SEQUENCES[self.access.kind]}"
        if self.place is None or self.moment.kind == "text":
            return ""
        return f" {'at' if self.moment.kind == 'label' else 'by the instruction at'} {self.place.words()}"

    def lines(self) -> list[str]:
        """All of it, for people."""
        told = [str(self)]
        if self.led:
            told += ["The instructions up to it:", *last_lines(self.led)]
        if self.registers:
            found = self.registers
            held = f"A holds ${found['a']:02X}, X ${found['x']:02X}, Y ${found['y']:02X}"
            told.append(f"Behind it {held}; the stack pointer stands at ${found['sp']:02X}.")
        return told

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        place, access = self.place, self.access
        return {
            "moment": str(self.moment),
            "cycle": self.cycle,
            "pc": self.pc,
            "label": place.name if place is not None else None,
            "file": place.file if place is not None else None,
            "line": place.line if place is not None else None,
            "access": None if access is None else attrs.asdict(access) | {"kind": access.kind.name.lower()},
            "finding": attrs.asdict(self.finding) if self.finding is not None else None,
            "registers": self.registers,
            "words": str(self),
        }


class Occurrences:
    """Collects all of one kind from now on, until `cancel`.

    Args:
        machine: stands between two instructions.
        moment: what is collected; its number and what is after it do not count.
        from_begin: a text that stands there now comes now.

    Attributes:
        found: in order.
    """

    def __init__(self, machine: Machine, moment: Moment, *, from_begin: bool = True) -> None:
        self.found: list[Occurrence] = []
        self._machine = machine
        self._moment = attrs.evolve(moment, number=1, after=())
        self._watch: AccessWatch | None = None
        self._wait: _Every | None = None
        if moment.kind in SIDES:
            where = register_named(machine, moment.value, moment.kind)
            address = address_of(machine, moment.value) if where is None else where
            self._watch = AccessWatch(machine, address, moment.kind, self._accessed)
        elif moment.kind == "finding":
            machine.findings.tell(self._found)
            machine.bus.watchers.let_no_write_wait(True)
        else:
            self._wait = _Every(machine, self._moment, self._came)
            if moment.kind == "text" and not from_begin:
                self.found.clear()

    def cancel(self) -> None:
        """Collect no more."""
        if self._watch is not None:
            self._watch.cancel()
        elif self._wait is not None:
            self._wait.cancel()
        else:
            self._machine.findings.tell_no_more(self._found)
            self._machine.bus.watchers.let_no_write_wait(False)

    @staticmethod
    def memory_cycles(machine: Machine, moment: Moment) -> int | None:
        """Cycles before which it must be looked at to know what is new later; None: from the beginning on."""
        if moment.kind != "text":
            return 0
        shown = text_shown_by(machine, moment)
        return whole(Fraction(2) * shown.frame_cycles) if isinstance(shown, Screen) else None

    def _accessed(self, access: Access) -> None:
        notes = self._machine.cpu.last_notes(1)
        pc = notes[-1][1] if notes and access.kind not in _SEQUENCES else None
        self._add(access.cycle, pc, access=access)

    def _found(self, finding: Finding) -> None:
        if self._moment.value in ("", finding.rule):
            place = None if finding.pc is None else self._machine.place(finding.pc, finding.seen)
            self.found.append(
                Occurrence(moment=self._moment, cycle=finding.cycle, pc=finding.pc, place=place, finding=finding)
            )

    def _came(self, cycle: int) -> None:
        self._add(cycle, self._machine.cpu.pc)

    def _add(self, cycle: int, pc: int | None, access: Access | None = None) -> None:
        machine = self._machine
        place = None if pc is None else machine.place(pc, machine.bus.seen_at(pc))
        self.found.append(Occurrence(moment=self._moment, cycle=cycle, pc=pc, place=place, access=access))


class _Every(Wait):
    """As a wait that comes again and again, and at a label that is next already, too."""

    def __init__(self, machine: Machine, moment: Moment, call: Callable[[int], None]) -> None:
        super().__init__(machine, moment, call)
        self._begun = -1

    def _once(self) -> None:
        self._call(self._machine.cycle)
