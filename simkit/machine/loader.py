"""Puts programs into RAM when the power comes on, and says where the CPU begins after RESET."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.seat import Seat
from simkit.contract.errors import Errors, SimkitError
from simkit.machinefile.programs import Program, is_address, parse_address, parse_load
from simkit.rom.images import MAX_FILE_BYTES, is_hex, read_segments, start_said
from simkit.rom.labels import Labels

Area = tuple[int, int, int]
"""Memory of a card that a program was put into: slot, first offset, offset after the last."""

_ELF = b"\x7fELF"


def with_pieces(programs: Sequence[Program]) -> tuple[Program, ...]:
    """Programs with their bytes: read now, those that were read before as they were.

    Raises:
        SimkitError: one cannot be read; SeveralErrors for several.
    """
    errors = Errors()
    found = []
    for program in programs:
        try:
            found.append(program if program.pieces is not None else _read(program))
        except SimkitError as error:
            errors.add(_located(program, error))
    errors.raise_any()
    return tuple(found)


def _read(program: Program) -> Program:
    """A program with what its file says."""
    if program.is_hex:
        if program.at is not None:
            raise SimkitError("A hex file says its addresses itself.", remedy="Leave the address (at) out.")
        pieces = tuple(read_segments(program.path, what="program"))
        if not pieces:
            raise SimkitError(f"The program {program.path} holds no bytes.", remedy="Build it again.")
        beyond = [address for address, data in pieces if address + len(data) > 0x10000]
        if beyond:
            raise SimkitError(f"The file holds bytes for ${beyond[0]:X} and on, beyond $FFFF.", remedy="Link it lower.")
        return attrs.evolve(program, pieces=pieces, starts=start_said(program.path))
    from simkit.files.bounded import read_bounded

    try:
        data = read_bounded(program.path, MAX_FILE_BYTES, "program")
    except FileNotFoundError as error:
        message = f"There is no program {program.path}."
        raise SimkitError(message, remedy="Correct the path or build the program.") from error
    if not data:
        raise SimkitError(f"The program {program.path} is empty.", remedy="Build it again.")
    if data.startswith(_ELF):
        message = f"The program {program.path} is an ELF file: its bytes are not those that lie in memory."
        raise SimkitError(message, remedy="Have the linker or objcopy write a binary or a hex file of it.")
    if is_hex(data):
        message = f"The program {program.path} is a hex file, by what is in it."
        raise SimkitError(message, remedy=f"Name it {program.path.stem}.hex (Intel HEX) or .s19 (S-records).")
    start = program.at or 0
    if not program.by_offset and start + len(data) > 0x10000:
        message = f"The program {program.path} has {len(data)} bytes, too many from ${start:04X} on."
        raise SimkitError(message, remedy="Load it lower, or build a smaller one.")
    return attrs.evolve(program, pieces=((start, data),))


def _located(program: Program, error: SimkitError) -> SimkitError:
    where = f"slot {program.slot}, image" if program.slot is not None else program.place.file
    own = f" ({error.file}{f':{error.line}' if error.line else ''})" if error.file is not None else ""
    file, line = (program.place.file, program.place.line) if program.slot is not None else (None, None)
    told = type(error) if type(error).__init__ is SimkitError.__init__ else SimkitError
    return told(f"{where}: {error.message}{own}", file=file, line=line, slot=program.slot, remedy=error.remedy)


def load_programs(bus: Bus, programs: Sequence[Program]) -> tuple[list[Area], list[str]]:
    """Put programs into the memory that answers at their addresses; gives what was filled, and what is to be told.

    A program of the command line may lie over one of the machine file, never over another of the command line.

    Raises:
        SimkitError: no RAM is there, another card than the program is meant for, or something lies there already;
            SeveralErrors for several.
    """
    errors = Errors()
    areas: list[Area] = []
    notes: list[str] = []
    owners: dict[tuple[int, int], tuple[Program, int]] = {}
    for program in programs:
        over: Program | None = None
        try:
            for address, seat, offset, byte in _bytes_of(bus, program):
                before = owners.get((seat.slot, offset))
                if before is not None:
                    _refuse_overlap(program, address, *before)
                    over = before[0]
                owners[seat.slot, offset] = program, address
                _put(seat, offset, byte)
                if areas and areas[-1][0] == seat.slot and areas[-1][2] == offset:
                    areas[-1] = (seat.slot, areas[-1][1], offset + 1)
                else:
                    areas.append((seat.slot, offset, offset + 1))
        except SimkitError as error:
            errors.add(_located(program, error))
        if over is not None:
            notes.append(f"{program.place.file}: it lies over what the machine file puts there, {over.path}.")
    errors.raise_any()
    for slot, start, end in areas:
        bus.memory_changed(slot, start, end)
    return areas, notes


def _refuse_overlap(program: Program, address: int, other: Program, its: int) -> None:
    if other is program:
        raise SimkitError(
            f"${address:04X} is the same byte of memory as ${its:04X}: the memory is smaller than the program.",
            remedy="Fit a larger memory (setting size), or build a smaller program.",
        )
    if other.slot is None or program.slot is not None:
        raise SimkitError(
            f"${address:04X} holds a byte of {other.path} already.",
            remedy="Load one of them elsewhere, or leave it out.",
        )


def _is_ram(seat: Seat) -> bool:
    return seat.plain is not None and seat.plain.read is not None and seat.plain.write is not None


def _put(seat: Seat, offset: int, byte: int) -> None:
    assert seat.plain is not None
    assert seat.plain.read is not None
    seat.plain.read[offset] = byte if seat.takes_data is None else seat.takes_data[byte]


def _bytes_of(bus: Bus, program: Program) -> Iterator[tuple[int, Seat, int, int]]:
    """For each byte of a program its address, and the card and the offset in it that it comes to."""
    for start, data in program.pieces or ():
        if program.by_offset:
            seat = _whole_card(bus, program, len(data))
            yield from ((offset, seat, offset, byte) for offset, byte in enumerate(data))
            continue
        places = _places(bus, program, start, start + len(data))
        for (address, byte), place in zip(enumerate(data, start=start), places, strict=True):
            yield (address, *place, byte)


def _places(bus: Bus, program: Program, address: int, end: int) -> Iterator[tuple[Seat, int]]:
    """Card and offset of each address; asked once for a page that is one memory's, in order."""
    while address < end:
        seat, offset = _ram_at(bus, program, address)
        alike = min(end, (address | 0xFF) + 1) - address if bus.is_plain_page(address >> 8) else 1
        yield from ((seat, offset + further) for further in range(alike))
        address += alike


def _whole_card(bus: Bus, program: Program, size: int) -> Seat:
    seat = next((seat for seat in bus.seats if seat.slot == program.slot), None)
    if seat is None or not _is_ram(seat):
        raise SimkitError("the card takes no image.", remedy="Leave it out, or name the slot of a RAM or ROM.")
    assert seat.plain is not None
    assert seat.plain.read is not None
    if size > len(seat.plain.read):
        message = f"The program {program.path} has {size} bytes, the memory {len(seat.plain.read)}."
        raise SimkitError(message, remedy="Fit a larger memory (setting size), or build a smaller program.")
    return seat


def _ram_at(bus: Bus, program: Program, address: int) -> tuple[Seat, int]:
    answering = bus.where(address)
    for seat, offset in answering:
        if _is_ram(seat) and program.slot in (None, seat.slot):
            return seat, offset
    what = f"there is {answering[0][0].name}" if answering else "no card answers there"
    wanted = "RAM" if program.slot is None else "the memory of this card"
    raise SimkitError(
        f"${address:04X} is not in {wanted}: {what}.",
        remedy="Load it where RAM is; a ROM takes its image in the machine file, or with --image.",
    )


def given_programs(programs: Sequence[str | Path | Program]) -> list[Program]:
    """Programs as somebody writes them in Python.

    Raises:
        SimkitError: one is none.
    """
    if isinstance(programs, str | Path | Program):
        raise SimkitError(f"programs is {programs!r}.", remedy="Write a list: programs=['prog.bin@$0200'].")
    return [one if isinstance(one, Program) else parse_load(one) for one in programs]


def given_start(start: int | str | None) -> str | None:
    """A start as somebody writes it in Python.

    Raises:
        SimkitError: it is none.
    """
    if start is None or isinstance(start, str):
        return start
    if isinstance(start, bool) or not isinstance(start, int) or not 0 <= start <= 0xFFFF:
        raise SimkitError(f"start is {start!r}.", remedy="Write 0 to 0xFFFF, an address as a text, or a label.")
    return f"${start:04X}"


def start_address(text: str, labels: Labels) -> int:
    """Address at which the CPU begins: as written, or that of a label.

    Raises:
        SimkitError: neither.
    """
    if is_address(text):
        return parse_address(text)
    if text in labels:
        return labels[text]
    raise SimkitError(
        f"start: {text!r} is neither an address nor a label.",
        remedy="Write '$0200', or a label of a list that the machine file or --labels names.",
    )


def notes_of(
    bus: Bus, programs: Sequence[Program], areas: Sequence[Area], start: int | None, labels: Labels
) -> list[str]:
    """What is to be told of the programs, of where the CPU begins, and of memories smaller than what selects them."""
    notes = []
    for program in programs:
        for address, data in program.pieces or ():
            if program.by_offset:
                where = f"slot {program.slot}, offset ${address:04X} to ${address + len(data) - 1:04X}"
            else:
                where = f"${address:04X} to ${address + len(data) - 1:04X}"
            notes.append(f"Loaded: {program.path}, {len(data)} bytes at {where}.{_begins_with_address(program)}")
        if program.starts not in (None, start):
            notes.append(
                f"{program.path} says that it begins at ${program.starts:04X}; only --start, or start in the machine "
                "file, leads the CPU anywhere."
            )
    if start is not None:
        name = labels.name_at(start)
        where = f"${start:04X}{f' ({name})' if name else ''}"
        notes.append(
            f"Start: after each RESET the CPU goes on at {where}, as if a loader had jumped there; the vector at $FFFC "
            f"is fetched and not followed.{_not_there(bus, areas, start)}"
        )
    return notes + [note for seat, table, _ in bus.drive_tables() if (note := _repeats(seat, table)) is not None]


def _begins_with_address(program: Program) -> str:
    """Some assemblers write the load address in front of the program, where a raw binary has its first two bytes."""
    if program.is_hex or not program.pieces:
        return ""
    (start, data), *_ = program.pieces
    first = int.from_bytes(data[:2], "little")
    usual = program.path.suffix.lower() == ".prg" and first != start + 2  # it was loaded so that the rest lies right
    if not usual and (program.by_offset or first != start):
        return ""
    return (
        " All of its bytes are taken as they are, also a load address in its first two: have the assembler leave that "
        "out, or load it two bytes lower."
    )


def _not_there(bus: Bus, areas: Sequence[Area], start: int) -> str:
    """Nothing that was made to be executed is at the start."""
    answering = bus.where(start)
    if not answering:
        return " No card answers there."
    seat, offset = answering[0]
    if _is_ram(seat) and not any(slot == seat.slot and first <= offset < end for slot, first, end in areas):
        return f" {seat.name} is RAM, and nothing was loaded there: it holds the noise of power-on."
    return ""


def _repeats(seat: Seat, table: int) -> str | None:
    """A memory that is smaller than its select is seen several times."""
    if seat.plain is None or seat.plain.read is None or seat.crossed:
        return None
    size, answered = len(seat.plain.read), table.bit_count()
    if answered <= size:
        return None
    return (
        f"{seat.name}: {size} bytes of memory answer at {answered} addresses, so the same bytes are seen "
        f"{'again' if answered < 2 * size else f'{answered // size} times'}; a setting size that fits, or a narrower "
        "select, ends that."
    )
