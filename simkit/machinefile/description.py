"""A machine as described and checked: which cards stand in which slots and how they are wired."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol

import attrs

from simkit.backplane.board import Board
from simkit.backplane.fault_sentences import read_fault
from simkit.backplane.fault_times import ALWAYS
from simkit.backplane.faults import Fault
from simkit.backplane.wiring import READ_STROBE, WRITE_STROBE, Done, Wiring, is_cpu_line
from simkit.contract.card import Card
from simkit.contract.errors import SimkitError
from simkit.contract.settings import setting
from simkit.logic.wired.decode import Decode
from simkit.machinefile.figures import Part, PartTable, known_parts
from simkit.machinefile.programs import Program
from simkit.machinefile.timing import NOBODY, CardTiming, CpuTiming, Named
from simkit.machinefile.tomlplaces import Place


@attrs.frozen(kw_only=True)
class Backplane:
    """How the backplane behaves where cards leave it alone."""

    open_bus: str = setting(
        "last",
        one_of=("last", "pull-up", "pull-down"),
        help="what an undriven read finds; last: the byte of the cycle before",
    )
    contention: str = setting(
        "and", one_of=("and", "mix"), help="what two drivers give: and: the lower level wins; mix: seeded, bit by bit"
    )
    wait_states: str = setting(
        "ready", one_of=("ready", "stretch"), help="how a card delays the CPU: RDY low, or PHI2 held"
    )
    overlaps: str = setting(
        "error",
        one_of=("error", "run"),
        help="cards that answer the same address: refuse the machine, or report it when it happens",
    )


@attrs.frozen(kw_only=True)
class CpuOptions:
    """What sources leave open about the parts."""

    indexed_store_spare: str = setting(
        "target",
        one_of=("target", "operand"),
        also=("operand",),
        help="65C02, indexed store that crosses no page: its spare cycle reads the target or the last operand byte",
    )
    magic: int = setting(
        0xEE, low=0, high=255, also=(0x00, 0xFF), help="6502: constant in ANE and LXA; EE, EF, FF and 00 were seen"
    )


def origin_of(origin: Mapping[str, Place], field: str) -> Place:
    """Where a field stands, e.g. "settings.port_1"; or the table around it, or the card (the key "")."""
    while field and field not in origin:
        field = field.rpartition(".")[0]
    return origin[field]


@attrs.frozen(kw_only=True)
class CardDescription:
    """One card as the machine file describes it, checked.

    Attributes:
        slot: slot number.
        kind: as written.
        card: its class.
        settings: instance of its Settings.
        board: what its class says of the board with these settings, asked once.
        wiring: what is done to its pins and to lines at its slot, selects and strobes too.
        image: path of its image, or None; that of a RAM is a program, see `Description.programs`.
        labels: paths of its label lists, debug files and the like.
        listing: paths of its listings.
        constants: paths of include files in which its addresses and bits stand.
        schematic: path of the netlist that its schematic was exported to, or None.
        decode: the parts that make its select, where they are named.
        name: what the builder calls it; names of its constants begin with it. "": its kind.
        note: what the builder says of it.
        part: its part, if one is named.
        timing: of the way to it.
        is_decoded_as_said: whether sentences say when it is selected, or do something to a line that its decoder hears.
        origin: where a key stands, for messages, e.g. "select" or "settings.port_1"; "" is the card itself.
        memory: bytes of each piece of plain memory that it asks for; filled in by the first machine that is made.
    """

    slot: int
    kind: str
    card: type[Card]
    settings: Any
    board: Board = attrs.field(eq=False, repr=False)
    wiring: Wiring
    image: Path | None = None
    labels: tuple[Path, ...] = ()
    listing: tuple[Path, ...] = ()
    constants: tuple[Path, ...] = ()
    schematic: Path | None = None
    decode: Decode | None = attrs.field(default=None, eq=False, repr=False)
    name: str = ""
    note: str = ""
    part: Named = attrs.field(default=NOBODY, eq=False)
    timing: CardTiming = attrs.field(factory=CardTiming, eq=False)
    is_decoded_as_said: bool = attrs.field(default=False, eq=False)
    origin: Mapping[str, Place] = attrs.field(eq=False)
    memory: list[int] = attrs.field(init=False, factory=list, eq=False, repr=False)

    def place(self, field: str) -> Place:
        """Where the field stands, or the card if the file is silent about it."""
        return origin_of(self.origin, field)

    @property
    def select(self) -> tuple[str, ...]:
        """Patterns and expressions, any of which selects it."""
        return tuple(entry.other for entry in self.wiring.only(Done.SELECTED))

    @property
    def not_select(self) -> tuple[str, ...]:
        """Patterns and expressions that exclude it."""
        return tuple(entry.other for entry in self.wiring.only(Done.NOT_SELECTED))

    @property
    def output_enable(self) -> str:
        """Expression for its read strobe."""
        return self.wiring.strobe(Done.OUTPUT_ENABLE, READ_STROBE)

    @property
    def write_enable(self) -> str:
        """Expression for its write strobe."""
        return self.wiring.strobe(Done.WRITE_ENABLE, WRITE_STROBE)

    @property
    def ready_gated(self) -> bool:
        """Whether its strobes are gated with ready."""
        return bool(self.wiring.only(Done.READY_GATED))

    @property
    def wires(self) -> dict[str, str]:
        """By address or data pin the line that it is joined to, or "not LINE", "low", "high"."""
        return {pin: line for pin, line in self.wiring.joined().items() if is_cpu_line(pin)}

    @property
    def lines(self) -> dict[str, str]:
        """By another pin the line it is joined to."""
        return {pin: line for pin, line in self.wiring.joined().items() if not is_cpu_line(pin)}

    def identity(self) -> dict[str, Any]:
        """What the card adds to the machine's identity: wiring and settings that differ from their defaults."""
        more = Wiring(tuple(entry for entry in self.wiring.entries if not entry.is_key))
        wiring = {
            "not_select": [_spaceless(text) for text in self.not_select],
            "output_enable": "" if self.output_enable == READ_STROBE else self.output_enable,
            "write_enable": "" if self.write_enable == WRITE_STROBE else self.write_enable,
            "wires": self.wires,
            "lines": self.lines,
            "ready_gated": self.ready_gated,
            "wiring": more.sentences(),
            "settings": different(self.settings),
        }
        kind, select = self.card.kind, [_spaceless(text) for text in self.select]
        return {"kind": kind, "select": select, **{name: value for name, value in wiring.items() if value}}


class Source(Protocol):
    """What a description was made of."""

    def described(self, faults: Sequence[Fault]) -> Description:
        """The same machine with these faults instead of those that it has."""


@attrs.frozen(kw_only=True)
class Description:
    """A whole machine, checked.

    Attributes:
        name: of the machine.
        clock_text: clock as written.
        clock_hz: PHI2 in Hz, exact.
        cpu: "65C02" or "6502".
        seed: seed of everything that is undefined on real hardware.
        seeds: of what has one of its own instead: by slot and name of what the card there leaves to chance.
        backplane: behaviour of the backplane.
        wiring: what is done to lines of the backplane and at the CPU.
        decode: the parts on the backplane that drive lines, where they are named.
        cpu_options: what sources leave open about the CPU.
        cards: in slot order.
        path: the machine file.
        files: the machine file and those it builds on, as they were read.
        about: what it is, in a few words; a variant says its own.
        note: what the builder says of it.
        programs: what is put into RAM when the power comes on.
        start: where the CPU begins after RESET, an address or a label; None: where the vector says.
        faults: what is wrong with it on purpose. Wiring and settings that are always so are in those of the cards.
        cpu_timing: the CPU's part, and what stands between it and the backplane.
        own_parts: that the machine's own table has, and that no machine's identity rests on.
        parts_file: where that is.
        source: what it was made of.
    """

    name: str
    clock_text: str
    clock_hz: Fraction
    cpu: str
    seed: int
    seeds: Mapping[tuple[int, str], int] = attrs.field(factory=dict)
    backplane: Backplane
    wiring: Wiring = attrs.field(factory=Wiring)
    decode: Decode | None = attrs.field(default=None, eq=False, repr=False)
    cpu_options: CpuOptions
    cards: tuple[CardDescription, ...]
    path: Path
    files: tuple[Path, ...]
    about: str = ""
    note: str = ""
    programs: tuple[Program, ...] = ()
    start: str | None = None
    faults: tuple[Fault, ...] = ()
    cpu_timing: CpuTiming = attrs.field(factory=CpuTiming, eq=False)
    own_parts: tuple[Part, ...] = attrs.field(default=(), eq=False, repr=False)
    parts_file: Path | None = None
    source: Source | None = attrs.field(default=None, eq=False, repr=False)

    def decoders(self) -> list[Decode]:
        """All decoders that are said by their parts: that on the backplane, then card by card."""
        return [one for one in (self.decode, *(card.decode for card in self.cards)) if one is not None]

    def seeds_of(self, slot: int) -> dict[str, int]:
        """Seeds of what a card leaves to chance, by name, where they are not the machine's."""
        return {name: seed for (its, name), seed in self.seeds.items() if its == slot}

    def part_table(self) -> PartTable:
        """Parts whose figures are known: the kit's, and the machine's own."""
        return known_parts().over(self.own_parts) if self.own_parts else known_parts()

    def with_faults(self, faults: Sequence[str | Fault]) -> Description:
        """The same machine with more faults; no file is read again.

        Args:
            faults: besides those that it has, as sentences or read.

        Raises:
            SimkitError: one cannot be; SeveralErrors for several.
        """
        if self.source is None:
            raise SimkitError("The machine was not read from a file.", remedy="Use what read_description gave.")
        if isinstance(faults, str):
            raise SimkitError(f"{faults!r:.80} is no list of faults.", remedy=f"Write [{faults[:60]!r}].")
        more = [fault if isinstance(fault, Fault) else read_fault(fault) for fault in faults]
        return self.source.described([*self.faults, *more])

    def with_static(self, faults: Sequence[Fault]) -> Description:
        """The machine as it is wired while these of its faults are there, of those that have a time."""
        assert self.source is not None
        static = [fault for fault in self.faults if fault.is_static]
        return self.source.described([*static, *(attrs.evolve(fault, when=ALWAYS) for fault in faults)])

    def sentences(self) -> list[str]:
        """How it is wired, a sentence each: the backplane, then card by card."""
        return [*self.wiring.sentences(), *(text for card in self.cards for text in card.wiring.sentences())]

    def parts(self) -> dict[str, Any]:
        """What the machine's identity rests on besides seed and images, by name: only what differs from defaults."""
        found = {
            "clock": [self.clock_hz.numerator, self.clock_hz.denominator],
            "cpu": self.cpu,
            "backplane": different(self.backplane),
            "wiring": self.wiring.sentences(),
            "cpu_options": different(self.cpu_options),
            **{f"slot {card.slot}": card.identity() for card in self.cards},
            **{f"program {number}": one.identity() for number, one in enumerate(self.programs, start=1)},
            "start": self.start or "",
            "faults": [str(fault) for fault in self.faults if not fault.is_in_wiring],
        }
        return {name: value for name, value in found.items() if value}


def different(settings: Any) -> dict[str, Any]:
    """Settings that differ from their defaults, by name."""
    return {
        field.name: value
        for field in attrs.fields(type(settings))
        if (value := getattr(settings, field.name)) != field.default
    }


def _spaceless(pattern: str) -> str:
    """A select as it is kept: the same wiring however it is spaced."""
    return "".join(pattern.split()) if set(pattern) <= set("01xX ") else " ".join(pattern.split())
