"""Which candidates make the same machine: no program and no measurement on its lines can tell them apart.

What a wiring comes to is compiled when a machine is built: truth tables of selects and address pins, tables of bytes,
lines with the pins that are joined to them. Machines in which all of that is the same behave alike, whatever was said
to make them so: "slot 2: pin D3 low" and "slot 2: pin D3 open" on a line that is pulled down. What is not compiled into
tables is told apart by its sentence.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import lru_cache
from typing import Any

import attrs

from simkit.backplane.conductors import at_slot, on_the_bus
from simkit.backplane.decode import Pins
from simkit.backplane.seat import Seat
from simkit.backplane.select import ADDRESS_LINES, address_bit
from simkit.backplane.wiring import DATA_LINES, Done, Entry, Wiring, is_cpu_line
from simkit.machine.machine import Machine
from simkit.machinefile.faults import burnt

COMPILED = (
    Done.JOINED,
    Done.OPEN,
    Done.LOW,
    Done.HIGH,
    Done.SHORTED,
    Done.EXCHANGED,
    Done.INVERTED,
    Done.SELECTED,
    Done.NOT_SELECTED,
    Done.OUTPUT_ENABLE,
    Done.WRITE_ENABLE,
    Done.DRIVEN,
    Done.REVERSED,
)
"""What is done to address, data and control lines in these ways is in the tables and nowhere else."""


@attrs.frozen
class Decoded:
    """What a machine's decoding comes to, a card each.

    Attributes:
        tables: by slot: truth tables of the addresses at which it drives, takes and is selected on reads; and takes,
            drives and is selected on writes.
        pins: by slot truth tables of its address pins, on reads and on writes; None where each carries its own line.
        data: by slot what becomes of bytes on their way.
        rest: hash of all else.
    """

    tables: dict[int, tuple[tuple[int, int, int], tuple[int, int, int]]]
    pins: dict[int, tuple[Pins, Pins]]
    data: dict[int, Any]
    rest: str

    @property
    def key(self) -> str:
        """Equal for machines that are the same."""
        tables = [(slot, [hex(one) for way in both for one in way]) for slot, both in sorted(self.tables.items())]
        return _hash((tables, sorted(self.pins.items()), sorted(self.data.items()), self.rest))


def decoded(machine: Machine) -> Decoded:
    """What the wiring of a machine comes to."""
    bus = machine.bus
    table = bus.reach.table
    reads, writes = (on_the_bus({**table.levels, "RW": read, "PHI2": True}, bus.wiring) for read in (True, False))
    tables = {
        seat.slot: (
            (drives, takes, seat.select.table(at_slot(reads, seat.wiring))),
            (taken, odd, seat.select.table(at_slot(writes, seat.wiring))),
        )
        for seat, drives, takes, taken, odd in table.selects
    }
    pins = {
        seat.slot: (_moved(on_read), _moved(on_write))
        for seat in bus.seats
        for on_read, on_write in [table.pins_of(seat)]
    }
    data = {seat.slot: (seat.data, seat.takes_data, seat.gives_data, table.given_of(seat)) for seat in bus.seats}
    banked = [card.wiring.sentences() for card in machine.description.cards] if bus.reach.banks.lines else []
    rest = (
        [_of_card(seat) for seat in bus.seats],
        sorted(_of_line(machine, name) for name in machine.lines),
        (bus.data_lines.keeps, bus.data_lines.pulled, bus.data_lines.cpu),
        banked,
        [str(entry) for entry in _not_compiled(machine)],
        machine.description.cpu_options,
        machine.description.backplane,
        [hashlib.sha256(_burnt(machine, seat)).hexdigest() for seat in bus.seats if seat.image_size is not None],
    )
    return Decoded(tables, pins, data, _hash(rest))


def _burnt(machine: Machine, seat: Seat) -> bytes:
    """What a ROM holds; `Machine.images` says what was meant."""
    assert seat.image is not None
    assert seat.image_size is not None
    return burnt(machine.description, seat.slot, seat.image, seat.image_size)


def _moved(pins: Pins) -> Pins:
    """None where each pin carries its own line after all: what is done to lines that a card decodes moves no pin."""
    return None if pins is None or pins == straight(len(pins)) else pins


@lru_cache(maxsize=32)
def straight(count: int) -> tuple[bytes, ...]:
    """Truth tables of so many address pins, each on its own line; the CPU has none for those behind A15."""
    return tuple(
        (address_bit(pin) if pin < len(ADDRESS_LINES) else 0).to_bytes(1 << 13, "little") for pin in range(count)
    )


def _of_card(seat: Seat) -> object:
    transceiver = seat.transceiver
    return (
        seat.slot,
        seat.kind,
        seat.settings,
        seat.ready_gated,
        seat.waits,
        seat.held_in_reset,
        seat.unreset,
        [seat.reset_arrives(asserted) for asserted in (True, False)],
        None if transceiver is None else (transceiver.slot, str(seat.wiring.transceiver())),
        [(pin.spec, getattr(pin, "stiff", None)) for pin in seat.connector.pins.values()],
    )


def _of_line(machine: Machine, name: str) -> tuple[str, str]:
    line = machine.bus.nets.line(name)
    pins = sorted((pin.slot, pin.spec.name) for pin in line.pins)
    return name, repr((line.pull, line.tied, pins, sorted(other.name for other in line.bridged)))


def _not_compiled(machine: Machine) -> Iterable[Entry]:
    """Entries that are in no table, or in others than those of addresses and bytes."""
    everything = [machine.description.wiring, *(card.wiring for card in machine.description.cards)]
    sockets = [entry for wiring in everything for entry in Wiring(wiring.entries).entries]
    for entry in sockets:
        strobe = not entry.name and entry.done in COMPILED
        line = entry.done in COMPILED and is_cpu_line(entry.name) and is_cpu_line(entry.other or entry.name)
        if entry.name in DATA_LINES and entry.done is Done.LATE:
            continue  # in the tables of bytes
        if not (strobe or line or entry.is_key):
            yield entry


def _hash(value: object) -> str:
    return hashlib.sha256(repr(value).encode()).hexdigest()
