"""By which way the program counter came to a place: the instruction that set it, and where its bytes came from.

An address that the CPU goes on at stands in the program text, or is read: a return address from the stack, a pointer,
a vector. Of each byte that was read it is known what was there: nobody, a ROM, memory with the instruction that wrote
it last, or memory that nobody wrote.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from simkit.backplane.cycle import Kind
from simkit.check.image.ground import Ground, Map, code_at
from simkit.check.leaving import held_bits
from simkit.check.leaving.trail import Row, Trail, Written
from simkit.cpu.isa.effects import Effect, effects
from simkit.machine.found import who
from simkit.machine.machine import Machine

_RETURNS = ("RTS", "RTI")
_POINTERS = ("ind", "iax")
"""Addressing modes of JMP whose address is read from memory."""
_VECTORS = {0xFFFA: "NMI", 0xFFFC: "RESET", 0xFFFE: "IRQ and BRK"}
_PAGE = 0xFF
_INTERRUPT = "an interrupt"


@attrs.frozen
class Step:
    """A byte that was on the way.

    Attributes:
        address: where it was read.
        reader: the instruction that read it; None: a sequence.
        writer: the instruction that wrote it last; None: a sequence, or nobody.
    """

    address: int
    reader: int | None
    writer: int | None


@attrs.frozen
class Way:
    """How the program counter came to a place.

    Attributes:
        told: in sentences, the last step first.
        pcs: the instructions that made it go there; of a sequence none.
        by_stack: the address was pulled.
        steps: bytes of the address that were read; of code in memory its bytes.
        is_read: the address was read, and does not stand in the program.
    """

    told: tuple[str, ...]
    pcs: tuple[int, ...]
    by_stack: bool = False
    steps: tuple[Step, ...] = ()
    is_read: bool = True

    def after(self, before: Way) -> Way:
        """This way with one that came before it."""
        told = (*self.told, *(f"Shortly before: {before.told[0]}", *before.told[1:]))
        return Way(told, (*self.pcs, *before.pcs), before.by_stack, (*self.steps, *before.steps), before.is_read)


def way_of(trail: Trail) -> Way | None:
    """The way to the instruction before which a trail ends; None: its last instruction is not known.

    Where that one goes on by what stands in the program, and an address was read shortly before, that is told, too: the
    instructions between may be no program either.
    """
    units = trail.last()
    if not units:
        return None
    way = _way(trail, units)
    other = _read_otherwise(trail.machine, [row for unit in units for row in unit])
    return attrs.evolve(way, told=(*way.told, other)) if other else way


def _way(trail: Trail, units: Sequence[Sequence[Row]]) -> Way:
    way = _Looked(trail, units[-1], trail.machine.cpu.pc).way()
    if way.is_read:
        return way
    for number in range(len(units) - 2, -1, -1):
        before = _Looked(trail, units[number], units[number + 1][0].address).way()
        if before.is_read:
            return way if units[number][0].kind is Kind.RESET else way.after(before)
    return way


class _Looked:
    """One instruction or sequence, and where it went on."""

    def __init__(self, trail: Trail, rows: Sequence[Row], to: int) -> None:
        self._trail = trail
        self._to = to
        self._machine = trail.machine
        self._map = Map(trail.machine)
        self._effects = effects(trail.machine.description.cpu)
        self._rows = rows
        self._first = rows[0]

    def way(self) -> Way:
        first = self._first
        if first.kind is not Kind.FETCH:
            name = "RESET" if first.kind is Kind.RESET else "interrupt"
            return self._read(f"The {name} sequence", None, self._rows[-2:], vector=True)
        effect = self._effects[first.data]
        name = effect.opcode.mnemonic
        here = f"{name} at {self._place(first.address)}"
        reads = [row for row in self._rows[1:] if row.kind is not Kind.DUMMY and not row.is_write]
        if name == "BRK":
            return self._read(here, first.address, reads[-2:], vector=True)
        if name in _RETURNS:
            pulled = [row for row in reads if row.address >> 8 == 1]
            return self._read(here, first.address, pulled[-2:], returns=name)
        if name == "JMP" and effect.opcode.mode in _POINTERS:
            return self._read(here, first.address, reads[-2:])
        return self._by_text(effect, here)

    # the address stands in the program --------------------------------------------------------------------------------

    def _by_text(self, effect: Effect, here: str) -> Way:
        """It jumps, calls or branches there, or goes straight on."""
        first, to = self._first, self._to
        text = [row for row in self._rows if 0 <= row.address - first.address < effect.length and not row.is_write]
        told = []
        if to == (first.address + effect.length & 0xFFFF):
            told.append(f"{here} is the last instruction there: the CPU ran on behind it.")
        else:
            told.append(f"{here} goes there; so it stands in the program.")
        told += self._otherwise(text)
        steps = []
        if self._ground(first.address) is Ground.RAM:
            told += self._origins(text)
            steps = [self._step(row, first.address) for row in text]
        return Way(tuple(told), (first.address,), steps=tuple(steps), is_read=False)

    # the address is read ----------------------------------------------------------------------------------------------

    def _read(self, reads: str, pc: int | None, rows: Sequence[Row], *, vector: bool = False, returns: str = "") -> Way:
        low, high = rows
        found = high.data << 8 | low.data
        where = f"${low.address:04X} and ${high.address:04X}"
        if vector:
            where = f"the vector {_VECTORS.get(low.address, '')} at ${low.address:04X}"
        behind = " and went on behind it" if returns == "RTS" else ""
        told = [f"{reads} took ${found:04X} from {where}{behind}."]
        told += [*self._origins(rows), *self._otherwise(rows)]
        if returns:
            told += self._unbalanced(returns, rows)
        elif not vector and low.address & _PAGE == _PAGE and high.address != (low.address + 1 & 0xFFFF):
            told.append(
                f"The NMOS 6502 does not carry into the high byte of a pointer: behind ${low.address:04X} it reads "
                f"${high.address:04X}."
            )
        pcs = () if pc is None else (pc,)
        return Way(tuple(told), pcs, bool(returns), tuple(self._step(row, pc) for row in rows))

    def _step(self, row: Row, reader: int | None) -> Step:
        written = self._trail.written(row.address)
        return Step(row.address, reader, None if written is None else written.pc)

    def _unbalanced(self, returns: str, rows: Sequence[Row]) -> list[str]:
        """Why what was pulled is no address that was pushed to return to; nothing where memory lost it."""
        written = [self._trail.written(row.address) for row in rows]
        low, high = written
        if low is None or high is None or any(self._is_lost(row) for row in rows):
            return []
        wanted = "JSR" if returns == "RTS" else _INTERRUPT
        pushers = self._pusher(low), self._pusher(high)
        if "" in pushers:
            return ["So the return address was overwritten, or the stack pointer stood elsewhere."]
        if pushers == (wanted, wanted) and low.pc == high.pc and low.cycle == high.cycle + 1:
            return [f"That is what {wanted} pushed: behind it there is no program."] if returns == "RTS" else []
        less = "pushed and not pulled again" if pushers[0] != wanted else "pulled and not pushed before"
        return [f"{returns} wants what {wanted} pushed: on this way something was {less}."]

    def _is_lost(self, row: Row) -> bool:
        """Whether a byte is not what was written there last."""
        return (
            self._trail.written(row.address) is None
            or self._ground(row.address) is not Ground.RAM
            or self._is_changed(row)
        )

    def _is_changed(self, row: Row) -> bool:
        """Whether memory gave a byte otherwise than it was written last."""
        written = self._trail.written(row.address)
        return written is not None and self._ground(row.address) is Ground.RAM and written.data != row.data

    def _pusher(self, written: Written) -> str:
        """Mnemonic of the instruction that pushed a byte, _INTERRUPT, or "" where it was stored."""
        if written.pc is None:
            return _INTERRUPT
        effect = self._effects[self._code(written.pc)]
        return effect.opcode.mnemonic if effect.depth > 0 else ""

    # where bytes come from --------------------------------------------------------------------------------------------

    def _origins(self, rows: Sequence[Row]) -> list[str]:
        """Where the bytes were before they were read, those of one origin together."""
        together: dict[str, list[Row]] = {}
        for row in rows:
            together.setdefault(self._origin(row), []).append(row)
        said = [
            f"{' and '.join(f'${row.data:02X} (${row.address:04X})' for row in same)}: {origin}."
            for origin, same in together.items()
        ]
        lost = {self._slot(row.address): None for row in rows if self._is_changed(row)}
        return said + [sentence for slot in lost for sentence in held_bits.told(self._trail, slot)]

    def _origin(self, row: Row) -> str:
        place = self._map(self._machine.bus.reach.table.read_plan(row.address), False)
        card = who(self._machine, place.slot)
        if place.kind is Ground.NOBODY:
            return "no card answers there"
        if place.kind is Ground.REGISTER:
            return f"a register of {card}"
        if place.kind is Ground.ROM:
            assert place.shadow is not None
            text = "so it stands" if place.shadow[place.offset] else "filler"
            return f"{text} in {card}{_other_lines(row.address, place.offset, len(place.shadow))}"
        written = self._trail.written(row.address)
        if written is None:
            loaded = place.shadow is not None and place.shadow[place.offset]
            return f"so it was loaded into {card}" if loaded else f"never written since power-on, in {card}"
        by = self._by(written)
        if written.data != row.data:
            lines = " and ".join(_moved(written.data, row.data))
            return f"${written.data:02X} was {by}; memory, or its wires, gave another byte, with {lines}"
        return by

    def _by(self, written: Written) -> str:
        cycle = f"{written.cycle:,}".replace(",", " ")
        if written.pc is None:
            return f"pushed by an interrupt in cycle {cycle}"
        mnemonic = self._effects[self._code(written.pc)].opcode.mnemonic
        done = "pushed" if self._pusher(written) else "written"
        return f"{done} by {mnemonic} at {self._place(written.pc)} in cycle {cycle}"

    def _otherwise(self, rows: Sequence[Row]) -> list[str]:
        """Bytes of a ROM that came to the CPU otherwise than they stand in it."""
        return [
            f"The CPU read ${row.data:02X} at ${row.address:04X}, where it holds ${held:02X} "
            f"({' and '.join(_moved(held, row.data))}): look at the wires and at who else drives the data lines."
            for row in rows
            if self._ground(row.address) is Ground.ROM and (held := self._code(row.address)) != row.data
        ]

    def _ground(self, address: int) -> Ground:
        return self._map(self._machine.bus.reach.table.read_plan(address), False).kind

    def _slot(self, address: int) -> int | None:
        return self._map(self._machine.bus.reach.table.read_plan(address), False).slot

    def _code(self, address: int) -> int:
        return code_at(self._machine, address)

    def _place(self, address: int) -> str:
        return self._machine.place(address).words()


def _moved(held: int, came: int) -> list[str]:
    """Data lines on which a byte came otherwise than it was, each with the level that came."""
    return [f"D{bit} {'high' if came >> bit & 1 else 'low'}" for bit in range(8) if (held ^ came) >> bit & 1]


def _other_lines(address: int, offset: int, size: int) -> str:
    """Where the address pins of a part see other levels than the bus has on lines of these names."""
    differ = [bit for bit in range(size.bit_length() - 1) if (address ^ offset) >> bit & 1]
    if not differ:
        return ""
    pins = ", ".join(f"A{bit} is {'high' if offset >> bit & 1 else 'low'}" for bit in reversed(differ))
    return f" at offset ${offset:04X}: at its pins {pins}, on the bus not"


def _read_otherwise(machine: Machine, rows: Sequence[Row]) -> str:
    """That the wires of a ROM give the CPU other bytes than stand in the part, with the first of some; "" if not."""
    table = machine.bus.reach.table
    for row in rows:
        drivers = table.read_plan(row.address).drivers
        if row.is_write or len(drivers) != 1:
            continue
        seat, offset, _ = drivers[0]
        content = seat.rom()
        if content is not None and offset < len(content) and content[offset] != row.data:
            return (
                f"The CPU does not read {seat.title} as it stands in the part: ${content[offset]:02X} (offset "
                f"${offset:04X}) was read as ${row.data:02X} at ${row.address:04X}."
            )
    return ""
