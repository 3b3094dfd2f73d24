"""The lines of a machine file for a card as its schematic is wired."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from simkit.backplane.covers import cover
from simkit.backplane.select import ALL, address_bit
from simkit.contract.errors import SimkitError
from simkit.contract.lines import Drive
from simkit.machine.machine import Machine
from simkit.schematic.board import DATA_LINES
from simkit.schematic.chipcheck import ChipCheck, line_of
from simkit.schematic.chips import Chip
from simkit.schematic.drivers import groups_of, takers_of
from simkit.schematic.expected import combinations, driven_lines, is_read
from simkit.schematic.inputs import collected, labels_of
from simkit.schematic.linecheck import lines_pulled, pullers
from simkit.schematic.netlist import Netlist
from simkit.schematic.report import Report
from simkit.schematic.roles import looked_at
from simkit.schematic.switches import switched


def propose(machine: Machine, slot: int, netlist: Netlist) -> list[str]:
    """A card's table with select, wires, lines and settings as the schematic has them; what is not found is left out.

    Raises:
        SimkitError: as `check_netlist`.
    """
    report, chip = looked_at(machine, slot, netlist)
    lines = ["[[card]]", f"slot = {slot}", f'kind = "{report.card.kind}"']
    if nets := switched(report):
        lines.append(f"# Switches at {', '.join(nets)} are taken as their resistors pull them.")
    return [*lines, *(_of_board(report) if chip is None else _of_chip(report, chip))]


def _banking(report: Report) -> tuple[str, ...]:
    """Lines that cards drive, in the machine file, into the select, as far as they are on the schematic."""
    return tuple(line for line in driven_lines(report.bus, report.seat) if line in report.board.lines)


def _select(report: Report, table_of: Callable[[Mapping[str, bool]], int]) -> Iterator[str]:
    try:
        found = cover(_banking(report), table_of)
    except SimkitError as error:
        yield f"# No select: {error.message}"
        return
    yield f'select = "{found.select[0]}"' if len(found.select) == 1 else f"select = {_list(found.select)}"
    if found.not_select:
        yield f"not_select = {_list(found.not_select)}"


def _list(texts: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{text}"' for text in texts) + "]"


def _busy(report: Report, table_of: Callable[[Mapping[str, bool]], int]) -> dict[str, bool]:
    """Levels of the lines that cards drive with which it answers somewhere; all low if it never does."""
    cases = combinations(report.bus, _banking(report))
    return next((levels for levels in cases if table_of(levels)), cases[0])


def _of_chip(report: Report, chip: Chip) -> Iterator[str]:
    check = ChipCheck(report, chip)

    def gives(levels: Mapping[str, bool]) -> int:
        return check.seen((True, True), levels)[1]

    def selected(levels: Mapping[str, bool]) -> int:
        table = check.seen((True, True), levels)[0]
        return table if check.selects() and table != ALL else gives(levels) | check.seen((False, True), levels)[2]

    yield from _select(report, selected)
    levels = _busy(report, gives)
    wires = {}
    found = report.board.levels(rw=True, phi2=True, lines=levels).levels
    for number in range(report.seat.address_pins):
        net = report.board.net_at(chip.ref, chip.pins[f"A{number}"]) if f"A{number}" in chip.pins else None
        if net is not None and (line := line_of(found.get(net, ALL))) not in ("", f"A{number}"):
            wires[f"A{number}"] = line
    if gives(levels) and is_read(report.seat):
        wires |= _data_wires(report, chip, gives(levels), levels)
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


def _data_wires(report: Report, chip: Chip, gives: int, levels: Mapping[str, bool]) -> dict[str, str]:
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


def _of_board(report: Report) -> Iterator[str]:
    address_pins = report.seat.address_pins

    def answers(levels: Mapping[str, bool]) -> int:
        table = _given(report, levels)
        if not table:
            table = next((one.takes for one in takers_of(report.board, levels)), 0)
        return _whole(table, address_pins)

    yield from _select(report, answers)
    outputs = [pin.name for pin in report.card.board.pins if pin.drive is not Drive.INPUT]
    pulled = [line for line in ("IRQ", "NMI") if line in report.board.lines and pullers(report.board, line)]
    joined = _latched(report, _busy(report, answers))
    if len(outputs) == 1 and pulled:
        joined[outputs[0]] = pulled[0]
    if joined:
        yield f"lines = {_table(joined)}"
    yield from _settings(report, _busy(report, answers))


def _latched(report: Report, levels: Mapping[str, bool]) -> dict[str, str]:
    """Lines at the outputs of a latch, by the bit that the latch takes for them."""
    names = {net: line for line, net in report.board.lines.items()}
    register = next((one for one in report.seat.registers if one.is_port and "w" in one.access), None)
    taker = next(takers_of(report.board, levels), None)
    if register is None or taker is None:
        return {}
    joined = {}
    for q, line in taker.lines.items():
        net = report.board.net_at(taker.ref, str(q))
        if net in names and (bit := int(line[1:])) < len(register.bits):
            joined[register.bits[bit]] = names[net]
    return dict(sorted(joined.items()))


def _given(report: Report, levels: Mapping[str, bool]) -> int:
    """Where buffers that are no chip's give a byte; of a pads card those behind its collectors."""
    groups = [group for group in groups_of(report.board, levels) if group.chip is None]
    if report.card.kind == "serial-pads" and any(group.is_collector for group in groups):
        groups = [group for group in groups if group.is_collector]
    table = 0
    for group in groups:
        table |= group.gives
    return table


def _whole(table: int, address_pins: int) -> int:
    """A table and all addresses that differ in lines of the register select alone."""
    for number in range(address_pins):
        step = 1 << number
        mask = address_bit(number)
        high = table & mask
        low = table & (ALL ^ mask)
        table = high | low | high >> step | low << step
    return table


def _settings(report: Report, levels: Mapping[str, bool]) -> Iterator[str]:
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


def _at_offset(report: Report, offset: int, levels: Mapping[str, bool]) -> dict[int, str]:
    """What each data line shows at the first address at which the card gives a byte with this offset."""
    table = _given(report, levels)
    for number in range(report.seat.address_pins):
        bit = address_bit(number)
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
