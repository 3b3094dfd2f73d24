"""A card's schematic beside the machine file: everything that the card says, over all addresses."""

from __future__ import annotations

from simkit.backplane.select import ADDRESS_LINES
from simkit.machine.machine import Machine
from simkit.schematic.board import DATA_LINES
from simkit.schematic.chipcheck import ChipCheck
from simkit.schematic.found import Result
from simkit.schematic.linecheck import check_lines
from simkit.schematic.netlist import Netlist
from simkit.schematic.portcheck import PortCheck
from simkit.schematic.report import Report
from simkit.schematic.roles import looked_at
from simkit.schematic.switches import settle


def check_netlist(machine: Machine, slot: int, netlist: Netlist) -> Result:
    """Compare a card with its schematic.

    Args:
        machine: as its file describes it.
        slot: of the card.
        netlist: of the card's schematic, or of a whole machine with the card in it.

    Raises:
        SimkitError: there is no such slot, or nothing in the netlist could be the card.
    """
    report, chip = looked_at(machine, slot, netlist)
    settle(report)
    if chip is not None:
        ChipCheck(report, chip).run()
    else:
        PortCheck(report).run()
    check_lines(report, chip)
    if report.differences:
        missing = [line for line in (*ADDRESS_LINES, *DATA_LINES, "RW", "PHI2") if line not in report.board.lines]
        if missing:
            report.note(f"No net is called as these lines of the bus are: {', '.join(missing)}.")
    _look_for_fights(report)
    unknown = [f"{ref} ({netlist.components[ref].value or 'no value'})" for ref in sorted(report.board.unknown)]
    if unknown:
        more = f" and {len(unknown) - 8} more" if len(unknown) > 8 else ""
        report.note(f"Parts that are not known: {', '.join(unknown[:8])}{more}.")
    return Result(
        slot,
        netlist.file,
        tuple(report.roles),
        tuple(report.differences),
        {what: count for what, count in report.compared.items() if count},
        tuple(report.notes),
    )


def _look_for_fights(report: Report) -> None:
    """Outputs that drive a net to different levels, and nets that never come to rest: wrong for any card."""
    board = report.board
    lines = set(board.lines.values())
    for rw in (True, False):
        found = board.levels(rw=rw, phi2=True)
        for net in sorted(found.conflicts.keys() - lines):
            report.note(f"Outputs drive {board.netlist.at(net)} against each other.")
        for net in sorted(found.restless.keys() - lines):
            report.note(f"The level of {board.netlist.at(net)} goes in a circle: it never rests, or keeps what it was.")
