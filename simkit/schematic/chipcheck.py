"""A card that is one chip on the bus: its selects, address pins, data pins and strobes, beside the machine file."""

from __future__ import annotations

from collections.abc import Mapping

from simkit.backplane.select import ALL, address_bit
from simkit.schematic.board import DATA_LINES, Shown
from simkit.schematic.chips import Chip, acts, numbered
from simkit.schematic.drivers import groups_of
from simkit.schematic.expected import Wanted, is_read, is_written, wanted
from simkit.schematic.found import DATA_LINE, READ_STROBE, REGISTER_SELECT, SELECT, WRITE_STROBE, where
from simkit.schematic.report import Report

_READ, _WRITE = (True, True), (False, True)
_WORDS = {
    (True, True): "in reads",
    (False, True): "in writes",
    (True, False): "in reads while PHI2 is low",
    (False, False): "in writes while PHI2 is low",
}
State = tuple[bool, bool]
"""R/W and PHI2."""


class ChipCheck:
    """Compares one chip."""

    def __init__(self, report: Report, chip: Chip) -> None:
        self._report = report
        self._chip = chip
        self._board = report.board
        self._told: set[str] = set()
        self._numbers = numbered(chip.pins)

    def run(self) -> None:
        """Compare all of it, with each combination of the lines that cards drive into the select."""
        for levels in self._report.cases():
            self._compare(levels)
        self._unsaid()

    def seen(self, state: State, levels: Mapping[str, bool]) -> tuple[int, int, int]:
        """Where the chip is selected, gives and takes."""
        found = self._board.levels(rw=state[0], phi2=state[1], lines=levels).levels
        return acts(self._chip.card, self._numbers, _PinLevels(self, found), ALL)

    def _compare(self, levels: Mapping[str, bool]) -> None:
        report = self._report
        said = {
            (rw, phi2): wanted(report.bus, report.seat, rw=rw, phi2=phi2, lines=levels)
            for rw in (True, False)
            for phi2 in (True, False)
        }
        seen = {state: self.seen(state, levels) for state in said}
        wrong = self._access(said, seen, levels)
        self._transceivers(wrong, levels)
        agreed = said[_READ].selected & ~wrong
        self._address_pins(said[_READ], agreed, levels)
        if is_read(report.seat):
            self._reads(said[_READ].gives & seen[_READ][1], levels)
        if is_written(report.seat):
            self._writes(said[_WRITE].takes & seen[_WRITE][2], levels)

    # select and strobes -----------------------------------------------------------------------------------------------

    def _access(
        self, said: Mapping[State, Wanted], seen: Mapping[State, tuple[int, int, int]], levels: Mapping[str, bool]
    ) -> int:
        """Where select or strobes differ."""
        report = self._report
        reads = (seen[_READ][1] ^ said[_READ].gives) if is_read(report.seat) else 0
        writes = (seen[_WRITE][2] ^ said[_WRITE].takes) if is_written(report.seat) else 0
        if self.selects():
            select = (seen[_READ][0] ^ said[_READ].selected) & (reads | writes)
            select |= (seen[_WRITE][0] ^ said[_WRITE].selected) & (reads | writes) & writes
        else:  # it is selected by its strobes: where both are wrong, and not only exchanged
            both = reads & writes if is_read(report.seat) and is_written(report.seat) else reads | writes
            touched = seen[_READ][1] | seen[_READ][2] | seen[_WRITE][1] | seen[_WRITE][2]
            select = both & (touched ^ (said[_READ].gives | said[_WRITE].takes))
        if select:
            self._select(select, said[_READ].selected, levels)
        report.compared[SELECT] = 1
        for what, table in ((READ_STROBE, reads & ~select), (WRITE_STROBE, writes & ~select)):
            if table:
                self._strobe(what, table, said[_READ].selected, _READ if what == READ_STROBE else _WRITE, never=True)
        for state in said:
            gives, takes = seen[state][1] & ~said[state].gives, seen[state][2] & ~said[state].takes
            if state == _WRITE and gives & ~select:
                self._strobe(READ_STROBE, gives & ~select, said[_READ].selected, state, never=False)
            if state != _WRITE and is_written(report.seat) and takes & ~select:
                self._strobe(WRITE_STROBE, takes & ~select, said[_READ].selected, state, never=False)
        report.compared[READ_STROBE] = int(is_read(report.seat))
        report.compared[WRITE_STROBE] = int(is_written(report.seat))
        return reads | writes

    def selects(self) -> list[str]:
        """Names of the chip selects that the chip has on the schematic."""
        return [name for name in self._chip.card.board.chip_selects if name in self._chip.pins]

    def _select(self, table: int, selected: int, levels: Mapping[str, bool]) -> None:
        report, names = self._report, self.selects() or self._strobes()
        more, fewer = table & ~selected, table & selected
        parts = []
        if more:
            parts.append(f"is selected at {where(more)}, where the machine file does not select it")
        if fewer:
            parts.append(f"is not selected at {where(fewer)}, where the machine file selects it")
        nets = [self._net(name) for name in names]
        there = f" with {_said(levels)}" if levels else ""
        report.differ(
            SELECT,
            f"{self._chip.ref}, by {self._at(names)}, {', and '.join(parts)}{there}.",
            fields=("select", "not_select"),
            remedy="Correct the decoder on the schematic, or select and not_select: --propose prints what is wired.",
            table=table,
            nets=nets,
            pins=[self._pin(name) for name in names],
        )

    def _strobes(self) -> list[str]:
        return [name for name in ("OE", "WE", "RW") if name in self._chip.pins]

    def _strobe(self, what: str, table: int, selected: int, state: State, *, never: bool) -> None:
        report = self._report
        pins = self._chip.pins
        first = ("OE",) if what == READ_STROBE else ("WE",)
        names = [name for name in (*first, "RW", "PHI2") if name in pins] or self._strobes() or self.selects()
        missing = table & selected if never else 0
        said = "gives no byte" if what == READ_STROBE else "takes no byte"
        does = "gives a byte" if what == READ_STROBE else "takes a byte"
        key = "output_enable" if what == READ_STROBE else "write_enable"
        expression = report.card.output_enable if what == READ_STROBE else report.card.write_enable
        verb = said if missing else does
        told = f"{self._chip.ref}, by {self._at(names)}, {verb} {_WORDS[state]} at {where(missing or table)}"
        report.differ(
            what,
            f"{told}; the machine file has {key} = {expression!r}.",
            fields=(key, "select"),
            remedy=f"Correct the gates before {self._pin(names[0])}, or {key}.",
            table=missing or table,
            nets=[self._net(name) for name in names],
            pins=[self._pin(name) for name in names],
        )

    def _transceivers(self, wrong: int, levels: Mapping[str, bool]) -> None:
        """Transceivers that drive the data lines of the bus where no card behind them gives a byte."""
        report = self._report
        slots = {chip.card.slot for chip in self._board.chips.values()} | report.others
        behind = 0
        for seat in report.bus.seats:
            if seat.slot in slots:
                behind |= wanted(report.bus, seat, rw=True, phi2=True, lines=levels).gives
        for group in groups_of(self._board, levels):
            table = group.enabled & ~behind & ~wrong
            if group.chip == self._chip.ref and table:
                at = ", ".join(self._board.netlist.at(net) for net in group.enable_nets) or "always"
                report.differ(
                    READ_STROBE,
                    f"{group.ref}, enabled by {at}, drives the data lines in reads at {where(table)}, against whoever "
                    "answers there; the machine file has nobody behind it give a byte.",
                    fields=("select", "output_enable"),
                    remedy=f"Put the select of the card into the enable of {group.ref}.",
                    table=table,
                    nets=group.enable_nets,
                    pins=[group.ref],
                )

    # address and data pins --------------------------------------------------------------------------------------------

    def _address_pins(self, said: Wanted, agreed: int, levels: Mapping[str, bool]) -> None:
        report = self._report
        found = self._board.levels(rw=True, phi2=True, lines=levels).levels
        for number, table in enumerate(said.address_pins):
            name = f"A{number}"
            if name not in self._chip.pins:
                report.note(f"{self._chip.ref} has no pin {name} on the schematic.")
                continue
            net = self._net(name)
            seen = ALL if net is None else found.get(net, ALL)
            wrong = (seen ^ table) & (agreed or said.selected)
            report.compared[REGISTER_SELECT] = max(report.compared[REGISTER_SELECT], number + 1)
            if wrong:
                at = f"net {net!r}" if net is not None else "no net"
                report.differ(
                    REGISTER_SELECT,
                    f"{self._pin(name)} carries {_line(seen, net)} ({at}); the machine file has {_line(table, None)} "
                    "there.",
                    fields=(f"wires.{name}", "wires", "select"),
                    remedy=f"Join {self._pin(name)} to {_line(table, None)}, or write wires = {{ {name} = "
                    f'"{_line(seen, None)}" }}.',
                    table=wrong,
                    nets=[net],
                    pins=[self._pin(name)],
                )

    def _reads(self, where_read: int, levels: Mapping[str, bool]) -> None:
        if not where_read:
            return
        wires = self._report.card.wires
        for number, line in enumerate(DATA_LINES):
            if line not in self._board.lines:
                self._report.note(f"No net is called {line}: this data line was not compared.")
                continue
            shown = self._board.shown(self._board.lines[line], rw=True, lines=levels)
            pins = [f"D{n}" for n in range(8) if wires.get(f"D{n}", f"D{n}") in (line, f"not {line}")]
            if len(pins) != 1:
                continue
            inverted = wires.get(pins[0], "").startswith("not ")
            self._report.compared[DATA_LINE] = max(self._report.compared[DATA_LINE], number + 1)
            source = f"{self._chip.ref}.{self._chip.pins[pins[0]]}"
            right = shown.shows(source) & (shown.base if inverted else ALL ^ shown.base)
            wrong = where_read & ~right
            if wrong:
                self._told.add(pins[0])
                self._data(line, pins[0], shown, wrong, "reads")

    def _data(self, line: str, pin: str, shown: Shown, wrong: int, when: str) -> None:
        report = self._report
        first = (wrong & -wrong).bit_length() - 1
        source = shown.source(first)
        shows = self._source(source) if source else "nothing that the schematic says"
        if source and shown.is_inverted(first):
            shows += ", inverted"
        if when == "reads":
            text = f"In reads line {line} shows {shows} at {where(wrong)}; the machine file has pin {pin} there"
        else:
            shows = source or "nothing"
            text = f"In writes {self._pin(pin)} gets {shows} at {where(wrong)}; the machine file has {line} there"
        report.differ(
            DATA_LINE,
            f"{text} ({self._at([pin])}).",
            fields=(f"wires.{pin}", "wires", "select"),
            remedy=f"Join {self._pin(pin)} to {line}, through its buffer where it has one, or say so in wires.",
            table=wrong,
            nets=[self._net(pin), self._board.lines.get(line)],
            pins=[self._pin(pin)],
        )

    def _writes(self, where_written: int, levels: Mapping[str, bool]) -> None:
        if not where_written:
            return
        wires = self._report.card.wires
        for pin in DATA_LINES:
            net = self._net(pin)
            line = wires.get(pin, pin)
            inverted = line.startswith("not ")
            line = line.removeprefix("not ")
            if net is None or line not in self._board.lines:
                continue
            shown = self._board.data_shown(net, lines=levels)
            right = shown.shows(line) & (shown.base if inverted else ALL ^ shown.base)
            wrong = where_written & ~right
            if wrong and pin not in self._told:
                self._data(line, pin, shown, wrong, "writes")

    # words ------------------------------------------------------------------------------------------------------------

    def _net(self, name: str) -> str | None:
        return self._board.net_at(self._chip.ref, self._chip.pins[name])

    def _pin(self, name: str) -> str:
        return self._board.netlist.pin(self._chip.ref, self._chip.pins[name])

    def _at(self, names: list[str]) -> str:
        found = []
        for name in names:
            net = self._net(name)
            found.append(f"{self._pin(name)} at {f'net {net!r}' if net is not None else 'no net'}")
        return ", ".join(found)

    def _source(self, source: str) -> str:
        ref, dot, number = source.rpartition(".")
        if dot and ref in self._board.network.parts:
            return self._board.netlist.pin(ref, number)
        return self._board.netlist.at(source)

    def _unsaid(self) -> None:
        """Nets on which the select depends and whose level nobody knows."""
        for name in (*self.selects(), *self._strobes()):
            net = self._net(name)
            for free in self._board.unsaid(net) if net is not None else ():
                self._report.note(
                    f"{self._pin(name)} depends on {self._board.netlist.at(free)}, whose level the schematic does not "
                    "say; it is taken as its resistor pulls it, else as high."
                )


class _PinLevels(dict[int, int]):
    """Tables by pin number; a pin that is joined to nothing is high."""

    def __init__(self, check: ChipCheck, levels: Mapping[str, int]) -> None:
        super().__init__()
        self._check = check
        self._tables = levels

    def __missing__(self, number: int) -> int:
        board, ref = self._check._board, self._check._chip.ref
        net = board.net_at(ref, str(number))
        return ALL if net is None else self._tables.get(net, ALL)


def line_of(table: int) -> str:
    """The line that a table is, as a machine file says it; "" for none."""
    for number in range(16):
        if table == address_bit(number):
            return f"A{number}"
        if table == ALL ^ address_bit(number):
            return f"not A{number}"
    return {0: "GND", ALL: "VCC"}.get(table, "")


def _line(table: int, net: str | None) -> str:
    return line_of(table) or (f"what net {net!r} has" if net is not None else "something else")


def _said(levels: Mapping[str, bool]) -> str:
    return ", ".join(f"{line} {'high' if level else 'low'}" for line, level in levels.items())
