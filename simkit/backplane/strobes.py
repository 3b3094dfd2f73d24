"""What strobes and selects of a card say in each state of RW and PHI2: the forms in which they cannot work.

Each is looked at as it arrives, through the wiring on the way, for all addresses and all levels of the lines that cards
drive. While PHI2 is low the address is not settled, and nobody takes data: there a write strobe must be false, and a
read strobe where reads have effects. Memory may drive a read's low half (it has the whole cycle then: the decoder's
and the memory's times add up from the address on), but not that of a write: it lets go when the CPU drives already.
Sources: write data are valid some time after PHI2 rises (WDC, W65C02S data sheet, Table 6-3, tMDS); that drivers which
meet fight, 20 mA a line and more in CMOS (forum64.de, on EPROM and bus conflicts). The rest is from memory and common
practice; of parts with a PHI2 pin of their own see `Card.own_phi2`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.conductors import at_slot, on_the_bus
from simkit.backplane.seat import Seat
from simkit.backplane.wiring import CONTROL_LINES, READ_STROBE, WRITE_STROBE, Wiring, plain
from simkit.contract.card import Card
from simkit.contract.findings import Findings

MOST_LINES = 8
"""Lines of cards of which each combination of levels is looked at; of more that of power-on, and each line turned."""

State = tuple[bool, bool]
"""Levels of RW and PHI2."""
READ, WRITE = (True, True), (False, True)
READ_LOW, WRITE_LOW = (True, False), (False, False)
STATES = (READ, WRITE, READ_LOW, WRITE_LOW)
WORDS: Mapping[State, str] = {
    READ: "in read cycles (RW high, PHI2 high)",
    WRITE: "in write cycles (RW low, PHI2 high)",
    READ_LOW: "RW high, PHI2 low",
    WRITE_LOW: "RW low, PHI2 low",
}
_READS, _WRITES = f'Write output_enable = "{READ_STROBE}".', f'Write write_enable = "{WRITE_STROBE}".'
_OUT_OF_SELECT = "Take RW and PHI2 out of the select: they belong to the strobes."


def check_strobes(bus: Bus, findings: Findings) -> None:
    """Report strobes and selects that cannot work.

    Call once the cards have taken their power-on levels.
    """
    for seat in bus.seats:
        if _is_probe(seat):
            continue
        seen = _Seen.of(bus, seat)
        if any(seen.selected.values()):
            for rule, text in (*_at_work(seat, seen), *_while_phi2_is_low(seat, seen), *_select(seat, seen)):
                findings.add(rule, 0, f"{seat.name}: {text}", slot=seat.slot)
        elif seat.select.patterns or seat.select.expressions:  # others meet the machine by their pins alone
            text = f"{seat.name}: no address selects it, as its decoder hears the lines: the CPU cannot reach it."
            findings.add("never-selected", 0, text, slot=seat.slot)


@attrs.frozen
class _Seen:
    """Truth tables by state: addresses at which something is true, at one combination of levels or another.

    Attributes:
        selected: the card is selected.
        drives: it is, and its read strobe is true; of a card that can be read.
        takes: it is, and its write strobe is true; of a card that can be written.
        both: both strobes are.
        late: of the states with PHI2 high: it is selected, and is not while PHI2 is low.
        way: wiring by which RW and PHI2 come to the card.
    """

    selected: dict[State, int]
    drives: dict[State, int]
    takes: dict[State, int]
    both: dict[State, int]
    late: int
    way: Wiring

    @classmethod
    def of(cls, bus: Bus, seat: Seat) -> _Seen:
        """Look at a card in all states."""
        selected, drives, takes, both = (dict.fromkeys(STATES, 0) for _ in range(4))
        late, reads, writes = 0, _can_be_read(seat), _can_be_written(seat)
        for levels in _levels(bus, seat):
            now: dict[State, int] = {}
            for state in STATES:
                rw, phi2 = state
                arriving = at_slot(on_the_bus({**levels, "RW": rw, "PHI2": phi2}, bus.wiring), seat.wiring)
                now[state] = seat.select.table(arriving)
                output, write = seat.strobes(arriving)
                selected[state] |= now[state]
                drives[state] |= output if reads else 0
                takes[state] |= write if writes else 0
                both[state] |= output & write if reads and writes else 0
            late |= now[READ] & ~now[READ_LOW] | now[WRITE] & ~now[WRITE_LOW]
        way = [
            entry
            for entry in (*bus.wiring.line_entries(), *seat.wiring.line_entries())
            if {entry.name, plain(entry.other)} & set(CONTROL_LINES)
        ]
        return cls(selected, drives, takes, both, late, Wiring(tuple(way)))

    def remedy(self, otherwise: str) -> str:
        """What to do: look at the wiring first, if RW or PHI2 come through any."""
        if not self.way:
            return otherwise
        said = "; ".join(self.way.sentences())
        return f"RW and PHI2 do not come to it as the CPU drives them ({said}): undo that first."


def _levels(bus: Bus, seat: Seat) -> Iterator[dict[str, bool]]:
    """Levels of the lines by which a card is decoded, beside those of the CPU: all that may come up."""
    named = seat.select.lines | seat.output_enable.lines | seat.write_enable.lines
    named |= seat.wiring.sources() | bus.wiring.sources()
    lines = [bus.nets.line(name) for name in sorted(bus.wiring.heard(named))]
    moving = [line for line in lines if bus.nets.drivers(line.name)]  # what nobody does is told by a rule of its own
    still = {line.name: line.level for line in lines}
    if len(moving) > MOST_LINES:
        yield still
        yield from (still | {line.name: not line.level} for line in moving)
        return
    for levels in product((False, True), repeat=len(moving)):
        yield still | {line.name: level for line, level in zip(moving, levels, strict=True)}


def _is_probe(seat: Seat) -> bool:
    """Whether it has neither registers nor memory: what it takes is meant for others, in reads as in writes."""
    return not seat.registers and seat.plain is None and not seat.holds_program(0)


def _can_be_read(seat: Seat) -> bool:
    """Whether the card has anything to read: memory, or a register."""
    return not seat.registers or any("r" in register.access for register in seat.registers)


def _can_be_written(seat: Seat) -> bool:
    """Whether the card has anything to write."""
    if seat.registers:
        return any("w" in register.access for register in seat.registers)
    return type(seat.card).write is not Card.write if seat.plain is None else not seat.plain.ignores_writes


# while PHI2 is high ---------------------------------------------------------------------------------------------------


def _at_work(seat: Seat, seen: _Seen) -> Iterator[tuple[str, str]]:
    """Rule and text of each form that is wrong where the CPU and the cards exchange data."""
    drives, takes = seen.drives, seen.takes
    read, write = _strobes(seat)
    if drives[WRITE] and takes[READ] and not (drives[READ] or takes[WRITE]):
        yield (
            "strobes-crossed",
            f"the strobes are crossed: {read} is true {WORDS[WRITE]}, {write} {WORDS[READ]}. A write finds two "
            "drivers on the data lines and is lost, a read stores what floats there. "
            + seen.remedy(f"{_READS} {_WRITES}"),
        )
        return
    yield from _missing(seat, seen)
    write_wins = seat.winning_strobe == "write"
    together = [state for state in (WRITE, READ) if seen.both[state] and not write_wins]
    if together:
        what = {
            WRITE: "the card drives the lines from which it is to take a byte, against the CPU",
            READ: "each read writes, too",
        }
        if seat.winning_strobe == "output":
            what = {
                WRITE: "the part fights the CPU, and takes no write while its outputs are on",
                READ: "a read writes, too, if its write strobe comes before the other",
            }
        yield (
            "strobes-together",
            f"{read} and {write} are both true {' and '.join(WORDS[state] for state in together)}: "
            f"{'; '.join(what[state] for state in together)}. "
            + seen.remedy(" ".join({WRITE: _READS, READ: _WRITES}[state] for state in together)),
        )
    if drives[WRITE] and WRITE not in together:
        ends = (
            "until its write strobe turns its outputs off, for some 30 ns, two drive"
            if write_wins and takes[WRITE]
            else "it fights the CPU"
        )
        yield (
            "read-strobe-in-write",
            f"{read} is true {WORDS[WRITE]}, when the CPU drives the data lines: {ends}. {seen.remedy(_READS)}",
        )
    if takes[READ] and READ not in together:
        stored = "what floats, as its outputs are off then" if write_wins else "what is on the data lines"
        yield (
            "write-strobe-in-read",
            f"{write} is true {WORDS[READ]}: the card stores {stored}, though nobody writes. {seen.remedy(_WRITES)}",
        )


def _missing(seat: Seat, seen: _Seen) -> Iterator[tuple[str, str]]:
    read, write = _strobes(seat)
    if _can_be_read(seat) and not seen.drives[READ]:
        yield (
            "read-strobe-missing",
            f"{read} is never true {WORDS[READ]}{_unselected(seen, READ)}: a read gives what floats on the data lines, "
            f"whatever the card holds. {seen.remedy(_READS if seen.selected[READ] else _OUT_OF_SELECT)}",
        )
    if _can_be_written(seat) and not seen.takes[WRITE] and seat.rom() is None:  # a ROM's is tied off on purpose
        yield (
            "write-strobe-missing",
            f"{write} is never true {WORDS[WRITE]}{_unselected(seen, WRITE)}: what the CPU writes is lost. "
            + seen.remedy(_WRITES if seen.selected[WRITE] else _OUT_OF_SELECT),
        )


def _unselected(seen: _Seen, state: State) -> str:
    return "" if seen.selected[state] else ", nor is the card selected then"


def _strobes(seat: Seat) -> tuple[str, str]:
    return f"the read strobe {seat.output_enable.text!r}", f"the write strobe {seat.write_enable.text!r}"


# while PHI2 is low ----------------------------------------------------------------------------------------------------


def _while_phi2_is_low(seat: Seat, seen: _Seen) -> Iterator[tuple[str, str]]:
    """Rule and text of strobes that are true before the address is settled, or before the CPU drives."""
    read, write = _strobes(seat)
    early = [state for state in (READ_LOW, WRITE_LOW) if seen.takes[state]]
    told = []
    if early:
        told.append(
            f"{write} is {_also(seen.takes)}true while PHI2 is low ({_said(early)}), when address and data are not "
            "valid yet: it writes to whatever address passes by."
        )
    early = [state for state in (READ_LOW, WRITE_LOW) if seen.drives[state]]
    if early and any(register.read_effect for register in seat.registers):
        told.append(
            f"{read} is {_also(seen.drives)}true while PHI2 is low ({_said(early)}), when the address is not valid "
            "yet, and a read of the card has effects."
        )
    elif seen.drives[WRITE_LOW] and not seen.drives[WRITE]:
        yield (
            "read-strobe-in-write",
            f"{read} is true in the first half of write cycles ({WORDS[WRITE_LOW]}): the card lets go of the data "
            f"lines only when the CPU drives them already. {seen.remedy('Put RW into it.')}",
        )
    if told:
        it = "it" if len(told) == 1 else "both"
        yield "strobe-without-phi2", f"{' And '.join(told)} {seen.remedy(f'Gate {it} with PHI2.')}"


def _also(strobe: dict[State, int]) -> str:
    return "also " if strobe[READ] or strobe[WRITE] else ""


def _said(states: list[State]) -> str:
    return "; ".join(WORDS[state] for state in states)


# selects --------------------------------------------------------------------------------------------------------------


def _select(seat: Seat, seen: _Seen) -> Iterator[tuple[str, str]]:
    """A select that comes with PHI2 to a part that wants it before: set-up times stand with the rule."""
    if seat.own_phi2 and seen.late:
        yield (
            "select-gated-with-phi2",
            "its select is true with PHI2 high and false with PHI2 low, and the part has a PHI2 pin of its own: it "
            "wants select and address before PHI2 rises. Registers are read and written wrong, or not at all; the run "
            f"shows a part that was selected in time. {seen.remedy('Take PHI2 out of the select.')}",
        )
