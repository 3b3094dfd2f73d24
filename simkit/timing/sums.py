"""The paths of a CPU and of a card: which times add up, from the fall of PHI2 with which a cycle begins.

Method: common practice of timing budgets. That a cycle begins with the fall of PHI2, that read data are needed before
its next fall, and that write data come after its rise: forum.6502.org topic 8461, Glue questions, October 2025;
Western Design Center, W65C02S data sheet, Table 6-3 and the diagram beside it. That the chip enable of a 65xx
peripheral must be valid before PHI2 rises: its data sheet (W65C22, Table 4-3b). What is not named adds nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle, product

import attrs

from simkit.backplane.conductors import at_slot, on_the_bus
from simkit.backplane.select import Expression, Select, expression
from simkit.backplane.wiring import Wiring
from simkit.contract.limits import Limit
from simkit.machinefile.description import CardDescription, Description
from simkit.machinefile.figures import FIGURES, FROM_MEMORY, LOGIC, PERIPHERAL, RAM_OR_ROM, WORST, PartTable, Source
from simkit.machinefile.timing import NOBODY, CardTiming, CpuTiming, Named
from simkit.timing.paths import Path, Term, term
from simkit.timing.ways import Way, Ways

READ_ONLY = "read-only"
"""What the setting `part` of a memory card says where nobody writes to it."""
STRETCH = "stretch"
"""How a machine waits that holds PHI2 high; otherwise cycles are repeated, and each has a high time of its own."""


@attrs.frozen(kw_only=True)
class Conditions:
    """Under which the sums are made.

    Attributes:
        column: of the data sheets.
        high: share of the period for which PHI2 is high.
        waits: cycles by which the card delays a read, and a write.
        stretched: whether PHI2 is held for them.
    """

    column: str = WORST
    high: float = 0.5
    waits: tuple[int, int] = (0, 0)
    stretched: bool = False


@attrs.frozen(kw_only=True)
class Wired:
    """What a card's wiring says of its strobes.

    Attributes:
        read_with_phi2: whether its output enable waits for PHI2.
        select_with_phi2: whether its select does.
        write_with_phi2: whether its write strobe is one of PHI2 high.
        own_phi2: whether the part has PHI2 itself.
        ways: by which parts signals come to select and strobes.
        role: kind of the part: memory, peripheral, logic, "" for none that is known.
        is_written: whether writes reach it.
    """

    read_with_phi2: bool = True
    select_with_phi2: bool = False
    write_with_phi2: bool = True
    own_phi2: bool = False
    ways: Ways = attrs.field(factory=Ways)
    role: str = RAM_OR_ROM
    is_written: bool = True

    @classmethod
    def of(cls, card: CardDescription, table: PartTable, backplane: Wiring) -> Wired:
        """Those of a card, through all wiring of the backplane and of its slot."""
        parts = card.part.parts or table.fitting(card.card.kind)
        kind = parts[0].kind if parts else ""
        select = Select(card.select, card.not_select)
        read, write = expression(card.output_enable), expression(card.write_enable)
        return cls(
            read_with_phi2=_waits_for_phi2(read, card.wiring, backplane, rw=True),
            select_with_phi2=_waits_for_phi2(select, card.wiring, backplane, rw=True),
            write_with_phi2=_waits_for_phi2(write, card.wiring, backplane, rw=False),
            own_phi2=card.card.own_phi2,
            ways=Ways.of(card.timing, card.decode, table),
            role=PERIPHERAL if card.card.own_phi2 else kind,
            is_written=getattr(card.settings, "part", "") != READ_ONLY,
        )


MOST_LINES = 4
"""Driven lines of which all combinations are tried; of more, all low and all high."""


def _waits_for_phi2(what: Select | Expression, card: Wiring, backplane: Wiring, *, rw: bool) -> bool:
    """Whether it is true somewhere with PHI2 high alone, whatever cards drive."""
    lines = sorted(backplane.heard(what.lines | card.sources() | backplane.sources()))
    every = product((False, True), repeat=len(lines)) if len(lines) <= MOST_LINES else ([False], [True])
    for levels in every:
        given = dict(zip(lines, cycle(levels), strict=False))
        low, high = (
            what.table(at_slot(on_the_bus({**given, "RW": rw, "PHI2": phi2}, backplane), card))
            for phi2 in (False, True)
        )
        if high & ~low:
            return True
    return False


class _Sum:
    """Gathers terms, and the parts that are named without a figure."""

    def __init__(self, column: str) -> None:
        self._column = column
        self.terms: list[Term] = []
        self.unknown: list[str] = []

    def add(self, named: Named, figure: str, what: str, *, of_cpu: bool = False, gained: bool = False) -> _Sum:
        """Add a figure of a part; what is not named adds nothing."""
        if named.text and not named:
            self.unknown.append(named.text)
        elif named:
            found = term(named, figure, what, self._column, of_cpu=of_cpu, gained=gained)
            if found is not None:
                self.terms.append(found)
            else:
                self.unknown.append(f"{named.text}: {FIGURES[named.parts[0].kind].get(figure, figure)}")
        return self

    def path(self, key: str, what: str, periods: float, *, from_rise: bool = False, on_paper: bool = False) -> Path:
        """The path of these terms."""
        return Path(
            from_rise=from_rise,
            key=key,
            what=what,
            periods=periods,
            terms=tuple(self.terms),
            on_paper=on_paper,
            unknown=tuple(dict.fromkeys(self.unknown)),
        )


def cpu_paths(cpu: Named, conditions: Conditions) -> list[Path]:
    """What a CPU asks of the clock."""

    def limit(key: str, what: str, periods: float, *, gained: bool = False) -> Path:
        figure = key.replace("-", "_")
        return _Sum(conditions.column).add(cpu, figure, what, of_cpu=True, gained=gained).path(key, what, periods)

    found = [
        limit("cycle", "period of PHI2", 1.0),
        limit("high", "PHI2 high", conditions.high),
        limit("low", "PHI2 low", 1 - conditions.high),
        limit("longest-cycle", "longest period of PHI2", -1.0, gained=True),
    ]
    return [path for path in found if path.terms]


class CardSums:
    """The paths of one card with one CPU and one part.

    Args:
        cpu: the CPU and what stands between it and the backplane.
        wired: how the card's strobes are made.
        timing: of the way to its part.
        part: its part.
        conditions: under which the sums are made.
    """

    def __init__(self, cpu: CpuTiming, wired: Wired, timing: CardTiming, part: Named, conditions: Conditions) -> None:
        self._cpu = cpu
        self._wired = wired
        self._timing = timing
        self.part = part
        self._conditions = conditions
        self._latch = part if part and part.parts[0].kind == LOGIC else timing.latch
        reads, writes = conditions.waits
        held = conditions.stretched
        self._read_cycle = 1.0 + reads
        self._read_high = conditions.high + (reads if held else 0)
        self._write_high = conditions.high + (writes if held else 0)
        self._low = 1 - conditions.high

    def paths(self) -> list[Path]:
        """All paths; of several ways through the decoder each."""
        role = self._wired.role
        found = [*self._reads(role)]
        if role == PERIPHERAL:
            found += self._with_phi2()
        elif self._latch:
            found += self._writes(self._latch, "setup", "pulse", "hold")
        elif role == RAM_OR_ROM and self._wired.is_written and (not self.part or self._takes_writes()):
            found += self._writes(self.part, "write_setup", "write_pulse", "write_hold")
        return [path for path in found if path.terms]

    def behind(self, limit: Limit) -> Path:
        """What a card says of a part behind its bus; data that the CPU reads must be there before it takes them."""
        basis = FROM_MEMORY if not limit.source or limit.source.startswith(FROM_MEMORY) else "read"
        needed = Term(
            part=limit.part,
            what=limit.what,
            least=limit.needs_ns,
            most=limit.needs_ns,
            sources=(Source(limit.source or "no source was found", basis),),
        )
        found = self._sum()
        found.terms.append(needed)
        if limit.is_read:
            self._to_cpu(found)
        if limit.offset_ns:
            own = -limit.offset_ns
            found.terms.append(Term(part="the card", what="its own clock or strobe lasts", least=own, most=own))
        return found.path(limit.rule or limit.what, limit.what, limit.cycles, from_rise=limit.with_phi2)

    def _takes_writes(self) -> bool:
        return any("write_pulse" in part.figures for part in self.part.parts)

    # pieces -----------------------------------------------------------------------------------------------------------

    def _sum(self) -> _Sum:
        return _Sum(self._conditions.column)

    def _from_address(self) -> _Sum:
        """Address and R/W on the backplane."""
        found = self._sum().add(self._cpu.part, "address_valid", "address valid", of_cpu=True)
        return found.add(self._cpu.address_buffer, "data", "address buffer", of_cpu=True)

    def _decoded(self, way: Way) -> _Sum:
        return self._along(self._from_address(), way)

    @staticmethod
    def _along(found: _Sum, way: Way) -> _Sum:
        for step in way:
            found.add(step, step.figure, "gate" if step.figure == "input" else step.figure)
        return found

    def _to_cpu(self, found: _Sum) -> _Sum:
        """From the card's part to the CPU."""
        return self._into_cpu(found.add(self._timing.buffer, "data", "transceiver"))

    def _into_cpu(self, found: _Sum) -> _Sum:
        """From the backplane's data lines into the CPU."""
        found.add(self._cpu.data_buffer, "data", "data buffer", of_cpu=True)
        return found.add(self._cpu.part, "read_setup", "read data set-up", of_cpu=True)

    # reads ------------------------------------------------------------------------------------------------------------

    def _reads(self, role: str) -> list[Path]:
        found: list[Path] = []
        timing, cycle = self._timing, self._read_cycle
        if role == RAM_OR_ROM:
            path = self._to_cpu(self._from_address().add(self.part, "address", "address to data"))
            found.append(path.path("address", "address to data", cycle))
        for way in self._wired.ways.select:
            if role == RAM_OR_ROM or (not role and way and not timing.port):
                path = self._to_cpu(self._decoded(way).add(self.part, "enable", "enable to data"))
                found.append(path.path("select", "select to data", cycle))
            if timing.port:
                path = self._to_cpu(self._decoded(way).add(timing.port, "enable", "port enabled"))
                found.append(path.path("port", "port enabled by the select", cycle))
            if timing.buffer:
                path = self._decoded(way).add(timing.buffer_gate, "input", "gate")
                path = self._into_cpu(path.add(timing.buffer, "enable", "transceiver enabled"))
                found.append(path.path("transceiver", "transceiver enabled by the select", cycle))
        if self._wired.select_with_phi2 and role == RAM_OR_ROM:
            for way in self._wired.ways.late:
                path = self._to_cpu(self._along(self._sum(), way).add(self.part, "enable", "enable to data"))
                found.append(path.path("select-with-phi2", "select with PHI2 to data", self._read_high, from_rise=True))
        return [*found, *self._strobed(role)]

    def _strobed(self, role: str) -> list[Path]:
        """Reads from the strobe on."""
        found: list[Path] = []
        driver = (self._timing.port, "enable") if self._timing.port else (self.part, "output")
        if role == RAM_OR_ROM or self._timing.port:
            late = self._wired.read_with_phi2
            what = "output enable with PHI2 to data" if late else "output enable to data"
            key = "output-with-phi2" if late else "output"
            there = self._read_high if late else self._read_cycle
            for way in self._wired.ways.read:
                path = self._along(self._sum() if late else self._from_address(), way)
                path = self._to_cpu(path.add(*driver, "output enable to data"))
                found.append(path.path(key, what, there, from_rise=late))
        if self._timing.buffer_gate:
            path = self._sum().add(self._timing.buffer_gate, "input", "gate")
            path = self._into_cpu(path.add(self._timing.buffer, "enable", "transceiver enabled"))
            found.append(
                path.path("transceiver-with-phi2", "transceiver enabled with PHI2", self._read_high, from_rise=True)
            )
        return found

    # writes -----------------------------------------------------------------------------------------------------------

    def _written(self) -> _Sum:
        """Data of a write at the card's part, from the rise of PHI2."""
        found = self._sum().add(self._cpu.part, "write_valid", "write data valid", of_cpu=True)
        return found.add(self._cpu.data_buffer, "data", "data buffer", of_cpu=True).add(
            self._timing.buffer, "data", "transceiver"
        )

    def _writes(self, part: Named, setup: str, pulse: str, hold: str) -> list[Path]:
        """Writes whose strobe is PHI2 high; no sum holds for others, which the check at power-on tells of."""
        if not self._wired.write_with_phi2:
            return []
        high = self._write_high
        data = self._written().add(part, setup, "write data set-up")
        strobe = self._sum().add(part, pulse, "write pulse")
        found = [
            data.path("write-setup", "write data before the end of the strobe", high, from_rise=True),
            strobe.path("write-pulse", "width of the write strobe", high, from_rise=True),
        ]
        selects = [self._decoded(way) for way in self._wired.ways.select]
        found += [way.path("address-setup", "select before the write strobe", self._low) for way in selects]
        if self._cpu.part:
            for way in self._wired.ways.write:
                found += self._held(way, part, hold)
        return found

    def _held(self, way: Way, part: Named, hold: str) -> Iterator[Path]:
        """Data and address after the end of a write, which comes late through the gates of its strobe."""
        data, address = self._sum(), self._sum()
        data.add(self._cpu.part, "write_hold", "write data held", of_cpu=True, gained=True)
        address.add(self._cpu.part, "address_hold", "address held", of_cpu=True, gained=True)
        path = self._along(data, way).add(part, hold, "write data hold")
        yield path.path("write-hold", "write data after the end", 0.0, on_paper=True)
        yield self._along(address, way).path("address-hold", "address after the end of a write", 0.0, on_paper=True)

    # parts with PHI2 --------------------------------------------------------------------------------------------------

    def _with_phi2(self) -> list[Path]:
        """A part with PHI2: its selects before the rise, its data after it. Waits by RDY repeat all of this."""
        part = self.part
        found = [self._sum().add(part, "cycle", "period").path("period", "period of PHI2 for the part", 1.0)]
        for way in self._wired.ways.select:
            path = self._decoded(way).add(part, "select_setup", "select set-up")
            found.append(path.path("select-before-phi2", "select before PHI2 rises", self._low))
        path = self._to_cpu(self._sum().add(part, "read_valid", "read data valid"))
        found.append(path.path("read-after-phi2", "read data after PHI2 rises", self._read_high, from_rise=True))
        path = self._written().add(part, "write_setup", "write data set-up")
        found.append(path.path("write-setup", "write data before PHI2 falls", self._write_high, from_rise=True))
        held = self._sum().add(self._cpu.part, "write_hold", "write data held", of_cpu=True, gained=True)
        if held.terms and part:
            path = held.add(part, "write_hold", "write data hold")
            found.append(path.path("write-hold", "write data after PHI2 falls", 0.0, on_paper=True))
        return found


def conditions_of(description: Description, column: str, waits: tuple[int, int]) -> Conditions:
    """Those of a card of a machine."""
    return Conditions(
        column=column,
        high=description.cpu_timing.phi2_high,
        waits=waits,
        stretched=description.backplane.wait_states == STRETCH,
    )


def with_part(cpu: CpuTiming, part: Named) -> CpuTiming:
    """The same surroundings of another CPU."""
    return attrs.evolve(cpu, part=part)


def each(named: Named) -> tuple[Named, ...]:
    """A part row by row, where its name leaves several open; once with none where it is not named."""
    if not named:
        return (NOBODY,)
    return tuple(Named(part.title, (part,), named.figure) for part in named.parts)
