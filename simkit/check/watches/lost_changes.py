"""Cells and registers that handler and main program both change: where a change of the handler is lost, or half read.

The main program reads a cell, changes what it has read, and stores it. A handler that comes in between and changes the
cell, too, has done so for nothing. And a number of several bytes that a handler counts is read byte by byte: with the
handler in between, low and high byte are of two numbers. Whether one came there in this run is luck, that it may is
not. A third kind is a cell that the main program stores into and reads back a few instructions further down, as if it
were its own: with the handler in between it is not.

Right are: interrupts forbidden from the read to the store; a change in one instruction (INC, TSB); reading the first
byte again and comparing; a handler that asks another cell before it changes this one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import attrs

from simkit.check.image.ground import code_at
from simkit.check.result.notes import Notes
from simkit.check.watches.ran import ALLOWED, FORBIDDEN, HANDLER, Ran
from simkit.cpu.isa.effects import Effect, branch_target, effects
from simkit.machine.machine import Machine

FARTHEST = 12
"""Instructions between a read and the store of what was made of it, or between the reads of two bytes."""

_LOADS = {"LDA": "a", "LDX": "x", "LDY": "y"}
_STORES = {"STA": "a", "STX": "x", "STY": "y"}
_SHIFTS = ("ASL", "LSR", "ROL", "ROR")
"""What goes through one of these is a seed of chance, which a handler may stir: nobody misses what is lost of that."""
_CELLS = ("zp", "abs")
"""Addressing modes whose address stands in the program."""


@attrs.frozen
class Change:
    """That a handler changes an address.

    Attributes:
        pc: its instruction.
        from_nmi: it is of an NMI.
        cycle: when first.
    """

    pc: int
    from_nmi: bool
    cycle: int


@attrs.frozen
class _Step:
    pc: int
    effect: Effect
    address: int | None


class LostChanges:
    """Looks for all three in the program as it ran.

    Args:
        machine: the machine.
        ran: which instructions ran.
    """

    def __init__(self, machine: Machine, ran: Ran) -> None:
        self._machine = machine
        self._ran = ran
        self._effects = effects(machine.description.cpu)

    def report(self, notes: Notes, changed: Mapping[int, Change]) -> None:
        """Note what is found.

        Args:
            notes: where findings go.
            changed: addresses that handlers change, cells and registers of cards.
        """
        if not changed or self._machine.bus.reach.banks.lines:
            return
        main = frozenset(self._ran.of(ALLOWED, FORBIDDEN))
        numbers = self._numbers(changed)
        changed = {high: changed[low] for low, high in numbers} | dict(changed)  # a carry is rare
        told = {one.address for one in notes.all() if one.rule == "shared-cell"}
        for pc in sorted(main):
            first = self._step(pc)
            if first.address is None or first.address not in changed:
                continue
            change = changed[first.address]
            way = list(self._straight_on(first, main))
            if first.effect.opcode.mnemonic in _STORES:
                back = self._read_back(first, way)
                if (
                    back is not None
                    and first.address not in told
                    and self._may_come(way[: way.index(back) + 1], change)
                ):
                    told.add(first.address)
                    self._note_shared(notes, first, back, change)
                continue
            if first.effect.opcode.mnemonic not in _LOADS:
                continue
            stored = self._stored_back(first, way)
            if stored is not None and self._may_come(way[: way.index(stored) + 1], change):
                self._note_lost(notes, first, stored, change)
            other = self._other_byte(first, way, numbers)
            if other is not None and self._may_come(way[: way.index(other) + 1], change):
                self._note_torn(notes, first, other, change)

    # the program ----------------------------------------------------------------------------------------------------

    def _step(self, pc: int) -> _Step:
        effect = self._effects[code_at(self._machine, pc)]
        low = code_at(self._machine, pc + 1 & 0xFFFF)
        if effect.opcode.mode == "zp":
            return _Step(pc, effect, low)
        if effect.opcode.mode == "abs":
            return _Step(pc, effect, low | code_at(self._machine, pc + 2 & 0xFFFF) << 8)
        return _Step(pc, effect, None)

    def _straight_on(self, first: _Step, among: frozenset[int] | None = None) -> Iterator[_Step]:
        """Instructions behind one, as they stand; a branch may go elsewhere, a jump or call ends it.

        Args:
            first: that one.
            among: those that ran; None: they need not have run, as a carry is rare.
        """
        pc = first.pc + first.effect.length & 0xFFFF
        for _ in range(FARTHEST):
            if among is not None and pc not in among:
                return
            step = self._step(pc)
            if step.effect.opcode.mnemonic in ("JMP", "JSR", "RTS", "RTI", "BRK", "BRA"):
                return
            yield step
            pc = pc + step.effect.length & 0xFFFF

    def _may_come(self, way: list[_Step], change: Change) -> bool:
        """Whether the handler may come before one of these instructions."""
        wanted = ALLOWED | FORBIDDEN if change.from_nmi else ALLOWED
        return any(self._ran.how[step.pc] & wanted for step in way)

    # stored and read back ---------------------------------------------------------------------------------------------

    def _read_back(self, first: _Step, way: list[_Step]) -> _Step | None:
        """Where a cell of memory is read behind a store into it; None where that is a loop waiting for the handler."""
        assert first.address is not None
        if self._slot(first.address) is not None:
            return None
        for number, step in enumerate(way):
            if step.effect.opcode.mnemonic in ("SEI", "CLI"):
                return None  # set up first, then the interrupt allowed; or somebody has thought of it
            if step.address != first.address:
                continue
            if step.effect.opcode.mnemonic not in _LOADS:
                return None
            waits = any(
                first.pc < self._target(later) <= step.pc for later in way[number + 1 :] if later.effect.branches
            )
            return None if waits else step
        return None

    def _target(self, step: _Step) -> int:
        behind = step.pc + step.effect.length
        return branch_target(behind, code_at(self._machine, behind - 1 & 0xFFFF))

    def _note_shared(self, notes: Notes, first: _Step, back: _Step, change: Change) -> None:
        assert first.address is not None
        put, read, by = (self._machine.place(pc).words() for pc in (first.pc, back.pc, change.pc))
        notes.add(
            "shared-cell",
            change.cycle,
            f"Cell {self._name(first.address)} is written at {put} and read back at {read} while "
            f"{self._comes(change)}; the handler's instruction at {by} changes it.",
            pc=back.pc,
            address=first.address,
        )

    # read, change, store --------------------------------------------------------------------------------------------

    def _stored_back(self, first: _Step, way: list[_Step]) -> _Step | None:
        """Where what was read is stored again, changed; the register must hold what was made of it all the way."""
        register, is_changed = _LOADS[first.effect.opcode.mnemonic], False
        for step in way:
            effect = step.effect
            stored = _STORES.get(effect.opcode.mnemonic)
            if step.address == first.address:
                if stored == register:
                    return step if is_changed else None
                if stored is not None or effect.modifies or effect.opcode.mnemonic in _LOADS:
                    return None
            if register in effect.writes:
                if register not in effect.uses or effect.opcode.mnemonic in _SHIFTS:
                    return None
                is_changed = True
        return None

    def _note_lost(self, notes: Notes, first: _Step, stored: _Step, change: Change) -> None:
        assert first.address is not None
        read, put, by = (self._machine.place(pc).words() for pc in (first.pc, stored.pc, change.pc))
        notes.add(
            "change-lost",
            change.cycle,
            f"{self._name(first.address)} is read at {read}, changed, and stored at {put} while {self._comes(change)}; "
            f"the handler changes it, too, at {by}: what it does in between is lost.",
            pc=stored.pc,
            address=first.address,
            slot=self._slot(first.address),
        )

    # numbers of several bytes ---------------------------------------------------------------------------------------

    def _numbers(self, changed: Mapping[int, Change]) -> set[tuple[int, int]]:
        """Pairs of addresses, low byte first, that handlers count as one number: INC, BNE, INC, or by a carry."""
        found: set[tuple[int, int]] = set()
        for pc in self._ran.of(HANDLER):
            first = self._step(pc)
            if first.address is None or first.address not in changed:
                continue
            way = list(self._straight_on(first))
            if first.effect.opcode.mnemonic == "INC" and len(way) > 1 and way[0].effect.opcode.mnemonic == "BNE":
                if way[1].effect.opcode.mnemonic == "INC" and way[1].address is not None:
                    found.add((first.address, way[1].address))
            elif first.effect.opcode.mnemonic in _STORES and first.effect.opcode.mode in _CELLS:
                carried = [step.effect.opcode.mnemonic for step in way[:3]]
                high = way[2].address if carried in (["LDA", "ADC", "STA"], ["LDA", "SBC", "STA"]) else None
                if high is not None and way[0].address == high:
                    found.add((first.address, high))
        return found

    def _other_byte(self, first: _Step, way: list[_Step], numbers: set[tuple[int, int]]) -> _Step | None:
        """Where the other byte is read; None where the first is looked at again behind that."""
        others = {b if a == first.address else a for a, b in numbers if first.address in (a, b)}
        for number, step in enumerate(way):
            if step.address in others and step.effect.opcode.mnemonic in _LOADS:
                again = any(later.address == first.address and not later.effect.stores for later in way[number + 1 :])
                return None if again else step
        return None

    def _note_torn(self, notes: Notes, first: _Step, other: _Step, change: Change) -> None:
        assert first.address is not None
        assert other.address is not None
        one, two, by = (self._machine.place(pc).words() for pc in (first.pc, other.pc, change.pc))
        notes.add(
            "number-torn",
            change.cycle,
            f"{self._name(first.address)} is read at {one} and {self._name(other.address)} at {two} while "
            f"{self._comes(change)}; the handler counts both as one number at {by}: the bytes may be of two numbers.",
            pc=other.pc,
            address=first.address,
            slot=self._slot(first.address),
        )

    def _comes(self, change: Change) -> str:
        return "an NMI may come" if change.from_nmi else "interrupts are allowed"

    def _name(self, address: int) -> str:
        name = self._machine.place(address).name
        return f"${address:04X}{f' ({name})' if name else ''}"

    def _slot(self, address: int) -> int | None:
        drivers = self._machine.bus.reach.table.read_plan(address).drivers
        return drivers[0][0].slot if drivers and drivers[0][0].registers else None
