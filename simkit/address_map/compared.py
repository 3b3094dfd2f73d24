"""Numbers in somebody's source beside those of the machine: addresses, masks and numbers of bits, line by line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import attrs

from simkit.address_map.constants import (
    ADDRESS,
    BASE,
    BIT,
    MASK,
    NUMBER,
    Constant,
    Group,
    constants_of,
    wiring_identity,
)
from simkit.address_map.includes import BINARY, DECIMAL, HEXADECIMAL, Defined, Include
from simkit.address_map.meant import Meanings, words_of
from simkit.machine.machine import Machine
from simkit.machine.registers import placed_registers

_SAYS_NUMBER = frozenset(("bit", "number", "nr", "no", "pos", "shift"))


@attrs.frozen
class Row:
    """A name that was compared.

    Attributes:
        defined: as the source has it.
        wanted: what the machine has for it, the first that fits; None: the machine has no such thing any more.
        agrees: whether the value is right.
        expected: the value that would be, as the source would write it; where nothing is wanted what is wrong, "" if
            simkit made the file and the machine has no such constant any more.
    """

    defined: Defined
    wanted: Constant | None
    agrees: bool
    expected: str = ""

    def sentence(self) -> str:
        """What is wrong, for people."""
        value = shown(self.defined.value, self.defined)
        if self.wanted is None and self.expected:
            return f"{self.defined.name} = {value}, but {self.expected}."
        if self.wanted is None:
            return f"{self.defined.name} = {value}, but the machine has nothing of that name any more."
        return f"{self.defined.name} = {value}, but it is {self.expected} in the machine: {what_it_is(self.wanted)}."


@attrs.frozen
class Comparison:
    """A file beside a machine.

    Attributes:
        path: of the file.
        rows: what was compared, in the order of the file.
        others: names that mean nothing the machine knows.
        unknown: names whose values could not be worked out, with their lines.
        is_stale: simkit made the file from another wiring than the machine has now.
    """

    path: Path
    rows: tuple[Row, ...]
    others: tuple[str, ...]
    unknown: tuple[tuple[str, int], ...]
    is_stale: bool = False

    @property
    def differing(self) -> list[Row]:
        """Those that are wrong."""
        return [row for row in self.rows if not row.agrees]

    def place(self, row: Row) -> str:
        """Where a row stands: file and line."""
        return f"{self.path}:{row.defined.line}" if row.defined.line else str(self.path)

    def as_dict(self) -> dict[str, Any]:
        """For programs."""
        return {
            "file": str(self.path),
            "compared": len(self.rows),
            "made_from_another_wiring": self.is_stale,
            "rows": [
                {
                    "name": row.defined.name,
                    "line": row.defined.line,
                    "value": row.defined.value,
                    "agrees": row.agrees,
                    "expected": row.expected,
                    "constant": row.wanted.name if row.wanted else None,
                    "slot": row.wanted.slot if row.wanted else None,
                }
                for row in self.rows
            ],
            "not_of_the_machine": list(self.others),
            "not_worked_out": [{"name": name, "line": line} for name, line in self.unknown],
        }


def compare(machine: Machine, include: Include, slots: Sequence[int] = ()) -> Comparison:
    """Compare a file with a machine, banks as they are.

    Args:
        machine: what is true.
        include: what the file defines.
        slots: of the cards that the file is said to be of; () for a file of the whole machine.
    """
    groups = constants_of(machine)
    meanings = Meanings(groups, machine.description.cards, slots)
    made_here = bool(include.wiring)
    answers = register_addresses(machine, groups)
    pages = register_pages(machine)
    matched: list[tuple[Defined, list[Constant]]] = []
    others: list[str] = []
    rows: list[Row] = []
    for defined in include.defined:
        exact = meanings.exact(defined.name)
        if exact is not None and slots and exact.slot not in (0, *slots):
            continue  # of a card that names no such file
        found = [exact] if exact is not None else [] if made_here else meanings.of(defined.name)
        found = [one for one in found if _could_be(defined, one)]
        if found:
            matched.append((defined, found))
        elif made_here:
            rows.append(Row(defined, None, agrees=False))
        elif empty := _empty_place(machine, defined, pages):
            rows.append(Row(defined, None, agrees=False, expected=empty))
        else:
            others.append(defined.name)
    numbered = _slots_of_numbers(matched)
    for defined, found in matched:
        rows.append(_row(defined, found, answers, numbered))
    place = {defined.name: number for number, defined in enumerate(include.defined)}
    rows.sort(key=lambda row: place[row.defined.name])
    stale = made_here and include.wiring != wiring_identity(machine)
    return Comparison(include.path, tuple(rows), tuple(others), include.unknown, stale)


def register_addresses(machine: Machine, groups: Iterable[Group]) -> dict[str, int]:
    """By name of a constant that is a register's address: truth table of all addresses at which that answers."""
    placed = {(one.seat.slot, one.register.name): one.answers for one in placed_registers(machine.bus.reach.table)}
    return {
        one.name: placed[one.slot, one.register]
        for group in groups
        for one in group.constants
        if one.what == ADDRESS and (one.slot, one.register) in placed
    }


def register_pages(machine: Machine) -> frozenset[int]:
    """Pages in which cards with registers answer."""
    tables = [read | write for seat, read, write in machine.bus.drive_tables() if seat.registers]
    return frozenset(page for page in range(256) if any(table >> (page << 8) & (1 << 256) - 1 for table in tables))


def _empty_place(machine: Machine, defined: Defined, pages: frozenset[int]) -> str:
    """What is wrong with a value that is an address among registers, "" for nothing; the start of a page is a base."""
    if defined.value & 0xFF and defined.written not in (BINARY, DECIMAL):
        return empty_place(machine, defined.value, pages)
    return ""


def empty_place(machine: Machine, address: int, pages: frozenset[int]) -> str:
    """What is wrong with an address outside of the zero page and among registers, where none is; "" for nothing."""
    if not 0xFF < address <= 0xFFFF or address >> 8 not in pages:
        return ""
    there = {*machine.bus.where(address), *machine.bus.where(address, is_write=True)}
    if not there:
        return "no card answers there"
    owners = [(seat, offset) for seat, offset in there if seat.registers]
    if len(owners) == len(there) and all(
        offset not in {one.offset for one in seat.registers} for seat, offset in owners
    ):
        seat, offset = owners[0]
        return f"{seat.name} is selected there and has no register at offset {offset}"
    return ""


def _could_be(defined: Defined, constant: Constant) -> bool:
    """Whether a value is of the kind: no byte's mask is an address beyond the zero page, nor the other way round."""
    if constant.what == MASK:
        return defined.value <= 0xFF and not defined.is_address
    if constant.what == BIT:
        return not defined.is_address
    if constant.what == NUMBER:
        return not defined.is_address
    return defined.value <= 0xFFFF and defined.written not in (BINARY,)


def _slots_of_numbers(matched: Iterable[tuple[Defined, list[Constant]]]) -> frozenset[int]:
    """Slots of the cards whose bits the file numbers: no value is above 7, and some are no mask at all."""
    values: dict[int, set[int]] = {}
    for defined, found in matched:
        for one in found:
            if one.what == MASK:
                values.setdefault(one.slot, set()).add(defined.value)
    return frozenset(
        slot for slot, known in values.items() if max(known) <= 7 and any(value.bit_count() != 1 for value in known)
    )


def _row(defined: Defined, found: Sequence[Constant], answers: dict[str, int], numbered: frozenset[int]) -> Row:
    for one in found:
        if any(value == defined.value for value in _values(defined, one, numbered)) or (
            one.name in answers and defined.value <= 0xFFFF and answers[one.name] >> defined.value & 1
        ):
            return Row(defined, one, agrees=True)
    expected = " or ".join(dict.fromkeys(shown(_values(defined, one, numbered)[0], defined, one.what) for one in found))
    return Row(defined, found[0], agrees=False, expected=expected)


def _values(defined: Defined, one: Constant, numbered: frozenset[int]) -> list[int]:
    """Values that would be right, the likeliest first."""
    if one.what == BIT and defined.written != DECIMAL:
        return [1 << one.value]  # what is written in binary or hexadecimal is a mask, whatever it is called
    if one.what != MASK:
        return [one.value]
    number = one.value.bit_length() - 1
    masks = [one.value, one.value ^ 0xFF]
    if one.slot in numbered:
        return [number]
    says_number = bool(_SAYS_NUMBER & set(words_of(defined.name)))
    if defined.written == DECIMAL and defined.value <= 7:
        return [number, *masks] if says_number else [*masks, number]
    if defined.value.bit_count() == 7:  # the others are kept: a mask to clear the bit
        masks.reverse()
    return masks


def shown(value: int, like: Defined, what: str = "") -> str:
    """A value in the way in which the source writes it."""
    if what in (ADDRESS, BASE) or (not what and value > 0xFF):
        return f"${value:04X}"
    if like.written == DECIMAL:
        return str(value)
    return f"${value:02X}" if like.written == HEXADECIMAL else f"%{value:08b}"


def what_it_is(constant: Constant) -> str:
    """A constant in words."""
    where = f" of slot {constant.slot}" if constant.slot else ""
    if constant.what in (MASK, BIT):
        return f"{constant.bit}{f' in {constant.register}' if constant.register else ''}{where}"
    if constant.what in (ADDRESS, BASE):
        return f"{f'register {constant.register}' if constant.register else 'the lowest address'}{where}"
    return f"{constant.name}{where}"
