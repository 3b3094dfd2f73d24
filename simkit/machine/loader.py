"""Puts programs into RAM when the power comes on, and says where the CPU begins after RESET."""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.seat import Seat
from simkit.contract.errors import Errors, SimkitError
from simkit.machinefile.programs import Program, is_address, parse_address
from simkit.rom.images import MAX_FILE_BYTES, read_segments
from simkit.rom.labels import Labels

Area = tuple[int, int, int]
"""Memory of a card that a program was put into: slot, first offset, offset after the last."""


def with_pieces(programs: Sequence[Program]) -> tuple[Program, ...]:
    """Programs with their bytes: read now, those that were read before as they were.

    Raises:
        SimkitError: one cannot be read; SeveralErrors for several.
    """
    errors = Errors()
    found = []
    for program in programs:
        try:
            found.append(program if program.pieces is not None else attrs.evolve(program, pieces=_pieces(program)))
        except SimkitError as error:
            errors.add(_located(program, error))
    errors.raise_any()
    return tuple(found)


def _pieces(program: Program) -> tuple[tuple[int, bytes], ...]:
    if program.is_hex:
        if program.at is not None:
            raise SimkitError("A hex file says its addresses itself.", remedy="Leave the address (at) out.")
        pieces = tuple(read_segments(program.path, what="program"))
        beyond = [address for address, data in pieces if address + len(data) > 0x10000]
        if beyond:
            raise SimkitError(f"The file holds bytes for ${beyond[0]:X} and on, beyond $FFFF.", remedy="Link it lower.")
        return pieces
    from simkit.files.bounded import read_bounded

    try:
        data = read_bounded(program.path, MAX_FILE_BYTES, "program")
    except FileNotFoundError as error:
        message = f"There is no program {program.path}."
        raise SimkitError(message, remedy="Correct the path or build the program.") from error
    if not data:
        raise SimkitError(f"The program {program.path} is empty.", remedy="Build it again.")
    start = program.at or 0
    if not program.by_offset and start + len(data) > 0x10000:
        message = f"The program {program.path} has {len(data)} bytes, too many from ${start:04X} on."
        raise SimkitError(message, remedy="Load it lower, or build a smaller one.")
    return ((start, data),)


def _located(program: Program, error: SimkitError) -> SimkitError:
    where = f"slot {program.slot}, image" if program.slot is not None else program.place.file
    own = f" ({error.file}{f':{error.line}' if error.line else ''})" if error.file is not None else ""
    file, line = (program.place.file, program.place.line) if program.slot is not None else (None, None)
    told = type(error) if type(error).__init__ is SimkitError.__init__ else SimkitError
    return told(f"{where}: {error.message}{own}", file=file, line=line, slot=program.slot, remedy=error.remedy)


def load_programs(bus: Bus, programs: Sequence[Program]) -> list[Area]:
    """Put programs into the memory that answers at their addresses; gives what was filled.

    Raises:
        SimkitError: no RAM is there, or another card than the program is meant for; SeveralErrors for several.
    """
    errors = Errors()
    areas: list[Area] = []
    for program in programs:
        try:
            for start, data in program.pieces or ():
                areas += _by_offset(bus, program, data) if program.by_offset else _at(bus, program, start, data)
        except SimkitError as error:
            errors.add(_located(program, error))
    errors.raise_any()
    for slot, start, end in areas:
        bus.memory_changed(slot, start, end)
    return areas


def _is_ram(seat: Seat) -> bool:
    return seat.plain is not None and seat.plain.read is not None and seat.plain.write is not None


def _by_offset(bus: Bus, program: Program, data: bytes) -> list[Area]:
    seat = next((seat for seat in bus.seats if seat.slot == program.slot), None)
    memory = seat.plain.read if seat is not None and seat.plain is not None and _is_ram(seat) else None
    if seat is None or memory is None:
        raise SimkitError("the card takes no image.", remedy="Leave it out, or name the slot of a RAM or ROM.")
    if len(data) > len(memory):
        message = f"The program {program.path} has {len(data)} bytes, the memory {len(memory)}."
        raise SimkitError(message, remedy="Fit a larger memory (setting size), or build a smaller program.")
    memory[: len(data)] = data if seat.takes_data is None else data.translate(seat.takes_data)
    return [(seat.slot, 0, len(data))]


def _at(bus: Bus, program: Program, start: int, data: bytes) -> list[Area]:
    areas: list[Area] = []
    for number, byte in enumerate(data):
        address = start + number
        answering = bus.where(address)
        seat, offset = answering[0] if answering else (None, 0)
        if seat is None or not _is_ram(seat) or program.slot not in (None, seat.slot):
            what = "no card answers there" if seat is None else f"there is {seat.name}"
            wanted = "RAM" if program.slot is None else "the memory of this card"
            raise SimkitError(
                f"${address:04X} is not in {wanted}: {what}.",
                remedy="Load it where RAM is; a ROM takes its image in the machine file, or with --image.",
            )
        assert seat.plain is not None
        assert seat.plain.read is not None
        seat.plain.read[offset] = byte if seat.takes_data is None else seat.takes_data[byte]
        if areas and areas[-1][0] == seat.slot and areas[-1][2] == offset:
            areas[-1] = (seat.slot, areas[-1][1], offset + 1)
        else:
            areas.append((seat.slot, offset, offset + 1))
    return areas


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


def notes_of(bus: Bus, programs: Sequence[Program], start: int | None, labels: Labels) -> list[str]:
    """What is to be told of the programs, of where the CPU begins, and of memories smaller than what selects them."""
    notes = []
    for program in programs:
        for address, data in program.pieces or ():
            if program.by_offset:
                where = f"slot {program.slot}, offset ${address:04X} to ${address + len(data) - 1:04X}"
            else:
                where = f"${address:04X} to ${address + len(data) - 1:04X}"
            notes.append(f"Loaded: {program.path}, {len(data)} bytes at {where}.")
    if start is not None:
        name = labels.name_at(start)
        where = f"${start:04X}{f' ({name})' if name else ''}"
        notes.append(
            f"Start: after each RESET the CPU goes on at {where}, as if a loader had jumped there; the vector at $FFFC "
            "is fetched and not followed."
        )
    return notes + [note for seat, table, _ in bus.drive_tables() if (note := _repeats(seat, table)) is not None]


def _repeats(seat: Seat, table: int) -> str | None:
    """A memory that is smaller than its select is seen several times."""
    if seat.plain is None or seat.plain.read is None or seat.wires:
        return None
    size, answered = len(seat.plain.read), table.bit_count()
    if answered <= size:
        return None
    return (
        f"{seat.name}: {size} bytes of memory answer at {answered} addresses, so the same bytes are seen "
        f"{'again' if answered < 2 * size else f'{answered // size} times'}; a setting size that fits, or a narrower "
        "select, ends that."
    )
