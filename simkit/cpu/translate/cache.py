"""Functions by entry and memory map: made when code is hot, checked before use, dropped when their bytes changed.

A function stands for bytes. It is good as long as the memory map is the one it was made under and the bytes are the
same; both are checked when it is entered, so it does not matter who changed them: a store, a poke, a bank line, another
image. While it runs only its own stores and the cards it touches could change them: a store that might hit its own
bytes is left to the exact engine, and a card that changes memory or decoding sets `attention`, on which it ends.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import attrs

from simkit.backplane.bus import Bus, Kind
from simkit.cpu.reference.compiled import functions
from simkit.cpu.translate.decimal import DecimalTable
from simkit.cpu.translate.flow import analyse
from simkit.cpu.translate.memory_map import MemoryMap, Place, Views
from simkit.cpu.translate.operand import DECIMAL_KEY
from simkit.cpu.translate.region import Key, Region, Survey, discover
from simkit.cpu.translate.structure import write_function

MOST_INSTRUCTIONS = 400
"""Instructions in one function, copies of called routines included."""

MOST_FUNCTIONS = 400
"""Functions kept for one memory map; then all of them go and the hot ones come back."""

MOST_MAPS = 16
"""Memory maps (combinations of bank lines) whose functions are kept."""

CLOSE_AFTER = 8
"""Times a function lost an opcode to a store before its page is left to the exact engine."""

FRUITLESS = 20
"""Times a function could not even do its first instruction before its entry is left to the exact engine."""


@attrs.define(slots=True, eq=False)
class Function:
    """A translated function.

    Attributes:
        call: (a, x, y, s, n, z, c, v, cycle, last, limit) to (entry, a, x, y, s, n, z, c, v, cycle, last).
        worst: cycles that must be left before the limit on entry.
        code: stretches of bytes it stands for: buffer, first index, bytes.
        changeable: whether a store of the program could change them.
        generation: of the bus, when they were last seen to be right.
        source: its text.
        fruitless: times it could not do its first instruction.
    """

    call: Callable[..., Any]
    worst: int
    code: tuple[tuple[int, int, bytes], ...]
    opcodes: frozenset[Place]
    changeable: bool
    generation: int
    source: str
    fruitless: int = 0


@attrs.define(slots=True, eq=False)
class Chapter:
    """What was translated under one memory map.

    Attributes:
        memory: the map.
        functions: by entry number.
        counts: how often an entry without a function was met; refused ones never get hot.
    """

    memory: MemoryMap
    functions: dict[int, Function] = attrs.field(factory=dict)
    counts: dict[int, int] = attrs.field(factory=dict)


class CodeCache:
    """All functions of one CPU.

    Attributes:
        seen: addresses of instructions that were executed.
        hot: times an entry is met before it is translated.
        skipping: whether waiting loops may skip rounds.
        skipped: when a list: (address, cycle of the first skipped read, period, number) of every skipped poll.
    """

    def __init__(self, cpu: Any, bus: Bus, part: str, *, hot: int) -> None:
        self.hot = hot
        self.seen: set[int] = set()
        self.skipping = True
        self.skipped: list[tuple[int, int, int, int]] | None = None
        self._bus = bus
        self._part = part
        self._chapters: dict[int, Chapter] = {}
        self._soft: set[Place] = set()
        self._lost: dict[tuple[int, int], int] = {}
        self._closed: set[tuple[int, int]] = set()
        self._buffers: list[bytearray] = []  # so that places mean the same under every map
        self._names: dict[str, Any] = {
            "__builtins__": {"BaseException": BaseException},
            "DATA": Kind.DATA,
            "cpu": cpu,
            "irq": bus.wiring.line("IRQ"),
            "bus_read": bus.read,
            "bus_write": bus.write,
            "keep": keep,
            "skip": self._skip,
            "added": DecimalTable(functions(part)["add_decimal"]),
            "subtracted": DecimalTable(functions(part)["subtract_decimal"]),
        }

    def chapter(self, rd: Views, wr: Views) -> Chapter:
        """What was translated under these page tables."""
        chapter = self._chapters.get(id(rd))
        if chapter is None or chapter.memory.rd is not rd or chapter.memory.wr is not wr:
            if len(self._chapters) >= MOST_MAPS:
                self._chapters.clear()
            memory = MemoryMap(self._bus, rd, wr, self._buffers)
            chapter = self._chapters[id(rd)] = Chapter(memory)
        return chapter

    def met(self, chapter: Chapter, entry: int) -> Function | None:
        """An entry without a function was met; gives the function once the entry is hot."""
        count = chapter.counts.get(entry, 0) + 1
        chapter.counts[entry] = count
        if count < self.hot:
            return None
        chapter.counts[entry] = 0
        return self.translate(chapter, entry)

    def refuse(self, chapter: Chapter, entry: int) -> None:
        """Leave the entry to the exact engine."""
        chapter.functions.pop(entry, None)
        chapter.counts[entry] = -1 << 62

    def good(self, chapter: Chapter, entry: int, function: Function) -> bool:
        """Whether the bytes are still those the function stands for; drops it when not."""
        buffers = chapter.memory.buffers
        if all(buffers[number][first : first + len(code)] == code for number, first, code in function.code):
            function.generation = self._bus.generation
            return True
        del chapter.functions[entry]
        changed = {
            Place(number, first + n)
            for number, first, code in function.code
            for n, byte in enumerate(code)
            if buffers[number][first + n] != byte
        }
        opcodes = changed & function.opcodes
        if not opcodes:
            self._soft |= changed
        for page in {(place.buffer, place.index >> 8) for place in opcodes}:
            self._lost[page] = self._lost.get(page, 0) + 1
            if self._lost[page] >= CLOSE_AFTER:
                self._closed.add(page)
        return False

    def translate(self, chapter: Chapter, entry: int) -> Function | None:
        """Make the function for an entry; None when its first instruction must be left to the exact engine."""
        key = Key(entry & 0xFFFF, entry >= DECIMAL_KEY)
        if len(chapter.functions) >= MOST_FUNCTIONS:
            chapter.functions.clear()
        most = MOST_INSTRUCTIONS
        survey = self._survey(chapter.memory)
        while True:
            region = discover(key, survey, most)
            if region.nodes[key].handed:
                self.refuse(chapter, entry)
                return None
            try:
                function = self._make(region, survey)
                break
            except (SyntaxError, RecursionError, MemoryError):  # nested too deeply for Python
                if most < 8:
                    self.refuse(chapter, entry)
                    return None
                most //= 2
        chapter.functions[entry] = function
        return function

    def source(self, chapter: Chapter, entry: int) -> str:
        """Source of the function for an entry, as it is or would be."""
        function = chapter.functions.get(entry) or self.translate(chapter, entry)
        return "" if function is None else function.source

    def _survey(self, memory: MemoryMap) -> Survey:
        seen = self.seen if self.hot > 1 else None
        return Survey(self._part, memory, self._soft, self._closed, seen, self._bus.may_stall)

    def _make(self, region: Region, survey: Survey) -> Function:
        memory = survey.memory
        flow = analyse(region, survey.cmos)
        name = f"{'decimal_' if region.entry.decimal else ''}code_{region.entry.address:04X}"
        source = write_function(name, region, flow, survey, skipping=self.skipping)
        names = dict(self._names, rd=memory.rd, wr=memory.wr)
        names.update((f"m{number}", buffer) for number, buffer in enumerate(memory.buffers))
        exec(compile(source, f"<{name}>", "exec"), names)
        opcodes = {memory.place(node.address) for node in region.nodes.values()}
        return Function(
            call=names[name],
            worst=flow.worst,
            code=_stretches(region.code, memory),
            opcodes=frozenset(place for place in opcodes if place is not None),
            changeable=any(place.buffer in memory.changeable for place in region.code),
            generation=self._bus.generation,
            source=source,
        )

    def _skip(self, cycle: int, period: int, stop: int, polls: tuple[tuple[int, int, int], ...]) -> int:
        """Count whole rounds of a waiting loop: as long as every register it polls stays as it is, and up to `stop`.

        Args:
            cycle: at the end of the round just run.
            period: cycles of a round.
            stop: last cycle in which a round may begin.
            polls: address, cycle and byte of each read in the round just run; cycle -1: it was not made.
        """
        rounds = (stop - cycle) // period
        bus = self._bus
        polls = tuple(poll for poll in polls if poll[1] >= 0)
        for address, when, byte in polls:
            if bus.peek(address, when, byte) != byte:
                return cycle  # the read changed what the next one gives
            rounds = min(rounds, (bus.steady_until(address, when) - 1 - when) // period)
        if rounds <= 0:
            return cycle
        if self.skipped is not None:
            self.skipped.extend((address, when + period, period, rounds) for address, when, _ in polls)
        return cycle + rounds * period


def keep(
    cpu: Any, entry: int, a: int, x: int, y: int, s: int, n: int, z: int, c: int, v: int, cycle: int, last: int
) -> None:
    """Put what a function held in its variables back into the CPU."""
    cpu.pc = entry & 0xFFFF
    cpu.d = 8 if entry >= DECIMAL_KEY else 0
    cpu.a, cpu.x, cpu.y, cpu.sp = a, x, y, s
    cpu.n, cpu.z, cpu.c, cpu.v = n, z, int(c), v
    cpu.cycle = cycle
    cpu.last = last


def _stretches(code: set[Place], memory: MemoryMap) -> tuple[tuple[int, int, bytes], ...]:
    found: list[tuple[int, int, bytes]] = []
    places = sorted(code)
    start = 0
    for n in range(1, len(places) + 1):
        if n == len(places) or places[n] != Place(places[n - 1].buffer, places[n - 1].index + 1):
            number, first = places[start]
            found.append((number, first, bytes(memory.buffers[number][first : places[n - 1].index + 1])))
            start = n
    return tuple(found)
