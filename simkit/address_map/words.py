"""A map in words: each area, register, vector and line as a line of text, for the terminal and for Markdown."""

from __future__ import annotations

from collections.abc import Mapping

from simkit.address_map.areas import Answer, Area, Coarse, Use, coarser
from simkit.address_map.whole import AddressMap, PulledLine, Vector
from simkit.backplane.areas import area, areas, first_of, whole
from simkit.backplane.covers import pattern_of
from simkit.backplane.seat import Seat
from simkit.logic.wired.told import lines as decoder_lines
from simkit.machine.registers import Placed

NOBODY = "nobody"
MOST_AREAS = 100
"""Areas that are told one by one; small ones are told together where there are more."""
MOST_LEVELS = 32
"""Rows for the combinations of banks of one area."""


def head(found: AddressMap) -> str:
    """What machine it is."""
    description = found.machine.description
    cards = len(description.cards)
    about = f": {description.about}" if description.about else ""
    count = f"{cards} card{'s' if cards != 1 else ''}"
    return f"{description.name}, {description.cpu} at {description.clock_text}, {count}{about}"


def card_name(found: AddressMap, slot: int) -> str:
    """How a card is called: slot, kind, and what its builder calls it."""
    card = found.cards[slot]
    return f"slot {slot} {card.kind}{f' ({card.name})' if card.name else ''}"


def use_text(found: AddressMap, use: Use, first: int, last: int) -> str:
    """Who answers in an area."""
    reads = {one.slot: one for one in use.reads if _gives(found.seats[one.slot])}
    writes = {one.slot: one for one in use.writes if _takes(found.seats[one.slot])}
    if not reads and not writes:
        silent = [card_name(found, one.slot) for one in use.reads]
        return f"{', '.join(silent)}, which gives nothing" if silent else NOBODY
    parts = []
    for slot in sorted({*reads, *writes}):
        answer = reads.get(slot) or writes[slot]
        parts.append(
            f"{card_name(found, slot)}{_access(slot in reads, slot in writes, found, slot)}"
            f"{_bytes_text(found, answer, first, last)}"
        )
    if use.overlaps and len(reads) > 1:
        return f"OVERLAP, both drive a read: {' and '.join(parts)}"
    return "; ".join(parts)


def _gives(seat: Seat) -> bool:
    """Whether a read of it finds anything: a write-only latch is selected and drives no line."""
    return not seat.driven or any(seat.driven.values()) or seat.plain is not None


def _takes(seat: Seat) -> bool:
    return seat.plain is None or seat.plain.write is not None or not seat.plain.ignores_writes


def _access(reads: bool, writes: bool, found: AddressMap, slot: int) -> str:
    if reads and writes:
        return ""
    plain = found.seats[slot].plain
    if reads:
        return "" if plain is not None and plain.ignores_writes else ", reads only"
    return ", writes only"


def _bytes_text(found: AddressMap, answer: Answer, first: int, last: int) -> str:
    if not answer.size:
        return _registers_text(found, answer, first, last)
    if not answer.straight:
        return ": memory, address lines exchanged or open"
    length = last - first + 1
    if answer.images > 1:
        return f": the same {_size(answer.size)} {answer.images} times"
    begin = answer.offset
    return f": bytes ${begin:04X}-${begin + length - 1:04X} of it"


def _registers_text(found: AddressMap, answer: Answer, first: int, last: int) -> str:
    inside = whole(first, last)
    there = [one for one in found.registers_of(answer.slot) if one.answers & inside]
    if not there:
        return ""
    count = len(there)
    covered = 0
    for one in there:
        covered |= one.answers & inside
    most = max((one.answers & inside).bit_count() for one in there)
    repeated = f", each at {most} addresses" if most > 1 else ""
    holes = (inside & ~covered).bit_count()
    empty = f", no register at {holes} of {last - first + 1}" if holes else ""
    return f": {count} register{'s' if count > 1 else ''}{repeated}{empty}"


def _size(count: int) -> str:
    return f"{count // 1024} KiB" if count % 1024 == 0 and count else f"{count} bytes"


def hole_text(found: AddressMap, first: int) -> str:
    """What a read finds where nobody answers."""
    if found.open_bus == "last":
        return f"a read finds the byte before it on the bus (LDA ${first:04X}: ${first >> 8:02X}), a write is lost"
    value = "$FF" if found.open_bus == "pull-up" else "$00"
    return f"a read finds {value} ({found.open_bus} resistors), a write is lost"


def area_rows(found: AddressMap, one: Area) -> list[tuple[str, str]]:
    """(addresses, who answers) of an area; of a banked one a row more for each combination."""
    where = area(one.first, one.last)
    if one.only is not None:
        text = use_text(found, one.only, one.first, one.last)
        return [(where, f"{text}: {hole_text(found, one.first)}" if text == NOBODY else text)]
    rows = [(where, f"by {' '.join(one.lines)}:")]
    for number, (levels, use) in enumerate(one.uses.items()):
        if number == MOST_LEVELS:
            rows.append(("", f"and {len(one.uses) - number} combinations more (--json has them)"))
            break
        digits = " ".join("1" if level else "0" for level in levels)
        rows.append((f"  {digits}", use_text(found, use, one.first, one.last)))
    return rows


def coarse_text(found: AddressMap, one: Coarse) -> str:
    """Who answers in addresses that are used in small pieces."""
    cards = " and ".join(card_name(found, slot) for slot in one.slots)
    holes = "; in some nobody" if one.has_holes else ""
    return f"{cards or NOBODY}, in {one.pieces} small areas by turns{holes}"


def told_rows(found: AddressMap) -> list[tuple[str, str]]:
    """(addresses, who answers) of all areas."""
    rows = []
    for one in coarser(found.areas, MOST_AREAS):
        if isinstance(one, Coarse):
            rows.append((area(one.first, one.last), coarse_text(found, one)))
        else:
            rows += area_rows(found, one)
    return rows


def bits_text(placed: Placed, lines: Mapping[str, str]) -> str:
    """The named bits of a register as the CPU sees them, bit 7 first; of a port's pins the lines as well.

    Args:
        placed: the register.
        lines: of its card, by pin.
    """
    told = []
    for bit in sorted(placed.bits, key=lambda one: -one.seen):
        numbers = [str(number) for number in reversed(range(8)) if bit.seen >> number & 1]
        where = "+".join(numbers) if numbers else "open"
        line = lines.get(bit.name) if placed.register.is_port else None
        told.append(f"{where} {'not ' if bit.inverted else ''}{bit.name}{f' ({line})' if line else ''}")
    return ", ".join(told)


def address_text(placed: Placed) -> str:
    """The lowest address of a register, and where else it answers."""
    first = first_of(placed.answers)
    return "nowhere" if first is None else f"${first:04X}"


def mirrors_text(placed: Placed) -> str:
    """At which addresses a register answers besides the lowest, "" for none."""
    count = placed.answers.bit_count()
    if count < 2:
        return ""
    pattern = pattern_of(placed.answers)
    return f"at {count} addresses: {pattern}" if pattern else f"at {count} addresses: {areas(placed.answers)}"


def access_text(placed: Placed) -> str:
    """What accesses reach a register: reads, writes or both, as far as the decoding lets them."""
    reads, writes = bool(placed.reads), bool(placed.writes)
    text = "read, write" if reads and writes else "read" if reads else "write" if writes else "not reached"
    wanted = placed.register.access
    missing = [
        word for letter, word, has in (("r", "read", reads), ("w", "write", writes)) if letter in wanted and not has
    ]
    return f"{text} (no {' or '.join(missing)} reaches it)" if missing and (reads or writes) else text


def vector_text(found: AddressMap, one: Vector) -> str:
    """Where a vector leads."""
    if one.target is None:
        return f"{one.name:<5}  ${one.at:04X}  no card gives it"
    label = f" {one.label}" if one.label else ""
    lands = ", ".join(card_name(found, slot) for slot in one.target_slots) or "where no card answers"
    return f"{one.name:<5}  ${one.at:04X}  to ${one.target:04X}{label}, {lands}"


def line_text(found: AddressMap, one: PulledLine) -> str:
    """Who drives a line, and who hears it."""
    told = [f"slot {slot} {pin} ({drive})" for slot, pin, drive in one.drivers]
    told += [f"a decoder on the backplane: high when {one.decoder}"] if one.decoder else []
    drivers = ", ".join(told) or NOBODY
    hears = [*(["the CPU"] if one.heard_by_cpu else []), *(["the decoding"] if one.in_decoding else [])]
    hears += [f"slot {slot} {pin}" for slot, pin in one.listeners]
    pull = f"; resistor pulls {one.pull}" if one.pull == "down" else "; no resistor" if one.pull == "none" else ""
    return f"driven by {drivers}; heard by {', '.join(hears) or NOBODY}{pull}"


def map_lines(found: AddressMap) -> list[str]:
    """The whole map for a terminal."""
    lines = [head(found), "", "Addresses"]
    rows = told_rows(found)
    width = max(len(where) for where, _ in rows)
    lines += [f"  {where:<{width}}  {text}" for where, text in rows]
    if found.many_banks:
        lines.append(f"  With {', '.join(found.many_banks)} as they are: too many lines to tell every combination.")
    backplane = found.machine.description.decode
    if backplane is not None:
        lines += ["", "Decoder on the backplane", *(f"  {line}" for line in decoder_lines(backplane))]
    for slot, card in found.cards.items():
        registers = found.registers_of(slot)
        if card.decode is not None:
            lines += ["", f"Decoder of {card_name(found, slot)}"]
            lines += [f"  {line}" for line in decoder_lines(card.decode)]
        if not registers or not found.answers_of(slot):
            continue
        lines += ["", f"Registers of {card_name(found, slot)}, select {' or '.join(card.select)}"]
        lines += [line for one in registers for line in _register_lines(one, card.lines)]
    lines += ["", "Vectors", *(f"  {vector_text(found, one)}" for one in found.vectors)]
    width = max(len(one.name) for one in found.lines)
    lines += ["", "Lines", *(f"  {one.name:<{width}}  {line_text(found, one)}" for one in found.lines)]
    return lines


def _register_lines(one: Placed, pins: Mapping[str, str]) -> list[str]:
    told = [bits_text(one, pins), one.register.help, mirrors_text(one)]
    shown = "; ".join(text for text in told if text)
    lines = [f"  {address_text(one):<7} {access_text(one):<11} {one.register.name}{f': {shown}' if shown else ''}"]
    effects = (("read", one.register.read_effect), ("write", one.register.write_effect))
    return lines + [f"{'':<22}a {side} {effect}" for side, effect in effects if effect]
