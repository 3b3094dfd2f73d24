"""What the core does between two moments at which the rules look for themselves: gone through in its records.

Most bus cycles say nothing: an opcode from a place that is known to be program, a byte that was written before. So a
table says for each address and kind of cycle whether it must be looked at closely; the few that must go to the rules
one by one, and tell the table that they need not come again. What is counted (the depth of the stack, who stored last
into a cell) is counted in bulk.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.backplane.decode import Plan, Table
from simkit.backplane.records import CYCLE_SHIFT, DATA_SHIFT, KIND_SHIFT, REPEAT, WRITE, whole_cycle
from simkit.check.image.ground import Ground, Map, Place
from simkit.check.watches.handler_run import HandlerRun
from simkit.check.watches.ran import Ran
from simkit.check.watches.rounds import WHAT, first_and_last, without_rounds
from simkit.check.watches.shared import SharedCells
from simkit.check.watches.stack import StackDepth
from simkit.check.watches.stores import Key, Stores
from simkit.check.watches.walks import Walks
from simkit.cpu.isa.effects import Effect

_FETCH, _READ, _STORE = int(Kind.FETCH), int(Kind.DATA), int(Kind.DATA) | WRITE
_NEITHER = 0xF
_ROWS = 16  # as many as a record has kinds
_ADDRESSES = 0x1_0000
_ROW_SHIFT = KIND_SHIFT - 16
_SEI, _CLI, _NOP = 0x78, 0x58, 0xEA
_UNDEFINED, _MOVES, _CHANGES_I = 1, 2, 4
_STACK_PAGE = 1

LOOK = 1
"""Look at it closely."""
CELL = 2
"""A cell of memory: in a handler it is looked at closely."""
SHARED = 4
"""A cell that handler and main program share: it stays to be looked at."""

DULL, DECIDES, UNKNOWN = 0, 1, 2
"""Whether an instruction of a handler decides by what it reads."""

WAY = 6
"""Instructions before one at which the program is lost, itself among them, that are told."""

MOST_VIEWS = 16
"""Decodings whose tables are kept; a program with more banks than that makes them anew."""


def _mark(effect: Effect) -> int:
    """What of an opcode's is counted in bulk."""
    undefined = 0 if effect.opcode.documented else _UNDEFINED
    return undefined | (_MOVES if effect.depth else 0) | (_CHANGES_I if effect.opcode.code in (_SEI, _CLI) else 0)


class Rules(Protocol):
    """Who looks closely."""

    def stand_at(self, pc: int, code: int) -> None:
        """What follows is done by this instruction."""

    def fetched(self, address: int, code: int, cycle: int, plan: Plan, way: Sequence[int]) -> bool:
        """An opcode was fetched; whether it is program. `way`: the last instructions, this one among them."""

    def cell_accessed(
        self, place: Place, address: int, value: int, cycle: int, *, is_write: bool, masked: bool
    ) -> None:
        """A cell of memory was read or written; `masked`: interrupts were forbidden."""


@attrs.frozen(slots=True, eq=False)
class _Begun:
    """Instructions, the one that was under way first.

    Attributes:
        fetches: numbers of the records with the opcodes of all but the first.
        pcs: their addresses.
        codes: their opcodes.
        numbers: which of them are marked.
        marks: how.
    """

    fetches: NDArray[np.intp]
    pcs: NDArray[np.int64]
    codes: NDArray[np.uint8]
    numbers: NDArray[np.intp]
    marks: NDArray[np.uint8]

    def at(self, records: NDArray[np.intp]) -> NDArray[np.intp]:
        """Number of the instruction to which each record belongs."""
        found: NDArray[np.intp] = self.fetches.searchsorted(records, side="right")
        return found

    def masked(self, numbers: NDArray[np.intp], before: bool) -> NDArray[np.bool_]:
        """The flag I in each of some instructions; those that change it otherwise are not the core's."""
        changes = self.numbers[self.marks & _CHANGES_I != 0]
        after = np.concatenate(([before], self.codes[changes] == _SEI))
        found: NDArray[np.bool_] = after[changes.searchsorted(numbers)]
        return found


class _View:
    """What must be looked at closely under one decoding, and which cells its addresses reach."""

    def __init__(self) -> None:
        self.look = np.zeros(_ROWS * _ADDRESSES, np.uint8)
        self.cells: dict[int, NDArray[np.int32]] = {}
        for row in (_FETCH, _READ, _STORE):
            self.look[row * _ADDRESSES : (row + 1) * _ADDRESSES] = LOOK
        for row in (_READ, _STORE):
            self.cells[row] = np.full(_ADDRESSES, -1, np.int32)
        self.deciding = np.full(_ADDRESSES, UNKNOWN, np.uint8)  # by address of an instruction

    def watch(self, cell: int) -> None:
        """Look at a cell closely from now on."""
        for row, cells in self.cells.items():
            self.look[row * _ADDRESSES + np.flatnonzero(cells == cell)] |= LOOK | SHARED


class Stretch:
    """Goes through the records of what the core did.

    Args:
        rules: who looks closely.
        places: what lies behind an address.
        stores: who stored where.
        shared: the cells that handler and main program share.
        stack: how deep the stack is.
        effects: of the part's opcodes.
        ran: is told which instructions ran.
        walks: is told who stored where, where that is wanted.

    Attributes:
        handler_run: what handlers under way have done to cells, to be told before anybody asks.
        answered: numbers of the records whose accesses were seen as cards answered; whoever saw them adds to it.
    """

    def __init__(
        self,
        rules: Rules,
        places: Map,
        stores: Stores,
        shared: SharedCells,
        stack: StackDepth,
        effects: Sequence[Effect],
        ran: Ran,
        walks: Walks,
    ) -> None:
        self._walks = walks
        self._ran = ran
        self._rules = rules
        self._map = places
        self._stores = stores
        self._shared = shared
        self._stack = stack
        self._effects = effects
        self._depth = np.array([effect.depth for effect in effects], np.int8)
        self._marks = np.array([_mark(effect) for effect in effects], np.uint8)
        self._values = np.frombuffer(stores.values, np.uint8)
        self._written = np.frombuffer(stores.written, np.uint8)
        self._writers = np.frombuffer(stores.writers, np.int32)
        self._views: dict[Table, _View] = {}
        self._watched: set[Key] = set()
        self._watching = 0
        self.handler_run = HandlerRun(shared, stores)
        self.answered: list[int] = []
        self._table: Table | None = None
        self._in_handler = False
        self._masked = False
        self._cycle = 0
        self._repeats = False
        self._pc: int | None = None  # of the instruction under way
        self._code = _NOP
        self._way: list[int] = []

    # one run of the core --------------------------------------------------------------------------------------------

    def begin(
        self, table: Table, *, in_handler: bool, masked: bool, way: Sequence[int], cycle: int, repeats: bool
    ) -> None:
        """The core begins.

        Args:
            table: the decoding; it stays the same as long as the core runs.
            in_handler: whether handlers are under way.
            masked: the flag I.
            way: the last instructions.
            cycle: the present one.
            repeats: whether RDY may hold an access.
        """
        self._table, self._in_handler, self._masked = table, in_handler, masked
        self._cycle, self._repeats = cycle, repeats
        self._pc = None
        self._way = list(way[1 - WAY :])
        self._view = self._view_of(table)
        if (count := len(self._shared.cells) + len(self._shared.locks)) != self._watching:
            self._watching = count
            for key in (self._shared.cells.keys() | self._shared.locks) - self._watched:
                self._watched.add(key)
                for view in self._views.values():
                    view.watch(self._stores.cell(key))

    def plan(self, address: int) -> Plan:
        """What a read does under the decoding with which the core runs, or ran last."""
        assert self._table is not None
        return self._table.read_plan(address)

    def forget_decodings(self) -> None:
        """All decodings have been made anew."""
        self._views.clear()

    def _view_of(self, table: Table) -> _View:
        view = self._views.pop(table, None)
        if view is None:
            view = _View()
            if len(self._views) >= MOST_VIEWS:
                self._views.pop(next(iter(self._views)))
        self._views[table] = view  # the one used last stands last
        return view

    def end(self, cycle: int) -> None:
        """The core has come back before `cycle`, behind the instruction under way."""
        if self._pc is not None and (change := int(self._depth[self._code])):
            self._stack.moved(change, self._pc, cycle - 1, self._effects[self._code].opcode.mnemonic)
        self._pc = None

    @property
    def last(self) -> tuple[int, int] | None:
        """PC and opcode of the instruction under way."""
        return None if self._pc is None else (self._pc, self._code)

    def take(self, records: memoryview) -> bool:
        """Go through some records; whether there was an instruction among them."""
        words = np.frombuffer(records, "<u8")
        low = words.astype(np.uint32)
        if self._repeats and len(held := (low & np.uint32(REPEAT << KIND_SHIFT)).nonzero()[0]):
            words, low = np.delete(words, held), np.delete(low, held)
            self.answered[:] = [number - int(held.searchsorted(number)) for number in self.answered]
        if (left := without_rounds(low & np.uint32(WHAT), self.answered)) is not None:
            words, low = words[left], low[left]
            self.answered[:] = left.searchsorted(self.answered).tolist()
        kinds = (low >> KIND_SHIFT).astype(np.uint8) & np.uint8(_ROWS - 1)
        known = self._view.look.take((low & 0xFFFF) | (low >> _ROW_SHIFT & 0xF_0000), mode="clip")  # the fastest mode
        look = known & (LOOK | CELL if self._in_handler else LOOK) != 0
        if self.answered:
            look[self.answered] = False
            kinds[self.answered] = _NEITHER
            self.answered.clear()
        begun = self._begun(low, (kinds == _FETCH).nonzero()[0])
        strange = begun.numbers[begun.marks & _UNDEFINED != 0]
        look[begun.fetches[strange[strange > 0] - 1]] = True
        if not self._in_handler:
            stores = (kinds == _STORE).nonzero()[0]
            self._note_stores(low, stores[~look[stores]], begun)
        closely = look.nonzero()[0]
        if len(closely):
            numbers = begun.at(closely)
            masked = begun.masked(numbers, self._masked)
            needed = first_and_last(low[closely] & np.uint32(WHAT), begun.pcs[numbers] << 1 | masked)
            closely, numbers, masked = closely[needed], numbers[needed], masked[needed]
            if self._in_handler and not len(strange) and (known[closely] & (LOOK | SHARED) != LOOK).all():
                self._keep(low[closely], begun.pcs[numbers], begun.codes[numbers])
            else:
                self.handler_run.tell()
                self._look(words[closely], known[closely], numbers, masked, begun)
        self._count_stack(words, begun)
        self._note_ran(begun)
        self._carry(begun)
        return len(begun.fetches) > 0

    def _begun(self, low: NDArray[np.uint32], fetches: NDArray[np.intp]) -> _Begun:
        """The instructions; the one that was under way stands first: what lies before the first fetch is its."""
        opcodes = low[fetches]
        pcs = np.empty(len(fetches) + 1, np.int64)
        codes = np.empty(len(fetches) + 1, np.uint8)
        pcs[0], codes[0] = (self._pc, self._code) if self._pc is not None else (0, _NOP)
        pcs[1:] = opcodes & 0xFFFF
        codes[1:] = opcodes >> DATA_SHIFT & 0xFF
        marks = self._marks.take(codes)
        numbers = marks.nonzero()[0]
        return _Begun(fetches, pcs, codes, numbers, marks[numbers])

    def _carry(self, begun: _Begun) -> None:
        """Go on from the last instruction, which need not be over."""
        if not len(begun.fetches):
            return
        self._masked = bool(begun.masked(np.array([len(begun.codes) - 1]), self._masked)[0])
        self._way = [*self._way, *begun.pcs[max(1, len(begun.pcs) - WAY) :].tolist()][1 - WAY :]
        self._pc, self._code = int(begun.pcs[-1]), int(begun.codes[-1])

    def _note_stores(self, low: NDArray[np.uint32], stores: NDArray[np.intp], begun: _Begun) -> None:
        """Stores of the main program into cells that nobody looks at; of two into one cell the later one stays."""
        written = low[stores]
        cells = self._view.cells[_STORE][written & 0xFFFF]
        self._values[cells] = self._written[cells] = (written >> DATA_SHIFT).astype(np.uint8)
        pcs = begun.pcs[begun.at(stores)]
        self._writers[cells] = pcs
        if self._walks.at:
            self._walks.stored(zip(pcs.tolist(), (written & 0xFFFF).tolist(), strict=True))

    def _note_ran(self, begun: _Begun) -> None:
        changes = bool((begun.marks & _CHANGES_I).any())
        masked = begun.masked(np.arange(1, len(begun.pcs)), self._masked) if changes else self._masked
        self._ran.some(begun.pcs[1:], masked, in_handler=self._in_handler)

    def _count_stack(self, words: NDArray[np.uint64], begun: _Begun) -> None:
        """Bytes pushed and pulled by the instructions that are over."""
        moving = begun.numbers[begun.marks & _MOVES != 0]
        moving = moving[moving < len(begun.codes) - 1]
        if not len(moving):
            return
        changes = self._depth[begun.codes[moving]]
        depths = np.cumsum(changes, dtype=np.int64)
        if self._stack.is_quiet(int(depths.min()), int(depths.max())):
            self._stack.depth += int(depths[-1])
            return
        for number, change in zip(moving.tolist(), changes.tolist(), strict=True):
            cycle = whole_cycle(int(words[begun.fetches[number]] >> np.uint64(CYCLE_SHIFT)) - 1, self._cycle)
            name = self._effects[begun.codes[number]].opcode.mnemonic
            self._stack.moved(change, int(begun.pcs[number]), cycle, name)

    def _keep(self, what: NDArray[np.uint32], pcs: NDArray[np.int64], codes: NDArray[np.uint8]) -> None:
        """Keep accesses of a handler to cells that are known."""
        view = self._view
        deciding = view.deciding[pcs]
        if (deciding == UNKNOWN).any():
            for pc, code in set(
                zip(pcs[deciding == UNKNOWN].tolist(), codes[deciding == UNKNOWN].tolist(), strict=True)
            ):
                view.deciding[pc] = self._decides(pc, code)
            deciding = view.deciding[pcs]
        addresses = what & 0xFFFF
        is_store = what >> KIND_SHIFT & 0xF == _STORE
        cells = np.where(is_store, view.cells[_STORE][addresses], view.cells[_READ][addresses])
        rows = np.stack((cells, addresses, what >> DATA_SHIFT & 0xFF, is_store, pcs, codes), axis=1).astype(np.int64)
        self.handler_run.add(rows, deciding != DULL)

    def _decides(self, pc: int, code: int) -> int:
        assert self._table is not None
        if self._map(self._table.read_plan(pc), False).kind is not Ground.ROM:
            return DECIDES  # what follows it may change
        return DECIDES if self._shared.may_decide(pc, code) else DULL

    # looking closely ------------------------------------------------------------------------------------------------

    def _look(
        self,
        words: NDArray[np.uint64],
        known: NDArray[np.uint8],
        numbers: NDArray[np.intp],
        masked: NDArray[np.bool_],
        begun: _Begun,
    ) -> None:
        rules, table = self._rules, self._table
        assert table is not None
        for word, flags, number, forbidden in zip(
            words.tolist(), known.tolist(), numbers.tolist(), masked.tolist(), strict=True
        ):
            address, value, row = word & 0xFFFF, word >> DATA_SHIFT & 0xFF, word >> KIND_SHIFT & 0xF
            cycle = whole_cycle(word >> CYCLE_SHIFT, self._cycle)
            if row == _FETCH:
                way = [*self._way, *begun.pcs[max(1, number + 1 - WAY) : number + 1].tolist()][-WAY:]
                if not rules.fetched(address, value, cycle, table.read_plan(address), way):
                    return
            else:
                plan = table.write_plan(address) if row == _STORE else table.read_plan(address)
                place = self._map(plan, row == _STORE)
                if place.kind is Ground.RAM:
                    rules.stand_at(int(begun.pcs[number]), int(begun.codes[number]))
                    rules.cell_accessed(place, address, value, cycle, is_write=row == _STORE, masked=forbidden)
            if flags & LOOK and not flags & SHARED:
                self._settle(row, address)

    def _settle(self, row: int, address: int) -> None:
        """Say whether this address must be looked at again."""
        table = self._table
        assert table is not None
        place = self._map(table.write_plan(address) if row == _STORE else table.read_plan(address), row == _STORE)
        look = 0
        if row == _FETCH:
            sound = place.shadow is None or place.shadow[place.offset]
            look = 0 if sound else LOOK
        elif place.kind is Ground.RAM:
            assert place.shadow is not None
            if address >> 8 != _STACK_PAGE:
                look = CELL
                self._view.cells[row][address] = self._stores.cell((place.slot, place.offset))
            if (place.slot, place.offset) in self._watched:
                look |= LOOK | SHARED
            elif not place.shadow[place.offset]:
                look |= LOOK
        self._view.look[row * _ADDRESSES + address] = look
