"""What a machine tells people of its program: names and places, instructions as text, what was executed last."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from simkit.cpu.reference.engine import LAST_NOTES, MOST_NOTES
from simkit.machine.banked import candidates, executed_in_a_bank, names_in_banks
from simkit.machine.naming import Naming, SourceLines
from simkit.machine.told import Executed, Loop, Note, Rounds, folded, newest
from simkit.rom.listing import Row
from simkit.rom.places import Place, Places

if TYPE_CHECKING:
    from simkit.contract.findings import Finding
    from simkit.cpu.isa.disassemble import Instruction
    from simkit.machine.machine import Machine

LED_NOTES = 1024
"""Instructions before the first finding that are kept."""


class Telling:
    """What there is to tell of a machine.

    Args:
        machine: the machine.
        naming: what its files name.

    Attributes:
        naming: what names its addresses.
        first_found: the first finding since it began to be watched.
    """

    def __init__(self, machine: Machine, naming: Naming) -> None:
        self._machine = machine
        self.naming = naming
        self.first_found: Finding | None = None
        self._led_to_first: list[Note] = []

    def watch(self) -> None:
        """Remember what leads to the first finding from now on."""
        self._machine.findings.tell_no_more(self._found_one)
        self._machine.findings.tell(self._found_one)

    def forget_first(self) -> None:
        """The machine begins elsewhere: the next finding is the first."""
        self.first_found, self._led_to_first = None, []
        self.watch()

    # places -----------------------------------------------------------------------------------------------------------

    @cached_property
    def source_lines(self) -> SourceLines:
        """Source lines behind addresses; read when first asked for."""
        return self.naming.source_lines(self._machine)

    @cached_property
    def _places(self) -> Places:
        def holds(row: Row) -> bool:
            return self._machine.memory(row.address, len(row.data)) == row.data

        return Places(self.naming.labels, self.source_lines.listing, holds)

    def name_anew(self, naming: Naming) -> None:
        """There are other names, or more of them."""
        self.naming = naming
        for cached in ("source_lines", "_places"):
            self.__dict__.pop(cached, None)

    def place(self, address: int, seen: tuple[int, int] | None) -> Place:
        """As `Machine.place`."""
        return self._places.at(address, seen)

    # instructions -----------------------------------------------------------------------------------------------------

    def disassemble(self, address: int, n: int) -> list[Instruction]:
        """As `Machine.disassemble`."""
        found = []
        for _ in range(n):
            instruction = self._disassembled(address)
            found.append(instruction)
            address = (address + instruction.length) & 0xFFFF
        return found

    def _disassembled(self, address: int) -> Instruction:
        from simkit.cpu.isa.disassemble import disassemble  # only wanted by people, so not at start

        machine = self._machine
        return disassemble(
            lambda a: machine.bus.peek(a & 0xFFFF, machine.cycle, machine.cpu.last),
            address,
            machine.description.cpu,
            names_in_banks(machine, address) if machine.bus.reach.banks.lines else self.naming.labels.names(),
        )

    # what was executed ------------------------------------------------------------------------------------------------

    def last(self, n: int) -> list[Executed]:
        """As `Machine.last`."""
        return [self._executed(note) for note in self._machine.cpu.last_notes(max(0, min(n, LAST_NOTES)))]

    def last_folded(self, lines: int) -> list[Executed | Loop]:
        """As `Machine.last_folded`."""
        before, recent = self._machine.cpu.before_loop, list(self._machine.cpu.recent)
        if before is None:
            told = folded(recent)
        else:
            told = folded([*before.notes, *recent], (len(before.notes), before.instructions, before.rounds))
        return self._described(told, lines)

    def led_to_first_found(self, lines: int) -> list[Executed | Loop]:
        """As `Machine.led_to_first_found`."""
        return self.told(self._led_to_first, lines)

    def told(self, notes: Sequence[Note], lines: int) -> list[Executed | Loop]:
        """As `Machine.told`."""
        return self._described(folded(notes), lines)

    def _found_one(self, finding: Finding) -> None:
        self._machine.findings.tell_no_more(self._found_one)  # of those that follow none has to be told
        self.first_found = finding
        self._led_to_first = self._led_to(finding)

    def _led_to(self, finding: Finding) -> list[Note]:
        """The last instructions up to that which brought a finding about, whenever its write was handed over."""
        machine = self._machine
        at = finding.cycle
        if finding.pc is not None:  # a card may report an earlier cycle than that of the access
            late = machine.bus.access.late_cycle
            at = machine.cycle if late is None else late
        notes = [note for note in machine.cpu.last_notes(MOST_NOTES) if note[0] <= at]
        if finding.pc is not None and (not notes or notes[-1][1] != finding.pc):  # so long ago that it is forgotten
            notes = [(finding.cycle, finding.pc)]
        return notes[-LED_NOTES:]

    def _executed(self, note: Note) -> Executed:
        cycle, pc = note
        machine = self._machine
        others = candidates(machine, pc) if machine.bus.reach.banks.since > cycle else []
        if others:
            return executed_in_a_bank(machine, cycle, pc, others)
        return Executed(cycle, pc, self._disassembled(pc).text, machine.place(pc))

    def _described(self, told: Sequence[Note | Rounds], lines: int) -> list[Executed | Loop]:
        return [
            Loop(tuple(map(self._executed, one.body)), one.rounds, one.until, one.first)
            if isinstance(one, Rounds)
            else self._executed(one)
            for one in newest(told, lines)
        ]
