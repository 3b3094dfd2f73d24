"""How switches on a schematic must stand for the select that the machine file has: a netlist does not say how they do.

A switch joins its net to a rail, against a resistor that pulls it to the other (common practice). All positions are
tried at once, at some addresses: each switch has the place of an address line in the truth tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from simkit.backplane.select import ALL, address_bit
from simkit.schematic.board import DATA_LINES
from simkit.schematic.drivers import clocks_of
from simkit.schematic.expected import is_read, wanted
from simkit.schematic.report import Report

MOST_SWITCHES = 16
_SWITCH = re.compile(r"(SW|S|JP|J|DIP|DSW)\d+")


def settle(report: Report) -> None:
    """Find positions with which the card answers where the machine file has it, and take them; tell them."""
    board = report.board
    nets = switched(report)
    if not nets:
        return
    if len(nets) > MOST_SWITCHES:
        report.note(f"There are {len(nets)} switches; of so many no positions are tried, they are taken as pulled.")
        return
    fitting = ALL
    for address, answers in _samples(report):
        table = _answers(report, nets, address)
        fitting &= table if answers else ALL ^ table
    if not fitting:
        report.note(f"No positions of the switches at {', '.join(nets)} make the select of the machine file.")
        return
    first = (fitting & -fitting).bit_length() - 1
    matters = [n for n in range(len(nets)) if _flipped(fitting, n) != fitting]
    board.set_switches({nets[n]: bool(first >> n & 1) for n in matters})
    shown = ", ".join(f"{'high' if first >> n & 1 else 'low'} at {board.netlist.at(nets[n])}" for n in matters)
    if shown:
        report.roles.append(f"For this select the switches stand so: {shown}.")


def switched(report: Report) -> list[str]:
    """Nets with a resistor and a switch, on whose level it depends where something answers."""
    board = report.board
    found = [
        net
        for net in board.free
        if net in board.network.pulls
        and any(
            _SWITCH.fullmatch(ref.upper()) for name in board.all_names(net) for ref, _ in board.netlist.nets[name].pins
        )
    ]
    if not found:
        return []
    decide = board.deciding.union(*(board.network.reached_from(net) for net in clocks_of(board)))
    return [net for net in found if net in decide]


def _samples(report: Report) -> Iterator[tuple[int, bool]]:
    """Addresses, and whether the card answers there: the first and the last, and those one line away."""
    reads = is_read(report.seat)
    said = {seat.slot: wanted(report.bus, seat, rw=reads, phi2=True, lines={}) for seat in report.bus.seats}
    own = said[report.seat.slot].gives if reads else said[report.seat.slot].takes
    others = 0
    for slot, one in said.items():
        if slot != report.seat.slot:
            others |= one.gives if reads else one.takes
    registers = [one for one in report.seat.registers if ("r" if reads else "w") in one.access]
    if registers:
        at = 0
        for register in registers:
            at |= said[report.seat.slot].at_offset(register.offset)
        own &= at
    if not own:
        return
    for address in dict.fromkeys(((own & -own).bit_length() - 1, own.bit_length() - 1)):
        yield address, True
        for line in range(16):
            beside = address ^ 1 << line
            if not (own | others | said[report.seat.slot].selected) >> beside & 1:
                yield beside, False


def _answers(report: Report, nets: list[str], address: int) -> int:
    """With which positions something answers at an address."""
    board = report.board
    given = {net: address_bit(n) for n, net in enumerate(nets)}
    if is_read(report.seat):
        levels = board.levels(rw=True, phi2=True, given=given, address=address)
        table = 0
        for line in DATA_LINES:
            table |= levels.driven.get(board.lines.get(line, ""), 0)
        return table
    high, low = (board.levels(rw=False, phi2=phi2, given=given, address=address).levels for phi2 in (True, False))
    table = 0
    for net in clocks_of(board):
        table |= high[net] ^ low[net]
    return table


def _flipped(table: int, n: int) -> int:
    bit, step = address_bit(n), 1 << n
    return (table & bit) >> step | (table & (ALL ^ bit)) << step
