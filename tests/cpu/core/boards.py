"""Two boards with the same program, one on each engine, and everything by which a user could tell them apart."""

import json
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, Self

from board_cards import Mask, Meddler, NoSettings, Panel, Pressed, SlowPanel, SlowSram, SlowTicker, Ticker, Trip
from simkit_cards.memory.sram import Sram, SramSettings

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.backplane.bus import Bus
from simkit.backplane.cycle import KIND_WORDS, BusCycle, Kind
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select
from simkit.backplane.sentences import read_sentence
from simkit.backplane.wiring import Wiring, of_pins
from simkit.contract.card import Card
from simkit.contract.errors import CardError
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.slot import Slot
from simkit.cpu.core.engine import _CYCLE, CoreCpu
from simkit.cpu.core.room import Room
from simkit.cpu.reference.engine import make_exact
from simkit.records.cycles import Cycles

IO = 0x7F00
PANEL = 0x7D00
START = 0xC000
ROUTINES = (0xC400, 0xC480, 0xC4F8)
HANDLER = 0xC600
COUNTS = {HANDLER: "48 AD017F E640 68 40", HANDLER + 0x20: "E641 40", 0xC400: "E630 60"}
"""Handlers of IRQ and NMI, and a routine: each counts in page 0."""
CLOCK = Fraction(1_000_000)


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
        panel: $7D00-$7DFF is a `Panel`.
        holds: the panel may hold RDY, and it and the ticker take wait cycles.
        wait: wait cycles that the ticker takes for every access.
        slow_memory: the second bank at $8000 takes a wait cycle.
        meddlers: pages that are a `Meddler` each, of those at $0000-$7EFF and at $C000 and above.
        gaps: selects of addresses there at which no card answers.
        open_bus: what is read there.
        wiring: what is done to lines for all, in sentences.
        crossed: by slot of a RAM: which line reaches a pin of it.
        own_buffers: the RAMs bring their memory along instead of asking the kit for it.
        options: as for `make_exact`.
    """

    def __init__(
        self,
        part: str,
        engine: str,
        *,
        card_reads_page_before: bool = False,
        program_in_rom: bool = False,
        panel: bool = False,
        holds: bool = False,
        wait: int | None = None,
        slow_memory: bool = False,
        meddlers: Sequence[int] = (),
        gaps: Sequence[str] = (),
        open_bus: str = "last",
        wiring: Sequence[str] = (),
        crossed: Mapping[int, Mapping[str, str]] | None = None,
        own_buffers: bool = False,
        **options: Any,
    ) -> None:
        self.findings = Findings()
        self.bus = bus = Bus(self.findings, seed=1, open_bus=open_bus, wiring=Wiring(tuple(map(read_sentence, wiring))))
        self.room = Room(part, [32768] * 4) if engine == "core" else None
        self._crossed = crossed or {}
        self._own_buffers = own_buffers
        not_page = "not (A14 and A13 and A12 and A11 and A10 and A9)"
        meddled = {7 + number: f"{page:08b}xxxxxxxx" for number, page in enumerate(meddlers)}
        elsewhere = (*meddled.values(), *gaps)
        not_ours = ("01111111xxxxxxxx", *(["01111101xxxxxxxx"] if panel else ()), *elsewhere)
        self.rams = [
            self._ram(1, "0" + "x" * 15, not_ours, read=not_page if card_reads_page_before else ""),
            self._ram(3, "10" + "x" * 14, (), "not BANK"),
            self._ram(4, "10" + "x" * 14, (), "BANK", card=SlowSram if slow_memory else Sram),
            self._ram(5, "11" + "x" * 14, elsewhere, card=Mask if program_in_rom else Sram),
        ]
        if holds or wait is not None:
            slow = SlowTicker(NoSettings(), self._joined(2, SlowTicker))
            slow.wait = wait
            self.ticker: Ticker = slow
        else:
            self.ticker = Ticker(NoSettings(), self._joined(2, Ticker))
        self.panel: Panel | None = None
        if panel:
            kind = SlowPanel if holds else Panel
            self.panel = kind(NoSettings(), self._joined(6, kind))
            self.panel.holds = holds
            self._seat(self.panel, 6, Select(("01111101xxxxxxxx",)), "RW and PHI2", "not RW and PHI2")
        self.meddle_in = [0]
        self.meddlers: list[Meddler] = []
        for slot, where in meddled.items():
            meddler = Meddler(SramSettings(size=32768), self._joined(slot, Meddler), self.meddle_in)
            self._seat(meddler, slot, Select((where,), tuple(gaps)), "RW and PHI2", "not RW and PHI2")
            self.meddlers.append(meddler)
        if card_reads_page_before:
            self._seat(self.ticker, 2, Select(("0111111xxxxxxxxx",)), "RW and PHI2", "not RW and PHI2 and A8")
        else:
            self._seat(self.ticker, 2, Select(("01111111xxxxxxxx",)), "RW and PHI2", "not RW and PHI2")
        self.pins = {
            name: Pin(PinSpec(name=name, drive=Drive.OPEN_DRAIN), -1) for name in ("IRQ", "NMI", "SO", "RDY", "RESET")
        }
        for name, pin in self.pins.items():
            bus.nets.line(name).join(pin)
        bus.agenda.machine_events["line"] = self._line_event
        self.cpu = make_exact(part, bus, self.findings, 1, cpu=SkipsNoted, **options)
        assert isinstance(self.cpu, SkipsNoted)
        self.cpu.engine = engine
        if self.room is not None:
            self.cpu.use(self.room)
        bus.attach(self.cpu)
        bus.may_stall = holds or slow_memory or wait is not None  # RDY has a pin here, for tests that pull it
        for ram in (*self.rams, *self.meddlers):
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
        where = Select((select,), not_select)
        self._seat(ram, slot, where, f"RW and PHI2{gate_read}", f"not RW and PHI2{gate}", self._crossed.get(slot))
        return ram

    def _slot(self, number: int) -> Slot:
        memory = self.room.arena.take if self.room is not None and not self._own_buffers else None
        return Slot(number, CLOCK, 1, self.findings, self.bus, memory=memory)

    def _joined(self, number: int, card: type[Card]) -> Slot:
        """A slot whose pins are joined to the lines of the backplane."""
        slot = Slot(number, CLOCK, 1, self.findings, self.bus)
        for spec in card.pins(None):
            slot.pins[spec.name] = Pin(spec, number)
            self.bus.nets.line({"INT": "IRQ", "WAIT": "RDY", "RES": "RESET"}.get(spec.name, spec.name)).join(
                slot.pins[spec.name]
            )
        return slot

    def _seat(
        self, card: Card, slot: int, select: Select, read: str, write: str, wires: Mapping[str, str] | None = None
    ) -> None:
        self.bus.seat(Seat(card, slot, "test", select, Expression(read), Expression(write), of_pins(wires or {}, slot)))

    def _line_event(self, arguments: tuple[Any, ...], cycle: int) -> None:
        name, low = arguments
        self.pins[name].drive(False if low else None, cycle)

    def pull(self, name: str, cycle: int, cycles: int) -> None:
        """Pull a line low for so many cycles."""
        for at, low in ((cycle, True), (cycle + cycles, False)):
            self.bus.agenda.schedule(at, OUTSIDE_MACHINE, "", "line", (name, low))

    def meddle(self, accesses: int, line: str, cycles: int) -> None:
        """Have a meddler pull a line in its so manieth access from now on."""
        self.meddle_in[0] = accesses
        for meddler in self.meddlers:
            meddler.line, meddler.cycles = line, cycles

    def place(self, address: int, code: bytes | str) -> None:
        """Put bytes where the CPU sees them, gaps left out; text is hexadecimal."""
        changed: dict[int, list[int]] = {}
        for number, byte in enumerate(bytes.fromhex(code) if isinstance(code, str) else code):
            if not (found := self.bus.where(address + number)):
                continue
            ((seat, offset),) = found
            memory = seat.card._memory if seat.plain is None else seat.plain.read
            memory[offset] = byte if seat.takes_data is None else seat.takes_data[byte]
            changed.setdefault(seat.slot, []).append(offset)
        for slot, offsets in changed.items():
            self.bus.memory_changed(slot, min(offsets), max(offsets) + 1)

    def vectors(self, nmi: int = HANDLER + 0x20, reset: int = START, irq: int = HANDLER) -> None:
        self.place(0xFFFA, b"".join(v.to_bytes(2, "little") for v in (nmi, reset, irq)))

    def accesses(self) -> list[tuple[int, str, int, int]]:
        """Everything the ticker saw, the polls that were counted instead of run included."""
        log = list(self.ticker.log)
        for cycle, period, skipped in self.cpu.skips:
            round_ = [entry for entry in self.ticker.log if cycle - period < entry[0] <= cycle and entry[1] == "read"]
            log += [(at + n, *rest) for at, *rest in round_ for n in range(period, skipped + 1, period)]
        return sorted(log)

    def forget(self) -> None:
        """Drop what was logged and compared."""
        self.ticker.log.clear()
        self.cpu.skips.clear()
        if self.panel is not None:
            self.panel.log.clear()

    def start(self, masked: bool) -> None:
        """Let the program begin, IRQ masked or not."""
        self.cpu.pc, self.cpu.i = START, int(masked)
        self.cpu.pc_left = START  # it need not count: RESET leads there, too

    def trip(self, at: int, error: type[BaseException], late: bool) -> None:
        """Have the ticker raise, once."""
        self.ticker.trip = Trip(at, error, late)

    @property
    def state(self) -> dict[str, Any]:
        """All that counts."""
        cpu = self.cpu
        return {
            "registers": {name: getattr(cpu, name) for name in ("pc", "a", "x", "y", "sp", "p", "cycle", "last")},
            "rest": (cpu.due, cpu.waiting, cpu.halted, cpu.horizon),
            "accesses": self.accesses(),
            "panel": (self.panel.log[:], self.panel.resets, self.panel.lamps) if self.panel is not None else None,
            "memory": [bytes(ram._memory) for ram in (*self.rams, *self.meddlers)],
            "findings": (list(self.findings), self.findings.counts()),
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


class Watched:
    """Bus cycles of a pair: recorded on both boards, and told one by one on the reference's."""

    def __init__(self, exact: Board, core: Board) -> None:
        self.seen: list[BusCycle] = []
        self.chunks: tuple[list[bytes], list[bytes]] = ([], [])
        exact.bus.watchers.add(probe=self.seen.append)
        self._buses = exact.bus, core.bus
        for bus, chunks in zip(self._buses, self.chunks, strict=True):
            bus.record(lambda records, chunks=chunks: chunks.append(bytes(records)))

    def compare(self) -> int:
        """Cycles since the last time, all three ways alike."""
        for bus in self._buses:
            bus.recording.ring.empty()
        exact, core = (Cycles.joined(chunks) for chunks in self.chunks)
        told = [(c.cycle, c.address, c.cpu_data, c.kind, c.is_write, c.is_fetch) for c in self.seen]
        for name, cycles in (("reference", exact), ("core", core)):
            columns = (cycles.cycle, cycles.address, cycles.data, cycles.kind, cycles.is_write)
            recorded = [
                (cycle, address, data, KIND_WORDS[kind], write, kind in (Kind.FETCH, Kind.INTERRUPT_FETCH))
                for cycle, address, data, kind, write in zip(*(column.tolist() for column in columns), strict=True)
            ]
            if recorded != told:
                first = next(
                    (n for n, (a, b) in enumerate(zip(recorded, told, strict=False)) if a != b),
                    min(len(recorded), len(told)),
                )
                found = f"{recorded[first : first + 2]} but {told[first : first + 2]} was told"
                raise AssertionError(f"the {name} recorded {found}")
        assert exact.words.tolist() == core.words.tolist()
        for chunks in (*self.chunks, self.seen):
            chunks.clear()
        return len(told)


class Pair:
    """Two boards that must not be told apart.

    Args:
        part: the CPU.
        watched: every bus cycle is compared too, as recorded and as a probe is told.
        options: as for `Board`.
    """

    def __init__(self, part: str, *, watched: bool = False, **options: Any) -> None:
        self.exact = Board(part, "exact", **options)
        self.core = Board(part, "core", **options)
        self.both = (self.exact, self.core)
        self.watched = Watched(*self.both) if watched else None

    def with_program(self, program: str, pieces: Mapping[int, str] | None = None) -> Self:
        """Put a program at START and pieces of it elsewhere; handlers and a routine at $C400 count in page 0."""
        for address, code in {START: program, **COUNTS, **(pieces or {}), 0x10: "F002"}.items():
            self.each("place", address, code)
        self.each("vectors")
        return self

    def each(self, call: str, *arguments: Any) -> None:
        """The same call on both boards."""
        for board in self.both:
            getattr(board, call)(*arguments)

    def run(self, *cycles: int) -> None:
        """Run both, so many cycles at a time; they must agree after each."""
        for number in cycles:
            for board in self.both:
                board.cpu.run(board.cpu.cycle + number)
            self.compare()

    def run_to(self, cycle: int) -> str:
        """Run both up to a cycle, or until a trip, and give what was raised; they must agree."""
        raised = []
        for board in self.both:
            try:
                board.cpu.run(cycle)
                raised.append("")
            except (CardError, Pressed) as error:
                raised.append(f"{type(error).__name__}: {error}")
        assert raised[0] == raised[1], f"{raised[0] or 'nothing'} was raised, and {raised[1] or 'nothing'}"
        self.compare()
        return raised[0]

    def compare(self) -> None:
        """They must agree."""
        found = differences(self.exact.state, self.core.state)
        assert not found, "\n".join(found)
        # One that begins again in the same cycle, as what was due in it failed, may be noted twice.
        recent, known = (list(dict.fromkeys(board.cpu.last_notes())) for board in self.both)
        shorter = min(len(recent), len(known))
        assert recent[len(recent) - shorter :] == known[len(known) - shorter :], "the last instructions differ"
        if self.watched is not None:
            self.watched.compare()
