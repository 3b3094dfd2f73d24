"""The whole map of a machine as values: areas, registers, vectors, lines, what is read where nobody answers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs

from simkit.address_map.areas import MOST_LINES, Answer, Area, Use, areas_of, bank_lines
from simkit.backplane.areas import areas, first_of
from simkit.backplane.covers import pattern_of
from simkit.backplane.decode import Table
from simkit.backplane.seat import Seat
from simkit.backplane.select import ranges
from simkit.backplane.vectors import VECTORS
from simkit.backplane.wiring import Done
from simkit.contract.lines import SYSTEM_LINES, Drive, Line, Pin
from simkit.logic.wired.told import as_data as decoder_data
from simkit.machine.machine import Machine
from simkit.machine.registers import Placed, placed_registers
from simkit.machinefile.description import CardDescription

_HEARD_BY_CPU = frozenset(SYSTEM_LINES)


@attrs.frozen
class Vector:
    """Where the CPU goes.

    Attributes:
        name: "NMI", "RESET" or "IRQ".
        at: lower address of its two bytes.
        slots: of the cards that give them.
        target: address in it, None where no card gives it.
        label: name of the target, or None.
        target_slots: of the cards that answer a read there.
    """

    name: str
    at: int
    slots: tuple[int, ...]
    target: int | None
    label: str | None
    target_slots: tuple[int, ...]


@attrs.frozen
class PulledLine:
    """A line between cards, or to the CPU.

    Attributes:
        name: of it.
        drivers: (slot, pin, output stage) of what may drive it.
        listeners: (slot, pin) of what hears it.
        heard_by_cpu: whether the CPU samples it.
        in_decoding: whether addresses are decoded by it.
        pull: "up", "down" or "none": the resistor.
        decoder: when a decoder on the backplane drives it high, "" where none does.
    """

    name: str
    drivers: tuple[tuple[int, str, str], ...]
    listeners: tuple[tuple[int, str], ...]
    heard_by_cpu: bool
    in_decoding: bool
    pull: str
    decoder: str = ""


@attrs.frozen
class AddressMap:
    """A machine's map.

    Attributes:
        machine: that it is of.
        table: decoding with the banks as they are.
        areas: of the 64 KiB.
        banks: lines by which addresses are decoded, high digit first; () also where they are too many to be told apart.
        many_banks: those, where they are too many.
        registers: of all cards.
        vectors: of the CPU.
        lines: of the machine.
        open_bus: what a read finds where nobody answers: "last", "pull-up" or "pull-down".
    """

    machine: Machine
    table: Table
    areas: tuple[Area, ...]
    banks: tuple[str, ...]
    many_banks: tuple[str, ...]
    registers: tuple[Placed, ...]
    vectors: tuple[Vector, ...]
    lines: tuple[PulledLine, ...]
    open_bus: str

    @property
    def cards(self) -> Mapping[int, CardDescription]:
        """Descriptions of the cards by slot."""
        return {card.slot: card for card in self.machine.description.cards}

    @property
    def seats(self) -> Mapping[int, Seat]:
        """Seats by slot."""
        return {seat.slot: seat for seat in self.machine.bus.seats}

    def registers_of(self, slot: int) -> list[Placed]:
        """The registers of a card."""
        return [placed for placed in self.registers if placed.seat.slot == slot]

    def answers_of(self, slot: int) -> int:
        """Truth table of the addresses at which a card answers, banks as they are."""
        return next(read | write for seat, read, _, write, _ in self.table.selects if seat.slot == slot)

    def as_dict(self) -> dict[str, Any]:
        """For programs."""
        description = self.machine.description
        return {
            "machine": description.name,
            "about": description.about,
            "clock_hz": float(description.clock_hz),
            "cpu": description.cpu,
            "open_bus": self.open_bus,
            "banks": list(self.banks),
            "decode": None if description.decode is None else decoder_data(description.decode),
            "banks_not_told_apart": list(self.many_banks),
            "areas": [_area_dict(one) for one in self.areas],
            "cards": [self._card_dict(card) for card in description.cards],
            "registers": [_register_dict(one) for one in self.registers],
            "vectors": [attrs.asdict(one) for one in self.vectors],
            "lines": [
                {
                    "name": one.name,
                    "driven_by": [{"slot": slot, "pin": pin, "drive": drive} for slot, pin, drive in one.drivers],
                    "heard_by": [{"slot": slot, "pin": pin} for slot, pin in one.listeners],
                    "heard_by_cpu": one.heard_by_cpu,
                    "in_decoding": one.in_decoding,
                    "pull": one.pull,
                    "decoder": one.decoder,
                }
                for one in self.lines
            ],
        }

    def _card_dict(self, card: CardDescription) -> dict[str, Any]:
        return {
            "slot": card.slot,
            "kind": card.kind,
            "name": card.name,
            "select": list(card.select),
            "not_select": list(card.not_select),
            "areas": [list(one) for one in ranges(self.answers_of(card.slot))],
            "lines": dict(card.lines),
            "wires": dict(card.wires),
            "decode": None if card.decode is None else decoder_data(card.decode),
            "note": card.note,
        }


def address_map(machine: Machine) -> AddressMap:
    """The map of a machine, with its banks as they are."""
    banks = machine.bus.reach.banks
    told = bank_lines(banks)
    return AddressMap(
        machine,
        machine.bus.reach.table,
        tuple(areas_of(banks)),
        told,
        () if told else tuple(line.name for line in banks.lines[: MOST_LINES * 4]),
        tuple(placed_registers(machine.bus.reach.table)),
        tuple(_vectors(machine)),
        tuple(_lines(machine)),
        machine.description.backplane.open_bus,
    )


def readers_at(machine: Machine, address: int) -> tuple[int, ...]:
    """Slots of the cards that drive data lines in a read."""
    return tuple(seat.slot for seat, offset in machine.bus.where(address) if seat.drives(offset))


def _vectors(machine: Machine) -> list[Vector]:
    targets = machine.vectors()
    return [
        Vector(
            name,
            at,
            readers_at(machine, at),
            target := targets.get(name),
            None if target is None else machine.labels.name_at(target),
            () if target is None else readers_at(machine, target),
        )
        for name, at in sorted(VECTORS.items(), key=lambda pair: pair[1])
    ]


def _lines(machine: Machine) -> list[PulledLine]:
    decoding = {line.name for line in machine.bus.reach.banks.lines}
    ports = {
        (seat.slot, name)
        for seat in machine.bus.seats
        for one in seat.registers
        if one.is_port and "r" in one.access
        for name in one.bits
    }
    signals = {entry.name: entry.other for entry in machine.bus.wiring.only(Done.DRIVEN)}
    for seat in machine.bus.seats:
        decoding |= seat.select.lines | seat.output_enable.lines | seat.write_enable.lines
    found = []
    for name in [*machine.bus.nets.lines, *(name for name in signals if name not in machine.bus.nets.lines)]:
        line = machine.bus.nets.lines.get(name)
        pins = [pin for pin in line.pins if pin.slot > 0] if line is not None else []
        drivers = tuple(
            (pin.slot, pin.spec.name, pin.spec.drive.value) for pin in pins if pin.spec.drive is not Drive.INPUT
        )
        listeners = tuple((pin.slot, pin.spec.name) for pin in pins if _hears(pin, ports))
        if drivers or listeners or name in decoding or name in signals or name in _HEARD_BY_CPU:
            pull = "up" if line is None else _pull(line)
            by_cpu, in_decoding = name in _HEARD_BY_CPU, name in decoding
            found.append(PulledLine(name, drivers, listeners, by_cpu, in_decoding, pull, signals.get(name, "")))
    return sorted(found, key=lambda one: (not one.heard_by_cpu, one.name))


def _hears(pin: Pin, ports: set[tuple[int, str]]) -> bool:
    """Whether a card looks at a pin: an input, one that is told of changes, or a port's that programs read."""
    spec = pin.spec
    is_read = spec.listens and spec.drive is not Drive.OPEN_DRAIN
    return spec.drive is Drive.INPUT or is_read or (pin.slot, spec.name) in ports


def _pull(line: Line) -> str:
    return {True: "up", False: "down", None: "none"}[line.pull]


def _answer_dict(answer: Answer) -> dict[str, Any]:
    return {
        "slot": answer.slot,
        "offset": answer.offset,
        "images": answer.images,
        "image_size": answer.size,
        "straight": answer.straight,
    }


def _use_dict(use: Use) -> dict[str, Any]:
    return {
        "reads": [_answer_dict(one) for one in use.reads],
        "writes": [_answer_dict(one) for one in use.writes],
        "overlap": use.overlaps,
    }


def _area_dict(one: Area) -> dict[str, Any]:
    return {
        "first": one.first,
        "last": one.last,
        "lines": list(one.lines),
        "uses": [{"levels": [int(level) for level in levels], **_use_dict(use)} for levels, use in one.uses.items()],
    }


def _register_dict(one: Placed) -> dict[str, Any]:
    return {
        "slot": one.seat.slot,
        "name": one.register.name,
        "access": one.register.access,
        "offset": one.register.offset,
        "first": first_of(one.answers),
        "addresses": one.answers.bit_count(),
        "pattern": pattern_of(one.answers),
        "areas": areas(one.answers),
        "driven": one.register.driven,
        "bits": [
            {"name": bit.name, "mask": bit.seen, "inverted": bit.inverted, "card_bit": bit.number} for bit in one.bits
        ],
        "help": one.register.help,
        "read_effect": one.register.read_effect,
        "write_effect": one.register.write_effect,
    }
