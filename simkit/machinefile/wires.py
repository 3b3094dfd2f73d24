"""Wiring of a machine file: keys and sentences read into entries, and each of them held against the board."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import Any

from simkit.backplane.board import Board
from simkit.backplane.cpu_pins import NAMES as CPU_PINS
from simkit.backplane.select import expression
from simkit.backplane.sentences import of_different_kinds, read_sentence
from simkit.backplane.wiring import (
    CPU,
    CPU_LINES,
    CPU_PIN_LINES,
    DATA_LINES,
    GROUND,
    MAX_ENTRIES,
    OUTPUTS,
    SUPPLY,
    Done,
    Entry,
    Wiring,
    fixed,
    is_cpu_line,
    of_pins,
    plain,
)
from simkit.contract.errors import SimkitError, near
from simkit.contract.lines import SYSTEM_LINES, Drive
from simkit.machinefile.strobe_pins import strobe_pins

LINE_NAME = re.compile(r"[A-Z][A-Z0-9_]{0,31}")
_CPU_OUTPUT = re.compile(r"A1?[0-9]|D[0-7]|RW|PHI2|SYNC")
_PULLS = {"up": Done.PULLED_UP, "down": Done.PULLED_DOWN, "none": Done.NOT_PULLED}

Fail = Callable[[str, str, str], None]
"""Told what is wrong: (field, message, remedy)."""


def of_wires(wires: Mapping[str, str], slot: int, board: Board, fail: Fail) -> Wiring:
    """What `wires` says of address and data pins."""
    addresses = {f"A{n}" for n in range(board.address_pins)}
    good: dict[str, str] = {}
    for pin, value in wires.items():
        source = plain(value)
        if pin not in addresses and pin not in DATA_LINES:
            fail(f"wires.{pin}", f"the card has no pin {pin!r}.", near(pin, addresses | set(DATA_LINES)))
        elif fixed(source) is not None:
            if source == value:
                good[pin] = value
            else:
                fail(f"wires.{pin}", f"{value!r} is not a line.", 'Write "GND", "VCC" or "open".')
        elif pin in DATA_LINES and source not in DATA_LINES:
            remedy = 'Write D0 to D7, "not D3", "GND", "VCC" or "open".'
            fail(f"wires.{pin}", f"{value!r} is not a data line.", remedy)
        elif pin not in DATA_LINES and not LINE_NAME.fullmatch(source):
            remedy = 'Write A0 to A15, a line, "not" before one, "GND", "VCC" or "open".'
            fail(f"wires.{pin}", f"{value!r} is not a line.", remedy)
        elif pin not in DATA_LINES and source in DATA_LINES:
            fail(f"wires.{pin}", f"{value!r} is a data line.", "Address pins are joined to address lines or to others.")
        elif re.fullmatch(r"A\d+", source) and int(source[1:]) > 15:
            fail(f"wires.{pin}", f"the bus has no line {source}.", "Write A0 to A15.")
        else:
            good[pin] = value
    sources = [plain(wires.get(name, name)) for name in DATA_LINES]
    for pin in wires:
        if pin in DATA_LINES and fixed(wires[pin]) is None and sources.count(plain(wires[pin])) > 1:
            remedy = "Name both sides of an exchange."
            fail(f"wires.{pin}", f"two data pins share {plain(wires[pin])}.", remedy)
            break  # the others follow from it
    return of_pins(good, slot)


def of_lines(lines: Mapping[str, str], slot: int, board: Board, fail: Fail) -> Wiring:
    """What `lines` says of the pins that a card brings out."""
    pins = {pin.name: pin.drive is Drive.INPUT for pin in board.pins}
    found = Wiring()
    for pin, value in lines.items():
        line = plain(value)
        if pin not in pins:
            fail(f"lines.{pin}", f"the card has no pin {pin!r}.", near(pin, pins) or "It brings out no pins.")
            continue
        problem = _no_line_of_a_card(line, listens=pins[pin]) if fixed(line) is None or line != value else None
        if problem is None and fixed(line) is None:
            problem = _of_a_cable(Entry(Done.JOINED, pin, line), {one.name for one in board.pins if one.cable})
        if problem is not None:
            fail(f"lines.{pin}", *problem)
            continue
        found += of_pins({pin: line}, slot)
        if line != value:
            found += Wiring((Entry(Done.INVERTED, pin, "", slot, at_pin=True),))
    return found


def _of_a_cable(entry: Entry, cable: Collection[str]) -> tuple[str, str] | None:
    """Why that cannot be done to pins that the board leads to a connector, and what to do; None when it can."""
    if entry.name not in cable and entry.other not in cable:
        return None
    both = entry.name in cable and entry.other in cable
    if entry.done in (Done.OPEN, Done.LOW, Done.HIGH) or (entry.done is Done.EXCHANGED and both):
        return None
    pins, meant = ", ".join(sorted(cable)), ", ".join(sorted({entry.name, entry.other} & set(cable)))
    return (
        f"the board leads {meant} to a connector or a part of its own.",
        f"Such a pin is open, low, high, or exchanged with another one: {pins}.",
    )


def _no_line_of_a_card(line: str, *, listens: bool) -> tuple[str, str] | None:
    """Why a card's pin cannot be joined to a line, and what to do; None when it can."""
    names = ", ".join(SYSTEM_LINES)
    if _CPU_OUTPUT.fullmatch(line) and not (line == "SYNC" and listens):
        remedy = f"Write {names} or a name of your own in capitals; `wires` moves address pins."
        return f"{line} is an output of the CPU; a card's pin cannot be joined to it.", remedy
    if not LINE_NAME.fullmatch(line) or fixed(line) is not None:
        remedy = f"Write {names} or a name of your own in capitals, e.g. VIDEO_INT."
        return f"{line!r} is not the name of a line.", remedy
    return None


def of_sentences(value: Any, slot: int | None, fail: Callable[[int | None, str, str], None]) -> list[tuple[int, Entry]]:
    """What a list of sentences says, each with its number; what is wrong is told with the number of the sentence."""
    if not isinstance(value, list | tuple):
        fail(None, f"{value!r:.80} is no list of sentences.", 'Write e.g. wiring = ["D3 stuck low"].')
        return []
    if len(value) > MAX_ENTRIES:
        fail(None, f"{len(value)} sentences; {MAX_ENTRIES} are allowed.", "Shorten it.")
        return []
    found: list[tuple[int, Entry]] = []
    for number, text in enumerate(value):
        if not isinstance(text, str):
            fail(number, f"{text!r:.80} is no sentence.", 'Write e.g. "D3 stuck low", in quotes.')
            continue
        try:
            found.append((number, read_sentence(text, slot)))
        except SimkitError as error:
            fail(number, error.message, error.remedy or "")
    return found


def of_pulls(value: Any, fail: Callable[[str, str, str], None]) -> list[Entry]:
    """What the table of resistors says."""
    if not isinstance(value, dict):
        fail("", f"{value!r:.80} is no table.", 'Write e.g. [backplane.pulls] and D7 = "up".')
        return []
    found: list[Entry] = []
    for name, pull in value.items():
        if not isinstance(pull, str) or pull not in _PULLS:
            fail(name, f"{pull!r:.40} is no way to pull a line.", f"Write one of {', '.join(_PULLS)}.")
        elif not LINE_NAME.fullmatch(name) or (re.fullmatch(r"[AD]\d+", name) and name not in CPU_LINES):
            fail(name, f"{name!r:.40} is no line.", "Write A0 to A15, D0 to D7, IRQ, or a line of a card.")
        else:
            found.append(Entry(_PULLS[pull], name))
    return found


def of_signals(value: Any, fail: Callable[[str, str, str], None]) -> list[Entry]:
    """What the table of lines that decoders drive says."""
    if not isinstance(value, dict):
        fail("", f"{value!r:.80} is no table.", 'Write e.g. [backplane.signals] and IOSEL = "A15 and not A14".')
        return []
    found: list[Entry] = []
    for name, text in value.items():
        taken = name in (*CPU_LINES, *SYSTEM_LINES, *CPU_PIN_LINES) or re.fullmatch(r"[AD]\d+", name)
        if not LINE_NAME.fullmatch(name) or fixed(name) is not None or name in ("ALWAYS", "NEVER", "AND", "OR", "NOT"):
            fail(name, f"{name!r:.40} is not the name of a line.", "Write a name of your own in capitals, e.g. IOSEL.")
        elif taken:
            fail(name, f"{name} is not a decoder's to drive.", "Write a name of your own in capitals, e.g. IOSEL.")
        elif not isinstance(text, str):
            fail(name, f"{text!r:.40} is not an expression.", 'Write e.g. IOSEL = "A15 and not A14".')
        else:
            try:
                expression(text)
            except SimkitError as error:
                fail(name, error.message, error.remedy or "")
            else:
                found.append(Entry(Done.DRIVEN, name, text))
    return found


def wrong_signals(wiring: Wiring, wirings: Sequence[Wiring]) -> list[tuple[Entry, str, str]]:
    """Entries by which a decoder's line cannot be, each with message and remedy.

    Args:
        wiring: of the backplane.
        wirings: of the cards.
    """
    signals = wiring.signals()
    found: list[tuple[Entry, str, str]] = []
    remedy = "A decoder has no memory: take it out of the loop."
    found += [
        (entry, f"{entry.name} feeds itself.", remedy)
        for entry in wiring.only(Done.DRIVEN)
        if wiring.feeds_itself(entry.name)
    ]
    for card in wirings:
        for entry in card.pin_entries():
            joined = entry.done is Done.JOINED and not is_cpu_line(entry.name)
            if joined and entry.other in signals:
                remedy = "Selects, strobes and address pins hear it; a card's other pins hear lines of cards."
                found.append((entry, f"{entry.other} is a decoder's, and moves within each cycle.", remedy))
    return found


def misfit(entry: Entry, board: Board, names: Iterable[str] = ()) -> tuple[str, str] | None:
    """Why an entry of a slot cannot be of the card that stands there, and what to do; None when it can.

    What a sentence alone can tell has been told.

    Args:
        entry: in the names of the board.
        board: of the card.
        names: that its data sheet has for pins.
    """
    if not entry.name or not entry.at_pin or entry.name in (*GROUND, *SUPPLY):
        return None
    addresses = {f"A{n}" for n in range(board.address_pins)}
    pins = {pin.name: pin.drive is Drive.INPUT for pin in board.pins}
    known = {*addresses, *DATA_LINES, *pins}
    said = [entry.name]
    two = entry.done in (Done.SHORTED, Done.EXCHANGED) or entry.is_row
    if two and entry.other and not entry.shorted_to_rail:
        said.append(entry.other)
    for name in said:
        if name in known:
            continue
        if re.fullmatch(r"(CS|CE|S|E|G|EN)\d?[A-C]?", name):
            selects = ", ".join(board.chip_selects)
            remedy = f'Its chip selects: {selects}; a decoder\'s output may be "IOSEL driven by A15 and not A14".'
            return f"the kit does not know a pin {name!r} of the card.", remedy
        return f"the card has no pin {name!r}.", near(name, {*known, *names, *strobe_pins(board)})
    if entry.done in (Done.SHORTED, Done.EXCHANGED) and (why := of_different_kinds(entry)) is not None:
        return f"{why[0]}.", why[1]
    if (why := _of_a_cable(entry, {pin.name for pin in board.pins if pin.cable})) is not None:
        return why
    if entry.done in OUTPUTS:
        drives = {pin.name: pin.drive for pin in board.pins}[entry.name]
        if drives not in (Drive.OPEN_DRAIN, Drive.PUSH_PULL):
            outputs = ", ".join(pin.name for pin in board.pins if pin.drive in (Drive.OPEN_DRAIN, Drive.PUSH_PULL))
            return f"{entry.name} is no output that is always one ({drives.value}).", f"Such are: {outputs or 'none'}."
    if entry.done is Done.DRIVEN and entry.name not in addresses:
        remedy = f"Chip selects, strobes and address pins hear an expression: {', '.join(strobe_pins(board))}, A0."
        return f"{entry.name} is joined to one line.", remedy
    if entry.done is Done.JOINED and entry.name in pins:
        if entry.other.startswith("not "):
            return (
                f'"not {plain(entry.other)}" is for address, data and select pins.',
                f'Write "{entry.name} inverted".',
            )
        return _no_line_of_a_card(entry.other, listens=pins[entry.name])
    return None


def unknown_lines(entries: Iterable[Entry], lines: Collection[str]) -> list[tuple[Entry, str, str]]:
    """Entries of the backplane and of the CPU that name what is not there, each with message and remedy.

    Args:
        entries: what is done without a slot.
        lines: that cards join or decode.
    """
    found: list[tuple[Entry, str, str]] = []
    entries = list(entries)
    signals = Wiring(tuple(entries)).signals()
    known = [*CPU_LINES, *SYSTEM_LINES, *sorted({*lines, *signals})]
    for entry in entries:
        if entry.done is Done.DRIVEN:
            continue  # by lines, of which those that nobody drives are told at power-on
        if (why := _nothing_to_turn(entry, signals)) is not None:
            found.append((entry, *why))
            continue
        there = [*known, *CPU_PINS] if entry.slot == CPU else known
        missing = [name for name in (entry.name, plain(entry.other)) if name and name not in there]
        missing = [name for name in missing if not (entry.slot == CPU and name.isdigit())]
        for name in missing:
            own = entry.slot is None and name in CPU_PINS
            remedy = f'It is a pin of the CPU: write "CPU: {entry}".' if own else near(name, there)
            found.append((entry, f"there is no line {name!r}.", remedy))
    return found


def _nothing_to_turn(entry: Entry, signals: Collection[str]) -> tuple[str, str] | None:
    """Why a line cannot be inverted or exchanged for all, and what to do; None when it can, or is none of cards."""
    others = [name for name in (entry.name, entry.other) if name and name not in SYSTEM_LINES]
    if entry.slot is not None or is_cpu_line(entry.name) or entry.name in CPU_PIN_LINES or not others:
        return None
    if all(name in signals for name in (entry.name, entry.other) if name):
        return None
    if entry.done is Done.INVERTED:
        what = f"{entry.name} has no end at the CPU, where it could be inverted for all cards."
        return what, "Invert the pin at a slot."
    if entry.done is Done.EXCHANGED:
        what = "only lines that the CPU listens to, and those of decoders, can be exchanged there."
        return what, "Exchange the pins at a slot."
    if entry.done is Done.SHORTED and any(name in signals for name in (entry.name, entry.other)):
        return f"{entry.name} and {entry.other} are of different kinds.", "Of a decoder's line short two."
    return None


def lines_of(wirings: Sequence[Wiring], decoded: Iterable[str]) -> set[str]:
    """Lines that cards join or decode."""
    found = {name for name in decoded if not is_cpu_line(name)}
    for wiring in wirings:
        found |= wiring.sources()
        found |= {
            entry.other for entry in wiring.pin_entries() if entry.done is Done.JOINED and not is_cpu_line(entry.name)
        }
    return found
