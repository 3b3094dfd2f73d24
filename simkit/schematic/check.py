"""A card's schematic beside the machine file: everything that the card says, over all addresses."""

from __future__ import annotations

from simkit.machine.machine import Machine
from simkit.schematic.chipcheck import ChipCheck
from simkit.schematic.found import Result
from simkit.schematic.linecheck import check_lines
from simkit.schematic.netlist import Netlist
from simkit.schematic.portcheck import PortCheck
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
