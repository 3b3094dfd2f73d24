"""What a real machine leaves open when the power comes on, and machines that have it one way or another."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import attrs

from simkit.backplane.faults import Fault, Set
from simkit.machine.again import Again
from simkit.machine.machine import Machine
from simkit.machinefile.description import Description

MEMORY, REGISTER, CHANCE, RESIDUE, PART, SETTING = "memory", "register", "chance", "residue", "part", "setting"

REGISTERS = ("a", "x", "y", "sp")
"""Undefined after RESET (Rockwell, R65C00 technical data, 1984, RESET; W65C02S data sheet, section 3.11)."""
FLAGS = {"n": 0x80, "v": 0x40, "d": 0x08, "z": 0x02, "c": 0x01}
"""By their bits in P; I is set by RESET, and D is cleared by that of the 65C02."""
BUS = "bus"
"""The byte on the data lines before the first cycle."""

RESIDUES = ("pull-up", "pull-down")
"""What an undriven bus may give besides the byte before: what is plugged in decides (from memory, common practice)."""

PATTERNS: Sequence[tuple[str, bytes]] = (
    ("memory all $00", b"\x00"),
    ("memory all $FF", b"\xff"),
    ("memory in stripes of $00 and $FF", b"\x00" * 64 + b"\xff" * 64),
)
"""What static memories show at power-up besides noise: one level, or blocks of both (from memory, common practice)."""


@attrs.frozen(order=True)
class Unknown:
    """One thing that is left open.

    Attributes:
        kind: MEMORY (bytes of a card), REGISTER (also flags, and BUS), CHANCE (what a card leaves to chance: the phase
            of its crystal, what its own memory holds), RESIDUE, PART or SETTING.
        slot: of the card; 0 without one.
        name: of the register, the chance, or the setting.
    """

    kind: str
    slot: int = 0
    name: str = ""


Values = Mapping[Unknown, object]
"""A power-up: bytes of memories, numbers of registers, seeds of chances, words of the others."""


@attrs.frozen
class PowerUp:
    """One way in which the power comes up.

    Attributes:
        name: in words.
        values: what is open.
        is_part: it is as usual but for a part: what rules say of that part is no difference.
    """

    name: str
    values: Values
    is_part: bool = False


class Maker:
    """Makes machines of one kind that come up in different ways, each with the same input.

    Args:
        again: of a machine that was run, so that its cards have asked for what they leave to chance.
        other_part: the other part of the CPU, when the program may run on it; "" when not.
        parts: also card parts, where sources leave open how they are made.
        compared: values that the program compares with: noise seldom has just one of these in the byte that counts.

    Attributes:
        usual: how the machine comes up by itself.
    """

    def __init__(
        self, again: Again, *, other_part: str = "", parts: bool = False, compared: Sequence[int] = ()
    ) -> None:
        self._of = again.of
        self._again = again
        self._compared = [value for value in compared if value not in (0x00, 0xFF)]  # these are PATTERNS
        fresh = again.machine()
        self._loaded = fresh.loaded
        self._memories = [
            seat.slot
            for seat in fresh.bus.seats
            if seat.plain is not None and seat.plain.write is not None and seat.rom() is None
            if seat.slot not in fresh.images()
        ]
        self.usual = PowerUp("as the machine file has it", dict(self._found(fresh)))
        self._parts = [*self._other_parts(other_part), *(self._other_settings() if parts else ())]

    def power_ups(self, number: int) -> list[PowerUp]:
        """So many, the usual one first, and one more for each other part: these differ in nothing else."""
        return [self.usual, *(self._other(n) for n in range(1, number)), *self._parts]

    def machine(self, values: Values) -> Machine:
        """A machine that comes up so, in cycle 0."""
        mine = self._of
        machine = type(mine)(self._description(values), mine.images(), engine=mine.engine)
        machine.named_as(mine)
        for unknown, value in values.items():
            if unknown.kind == MEMORY and isinstance(value, bytes):
                self._put(machine, unknown.slot, value)
        _set_registers(machine, {one.name: value for one, value in values.items() if one.kind == REGISTER})
        self._again.give_input(machine)
        return machine

    # what is open -----------------------------------------------------------------------------------------------------

    def _found(self, machine: Machine) -> Iterator[tuple[Unknown, object]]:
        cpu, description = machine.cpu, machine.description
        for slot in self._memories:
            yield Unknown(MEMORY, slot), bytes(_memory(machine, slot))
        for name in REGISTERS:
            yield Unknown(REGISTER, 0, name), getattr(cpu, name)
        for name, bit in FLAGS.items():
            if name != "d" or description.cpu == "6502":
                yield Unknown(REGISTER, 0, name), int(bool(cpu.p & bit))
        yield Unknown(REGISTER, 0, BUS), cpu.last
        for seat in self._of.bus.seats:
            for name in sorted(seat.connector.named):
                if not (name == "memory" and seat.slot in self._memories):
                    yield Unknown(CHANCE, seat.slot, name), description.seed
        if description.backplane.open_bus == "last":
            yield Unknown(RESIDUE), "last"

    def _other(self, number: int) -> PowerUp:
        """Another way to come up, by its number."""
        named = self._pattern(number)
        values: dict[Unknown, object] = {}
        for unknown, usual in self.usual.values.items():
            chance = hashlib.shake_128(f"{number}/{unknown.kind}/{unknown.slot}/{unknown.name}".encode())
            if unknown.kind == MEMORY and isinstance(usual, bytes):
                size = len(usual)
                values[unknown] = (named[1] * size)[:size] if named is not None else chance.digest(size)
            elif unknown.kind == REGISTER:
                values[unknown] = chance.digest(1)[0] & (1 if unknown.name in FLAGS else 0xFF)
            elif unknown.kind == CHANCE:
                values[unknown] = int.from_bytes(chance.digest(4))
            elif unknown.kind == RESIDUE:
                values[unknown] = (usual, *RESIDUES)[number % (1 + len(RESIDUES))]
        return PowerUp(named[0] if named is not None else f"noise {number}", values)

    def _pattern(self, number: int) -> tuple[str, bytes] | None:
        """What memories hold in a power-up, with its name; None: noise.

        Behind PATTERNS every second one has all bytes at a value that the program compares with, as long as there are
        such: a program that takes one byte for a sign is found out so, and not only in one of 256 power-ups.
        """
        if number <= len(PATTERNS):
            return PATTERNS[number - 1]
        behind, noise = divmod(number - 1 - len(PATTERNS), 2)
        if noise or behind >= len(self._compared):
            return None
        value = self._compared[behind]
        return f"memory all ${value:02X}", bytes([value])

    def _other_parts(self, cpu: str) -> Iterator[PowerUp]:
        if cpu:
            values = {**self.usual.values, Unknown(PART): cpu}
            yield PowerUp(f"a {cpu} for the CPU", values, is_part=True)
            decimal = Unknown(REGISTER, 0, "d")
            if decimal not in self.usual.values:  # RESET clears the flag of the part that is there, not of the other
                yield PowerUp(f"a {cpu} for the CPU, D set", {**values, decimal: 1}, is_part=True)

    def _other_settings(self) -> Iterator[PowerUp]:
        """Each value that a part may have, one at a time, where the machine file does not say which it has."""
        description = self._of.description
        for field in attrs.fields(type(description.cpu_options)):
            usual = getattr(description.cpu_options, field.name)
            for value in field.metadata["also"] if usual == field.default else ():
                values = {**self.usual.values, Unknown(SETTING, 0, field.name): value}
                yield PowerUp(f"CPU: {field.name} = {value!r}", values, is_part=True)
        for card in description.cards:
            for field in attrs.fields(type(card.settings)):
                if f"settings.{field.name}" in card.origin:
                    continue
                for value in field.metadata.get("also", ()):
                    words = f"slot {card.slot}: {field.name} = {value!r}"
                    values = {**self.usual.values, Unknown(SETTING, card.slot, field.name): value}
                    yield PowerUp(words, values, is_part=True)

    # machines ---------------------------------------------------------------------------------------------------------

    def _description(self, values: Values) -> Description:
        found = self._of.description
        settings = [
            Fault(Set(one.slot, one.name, value))  # type: ignore[arg-type] # what a setting takes
            for one, value in values.items()
            if one.kind == SETTING and one.slot
        ]
        if settings:
            changed = found.with_faults(settings)
            found = attrs.evolve(changed, programs=found.programs, start=found.start)
        seeds: Any = {(one.slot, one.name): value for one, value in values.items() if one.kind == CHANCE}
        residue: Any = values.get(Unknown(RESIDUE), found.backplane.open_bus)
        cpu: Any = values.get(Unknown(PART), found.cpu)
        backplane = attrs.evolve(found.backplane, open_bus=residue)
        options: Any = {one.name: value for one, value in values.items() if one.kind == SETTING and not one.slot}
        cpu_options = attrs.evolve(found.cpu_options, **options)
        return attrs.evolve(found, seeds=seeds, backplane=backplane, cpu=cpu, cpu_options=cpu_options)

    def _put(self, machine: Machine, slot: int, content: bytes) -> None:
        """Have a memory hold something when the power comes on, but for programs that are loaded into it."""
        memory = _memory(machine, slot)
        kept = [(start, end, bytes(memory[start:end])) for its, start, end in self._loaded if its == slot]
        memory[:] = content
        for start, end, program in kept:
            memory[start:end] = program
        machine.bus.memory_changed(slot, 0, len(memory))


def _memory(machine: Machine, slot: int) -> bytearray | memoryview:
    plain = machine.bus.by_slot[slot].plain
    assert plain is not None
    assert plain.write is not None
    return plain.write


def _set_registers(machine: Machine, values: Mapping[str, object]) -> None:
    cpu = machine.cpu
    p = cpu.p
    for name, value in values.items():
        assert isinstance(value, int)
        if name in FLAGS:
            p = p & ~FLAGS[name] | (FLAGS[name] if value else 0)
        elif name == BUS:
            cpu.last = value
        else:
            setattr(cpu, name, value)
    cpu.p = p
