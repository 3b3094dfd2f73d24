"""Instructions in banks, in words: which bank was seen when one ran, or is when it is jumped to, is not always sure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from simkit.machine.told import Executed
from simkit.rom.listing import Row
from simkit.rom.places import Place

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

SHOWN = 3
"""Of banks that an instruction may have been in."""

Candidate = tuple[Row, str | None, int]
"""Row of a bank at an address, nearest label in that bank, distance."""


def candidates(machine: Machine, address: int) -> Sequence[Candidate]:
    """What banks have at an address; none where only one is."""
    listing = machine.source_lines.listing if machine.bus.reach.banks.lines else None
    return () if listing is None else listing.candidates(address)


def executed_in_a_bank(machine: Machine, cycle: int, pc: int, banks: Sequence[Candidate]) -> Executed:
    """An instruction that was executed before the banks became what they are: one of those at its address."""
    from simkit.cpu.isa.disassemble import disassemble

    names, texts, labels = _InBank(machine, of_address=False), [], []
    for row, label, distance in banks:
        if row.code and pc == row.address and len(row.data) == row.length:
            held = {pc + at & 0xFFFF: byte for at, byte in enumerate(row.data)}
            texts.append(disassemble(held.__getitem__, pc, machine.description.cpu, names).text)
        if label is not None:
            labels.append(f"{label}+{distance}" if distance else label)
    return Executed(cycle, pc, _either(texts), Place(pc, _either(labels) or None))


def names_in_banks(machine: Machine, address: int) -> Mapping[int, str]:
    """Names of what the instruction at an address names: within banks of the bank that is seen, if it is in one."""
    return _InBank(machine, of_address=bool(candidates(machine, address)))


class _InBank(Mapping[int, str]):
    """Names of addresses; of those that several banks share only what is sure."""

    def __init__(self, machine: Machine, *, of_address: bool) -> None:
        self._machine = machine
        self._names = machine.labels.names()
        self._is_seen = of_address

    def __getitem__(self, address: int) -> str:
        banks = candidates(self._machine, address)
        if not banks:
            return self._names[address]
        if self._is_seen:
            place = self._machine.place(address)
            found = {place.label} if not place.offset else {None}
        else:
            found = {label if not distance else None for _, label, distance in banks}
        name = found.pop()
        if name is None or found:
            raise KeyError(address)
        return name

    def __iter__(self) -> Iterator[int]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def _either(words: Sequence[str]) -> str:
    """Some words, each once: "a or b"."""
    known = list(dict.fromkeys(words))
    more = len(known) - SHOWN
    return " or ".join([*known[:SHOWN], *([f"{more} more"] if more > 0 else [])])
