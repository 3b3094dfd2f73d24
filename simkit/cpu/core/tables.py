"""What the core reaches by itself: the page tables of the decoding as it is, in the core's memory."""

from __future__ import annotations

import struct
from functools import lru_cache

from simkit.backplane.bus import Bus
from simkit.backplane.decode import Crossed, Page, Table
from simkit.backplane.mixed import IGNORED, READS, WRITES, ignoring, mixed_pages
from simkit.cpu.core.layout import CROSSED, TABLES, TABLES_AT, as_word
from simkit.cpu.core.memory import Arena


class PageTables:
    """Page tables of a bus in the core's memory.

    Args:
        bus: the bus.
        arena: the core's memory.
        state: the state in it.

    Attributes:
        ignoring: rule and slot of writes that a memory ignores and that are counted; None where there is none.
    """

    def __init__(self, bus: Bus, arena: Arena, state: memoryview) -> None:
        self._bus = bus
        self._arena = arena
        self._state = state
        self._decodings = -1
        self._watched: object = None
        self._maps: dict[tuple[Table, frozenset[int]], bytes] = {}  # packed, by decoding and hidden slots
        self._begins: dict[int, tuple[object, int]] = {}  # by id of a buffer of memory itself, and where it lies, or 0
        self.ignoring: tuple[str, int] | None = None

    def put(self) -> None:
        """Put those of the decoding as it is now into the core's memory."""
        bus = self._bus
        watchers = bus.watchers
        watched = bool(watchers.taps), bool(watchers.before), bool(watchers.at_once), bus.reach.seen_pages
        if (self._decodings, self._watched) != (bus.reach.banks.remade, watched):
            self._decodings, self._watched = bus.reach.banks.remade, watched
            self._maps.clear()
            self._begins.clear()
            self._arena.drop_copies()
        which = bus.reach.table, bus.reach.hidden
        self.ignoring = ignoring(bus.reach.table)
        packed = self._maps.get(which)
        if packed is None:
            packed = self._maps[which] = self._packed(*which)
        self._state[TABLES_AT : TABLES_AT + len(packed)] = packed

    def _packed(self, table: Table, asked: frozenset[int]) -> bytes:
        hidden = self._bus.reach.seen_pages
        at_once = self._bus.watchers.taps or self._bus.watchers.at_once
        marked = {} if at_once else {page: one for page, one in table.waiting_pages().items() if page not in hidden}
        waits = [(self._arena.copy(marked[page]) or 0) if page in marked else 0 for page in range(256)]
        pages = [
            0 if page in hidden or memory is None or memory.slot in asked else self._address(memory)
            for ways in (table.read_pages, table.write_pages)
            for page, memory in enumerate(ways)
        ]
        crossed = [0] * 256
        for page, found in table.crossed_pages().items():
            crossed[page] = 0 if page in hidden or found.slot in asked else self._crossed(found) or 0
        packed = struct.pack(f"<{TABLES * 256}i", *pages, *waits, *crossed, *self._mixed(table, asked))
        return packed + table.released()

    def _mixed(self, table: Table, asked: frozenset[int]) -> list[int]:
        """Where maps of marks stand, and the memory that they mean; none while somebody is told of each access."""
        watchers, hidden = self._bus.watchers, self._bus.reach.seen_pages
        marks, memory = [0] * 256, ([0] * 256, [0] * 256)
        if watchers.taps or watchers.before:
            return [*marks, *memory[0], *memory[1]]
        for number, page in mixed_pages(table).items():
            if number in hidden:
                continue
            own = page.marks if page.ignores is None or page.ignores not in asked else _without(page.marks, IGNORED)
            for way, its, mark in ((0, page.read, READS), (1, page.write, WRITES)):
                if its is not None:
                    memory[way][number] = 0 if its.slot in asked else self._address(its)
                    own = own if memory[way][number] else _without(own, mark)
            marks[number] = self._arena.shared(own) or 0
        return [*marks, *memory[0], *memory[1]]

    def _crossed(self, page: Crossed) -> int | None:
        """Where what says how to reach a page of memory behind odd wires stands; None when it finds no room."""
        memory = self._arena.address(page.buffer, page.base)
        straight = tuple(page.low) == tuple(range(256))
        low = 0 if straight else self._arena.shared(struct.pack("<256H", *page.low))
        gives = self._arena.shared(page.gives)
        takes = 0 if page.takes is None else self._arena.shared(page.takes)
        if memory is None or low is None or gives is None or takes is None:
            return None
        words = {"memory": memory, "low": low, "gives": gives, "takes": takes, "keeps": page.keeps}
        return self._arena.shared(struct.pack(f"<{len(CROSSED)}i", *(words[name] for name in CROSSED)))

    def _address(self, page: Page) -> int:
        """Where a page lies in the core's memory; 0 when it must ask Python."""
        if page.is_copy:
            return self._arena.copy(page.buffer) or 0
        known = self._begins.get(id(page.buffer))
        if known is None:
            known = self._begins[id(page.buffer)] = page.buffer, self._arena.address(page.buffer, 0) or 0
        begin = known[1]
        return as_word(begin + page.base) if begin else 0


@lru_cache(maxsize=64)
def _without(marks: bytes, mark: int) -> bytes:
    return bytes(one & ~mark for one in marks)
