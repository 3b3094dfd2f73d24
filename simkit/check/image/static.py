"""Rules that need no run: the image and its part, vectors, opcodes, constants of the label list."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path

from simkit.address_map.compared import empty_place, register_addresses, register_pages, what_it_is
from simkit.address_map.constants import ADDRESS, constants_of
from simkit.address_map.meant import Meanings
from simkit.address_map.standing import CONSTANTS, LISTING, SCHEMATIC, Standing, standing
from simkit.backplane.areas import first_of
from simkit.backplane.seat import Seat
from simkit.check.image.codemap import JMP_INDIRECT, reached
from simkit.check.image.ground import code_at, runs_of_one_byte
from simkit.check.image.named import word
from simkit.check.image.stack_paths import uneven
from simkit.check.image.vector_words import UNSEEN, content_of, entries, vector_findings
from simkit.check.result.notes import Noted
from simkit.contract.errors import SimkitError
from simkit.cpu.isa.effects import effects
from simkit.cpu.isa.opcodes import OPCODES
from simkit.machine.found import who
from simkit.machine.machine import Machine
from simkit.machine.registers import placed_registers
from simkit.rom.images import HEX_SUFFIXES, read_image, read_segments
from simkit.rom.listing import Listing

PAGE_ONES = (1 << 256) - 1
"""Truth table of a whole page."""

AREA_BYTES = 256
"""Runs of one byte from this length on are called an unused area; shorter ones may be pictures or texts."""

REGISTERS_TOLD = 16
"""Of a card, where a constant is another than the machine has."""


def power_on_findings(machine: Machine) -> list[Noted]:
    """What wiring and images said before the first cycle: where one of them is wrong, much else follows from it."""
    return [Noted(found.rule, found.message, None, found.address, found.slot, UNSEEN) for found in machine.warnings]


def static_findings(machine: Machine, listing: Listing | None) -> tuple[list[Noted], list[str]]:
    """Findings without a run, and remarks (room left in the parts)."""
    compared = standing(machine)
    noted = [
        *_images(machine),
        *vector_findings(machine, listing),
        *_opcodes(machine, listing),
        *_jumps(machine, listing),
        *_ends(machine, listing),
        *_named(machine, compared),
        *_constants(machine, listing, compared),
    ]
    return noted, list(_room(machine))


def _roms(machine: Machine) -> Iterator[Seat]:
    return (seat for seat in machine.bus.seats if seat.rom() is not None)


def _images(machine: Machine) -> Iterator[Noted]:
    described = {card.slot: card for card in machine.description.cards}
    for seat in _roms(machine):
        image = described[seat.slot].image
        if image is not None and image.suffix.lower() in HEX_SUFFIXES and _in_the_socket(image, seat):
            yield from _hex_placement(machine, seat, read_segments(image))
        content = content_of(seat)
        fills = [
            (start, length, byte)
            for start, length, byte in runs_of_one_byte(content, AREA_BYTES)
            if byte not in (0xFF, 0xEA)
        ]
        if fills:
            start, length, byte = max(fills, key=lambda fill: fill[1])
            yield Noted(
                "unfilled-area",
                f"{seat.name}: {length} unused bytes from offset ${start:04X} hold ${byte:02X}, not $FF.",
                None,
                None,
                seat.slot,
                UNSEEN,
            )


def _in_the_socket(image: Path, seat: Seat) -> bool:
    """Whether the machine file's image is what the card holds: another may have been given, and this one be gone."""
    try:
        return read_image(image, len(content_of(seat))) == seat.image
    except SimkitError:
        return False


def _hex_placement(machine: Machine, seat: Seat, segments: list[tuple[int, bytes]]) -> Iterator[Noted]:
    size = len(content_of(seat))
    if all(address + len(data) <= size for address, data in segments):
        return  # written as offsets in the part
    for address, data in segments:
        here = [a for a in (address, address + len(data) - 1) if a <= 0xFFFF]
        answered = [a for a in here if any(s is seat for s, _ in machine.bus.where(a))]
        if len(answered) < 2:
            wrong = next((a for a in (address, address + len(data) - 1) if a not in answered), address)
            yield Noted(
                "image-elsewhere",
                f"{seat.name}: the hex file holds bytes for ${wrong:04X}, where the card does not answer.",
                None,
                wrong,
                seat.slot,
                UNSEEN,
            )
            return


def _opcodes(machine: Machine, listing: Listing | None) -> Iterator[Noted]:
    part = machine.description.cpu
    table = OPCODES[part]
    other = next(name for name in OPCODES if name != part)
    for address in _instructions(machine, listing):
        code = machine.peek(address)
        if not table[code].documented:
            theirs = OPCODES[other][code]
            hint = f"; on a {other} it is {theirs.mnemonic}" if theirs.documented else ""
            yield Noted(
                "opcode-missing",
                f"Opcode ${code:02X} at ${address:04X} is not one of the {part}{hint}.",
                address,
                address,
                None,
                UNSEEN,
            )


def _instructions(machine: Machine, listing: Listing | None) -> list[int]:
    """Addresses at which instructions begin, as far as they are known."""
    if listing is not None:
        return [row.address for row in listing.instructions()]
    return sorted(reached(machine, entries(machine)))


def _ends(machine: Machine, listing: Listing | None) -> Iterator[Noted]:
    """Ends with a byte forgotten on the stack; behind calls programs are followed only as a listing says they go on."""
    if machine.bus.reach.banks.lines:  # programs that share addresses cannot be followed
        return
    vectors = machine.vectors()
    known = (
        {row.address for row in listing.instructions()}
        if listing is not None
        else reached(machine, entries(machine), behind_calls=False)
    )
    code = partial(code_at, machine)
    for one in uneven(
        known, [vectors[name] for name in ("NMI", "IRQ") if name in vectors], code, effects(machine.description.cpu)
    ):
        depth = min(one.depths, key=abs)
        number = f"{abs(depth)} byte{'' if abs(depth) == 1 else 's'}"
        what = f"{number} left on the stack" if depth > 0 else f"{number} more pulled than pushed"
        kind, name = ("handler", "RTI") if one.is_handler else ("routine", "RTS")
        begin, end = (machine.place(pc).words() for pc in (one.entry, one.end))
        yield Noted(
            "stack-uneven",
            f"Whichever way is taken from the {kind} at {begin}, the {name} at {end} comes with {what}.",
            one.end,
            one.end,
            None,
            UNSEEN,
        )


def _jumps(machine: Machine, listing: Listing | None) -> Iterator[Noted]:
    """JMP through a pointer at a page's end, on the part that does not carry into its high byte."""
    if machine.description.cpu != "6502":
        return
    for address in _instructions(machine, listing):
        pointer = word(machine, address + 1)
        if machine.peek(address) == JMP_INDIRECT and pointer & 0xFF == 0xFF:
            yield Noted(
                "jump-over-page-end",
                f"JMP (${pointer:04X}) takes the high byte of its address from ${pointer & 0xFF00:04X} and not from "
                f"${pointer + 1 & 0xFFFF:04X}.",
                address,
                pointer,
                None,
                UNSEEN,
            )


_ACCESS = {"r": "read", "w": "write", "rw": "read and write"}
_RULES = {CONSTANTS: "constant-differs", SCHEMATIC: "schematic-differs", LISTING: "labels-stale"}
"""Rule by what a card names and what disagrees with the machine."""


def _named(machine: Machine, compared: Standing) -> Iterator[Noted]:
    """What cards name beside themselves: the first of each file that disagrees."""
    for file in compared.files:
        if file.differences and file.what in _RULES:
            first = file.differences[0]
            text = file.told()
            if file.what == CONSTANTS:
                text += _as_wired(machine, first.slot, with_bits=first.address is None)
            yield Noted(_RULES[file.what], text, None, first.address, first.slot, UNSEEN)


def _constants(machine: Machine, listing: Listing | None, compared: Standing) -> Iterator[Noted]:
    """Labels that are named like a card's register and stand elsewhere, and labels at holes between registers.

    Not those of a card whose constants were told already: the ROM was built with them.
    """
    told = {
        one.slot
        for file in compared.files
        for one in file.differences
        if file.what == CONSTANTS and one.address is not None
    }
    groups = constants_of(machine)
    meanings, answers = Meanings(groups, machine.description.cards), register_addresses(machine, groups)
    pages = register_pages(machine)
    named = {seat.slot for address in machine.labels.values() for seat, _ in machine.bus.where(address)}
    for name, address in machine.labels.items():
        if listing is not None and listing.row(address) is not None:
            continue  # a place in the program
        wanted = [one for one in meanings.of(name) if one.what == ADDRESS]
        if any(one.slot in told for one in wanted):
            continue
        if wanted:
            # a variable in memory, or a routine, that is called like a register of a card whose labels stand right
            in_memory = any(seat.plain is not None for seat, _ in machine.bus.where(address))
            is_other = in_memory and any(one.slot in named for one in wanted)
            if not is_other and not any(answers[one.name] >> address & 1 for one in wanted):
                yield Noted(
                    "constant-differs",
                    f"{name} = ${address:04X}, but it is ${wanted[0].value:04X} in the machine: "
                    f"{what_it_is(wanted[0])}.{_as_wired(machine, wanted[0].slot)}",
                    None,
                    address,
                    wanted[0].slot,
                    UNSEEN,
                )
        elif empty := empty_place(machine, address, pages):
            there = machine.bus.where(address)
            yield Noted(
                "constant-differs",
                f"{name} = ${address:04X}, but {empty}; this page has registers at "
                f"{_registers_of_page(answers.values(), address >> 8)}.",
                None,
                address,
                there[0][0].slot if there else None,
                UNSEEN,
            )


def _as_wired(machine: Machine, slot: int | None, *, with_bits: bool = False) -> str:
    """The registers of a card where they are, as a sentence; "" for a card without any.

    Args:
        machine: the machine.
        slot: of the card.
        with_bits: the bits as the CPU sees them, too, of registers whose bits have names.
    """
    found = []
    for one in placed_registers(machine.bus.reach.table):
        first = first_of(one.answers)
        if one.seat.slot != slot or first is None:
            continue
        bits = [f"{name} is bit {number}" for number, name in enumerate(one.names()) if name and with_bits]
        shown = [_ACCESS[one.register.access], *bits]
        found.append(f"${first:04X} {one.register.name} ({', '.join(shown)})")
    more = f" and {len(found) - REGISTERS_TOLD} more" if len(found) > REGISTERS_TOLD else ""
    return f" As wired, {who(machine, slot)} has {', '.join(found[:REGISTERS_TOLD])}{more}." if found else ""


def _registers_of_page(answers: Iterable[int], page: int) -> str:
    table = 0
    for one in answers:
        table |= one
    found = [page << 8 | low for low in range(256) if table >> (page << 8 | low) & 1]
    return ", ".join(f"${address:04X}" for address in found[:12]) + (" and more" if len(found) > 12 else "")


def _room(machine: Machine) -> Iterator[str]:
    for seat in _roms(machine):
        content = content_of(seat)
        free = sum(length for _, length, _ in runs_of_one_byte(content, AREA_BYTES))
        yield f"{seat.title}: {len(content) - free} of {len(content)} bytes used, {free} unused."
