"""What is in a machine when it is switched on, as a recording holds it: images, programs in RAM, where it starts."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.shapes import FLAG, WORD, Shape, StateError, optional, record, whole, wrong
from simkit.machine.machine import Machine
from simkit.machinefile.description import Description
from simkit.machinefile.programs import Program
from simkit.machinefile.tomlplaces import Place

MAX_IMAGES = 200
MAX_PROGRAMS = 200
MAX_PIECES = 0x10000
"""Of a program: a piece for each byte."""


def _bytes(value: Any) -> bytes:
    try:
        return binascii.a2b_base64(_ascii(value), strict_mode=True)
    except ValueError as error:
        raise StateError("", "is not base64") from error


def _ascii(value: Any) -> bytes:
    if not (isinstance(value, str) and value.isascii()):
        raise StateError("", "is not base64")
    return value.encode()


def _images(value: Any) -> dict[int, bytes]:
    if not isinstance(value, dict) or len(value) > MAX_IMAGES:
        raise wrong(value, "not a table of images")
    found: dict[int, bytes] = {}
    for name, image in value.items():
        if not (name.isascii() and name.isdecimal() and len(name) <= 4 and str(int(name)) == name):
            raise StateError(name[:40], "is not the number of a slot")
        found[int(name)] = BYTES.take(image)
    return found


def _programs(value: Any) -> tuple[Program, ...]:
    if not isinstance(value, list) or len(value) > MAX_PROGRAMS:
        raise wrong(value, "not a list of programs")
    return tuple(_program(_PROGRAM.take(one)) for one in value)


def _program(found: Mapping[str, Any]) -> Program:
    slot, pieces = found["slot"], found["pieces"]
    if found["by_offset"] and (slot is None or len(pieces) != 1 or pieces[0][0]):
        raise StateError("by_offset", "is true of a program that does not begin with a card's memory")
    path, place = Path("a program of the recording"), Place("the recording")
    return Program(path, at=None if found["by_offset"] else pieces[0][0], slot=slot, place=place, pieces=pieces)


def _pieces(value: Any) -> tuple[tuple[int, bytes], ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= MAX_PIECES:
        raise wrong(value, "not the pieces of a program")
    found = []
    for piece in value:
        if not (isinstance(piece, list) and len(piece) == 2):
            raise wrong(piece, "not a piece of a program: [address, bytes]")
        address, data = WORD.take(piece[0]), BYTES.take(piece[1])
        if not data or address + len(data) > 0x10000:
            raise StateError("", f"holds {len(data)} bytes for ${address:04X}")
        found.append((address, data))
    return tuple(found)


def _program_data(program: Program) -> dict[str, Any]:
    pieces = [[address, BYTES.data(data)] for address, data in program.pieces or ()]
    return {"slot": program.slot, "by_offset": program.by_offset, "pieces": pieces}


BYTES = Shape(_bytes, lambda data: base64.b64encode(data).decode("ascii"))
IMAGES = Shape(_images, lambda images: {str(slot): BYTES.data(image) for slot, image in images.items()})
_PROGRAM = record(slot=optional(whole(0, 9999)), by_offset=FLAG, pieces=Shape(_pieces))
PROGRAMS = Shape(_programs, lambda programs: [_program_data(program) for program in programs])


def contents(machine: Machine) -> dict[str, Any]:
    """What is in a machine, as fields of an entry."""
    return {"images": machine.images(), "programs": machine.description.programs, "start": machine.cpu.start}


def with_programs(description: Description, fields: Mapping[str, Any]) -> Description:
    """A description with the programs and the start that an entry tells; as it was where it tells none."""
    if fields["programs"] is None:
        return description
    start = None if fields["start"] is None else f"${fields['start']:04X}"
    return attrs.evolve(description, programs=fields["programs"], start=start)
