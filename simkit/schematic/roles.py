"""Which part of a schematic plays which card: one card's, or one of several on a schematic of a whole machine."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import product

from simkit.backplane.bus import Bus
from simkit.backplane.seat import Seat
from simkit.backplane.select import ADDRESS_LINES, ALL
from simkit.contract.errors import SimkitError
from simkit.logic.parttype import PartType
from simkit.machine.machine import Machine
from simkit.machinefile.description import CardDescription
from simkit.schematic.board import DATA_LINES, Board
from simkit.schematic.chips import Chip, acts, found_chips, has_chip, numbered
from simkit.schematic.expected import combinations, driven_lines, wanted
from simkit.schematic.netlist import Netlist
from simkit.schematic.programmable import programmed
from simkit.schematic.report import Report


def looked_at(machine: Machine, slot: int, netlist: Netlist) -> tuple[Report, Chip | None]:
    """The schematic as a board with the machine's chips in it, and the chip of a card if it stands for one.

    Raises:
        SimkitError: there is no such slot, no line of the bus, or nothing that could be the card.
    """
    card = next((one for one in machine.description.cards if one.slot == slot), None)
    if card is None:
        slots = ", ".join(str(one.slot) for one in machine.description.cards)
        raise SimkitError(f"There is no card in slot {slot}.", remedy=f"Cards are in {slots}.")
    own = _own_lines(machine.bus)
    devices, notes = programmed(netlist, machine.description, slot)
    chips = _all_chips(machine, netlist, own, devices)
    board = Board(netlist, own, [chip for chip, _ in chips], devices)
    _refuse_without_bus(board)
    seat = next(one for one in machine.bus.seats if one.slot == slot)
    report = Report(board, machine.bus, seat, card)
    report.notes += notes
    for chip, played in chips:
        report.roles.append(f"{chip.ref} ({netlist.components[chip.ref].value}) is taken for slot {played}.")
    own_chip = next((one for one, played in chips if played == slot), None)
    if own_chip is None and has_chip(card):
        raise SimkitError(
            f"No part on the schematic is the chip of slot {slot} ({card.card.faithful_to or card.kind}).",
            file=netlist.file,
            slot=slot,
            remedy="Name the netlist of this card; the chip is known by its value, its pins by the symbol's names.",
        )
    return report, own_chip


def _own_lines(bus: Bus) -> list[str]:
    return sorted(line.name for line in bus.nets.lines.values())


def _refuse_without_bus(board: Board) -> None:
    missing = [line for line in (*ADDRESS_LINES, *DATA_LINES) if line not in board.lines]
    if len(missing) == len(ADDRESS_LINES) + len(DATA_LINES):
        raise SimkitError(
            "No net of the netlist is called as a line of the bus is.",
            file=board.netlist.file,
            remedy="Give the nets at the edge connector labels: A0 to A15, D0 to D7, RW, PHI2, IRQ.",
        )


def _all_chips(
    machine: Machine, netlist: Netlist, own: Iterable[str], devices: Mapping[str, PartType]
) -> list[tuple[Chip, int]]:
    """Chips of all cards that stand for one, with the slot of each; of several alike by where they are selected."""
    found: list[tuple[Chip, int]] = []
    taken: set[str] = set()
    kinds: dict[str, list[CardDescription]] = {}
    for card in machine.description.cards:
        kinds.setdefault(card.kind, []).append(card)
    for cards in kinds.values():
        parts = [one for ref, one in netlist.components.items() if ref not in taken]
        candidates = [(found_chips(netlist, parts, card), card) for card in cards]
        pairs = [(chip, card) for chips, card in candidates for chip in chips]
        if not pairs:
            continue
        one_of_each = {chip.ref: chip for chip, _ in pairs}
        if len(cards) == 1 and len(one_of_each) == 1:
            ranked = pairs
        else:
            board = Board(netlist, own, [*(chip for chip, _ in found), *one_of_each.values()], devices)
            seats = {seat.slot: seat for seat in machine.bus.seats}
            ranked = sorted(
                pairs, key=lambda pair: (_overlap(board, pair[0], machine.bus, seats[pair[1].slot]), pair[0].ref)
            )
        done: set[int] = set()
        for chip, card in ranked:
            if chip.ref not in taken and card.slot not in done:
                found.append((chip, card.slot))
                taken.add(chip.ref)
                done.add(card.slot)
    return found


def _overlap(board: Board, chip: Chip, bus: Bus, seat: Seat) -> int:
    """At how many addresses a chip is selected otherwise than a card is."""
    numbers = numbered(chip.pins)
    apart = 0
    there = tuple(line for line in driven_lines(bus, seat) if line in board.lines)
    for lines, rw in product(combinations(bus, there), (True, False)):
        levels = board.levels(rw=rw, phi2=True, lines=lines).levels
        tables = {number: levels.get(board.net_at(chip.ref, str(number)) or "", ALL) for number in numbers.values()}
        _, gives, takes = acts(chip.card, numbers, tables, ALL)
        said = wanted(bus, seat, rw=rw, phi2=True, lines=lines)
        apart += ((gives ^ said.gives) if rw else (takes ^ said.takes)).bit_count()
    return apart
