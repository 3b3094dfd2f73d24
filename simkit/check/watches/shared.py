"""Cells of memory that the handler changes under the hands of the main program.

Handler and main program may meet in a cell on purpose: a tick that one counts and the other looks at, a flag that one
sets and the other clears, a queue that one fills and the other empties. Then the handler changes what it finds there
(it counts), or decides by it, or the main program looks again and again (it polls), or modifies the cell in place, or
the handler does nothing but clear it. Or there is a lock: the main program marks another cell while it works, and the
handler leaves this one alone then.

A cell used for two different things looks otherwise. Either the handler takes it for a cell of its own: it stores
there without having looked, reads that back in the same run and leaves it so; and the main program keeps values of
its own there, or an address. Or the handler only stores there, or changes an address; and the main program stores one
value after another, and reads each back once at the same instruction or takes it for an address. Interrupts may come
in between; whether one came in this very run is luck, that it may is not.

Numbers of several bytes that the handler changes between the reads of two of them, and counts that the main program
loads, changes and stores while the handler counts, are those of `lost_changes`.

A handler that puts the old value back before its RTI, and a main program that forbids the interrupt meanwhile, share a
cell rightly. Cells are places in cards, not addresses: what lies in another bank is another cell.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import Enum

import attrs

from simkit.check.image.ground import code_at
from simkit.check.result.notes import Notes
from simkit.check.watches.lost_changes import Change
from simkit.check.watches.stores import Key, Stores
from simkit.cpu.isa.effects import Effect, effects
from simkit.machine.machine import Machine

Pair = tuple[int, int]
"""Instruction of the main program that stored, and one that read back."""

USUAL = 3
"""Different values that the main program must have stored, and times that a pair of instructions must have read its
own value back: a constant is a sign, not a value. The read stands further down the program than the store: a value that
is read, changed and stored for the next time is one that the handler may stir, as a seed of chance."""


class _First(Enum):
    """What a run of a handler did to a cell first."""

    DECIDE = "read it and decided by it"
    MODIFY = "read it to change it"
    STORE = "stored without having looked"


_TESTS = frozenset(("CMP", "CPX", "CPY", "BIT", "AND"))


def _decides(effect: Effect, following: Effect) -> bool:
    """Whether an instruction, or the next one, tests what is read."""
    name = effect.opcode.mnemonic
    if effect.modifies or name in _TESTS or effect.opcode.mode == "zprel":
        return not effect.modifies
    return (following.conditional and bool(following.reads)) or following.opcode.mnemonic in _TESTS


@attrs.define(slots=True)
class _Use:
    """What the run of a handler that is under way has done to a cell."""

    first: _First
    before: int
    pc: int
    read_back: bool = False


@attrs.define(slots=True)
class _Cell:
    """What is known of one cell that a handler has left changed."""

    address: int
    handler_pc: int
    from_nmi: bool
    since: int
    wrote_at: int | None = None  # main program's last store
    value: int = 0
    exposed: bool = False  # an interrupt may have come since
    readers: set[int] = attrs.field(factory=set)  # instructions that read it since
    meant: bool = False  # the main program polls the cell or modifies it in place, or the handler looks at it first
    own: bool = False  # the handler takes it for a cell of its own
    stored_over: bool = False  # the handler stores there without having looked
    locks: set[tuple[Key, int]] | None = None  # cells and their values by which all runs decided that changed this one
    cleared_only: bool = True  # handlers have left nothing but 0
    stored: set[int] = attrs.field(factory=set)  # values of the main program, a few
    usual: dict[Pair, int] = attrs.field(factory=dict)  # times that its own value was read back
    changed: dict[Pair, tuple[int, int, int]] = attrs.field(factory=dict)  # cycle, expected, found
    pointer: dict[Pair, set[int]] = attrs.field(factory=dict)  # values used as an address
    last: dict[Pair, int] = attrs.field(factory=dict)  # cycle of the last read of a pair

    def faults(self) -> Iterator[Pair]:
        """Pairs between which the handler changed the cell, or may."""
        if self.own:  # then nothing excuses it
            yield from self.pointer
            if len(self.stored) >= USUAL:
                yield from (pair for pair in self.last if pair not in self.pointer)
            return
        if self.cleared_only:
            return
        yield from (pair for pair, values in self.pointer.items() if len(values) >= USUAL)
        if self.meant or not self.stored_over or len(self.stored) < USUAL:
            return
        yield from (pair for pair, times in self.usual.items() if pair[0] < pair[1] and times >= USUAL)


class SharedCells:
    """Follows every cell that a handler has left changed.

    Attributes:
        cells: what is known of them.
        locks: cells by whose values handlers left others alone.
        effects: of the part's opcodes.
    """

    def __init__(self, machine: Machine, stores: Stores) -> None:
        self._machine = machine
        self._stores = stores
        self.effects = effects(machine.description.cpu)
        self.cells: dict[Key, _Cell] = {}
        self.locks: set[Key] = set()
        self._agreed: set[Key] = set()  # cells by which handlers decide before they change them
        self._run: dict[Key, tuple[int, _Use]] = {}  # what handlers under way have done: address, use
        self._decided: set[tuple[Key, int]] = set()  # cells and values by which they decided

    def handler_reads(self, key: Key, address: int, pc: int, effect: Effect) -> None:
        """An instruction of a handler reads a cell."""
        found = self._run.get(key)
        if found is None:
            following = self.effects[code_at(self._machine, pc + effect.length & 0xFFFF)]
            if following.pushes:
                return  # to put it back in the end
            value = self._stores.value(key)
            first = _First.DECIDE if _decides(effect, following) else _First.MODIFY
            if first is _First.DECIDE and self._stores.main_store(key)[0] is not None:
                self._decided.add((key, value))
            self._run[key] = address, _Use(first, value, pc)
        elif found[1].first is _First.STORE:
            found[1].read_back = True

    def may_decide(self, pc: int, code: int) -> bool:
        """Whether the instruction, an opcode in memory that stays as it is, decides by what it reads."""
        effect = self.effects[code]
        following = self.effects[code_at(self._machine, pc + effect.length & 0xFFFF)]
        return not following.pushes and _decides(effect, following)

    def handler_writes(self, key: Key, address: int, value: int, pc: int) -> None:
        """An instruction of a handler stores into a cell."""
        found = self._run.get(key)
        if found is None:
            self._run[key] = address, _Use(_First.STORE, self._stores.value(key), pc)
        else:
            found[1].pc = pc
        self._stores.store(key, value)

    def handler_left(self, cause: str) -> None:
        """The outermost handler has returned: what it left changed is known now."""
        for key, (address, use) in self._run.items():
            if cause == "BRK":
                continue  # called by the program itself
            value = self._stores.value(key)
            if use.first is _First.DECIDE:
                self._agreed.add(key)
            if value != use.before:
                self._changed(key, address, value, use, cause)
        self._run.clear()
        self._decided.clear()

    def _changed(self, key: Key, address: int, value: int, use: _Use, cause: str) -> None:
        cell = self.cells.get(key)
        if cell is None:
            cell = self.cells[key] = _Cell(address, use.pc, cause == "NMI", self._machine.cycle)
            cell.wrote_at, cell.value = self._stores.main_store(key)
        cell.handler_pc = use.pc
        cell.from_nmi = cell.from_nmi or cause == "NMI"
        cell.own = cell.own or use.read_back
        cell.stored_over = cell.stored_over or use.first is _First.STORE
        cell.exposed = True
        decided = {(lock, found) for lock, found in self._decided if lock != key}
        cell.locks = decided if cell.locks is None else cell.locks & decided
        self.locks |= {lock for lock, _ in cell.locks}
        if value:
            cell.cleared_only = False

    def main_writes(self, key: Key, value: int, pc: int, *, in_place: bool, forbidden: bool) -> None:
        """The main program stores into a cell.

        Args:
            key: the cell.
            value: what is stored.
            pc: the instruction.
            in_place: it modifies the cell (INC and its like).
            forbidden: interrupts are.
        """
        self._stores.main_stores(key, value, pc)
        cell = self.cells.get(key)
        if cell is None:
            return
        if in_place:
            cell.meant = True
        if len(cell.stored) < USUAL:
            cell.stored.add(value)
        cell.wrote_at, cell.value = pc, value
        cell.exposed = (cell.from_nmi or not forbidden) and not self._locked(cell)
        cell.readers.clear()

    def _locked(self, cell: _Cell) -> bool:
        """Whether some cell says now that the handler is to leave this one alone."""
        return any(self._stores.value(lock) != found for lock, found in cell.locks or ())

    def main_reads(self, key: Key, value: int, pc: int, cycle: int, *, pointer: bool, forbidden: bool) -> None:
        """The main program reads a cell of `cells`; `pointer`: as half of an address."""
        cell = self.cells[key]
        if cell.wrote_at is None:
            return
        if not forbidden and not self._locked(cell):
            cell.exposed = True
        if not cell.exposed:
            return
        pair = (cell.wrote_at, pc)
        cell.last[pair] = cycle
        if value != cell.value:
            cell.changed.setdefault(pair, (cycle, cell.value, value))
        if pointer:
            cell.pointer.setdefault(pair, set()).add(cell.value)
            return
        if pc in cell.readers:
            cell.meant = True
        cell.readers.add(pc)
        if value == cell.value:
            cell.usual[pair] = cell.usual.get(pair, 0) + 1

    def changes(self) -> dict[int, Change]:
        """By address: cells that handlers have left changed, without having looked whether they may."""
        return {
            cell.address: Change(cell.handler_pc, cell.from_nmi, cell.since)
            for key, cell in self.cells.items()
            if key not in self._agreed and not cell.locks
        }

    def report(self, notes: Notes) -> None:
        """Note the cells that are used for two things."""
        for key, cell in sorted(self.cells.items()):
            if key in self._agreed:
                continue
            for pair in cell.faults():
                writer, reader = pair
                if pair in cell.changed:
                    cycle, expected, found = cell.changed[pair]
                    text = (
                        f"Cell ${cell.address:04X}, written ${expected:02X} at ${writer:04X}, reads back ${found:02X} "
                        f"at ${reader:04X}: the handler's instruction at ${cell.handler_pc:04X} wrote it in between."
                    )
                else:
                    cycle = cell.last[pair]
                    text = (
                        f"Cell ${cell.address:04X} is written at ${writer:04X} and read back at ${reader:04X} while "
                        f"interrupts may come; the handler's instruction at ${cell.handler_pc:04X} changes it."
                    )
                notes.add("shared-cell", cycle, text, pc=reader, address=cell.address)
