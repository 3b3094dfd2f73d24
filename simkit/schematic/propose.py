"""The lines of a machine file for a card as its schematic is wired."""

from __future__ import annotations

from collections.abc import Iterator

from simkit.backplane.select import ALL, ranges
from simkit.contract.lines import Drive
from simkit.machine.machine import Machine
from simkit.schematic.board import DATA_LINES
from simkit.schematic.chipcheck import ChipCheck, line_of
from simkit.schematic.chips import Chip
from simkit.schematic.drivers import groups_of, takers_of
from simkit.schematic.expected import driven_lines, is_read
from simkit.schematic.found import MOST_RANGES
from simkit.schematic.inputs import collected, labels_of
from simkit.schematic.linecheck import lines_pulled, pullers
from simkit.schematic.netlist import Netlist
from simkit.schematic.patterns import as_select
from simkit.schematic.report import Report
from simkit.schematic.roles import looked_at
from simkit.schematic.switches import switched

_SELECTED_BY_LINES = "# The select depends on lines that cards drive (%s): these patterns hold while they are high."


def propose(machine: Machine, slot: int, netlist: Netlist) -> list[str]:
    """A card's table with select, wires, lines and settings as the schematic has them; what is not found is left out.

    Raises:
        SimkitError: as `check_netlist`.
    """
    report, chip = looked_at(machine, slot, netlist)
    lines = ["[[card]]", f"slot = {slot}", f'kind = "{report.card.kind}"']
    levels = dict.fromkeys((line for line in driven_lines(report.bus, report.seat) if line in report.board.lines), True)
    if levels:
        lines.append(_SELECTED_BY_LINES % ", ".join(levels))
    if nets := switched(report):
        lines.append(f"# Switches at {', '.join(nets)} are taken as their resistors pull them.")
    if chip is not None:
        lines += _of_chip(report, chip, levels)
    else:
        lines += _of_board(report, levels)
    return lines


def _select(table: int) -> Iterator[str]:
    found = as_select(table)
    if found is None:
        shown = ", ".join(f"${first:04X} to ${last:04X}" for first, last in ranges(table)[:MOST_RANGES])
        yield f"# select: too scattered for patterns: {shown or 'never selected'}"
        return
    select, left_out = found
    yield f'select = "{select[0]}"' if len(select) == 1 else f"select = {_list(select)}"
    if left_out:
        yield f"not_select = {_list(left_out)}"


def _list(texts: list[str]) -> str:
    return "[" + ", ".join(f'"{text}"' for text in texts) + "]"


def _of_chip(report: Report, chip: Chip, levels: dict[str, bool]) -> Iterator[str]:
    check = ChipCheck(report, chip)
    (selected, gives, _), (_, _, takes) = check.seen((True, True), levels), check.seen((False, True), levels)
    yield from _select(selected if check.selects() and selected != ALL else gives | takes)
    wires = {}
    found = report.board.levels(rw=True, phi2=True, lines=levels).levels
    for number in range(report.seat.address_pins):
        net = report.board.net_at(chip.ref, chip.pins[f"A{number}"]) if f"A{number}" in chip.pins else None
        if net is not None and (line := line_of(found.get(net, ALL))) not in ("", f"A{number}"):
            wires[f"A{number}"] = line
    if gives and is_read(report.seat):
        wires |= _data_wires(report, chip, gives, levels)
    if wires:
        yield f"wires = {_table(wires)}"
    joined: dict[str, str] = {}
    for spec in report.card.board.pins:
        if spec.name in chip.pins and spec.drive is not Drive.INPUT:
            pulled = lines_pulled(report.board, f"{chip.ref}.{chip.pins[spec.name]}")
            if pulled:
                joined[spec.name] = pulled[0]
    if joined:
        yield f"lines = {_table(joined)}"


def _data_wires(report: Report, chip: Chip, gives: int, levels: dict[str, bool]) -> dict[str, str]:
    first = (gives & -gives).bit_length() - 1
    pins = {f"{chip.ref}.{chip.pins[pin]}": pin for pin in DATA_LINES}
    found = {}
    for line in DATA_LINES:
        if line in report.board.lines:
            shown = report.board.shown(report.board.lines[line], rw=True, lines=levels)
            pin = pins.get(shown.source(first))
            if pin is not None and (pin != line or shown.is_inverted(first)):
                found[pin] = f"not {line}" if shown.is_inverted(first) else line
    return dict(sorted(found.items()))


def _of_board(report: Report, levels: dict[str, bool]) -> Iterator[str]:
    groups = [group for group in groups_of(report.board, levels) if group.chip is None]
    if report.card.kind == "serial-pads" and any(group.is_collector for group in groups):
        groups = [group for group in groups if group.is_collector]
    table = 0
    for group in groups:
        table |= group.gives
    takers = list(takers_of(report.board, levels))
    if not table and takers:
        table = takers[0].takes
    low_bits = (1 << report.seat.address_pins) - 1
    yield from _select(_whole(table, low_bits))
    outputs = [pin.name for pin in report.card.board.pins if pin.drive is not Drive.INPUT]
    pulled = [line for line in ("IRQ", "NMI") if line in report.board.lines and pullers(report.board, line)]
    if len(outputs) == 1 and pulled:
        yield f"lines = {_table({outputs[0]: pulled[0]})}"
    yield from _settings(report, levels)


def _whole(table: int, low_bits: int) -> int:
    """A table and all addresses that differ in lines of the register select alone."""
    for number in range(low_bits.bit_length()):
        step = 1 << number
        mask = _alternating(step)
        high = table & mask
        low = table & (ALL ^ mask)
        table = high | low | high >> step | low << step
    return table


def _alternating(step: int) -> int:
    return (ALL // ((1 << 2 * step) - 1)) * (((1 << step) - 1) << step)


def _settings(report: Report, levels: dict[str, bool]) -> Iterator[str]:
    """Settings that the order of inputs decides: ports and bit order of pads, bits of a status register."""
    settings: dict[str, str] = {}
    for offset in range(1 << report.seat.address_pins):
        sources = _at_offset(report, offset, levels)
        pad = collected(report.board, sources)
        if pad is not None:
            number, is_reversed = pad
            settings[f"port_{number}"] = str(offset)
            settings["bit_order"] = '"first-bit-low"' if is_reversed else '"first-bit-high"'
        for name in dir(report.card.settings):
            if name.endswith("_bit"):
                for bit, source in sources.items():
                    if name.removesuffix("_bit").upper() in (text.upper() for text in labels_of(report.board, source)):
                        settings[name] = str(bit)
    known = {name: text for name, text in sorted(settings.items()) if hasattr(report.card.settings, name)}
    if known:
        yield "[card.settings]"
        yield from (f"{name} = {text}" for name, text in known.items())


def _at_offset(report: Report, offset: int, levels: dict[str, bool]) -> dict[int, str]:
    """What each data line shows at the first address at which the card gives a byte with this offset."""
    table = 0
    for group in groups_of(report.board, levels):
        table |= group.gives if group.chip is None else 0
    for number in range(report.seat.address_pins):
        bit = _alternating(1 << number)
        table &= bit if offset >> number & 1 else ALL ^ bit
    if not table:
        return {}
    first = (table & -table).bit_length() - 1
    found = {}
    for bit, line in enumerate(DATA_LINES):
        if line in report.board.lines:
            source = report.board.shown(report.board.lines[line], rw=True, lines=levels).source(first)
            if source:
                found[bit] = source
    return found


def _table(entries: dict[str, str]) -> str:
    return "{ " + ", ".join(f'{name} = "{line}"' for name, line in entries.items()) + " }"
