"""Which pin pulls or hears which line, on the schematic and in the machine file: IRQ, NMI and lines between cards."""

from __future__ import annotations

from simkit.backplane.select import ADDRESS_LINES
from simkit.contract.lines import Drive
from simkit.schematic.board import DATA_LINES, Board
from simkit.schematic.chips import Chip
from simkit.schematic.found import LINE
from simkit.schematic.report import Report

_PULLED = ("IRQ", "NMI", "RDY", "SO")
"""Lines of the system that cards pull; RESET has a circuit of its own, which may be anywhere."""
_DRIVEN_BY_THE_CPU = (*ADDRESS_LINES, *DATA_LINES, "RW", "PHI2", "RESET")


def check_lines(report: Report, chip: Chip | None) -> None:
    """Compare the key `lines`."""
    if chip is not None:
        _of_chip(report, chip)
    else:
        _of_board(report)


def _of_chip(report: Report, chip: Chip) -> None:
    joined, board = report.card.lines, report.board
    for spec in report.card.board.pins:
        if spec.name not in chip.pins:
            if spec.name in joined:
                report.note(f"{chip.ref} has no pin {spec.name} on the schematic: its line was not compared.")
            continue
        wanted = joined.get(spec.name, "")
        net = board.net_at(chip.ref, chip.pins[spec.name])
        pin = board.netlist.pin(chip.ref, chip.pins[spec.name])
        if spec.drive is Drive.INPUT:
            if wanted in board.lines:
                report.compared[LINE] += 1
                if net is None or not _hears(board, net, wanted):
                    _differ(report, spec.name, wanted, pin, net, f"{pin} does not hear {wanted}")
            continue
        reached = lines_pulled(board, f"{chip.ref}.{chip.pins[spec.name]}")
        if wanted and wanted not in board.lines:
            if wanted.removeprefix("not ") == wanted and wanted not in ("low", "high"):
                report.note(f"No net is called {wanted}, which {spec.name} is joined to: it was not compared.")
            continue
        report.compared[LINE] += bool(wanted)
        if wanted and wanted not in reached:
            text = f"{pin} pulls {' and '.join(reached)}" if reached else f"{pin} pulls no line"
            _differ(report, spec.name, wanted, pin, net, text)
        elif not wanted and reached:
            _differ(report, spec.name, "", pin, net, f"{pin} pulls {' and '.join(reached)}")


def _differ(report: Report, name: str, wanted: str, pin: str, net: str | None, text: str) -> None:
    board = report.board
    said = f"lines = {{ {name} = {wanted!r} }}" if wanted else f"nothing for {name} in lines"
    at = f" ({board.netlist.at(net)})" if net is not None else " (joined to nothing)"
    report.differ(
        LINE,
        f"{text}{at}; the machine file has {said}.",
        fields=(f"lines.{name}", "lines"),
        remedy=f"Join {pin} to {wanted}, or correct lines."
        if wanted
        else "Write it into lines, or take the wire away.",
        nets=[net, board.lines.get(wanted)],
        pins=[pin],
    )


def lines_pulled(board: Board, source: str) -> list[str]:
    """Lines of the bus at which something pulls otherwise when an output goes low, whoever else pulls there."""
    if source not in board.network.state:
        return []
    still, moved = board.levels(rw=True, phi2=True), board.levels(rw=True, phi2=True, given={source: 0})
    nets = {net: line for line, net in board.lines.items() if line not in _DRIVEN_BY_THE_CPU}
    found = []
    for ref, part in board.network.parts.items():
        for pin in part.type.outputs:
            line = nets.get(part.nets.get(pin, ""))
            if line is not None and board.drive(ref, pin, still) != board.drive(ref, pin, moved, {source: 0}):
                found.append(line)
    return list(dict.fromkeys(found))


def _hears(board: Board, net: str, line: str) -> bool:
    if board.lines[line] == net:
        return True
    low, high = (board.levels(rw=True, phi2=True, lines={line: level}).levels.get(net) for level in (False, True))
    return low != high


def _of_board(report: Report) -> None:
    """Of a board of logic parts it is told which lines it pulls; which of its pins does is its own business."""
    board, joined = report.board, report.card.lines
    outputs = {pin.name for pin in report.card.board.pins if pin.drive is not Drive.INPUT}
    wanted = {line: name for name, line in joined.items() if name in outputs}
    for name, line in joined.items():
        if line not in _PULLED and line not in report.followed:
            report.note(f"Which net of the board is {name}, joined to {line}, is not said there: it was not compared.")
    for line in _PULLED:
        if line not in board.lines:
            if line in wanted:
                report.note(f"No net is called {line}: it was not compared.")
            continue
        net = board.lines[line]
        who = pullers(board, line)
        if line in wanted:
            report.compared[LINE] += 1
            if not who:
                report.differ(
                    LINE,
                    f"Nothing on the schematic pulls {line} ({board.netlist.at(net)}); the machine file has "
                    f"lines = {{ {wanted[line]} = {line!r} }}.",
                    fields=(f"lines.{wanted[line]}", "lines"),
                    remedy=f"Join the output to {line}, or correct lines.",
                    nets=[net],
                )
        elif who and line not in _pulled_by_others(report):
            names = " and ".join(wanted) or "no line"
            report.differ(
                LINE,
                f"{who[0]} pulls {line} ({board.netlist.at(net)}); the machine file has it pull {names}.",
                fields=("lines",),
                remedy=f"Join it to {names} instead, or correct lines." if wanted else "Write it into lines.",
                nets=[net],
                pins=who[:1],
            )
        fighting = [pin for pin in who if _drives_high(board, pin, net)]
        if fighting and line in wanted:
            report.differ(
                LINE,
                f"{fighting[0]} drives {line} high as well as low ({board.netlist.at(net)}), against other cards that "
                "pull it; the machine file has an output that only pulls.",
                fields=(f"lines.{wanted[line]}", "lines"),
                remedy="Take a part with open collectors.",
                nets=[net],
                pins=fighting[:1],
            )


def _pulled_by_others(report: Report) -> set[str]:
    """Lines that other boards of logic parts pull that are on the schematic, too."""
    cards = (seat for seat in report.bus.seats if seat.slot in report.others)
    return {pin.line.name for seat in cards for pin in seat.connector.pins.values() if pin.line is not None}


def pullers(board: Board, line: str) -> list[str]:
    """Outputs at a line, and pins there of parts that are not known; chips of other cards aside."""
    found, net = [], board.lines[line]
    for ref, part in board.network.parts.items():
        if ref not in board.chips:
            found += [f"{ref}.{pin}" for pin in part.type.outputs if part.nets.get(pin) == net]
    for ref in board.unknown:
        found += [f"{ref}.{number}" for number, at in board.netlist.pins_of(ref).items() if board.same(at) == net]
    return found


def _drives_high(board: Board, pin: str, net: str) -> bool:
    ref, _, number = pin.partition(".")
    part = board.network.parts.get(ref)
    if part is None:
        return False
    drive = part.type.outputs[int(number)].drive
    ones = (1 << 2) - 1
    of = part.type.outputs[int(number)].of
    levels = dict.fromkeys(of, 0b01)
    found = drive(levels, dict.fromkeys(part.type.state, 0b01), ones)
    return found.driven & found.level != 0
