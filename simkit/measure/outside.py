"""Faults that no single fault of a catalogue explains: what a search should answer with "no single fault".

The list itself is `outside_list`. Here each of them is made into faults as machines take them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs

from simkit.measure.outside_list import LATE_STROBES, PAIRS, PROGRAM_ERRORS

TWO_FAULTS, PROGRAM_ERROR, LATE_STROBE = "two faults", "program error", "late strobe"
KINDS = (TWO_FAULTS, PROGRAM_ERROR, LATE_STROBE)
PER_PROGRAM = {TWO_FAULTS: 25, LATE_STROBE: 13}
"""How many of the kinds that chance draws each program has, about."""
ROM_SLOT = 2
"""Where the programs that are played lie."""


@attrs.frozen
class Outside:
    """A fault from outside.

    Attributes:
        kind: one of KINDS.
        program: name of the program that notices it.
        words: what it is.
        faults: in sentences, as a machine takes them; several are there at once.
        parts: what it is made of, where each alone would be a single fault.
    """

    kind: str
    program: str
    words: str
    faults: tuple[str, ...]
    parts: tuple[str, ...] = ()


def outside(labels: Mapping[str, Mapping[str, int]]) -> list[Outside]:
    """All of them.

    Args:
        labels: of the programs, by name of the program.
    """
    pairs = [from_drawn(TWO_FAULTS, program, both) for program, *both in PAIRS]
    errors = [
        Outside(PROGRAM_ERROR, program, f"{place}: {words}", changed_bytes(labels[program], place, after))
        for program, place, _, after, words in PROGRAM_ERRORS
    ]
    strobes = [from_drawn(LATE_STROBE, program, own) for program, *own in LATE_STROBES]
    return [*pairs, *errors, *strobes]


def from_drawn(kind: str, program: str, faults: Sequence[str]) -> Outside:
    """Of faults that are there at once."""
    return Outside(kind, program, "; ".join(faults), tuple(faults), tuple(faults) if len(faults) > 1 else ())


def address_of(labels: Mapping[str, int], place: str) -> int:
    """Address of a place such as show_pad+15."""
    label, _, behind = place.partition("+")
    return labels[label] + int(behind or 0)


def changed_bytes(labels: Mapping[str, int], place: str, after: str) -> tuple[str, ...]:
    """Faults of the ROM that put bytes, in hex, at a place."""
    first = address_of(labels, place)
    return tuple(
        f"slot {ROM_SLOT}: byte at ${first + at:04X} = ${byte:02X}" for at, byte in enumerate(bytes.fromhex(after))
    )
