"""Two boards with the same program, one on each engine, and everything by which a user could tell them apart."""

import json
import random
from fractions import Fraction
from typing import Any, ClassVar

import attrs
import pytest
from simkit_cards.memory.sram import Sram, SramSettings

from simkit.backplane.bus import OUTSIDE_MACHINE, Bus
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select
from simkit.contract.card import Card
from simkit.contract.events import NEVER
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.registers import PlainMemory, Register
from simkit.contract.slot import Slot
from simkit.cpu.core.engine import _CYCLE, CoreCpu
from simkit.cpu.core.room import Room
from simkit.cpu.isa.opcodes import OPCODES
from simkit.cpu.reference.engine import make_exact

IO = 0x7F00
START = 0xC000
ROUTINES = (0xC400, 0xC480, 0xC4F8)
HANDLER = 0xC600
CLOCK = Fraction(1_000_000)


@attrs.frozen
class NoSettings:
    pass


class Ticker(Card):
    """A register for each thing a card can do to an engine; it logs every access."""

    kind = "ticker"
    Settings = NoSettings
    STATUS, ACKNOWLEDGE, CLOCK, BANK, IRQ_IN, NMI_IN, COMMAND, BANK_IN = range(8)
    log: list[tuple[int, str, int, int]]
    promises: ClassVar[bool] = True

    @classmethod
    def registers(cls, settings: Any) -> tuple[Register, ...]:
        driven = {cls.STATUS: 0xC0, cls.BANK_IN: 0}
        return tuple(Register(n, f"r{n}", "rw", driven=driven.get(n, 0xFF)) for n in range(8))

    @classmethod
    def pins(cls, settings: Any) -> tuple[PinSpec, ...]:
        return (
            PinSpec(name="INT", drive=Drive.OPEN_DRAIN),
            PinSpec(name="NMI", drive=Drive.OPEN_DRAIN),
            PinSpec(name="BANK", drive=Drive.PUSH_PULL),
        )

    def __init__(self, settings: Any, slot: Slot) -> None:
        super().__init__(settings, slot)
        self.log = []
        self.ticks = 0
        self.pending = False
        self.second_bank = False

    def peek(self, offset: int, cycle: int) -> int:
        if offset == self.STATUS:
            return 0x80 if self.pending else 0x00
        if offset == self.ACKNOWLEDGE:
            return self.ticks & 0xFF
        if offset == self.CLOCK:  # moves by time alone, without an event
            return cycle >> 7 & 0xFF
        return cycle & 0xFF

    def read(self, offset: int, cycle: int) -> int:
        value = self.peek(offset, cycle)
        self.log.append((cycle, "read", offset, value))
        if offset == self.ACKNOWLEDGE:
            self.pending = False
            self.slot.pin("INT").drive(None, cycle)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        self.log.append((cycle, "write", offset, value))
        if offset == self.BANK:
            self.second_bank = bool(value & 1)
            self.slot.pin("BANK").drive(self.second_bank, cycle)
        elif offset == self.IRQ_IN:
            self.slot.at(cycle + 1 + value, "irq")
        elif offset == self.COMMAND:  # pulls at once: it counts from the next cycle
            self.pending = True
            self.slot.pin("INT").drive(False, cycle)
        elif offset == self.NMI_IN:
            self.slot.at(cycle + 1 + value, "nmi")
        elif offset == self.BANK_IN:  # the other bank then
            self.slot.at(cycle + 1 + value, "bank")

    def event(self, name: str, cycle: int) -> None:
        self.log.append((cycle, name, 0, 0))
        if name == "irq":
            self.ticks += 1
            self.pending = True
            self.slot.pin("INT").drive(False, cycle)
        elif name == "bank":
            self.second_bank = not self.second_bank
            self.slot.pin("BANK").drive(self.second_bank, cycle)
        elif name == "nmi":
            self.slot.pin("NMI").drive(False, cycle)
            self.slot.at(cycle + 9, "nmi over")
        else:
            self.slot.pin("NMI").drive(None, cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        if offset == self.CLOCK and self.promises:
            return ((cycle >> 7) + 1) << 7
        if offset != self.STATUS or not self.promises:
            return cycle
        return self.slot.armed("irq") or NEVER


class Mask(Sram):
    """Memory that takes no stores."""

    def write(self, offset: int, value: int, cycle: int) -> None:
        pass

    def plain_memory(self) -> PlainMemory:
        return PlainMemory(self._memory, None, ignores_writes=True)


class SkipsNoted(CoreCpu):
    """The CPU, and which rounds of waiting loops it counted instead of making them: (cycle, period, cycles)."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.skips: list[tuple[int, int, int]] = []

    def _skip_rounds(self, cycle: int, period: int) -> None:
        super()._skip_rounds(cycle, period)
        skipped = self._longs[_CYCLE] - cycle - 1
        if skipped:
            self.skips.append((cycle, period, skipped))


class Board:
    """RAM $0000-$7EFF, the ticker $7F00-$7FFF, two banks of RAM at $8000, RAM with program and vectors at $C000.

    Args:
        part: the CPU.
        engine: the engine.
        card_reads_page_before: $7E00-$7EFF takes stores into the RAM but gives the bytes of the ticker.
        program_in_rom: nothing stores at $C000 and above.
    """

    def __init__(
        self, part: str, engine: str, *, card_reads_page_before: bool = False, program_in_rom: bool = False
    ) -> None:
        self.findings = Findings()
        self.bus = bus = Bus(self.findings, seed=1)
        self.room = Room(part, [32768] * 4) if engine == "core" else None
        not_page = "not (A14 and A13 and A12 and A11 and A10 and A9)"
        self.rams = [
            self._ram(1, "0" + "x" * 15, ("01111111xxxxxxxx",), read=not_page if card_reads_page_before else ""),
            self._ram(3, "10" + "x" * 14, (), "not BANK"),
            self._ram(4, "10" + "x" * 14, (), "BANK"),
            self._ram(5, "11" + "x" * 14, (), card=Mask if program_in_rom else Sram),
        ]
        slot = Slot(2, CLOCK, 1, self.findings, bus)
        for spec in Ticker.pins(None):
            slot.pins[spec.name] = Pin(spec, 2)
            bus.wiring.line({"INT": "IRQ"}.get(spec.name, spec.name)).join(slot.pins[spec.name])
        self.ticker = Ticker(NoSettings(), slot)
        if card_reads_page_before:
            self._seat(self.ticker, 2, Select(("0111111xxxxxxxxx",)), "RW and PHI2", "not RW and PHI2 and A8")
        else:
            self._seat(self.ticker, 2, Select(("01111111xxxxxxxx",)), "RW and PHI2", "not RW and PHI2")
        self.pins = {
            name: Pin(PinSpec(name=name, drive=Drive.OPEN_DRAIN), -1) for name in ("IRQ", "NMI", "SO", "RDY", "RESET")
        }
        for name, pin in self.pins.items():
            bus.wiring.line(name).join(pin)
        bus.machine_events["line"] = self._line_event
        self.cpu = make_exact(part, bus, self.findings, 1, cpu=SkipsNoted)
        assert isinstance(self.cpu, SkipsNoted)
        self.cpu.engine = engine
        if self.room is not None:
            self.cpu.use(self.room)
        bus.attach(self.cpu)
        bus.may_stall = False  # RDY has a pin here, for tests that pull it; no card waits
        for ram in self.rams:
            ram.power_on(0)
        self.cpu.power_on()

    def _ram(
        self,
        slot: int,
        select: str,
        not_select: tuple[str, ...],
        bank: str = "",
        *,
        read: str = "",
        card: type[Sram] = Sram,
    ) -> Sram:
        ram = card(SramSettings(size=32768), self._slot(slot))
        gate = f" and ({bank})" if bank else ""
        gate_read = f" and {read}" if read else gate
        self._seat(ram, slot, Select((select,), not_select), f"RW and PHI2{gate_read}", f"not RW and PHI2{gate}")
        return ram

    def _slot(self, number: int) -> Slot:
        memory = self.room.arena.take if self.room is not None else None
        return Slot(number, CLOCK, 1, self.findings, self.bus, memory=memory)

    def _seat(self, card: Card, slot: int, select: Select, read: str, write: str) -> None:
        self.bus.seat(Seat(card, slot, "test", select, Expression(read), Expression(write)))

    def _line_event(self, arguments: tuple[Any, ...], cycle: int) -> None:
        name, low = arguments
        self.pins[name].drive(False if low else None, cycle)

    def pull(self, name: str, cycle: int, cycles: int) -> None:
        """Pull a line low for so many cycles."""
        for at, low in ((cycle, True), (cycle + cycles, False)):
            self.bus.schedule(at, OUTSIDE_MACHINE, "", "line", (name, low))

    def place(self, address: int, code: bytes | str) -> None:
        """Put bytes where the CPU sees them; text is hexadecimal."""
        for number, byte in enumerate(bytes.fromhex(code) if isinstance(code, str) else code):
            ((seat, offset),) = self.bus.where(address + number)
            assert seat.plain is not None
            assert seat.plain.read is not None
            seat.plain.read[offset] = byte
            self.bus.memory_changed(seat.slot, offset, offset + 1)

    def vectors(self, nmi: int = HANDLER + 0x20, reset: int = START, irq: int = HANDLER) -> None:
        self.place(0xFFFA, b"".join(v.to_bytes(2, "little") for v in (nmi, reset, irq)))

    def accesses(self) -> list[tuple[int, str, int, int]]:
        """Everything the ticker saw, the polls that were counted instead of run included."""
        log = list(self.ticker.log)
        for cycle, period, skipped in self.cpu.skips:
            round_ = [entry for entry in self.ticker.log if cycle - period < entry[0] <= cycle and entry[1] == "read"]
            log += [(at + n, *rest) for at, *rest in round_ for n in range(period, skipped + 1, period)]
        return sorted(log)

    @property
    def state(self) -> dict[str, Any]:
        """All that counts."""
        cpu = self.cpu
        return {
            "registers": {name: getattr(cpu, name) for name in ("pc", "a", "x", "y", "sp", "p", "cycle", "last")},
            "rest": (cpu.due, cpu.waiting, cpu.halted, cpu.horizon),
            "accesses": self.accesses(),
            "memory": [bytes(ram._memory) for ram in self.rams],
            "findings": list(self.findings),
            "bus": self.bus.save(),
            "saved": json.dumps(cpu.save(), sort_keys=True),
        }


def differences(one: dict[str, Any], two: dict[str, Any]) -> list[str]:
    """What differs between two states, in short."""
    found = []
    for name, value in one.items():
        other = two[name]
        if value == other:
            continue
        if name == "memory":
            places = [
                (ram, f"{at:04X}")
                for ram, (a, b) in enumerate(zip(value, other, strict=True))
                for at in range(len(a))
                if a[at] != b[at]
            ]
            found.append(f"memory at {places[:8]}")
        elif name == "accesses":
            first = next(
                (n for n, (a, b) in enumerate(zip(value, other, strict=False)) if a != b), min(len(value), len(other))
            )
            found.append(f"access {first}: {value[first : first + 3]} != {other[first : first + 3]}")
        else:
            found.append(f"{name}: {value} != {other}")
    return found


class Pair:
    """Two boards that must not be told apart."""

    def __init__(self, part: str, **options: Any) -> None:
        self.exact = Board(part, "exact", **options)
        self.core = Board(part, "core", **options)
        self.both = (self.exact, self.core)

    def each(self, call: str, *arguments: Any) -> None:
        """The same call on both boards."""
        for board in self.both:
            getattr(board, call)(*arguments)

    def run(self, *cycles: int) -> None:
        """Run both, so many cycles at a time; they must agree after each."""
        for number in cycles:
            for board in self.both:
                board.cpu.run(board.cpu.cycle + number)
            found = differences(self.exact.state, self.core.state)
            assert not found, "\n".join(found)
            recent, known = (list(board.cpu.recent) for board in self.both)
            assert recent[len(recent) - len(known) :] == known


class Programs:
    """Random programs that go on and on, with all that is hard for a core."""

    def __init__(self, part: str, seed: int) -> None:
        self.part = part
        self.random = random.Random(seed)
        names = ("BRK", "WAI", "STP", "RTI", "RTS", "JSR", "JMP", "PLP", "TXS")
        self.opcodes = [o for o in OPCODES[part] if o.documented and o.mnemonic not in names]
        self.branches = [o for o in self.opcodes if o.mode in ("rel", "zprel")]
        self.plain = [o for o in self.opcodes if o.mode not in ("rel", "zprel")]

    def _address(self, low: int, high: int) -> int:
        choose = self.random.random()
        if choose < 0.10:
            return IO + self.random.choice((0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 0xFF))
        if choose < 0.16:
            return self.random.choice((0x7EFF, 0x7EF0, 0x7EC0, 0x8000, 0x80FF, 0xBFFF, 0xC0FF))
        if choose < 0.24:
            return self.random.randrange(low, high)  # our own code
        if choose < 0.34:
            return self.random.randrange(0x8000, 0x8200)
        if choose < 0.40:
            return self.random.randrange(0x100, 0x200)
        return self.random.randrange(0x200, 0x400)

    def instruction(self, low: int, high: int, at: int) -> bytes:
        """One random instruction for address `at`, in code from `low` to `high`."""
        pick = self.random.random()
        if pick < 0.16:
            opcode = self.random.choice(self.branches)
            offset = self.random.choice((2, 3, 4, 6, 8, 12, -8, -12, -16, -20, self.random.randrange(-90, 90)))
            to = min(max(at + opcode.length + offset, low), high)
            offset = min(max(to - at - opcode.length, -128), 127) & 0xFF
            return bytes([opcode.code, *([self.random.randrange(256)] if opcode.mode == "zprel" else []), offset])
        if pick < 0.21:
            to = self.random.choice(ROUTINES)
            return bytes([0x20, to & 0xFF, to >> 8])
        if pick < 0.22:
            return bytes([0x4C]) + self.random.randrange(at + 3, min(at + 20, high + 4)).to_bytes(2, "little")
        if pick < 0.24:
            return bytes([0x08, 0x28])  # PHP PLP
        opcode = self.random.choice(self.plain)
        if opcode.mode in ("abs", "absx", "absy"):
            return bytes([opcode.code]) + self._address(low, high).to_bytes(2, "little")
        operand = self.random.choice((0x10, 0x12, 0x14, 0xFF, 0x00, self.random.randrange(256)))
        return bytes([opcode.code] + [operand] * (opcode.length - 1))

    def stretch(self, low: int, high: int, end: bytes) -> bytes:
        """Random instructions from `low` on, ended by `end` before `high`."""
        code = b""
        last = high - 6 - len(end)
        while low + len(code) < last:
            code += self.instruction(low, last, low + len(code))
        return code + b"\xea" * (last - low - len(code)) + b"\xea" * 2 + end

    def put(self, pair: Pair) -> None:
        """Fill both boards."""
        size = self.random.choice((40, 80, 160, 300))
        pieces = {START: self.stretch(START, START + size, bytes([0x4C, START & 0xFF, START >> 8]))}
        for routine in ROUTINES:
            pieces[routine] = self.stretch(routine, routine + self.random.choice((16, 40, 70)), b"\x60")
        acknowledge = bytes([0x48, 0xAD, 0x01, IO >> 8])
        pieces[HANDLER] = acknowledge + self.random.choice((b"", b"\xe6\x20")) + b"\x68\x40"
        pieces[HANDLER + 0x20] = b"\xe6\x21\x40"
        pieces[0x10] = bytes(self.random.choice(((0x00, 0x02), (0xF0, 0x7E), (0x80, 0x80), (0x08, 0xC0)))) * 3
        for address, code in pieces.items():
            pair.each("place", address, code)
        pair.each("vectors")
        for _ in range(self.random.randrange(6)):
            name = self.random.choice(("IRQ", "IRQ", "NMI", "SO", "RESET"))
            length = self.random.choice((1, 2, 60, 700)) if name == "RESET" else self.random.randrange(1, 60)
            pair.each("pull", name, self.random.randrange(7, 20_000), length)


@pytest.fixture(scope="session")
def pair() -> type[Pair]:
    """The class of pairs; call it with "6502" or "65C02"."""
    return Pair


@pytest.fixture(scope="session")
def programs() -> type[Programs]:
    """The class of random programs."""
    return Programs


@pytest.fixture(scope="session")
def compare() -> Any:
    """`differences`."""
    return differences
