"""Which parts a decoder is made of, as a machine file names them, programmed ones with their fuse maps."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError, near
from simkit.logic.fuses.devices import device_of
from simkit.logic.fuses.jedec import ChecksumError, load_fuse_map
from simkit.logic.fuses.part import programmed_part
from simkit.logic.fuses.program import Program, programmed
from simkit.logic.fuses.vectors import vectors_that_fail
from simkit.logic.parts import TYPES, part_type
from simkit.logic.parttype import PartType

_KEYS = ("part", "pins", "fuses", "fuse_checksum")


@attrs.frozen
class NamedPart:
    """A part that a table names.

    Attributes:
        name: as written.
        kind: what it is.
        program: what is in it, of a programmable part.
        fuses: where its fuse map is.
        notes: what is odd about that.
    """

    name: str
    kind: PartType
    program: Program | None = None
    fuses: Path | None = None
    notes: tuple[str, ...] = ()


def named_part(ref: str, table: dict[str, Any], path: Callable[[str], Path]) -> NamedPart:
    """The part that a table names.

    Args:
        ref: its reference.
        table: as the file has it.
        path: where a path leads that the table names.

    Raises:
        SimkitError: it is none, with the key that is wrong as its field, "" for the table.
    """
    for key in table:
        if key not in _KEYS:
            raise SimkitError(f"unknown key {key!r}.", field=key, remedy=near(key, _KEYS))
    name = table.get("part")
    if not isinstance(name, str):
        raise SimkitError(f"{ref} is no part: its name is missing.", field="", remedy='Write e.g. part = "74HC138".')
    if device_of(name) is not None:
        return _programmed(ref, name, table, path)
    kind = part_type(name)
    if kind is None:
        remedy = f"Known are 16V8, 20V8, 22V10 and {', '.join(sorted(TYPES))}, of any family."
        raise SimkitError(f"{name!r} is no part known here.", field="part", remedy=remedy)
    for key in ("fuses", "fuse_checksum"):
        if key in table:
            raise SimkitError(f"a {name} has no fuses.", field=key, remedy="Leave it out.")
    return NamedPart(name, kind)


def _programmed(ref: str, name: str, table: dict[str, Any], path: Callable[[str], Path]) -> NamedPart:
    file, checksum = table.get("fuses"), table.get("fuse_checksum", "checked")
    if not isinstance(file, str):
        remedy = 'Write e.g. fuses = "decoder.jed".'
        raise SimkitError(f"{ref} ({name}) has no fuse map.", field="fuses", remedy=remedy)
    if checksum not in ("checked", "ignored"):
        remedy = 'Write fuse_checksum = "ignored" where an assembler writes it wrongly.'
        raise SimkitError(f"{checksum!r} is neither 'checked' nor 'ignored'.", field="fuse_checksum", remedy=remedy)
    try:
        fuse_map = load_fuse_map(path(file), checksum_counts=checksum == "checked")
        program = programmed(name, fuse_map)
    except SimkitError as error:
        where = f"{error.file}:{error.line}: " if error.line is not None else ""
        remedy = error.remedy or ""
        if isinstance(error, ChecksumError):
            remedy += ' Where the assembler is known to write it wrongly, fuse_checksum = "ignored" lets it pass.'
        raise SimkitError(f"{where}{error.message}", field="fuses", remedy=remedy) from error
    notes = (*fuse_map.notes, *vectors_that_fail(program, fuse_map))
    return NamedPart(name, programmed_part(program), program, path(file), notes)
