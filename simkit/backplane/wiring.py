"""Wiring: what is done to lines and pins, at one slot, at the CPU or on the whole backplane.

A machine is wired as its entries say, one after the other. Keys of a machine file and sentences ("slot 4: pin D3 low")
are two spellings of the same entries; `simkit.backplane.sentences` reads the second. What is done at a slot concerns
that card alone, as behind a buffer of its own or at a socket pin that is bent up: the line itself stays whole. What is
done without a slot is done to the line, for all.

An open input reads high, as inputs of the TTL families do (common practice, from memory; an open CMOS input follows
whatever is near). Where two outputs share a wire the low one wins, as with NMOS and TTL outputs, whose high is weak
(forum64.de, on EPROM and bus conflicts with CMOS parts; two CMOS outputs settle nowhere for sure).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from enum import Enum

import attrs

from simkit.backplane.select import ADDRESS_LINES, expression
from simkit.contract.lines import SYSTEM_LINES

READ_STROBE = "RW and PHI2"
WRITE_STROBE = "not RW and PHI2"

DATA_LINES = tuple(f"D{n}" for n in range(8))
CONTROL_LINES = ("RW", "PHI2")
CPU_LINES = (*ADDRESS_LINES, *DATA_LINES, *CONTROL_LINES)
"""Lines that the CPU drives, data lines on a write."""
CPU_PIN_LINES = ("SYNC", "VPB", "MLB", "BE")
"""Pins of the CPU that become lines where a card is joined to them; SYNC, VPB, MLB are outputs, BE an input."""
SHEET_NAMES = {
    "RWB": "RW",
    "RES": "RESET",
    "RESB": "RESET",
    "RST": "RESET",
    "IRQB": "IRQ",
    "NMIB": "NMI",
    "SOB": "SO",
}
"""Lines of the backplane under the names that data sheets give the pins for them."""
GROUND, SUPPLY = ("GND", "VSS"), ("VCC", "VDD")
CPU = 0
"""Stands for the CPU where the number of a slot stands."""
MAX_ENTRIES = 400
"""Entries of a whole machine's wiring that a file may hold."""


class Done(Enum):
    """What is done, in the words of its sentence."""

    JOINED = "joined to"  # a pin is joined to another line than its own, or an output to a line
    OPEN = "open"
    LOW = "low"
    HIGH = "high"
    SHORTED = "shorted to"
    EXCHANGED = "exchanged with"
    INVERTED = "inverted"
    LATE = "late"  # driven when the CPU has taken what was on the line before
    REVERSED = "reversed"  # of a supply pin; or of a row of lines or pins, that is wired from its other end
    PULLED_UP = "pulled up"
    PULLED_DOWN = "pulled down"
    NOT_PULLED = "not pulled"
    SELECTED = "selected by"
    NOT_SELECTED = "not selected by"
    OUTPUT_ENABLE = "output enable"
    WRITE_ENABLE = "write enable"
    READY_GATED = "strobes gated with ready"
    PUSH_PULL = "push-pull"  # an output drives high as well, or lets go instead
    OPEN_DRAIN = "open-drain"
    REMOVED = "card removed"
    UNPOWERED = "without supply"  # the whole card: it answers nothing and lets go of its outputs
    TRANSCEIVER = "transceiver"  # between the data lines and a card
    DRIVEN = "driven by"  # a line by a decoder, or a pin, as an expression says


class Transceiver(Enum):
    """What is wrong with a transceiver between the data lines and a card, in the words of its sentence."""

    REVERSED = "direction reversed"
    TO_THE_CARD = "direction stuck towards the card"
    TO_THE_BUS = "direction stuck towards the bus"
    ALWAYS = "always enabled"
    NEVER = "never enabled"


WITH_OTHER = (Done.JOINED, Done.SHORTED, Done.EXCHANGED)
"""What is done with a second line or pin."""
STROBES = (Done.SELECTED, Done.NOT_SELECTED, Done.OUTPUT_ENABLE, Done.WRITE_ENABLE)
"""What has an expression, of the card as a whole."""
OF_CARDS = (Done.READY_GATED, Done.REMOVED, Done.UNPOWERED)
"""What is said of a card as a whole, in one word."""
OUTPUTS = (Done.PUSH_PULL, Done.OPEN_DRAIN)
"""What an output stage is, of a pin of a card."""
PULLS = (Done.PULLED_UP, Done.PULLED_DOWN, Done.NOT_PULLED)
RAIL_OF = {Done.LOW: "GND", Done.HIGH: "VCC"}
"""The rail that holds a line or pin so."""


@attrs.frozen
class Entry:
    """One thing that is done.

    Attributes:
        done: what.
        name: the pin or line it is done to; "" for what concerns the card as a whole.
        other: the second line or pin, "not " before it for its opposite; or the pattern or expression.
        slot: at which slot, CPU for the CPU, None on the whole backplane.
        at_pin: of a slot: at a pin of the card, behind its decoder; else to the line as it comes in at the slot, for
            decoder and pins alike.
    """

    done: Done
    name: str = ""
    other: str = ""
    slot: int | None = None
    at_pin: bool = False

    @property
    def is_key(self) -> bool:
        """Whether a key of a machine file says the same."""
        keys = (*STROBES, Done.READY_GATED)
        return self.done in keys or (self.at_pin and self.done in (Done.JOINED, Done.LOW, Done.HIGH))

    @property
    def shorted_to_rail(self) -> bool:
        """Whether a pin that a card brings out, or a system line at a slot, is shorted to a supply where it stands.

        The wire behind it is not cut: the whole line is held. What is low or high at a slot is cut off from the line.
        """
        return self.done is Done.SHORTED and self.other in RAIL_OF.values()

    @property
    def is_row(self) -> bool:
        """Whether it is done to a row of lines or pins, from `name` to `other`."""
        return self.done in (Done.REVERSED, Done.LATE) and bool(self.other)

    def here(self) -> str:
        """Its sentence where the place is known."""
        if self.done in (*STROBES, Done.TRANSCEIVER):
            return f"{self.done.value} {self.other}"
        if self.done in OF_CARDS:
            return str(self.done.value)
        own = self.slot not in (None, CPU)
        if self.is_row:
            word = f"{'pin' if self.at_pin else 'line'}s " if own else ""
            return f"{word}{self.name} to {self.other} {self.done.value}"
        word = ("pin " if self.at_pin else "line ") if own else "pin " if self.name.isdigit() else ""
        return f"{word}{self.name} {self.done.value} {self.other}".rstrip()

    def parts(self) -> list[Entry]:
        """What it comes to, pin by pin or line by line: itself, but of a row that is reversed the exchanges."""
        if not self.is_row:
            return [self]
        row, first, last = self.name[0], int(self.name[1:]), int(self.other[1:])
        if self.done is Done.LATE:
            return [attrs.evolve(self, name=f"{row}{number}", other="") for number in range(first, last + 1)]
        pairs = zip(range(first, last), range(last, first, -1), strict=True)
        return [
            attrs.evolve(self, done=Done.EXCHANGED, name=f"{row}{low}", other=f"{row}{high}")
            for low, high in pairs
            if low < high
        ]

    def __str__(self) -> str:
        place = "" if self.slot is None else "CPU: " if self.slot == CPU else f"slot {self.slot}: "
        return place + self.here()


@attrs.frozen
class Wiring:
    """What is done to lines and pins, in order.

    Attributes:
        entries: one by one.
    """

    entries: tuple[Entry, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.entries)

    def __add__(self, other: Wiring) -> Wiring:
        return Wiring(self.entries + other.entries)

    def then(self, later: Wiring) -> Wiring:
        """With what is said later besides; a select that is said there stands in the place of the one before."""
        said = bool(later.only(Done.SELECTED))
        return Wiring(tuple(entry for entry in self.entries if not (said and entry.done is Done.SELECTED))) + later

    def sentences(self) -> list[str]:
        """Each entry as a sentence, with its place."""
        return [str(entry) for entry in self.entries]

    def at(self, slot: int | None) -> Wiring:
        """What is done at one place."""
        return Wiring(tuple(entry for entry in self.entries if entry.slot == slot))

    def only(self, *done: Done) -> list[Entry]:
        """Entries of these kinds."""
        return [entry for entry in self.entries if entry.done in done]

    def strobe(self, done: Done, otherwise: str) -> str:
        """Expression of a strobe; what is said last counts."""
        said = self.only(done)
        return said[-1].other if said else otherwise

    def stages(self) -> dict[str, Done]:
        """By pin the output stage that is said."""
        return {entry.name: entry.done for entry in self.pin_entries() if entry.done in OUTPUTS}

    def transceiver(self) -> Transceiver | None:
        """What is wrong with the transceiver of a card; what is said last counts."""
        said = self.only(Done.TRANSCEIVER)
        return Transceiver(said[-1].other) if said else None

    def joined(self) -> dict[str, str]:
        """By pin the line it is joined to, or "low" or "high"."""
        found: dict[str, str] = {}
        for entry in self.pin_entries():
            if entry.is_key:
                found[entry.name] = entry.other or entry.done.value
            elif entry.done is Done.OPEN:
                found.pop(entry.name, None)
        return found

    def pin_entries(self) -> list[Entry]:
        """What is done to pins of the card."""
        return [part for entry in self.entries if entry.at_pin for part in entry.parts()]

    def line_entries(self) -> list[Entry]:
        """What is done to lines."""
        made = (*PULLS, Done.DRIVEN)
        said = [entry for entry in self.entries if entry.name and not entry.at_pin and entry.done not in made]
        return [part for entry in said for part in entry.parts()]

    def cpu_entries(self) -> list[Entry]:
        """What is done to pins of the CPU that become lines."""
        return [entry for entry in self.entries if entry.slot == CPU and entry.name in CPU_PIN_LINES]

    def pull(self, name: str) -> Done | None:
        """How a line is pulled, where that is said."""
        said = [entry.done for entry in self.entries if entry.name == name and entry.done in PULLS]
        return said[-1] if said else None

    def sources(self) -> set[str]:
        """Lines of cards from which addresses and strobes are fed instead of from their own."""
        fed = [entry for entry in self.entries if entry.done in WITH_OTHER and is_cpu_line(entry.name)]
        found = {name for entry in fed if not is_cpu_line(name := plain(entry.other))}
        by_expression = [entry for entry in self.pin_entries() if entry.done is Done.DRIVEN]
        return found.union(*(expression(entry.other).lines for entry in by_expression))

    def signals(self) -> dict[str, str]:
        """By line of the backplane that a decoder drives, the expression it is driven by."""
        return {entry.name: entry.other for entry in self.entries if entry.done is Done.DRIVEN and entry.slot is None}

    def heard(self, names: Iterable[str]) -> set[str]:
        """Lines of cards that decide over these: themselves, or what decoders make them of."""
        signals, found = self.signals(), set(names)
        return (found | self._behind(found)) - set(signals) if signals else found

    def feeds_itself(self, signal: str) -> bool:
        """Whether a decoder's line decides over itself."""
        return signal in self._behind({signal})

    def _behind(self, names: Iterable[str]) -> set[str]:
        """All lines that decoders make these of, in however many steps."""
        signals = self.signals()
        feeds = {name: set(expression(text).lines) for name, text in signals.items()}
        for entry in self.line_entries():
            name, other = entry.name, entry.other
            if name in feeds and other in feeds:
                both = feeds[name] | feeds[other]
                swapped = entry.done is Done.EXCHANGED
                feeds[name], feeds[other] = (feeds[other], feeds[name]) if swapped else (both, set(both))
        todo, found = list(names), set[str]()
        while todo:
            more = feeds.get(todo.pop(), set()) - found
            found |= more
            todo += more
        return found


def plain(name: str) -> str:
    """A line's name without the "not " before it."""
    return name.removeprefix("not ")


def is_cpu_line(name: str) -> bool:
    """Whether it is an address pin or line, a data line, RW or PHI2."""
    return bool(re.fullmatch(r"A\d+|D[0-7]|RW|PHI2", name))


def fixed(name: str) -> Done | None:
    """What a value such as GND, low, VCC or open in the place of a line does to a pin; None for the name of a line."""
    word = name.upper()
    if word in ("LOW", "GROUND", *GROUND):
        return Done.LOW
    if word in ("HIGH", *SUPPLY):
        return Done.HIGH
    return Done.OPEN if word == "OPEN" else None


def of_pins(joined: Mapping[str, str], slot: int) -> Wiring:
    """Wiring of the pins of a card: by pin the line that it is joined to, "not LINE", "GND", "VCC" or "open"."""
    entries: Iterable[Entry] = (
        Entry(Done.JOINED, pin, source, slot, at_pin=True)
        if (done := fixed(source)) is None
        else Entry(done, pin, "", slot, at_pin=True)
        for pin, source in joined.items()
    )
    return Wiring(tuple(entries))


def of_card(
    slot: int,
    *,
    select: Iterable[str] = (),
    not_select: Iterable[str] = (),
    output_enable: str = READ_STROBE,
    write_enable: str = WRITE_STROBE,
    wires: Mapping[str, str] | None = None,
    lines: Mapping[str, str] | None = None,
    ready_gated: bool = False,
) -> Wiring:
    """Wiring of a card as keys of a machine file spell it."""
    return Wiring(
        (
            *(Entry(Done.SELECTED, "", text, slot) for text in select),
            *(Entry(Done.NOT_SELECTED, "", text, slot) for text in not_select),
            Entry(Done.OUTPUT_ENABLE, "", output_enable, slot),
            Entry(Done.WRITE_ENABLE, "", write_enable, slot),
            *((Entry(Done.READY_GATED, slot=slot),) if ready_gated else ()),
            *of_pins(wires or {}, slot).entries,
            *of_pins(lines or {}, slot).entries,
        )
    )


def is_system_line(name: str) -> bool:
    """Whether every backplane has it and the CPU samples it."""
    return name in SYSTEM_LINES
