"""Every single fault of a machine that a builder makes and that could matter, as sentences.

Lines and pins: held low or high, open, inverted, shorted to or exchanged with a neighbour, data lines late; at each
slot as a line comes in, at each pin of a card, at the CPU, and on the whole backplane. Neighbours are lines of
neighbouring number, which lie side by side on connectors, and those that lie side by side on the chips in common use:
pins of JEDEC's 28-pin memories (JEDEC Standard 21-C, byte-wide memories: A14 A12 A7 A6 ... on one side, A13 A8 A9 A11
on the other) and of the CPU (A11 and A12 sit at the corner where VSS lies, W65C02S data sheet, section 3). All pairs
would be too many, and a bridge of solder seldom reaches further.

Rows: the pins of a chip wired from the other end, and its chip selects exchanged.

Decoders: one jumper of a select in another place, a card always or never selected, a strobe that is wired wrong.
Jumpers and settings: each other value of those that can be counted; a length of time or a crystal is no jumper. Cards
that are not there and chips without supply. Bits of a ROM are not here: a capture says which ones read wrong
(`simkit.suspect.rom_cells`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations, pairwise

import attrs

from simkit.backplane.fault_sentences import read_fault
from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES, Done
from simkit.contract.lines import Drive
from simkit.machinefile.description import CardDescription, Description

ON_MEMORY_CHIPS = ("A14", "A12", "A7"), ("A13", "A8"), ("A9", "A11"), ("A10",)
"""Address pins side by side on 28-pin memories whose numbers are not neighbours; JEDEC Standard 21-C."""
CONTROL = ("RW", "PHI2")
MOST_VALUES = 16
"""Other values of a setting that are tried, when they can be counted."""
_READ_STROBES = ("never", "RW", "PHI2", "not RW and PHI2")
_WRITE_STROBES = ("never", "not RW", "PHI2", "RW and PHI2")


@attrs.frozen
class Candidate:
    """A single fault that may be the cause.

    Attributes:
        sentence: what is wrong, as `--fault` takes it.
        place: where to look: "slot 2", "CPU", "backplane".
        kind: which kind of fault it is, for tables: "low", "open", "select", "setting", ...
    """

    sentence: str
    place: str
    kind: str

    def __str__(self) -> str:
        return self.sentence


def catalogue(description: Description) -> tuple[Candidate, ...]:
    """All single faults of a machine, each once; those that its program never exercises among them."""
    found = [*_of_the_bus(), *_of_the_cpu(description)]
    for card in description.cards:
        found += _of_the_card(card)
    read = [attrs.evolve(one, sentence=str(read_fault(one.sentence))) for one in found]  # one sentence for each fault
    return tuple({one.sentence: one for one in reversed(read)}.values())[::-1]


def neighbours(names: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of lines that lie side by side, of those that are there."""
    there = list(names)
    by_number = [
        (one, other)
        for one, other in pairwise(there)
        if one[0] == other[0] and one[1:].isdigit() and other[1:].isdigit()
    ]
    on_chips = [pair for row in ON_MEMORY_CHIPS for pair in pairwise(row)]
    return by_number + [(one, other) for one, other in on_chips if {one, other} <= set(there)]


def _done_to(place: str, names: Iterable[str], word: str, kinds: Iterable[Done]) -> Iterator[Candidate]:
    """What can be done to each of some lines at a place; and to pairs of neighbours."""
    names, kinds = list(names), list(kinds)
    before = "" if place == "backplane" else f"{place}: "
    for name in names:
        for done in kinds:
            if done not in (Done.SHORTED, Done.EXCHANGED) and (done is not Done.LATE or name in DATA_LINES):
                yield Candidate(f"{before}{word}{name} {done.value}", place, str(done.value))
    for one, other in neighbours(names):
        for done in (Done.SHORTED, Done.EXCHANGED):
            if done in kinds:
                yield Candidate(f"{before}{word}{one} {done.value} {other}", place, str(done.value).split()[0])


_AT_A_PLACE = (Done.LOW, Done.HIGH, Done.OPEN, Done.INVERTED, Done.SHORTED, Done.EXCHANGED, Done.LATE)


def _of_the_bus() -> Iterator[Candidate]:
    held = (Done.LOW, Done.HIGH, Done.SHORTED)
    yield from _done_to("backplane", ADDRESS_LINES, "", held)
    yield from _done_to("backplane", DATA_LINES, "", held)
    yield from _done_to("backplane", CONTROL, "", (Done.LOW, Done.HIGH))
    yield from _done_to("backplane", ("IRQ", "NMI", "RDY", "RESET"), "", (Done.LOW, Done.HIGH))
    yield Candidate("IRQ exchanged with NMI", "backplane", "exchanged")
    yield from _done_to("backplane", ("IRQ", "NMI"), "", (Done.NOT_PULLED,))


def _of_the_cpu(description: Description) -> Iterator[Candidate]:
    yield from _done_to("CPU", ADDRESS_LINES, "", _AT_A_PLACE)
    yield from _done_to("CPU", DATA_LINES, "", _AT_A_PLACE)
    yield from _done_to("CPU", ("RW",), "", (Done.LOW, Done.HIGH, Done.OPEN, Done.INVERTED))
    yield from _done_to("CPU", ("IRQ", "NMI"), "", (Done.OPEN, Done.INVERTED))
    if description.cpu == "65C02":  # no pin of the NMOS part: its socket leaves that contact open
        yield from _done_to("CPU", ("BE",), "", (Done.OPEN, Done.LOW))


def _of_the_card(card: CardDescription) -> Iterator[Candidate]:
    place = f"slot {card.slot}"
    board = card.board
    yield from _done_to(place, ADDRESS_LINES, "line ", _AT_A_PLACE)
    yield from _done_to(place, ADDRESS_LINES[: board.address_pins], "pin ", _AT_A_PLACE)
    yield from _done_to(place, DATA_LINES, "pin ", _AT_A_PLACE)
    rows = [(DATA_LINES[0], DATA_LINES[-1])]
    if board.address_pins > 2:  # of two pins it is an exchange
        rows.append((ADDRESS_LINES[0], ADDRESS_LINES[: board.address_pins][-1]))  # pins above are of banks
    for first, last in rows:
        yield Candidate(f"{place}: pins {first} to {last} reversed", place, "reversed")
    yield from _done_to(place, CONTROL, "line ", (Done.LOW, Done.HIGH, Done.OPEN, Done.INVERTED))
    yield from _done_to(place, ("RESET",), "line ", (Done.LOW, Done.HIGH, Done.OPEN))
    joined = card.wiring.joined()
    for pin in board.pins:
        if pin.name not in joined or pin.name in (*ADDRESS_LINES, *DATA_LINES):
            continue
        yield from _done_to(place, (pin.name,), "pin ", (Done.OPEN, Done.LOW, Done.HIGH, Done.INVERTED))
        if pin.drive is not Drive.INPUT:
            for other in ("IRQ", "NMI"):
                if joined[pin.name] != other:
                    yield Candidate(f"{place}: pin {pin.name} joined to {other}", place, "joined")
    for one, other in combinations(board.chip_selects, 2):
        yield Candidate(f"{place}: pin {one} exchanged with {other}", place, "exchanged")
    yield from _of_its_decoder(card, place)
    yield from _of_its_settings(card, place)
    yield Candidate(f"{place}: card removed", place, "removed")
    for supply in ("VCC", "GND"):
        yield Candidate(f"{place}: {supply} open", place, "supply")
    for wrong in ("direction reversed", "direction stuck towards the bus", "never enabled"):
        yield Candidate(f"{place}: transceiver {wrong}", place, "transceiver")


def _of_its_decoder(card: CardDescription, place: str) -> Iterator[Candidate]:
    for at, select in enumerate(card.select):
        for wrong in _a_bit_wrong(select):
            told = [*card.select[:at], wrong, *card.select[at + 1 :]]
            yield Candidate(f"{place}: selected by {' or '.join(told)}", place, "select")
        if len(card.select) > 1:
            left = [*card.select[:at], *card.select[at + 1 :]]
            yield Candidate(f"{place}: selected by {' or '.join(left)}", place, "select")
    for word in ("always", "never"):
        yield Candidate(f"{place}: selected by {word}", place, "select")
    for name, strobes, own in (
        ("output enable", _READ_STROBES, card.output_enable),
        ("write enable", _WRITE_STROBES, card.write_enable),
    ):
        for strobe in strobes:
            if strobe != own:
                yield Candidate(f"{place}: {name} {strobe}", place, "strobe")


def _a_bit_wrong(select: str) -> Iterator[str]:
    """A pattern of address bits with one jumper in another place; nothing of what is no such pattern."""
    bits = "".join(select.split()).replace("_", "")
    if not (set(bits) <= set("01xX") and len(bits) == len(ADDRESS_LINES)):
        return
    for number, bit in enumerate(bits):
        for other in sorted({"0", "1", "x"} - {bit.lower()}):
            written = bits[:number] + other + bits[number + 1 :]
            yield " ".join(written[start : start + 4] for start in range(0, 16, 4))


def _of_its_settings(card: CardDescription, place: str) -> Iterator[Candidate]:
    for field in attrs.fields(type(card.settings)):
        meta, now = field.metadata, getattr(card.settings, field.name)
        if "one_of" not in meta:
            continue
        for value in _other_values(now, meta["one_of"], meta["low"], meta["high"]):
            text = str(value).lower() if isinstance(value, bool) else str(value)
            yield Candidate(f"{place}: setting {field.name} = {text}", place, "setting")


def _other_values(now: object, one_of: tuple[object, ...], low: int | None, high: int | None) -> list[object]:
    if one_of:
        return [value for value in one_of if value != now][:MOST_VALUES]
    if isinstance(now, bool):
        return [not now]
    if not isinstance(now, int):
        return []
    if low is not None and high is not None and high - low <= MOST_VALUES:
        return [value for value in range(low, high + 1) if value != now]
    return []
