"""A card of logic parts: buffers that put bytes on the data lines, latches that take them, beside the machine file."""

from __future__ import annotations

from collections.abc import Mapping

import attrs

from simkit.contract.errors import SimkitError
from simkit.contract.registers import Register
from simkit.schematic.drivers import Group, Taker, groups_of, takers_of
from simkit.schematic.expected import Wanted, is_read, is_written, wanted
from simkit.schematic.found import (
    DATA_LINE,
    READ_STROBE,
    REGISTER_SELECT,
    SELECT,
    WRITE_STROBE,
    where,
)
from simkit.schematic.inputs import Inputs, labels_of, number_in
from simkit.schematic.report import Report


@attrs.frozen
class _Said:
    """What the machine file says in reads, in writes, and while PHI2 is low."""

    read: Wanted
    write: Wanted
    read_low: Wanted


class PortCheck:
    """Compares a board of buffers and latches."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._board = report.board

    def run(self) -> None:
        """Compare all of it."""
        for levels in self._report.cases():
            self._compare(levels)

    def _compare(self, levels: Mapping[str, bool]) -> None:
        report = self._report
        said = _Said(
            *(
                wanted(report.bus, report.seat, rw=rw, phi2=phi2, lines=levels)
                for rw, phi2 in ((True, True), (False, True), (True, False))
            )
        )
        registers = report.seat.registers
        if any("r" in register.access for register in registers):
            self._reads(said, [one for one in registers if "r" in one.access], levels)
        if is_written(report.seat) and report.card.kind in _LATCHED:
            self._writes(said, [one for one in registers if "w" in one.access], levels)

    # reads ------------------------------------------------------------------------------------------------------------

    def _reads(self, said: _Said, registers: list[Register], levels: Mapping[str, bool]) -> None:
        report = self._report
        places = {one.name: said.read.gives & said.read.at_offset(one.offset) for one in registers}
        want = 0
        for table in places.values():
            want |= table
        groups = self._own(groups_of(self._board, levels), want)
        seen = 0
        for group in groups:
            seen |= group.gives
        for net in dict.fromkeys(net for group in groups for net in group.enable_nets):
            for free in self._board.unsaid(net):
                report.note(
                    f"The enable at {self._board.netlist.at(net)} depends on {self._board.netlist.at(free)}, whose "
                    "level the schematic does not say; it is taken as its resistor pulls it, else as high."
                )
        report.compared[SELECT] = report.compared[READ_STROBE] = 1
        report.compared[REGISTER_SELECT] = max(report.compared[REGISTER_SELECT], len(registers))
        ignored = said.read.gives & ~want
        fighting = 0
        for group in groups:
            fighting |= group.in_writes & ~said.write.gives
        wrong = (seen ^ want) & ~ignored & ~(fighting & want)  # R/W the wrong way round is told as that
        refs = ", ".join(group.ref for group in groups)
        report.role(f"Bytes of slot {report.seat.slot} come to the data lines through {refs}.")
        beside = seen & ignored
        if wrong & want:
            wrong |= beside
        elif beside:
            report.note(
                f"The schematic answers at {where(beside)}, too, where the card is selected and has no register: a "
                "read there gives a byte on the board, and none in a run."
            )
        if wrong:
            self._answers(wrong, seen, want, said, groups, registers)
        if fighting:
            self._strobe(groups, fighting, "in writes, against the CPU")
        if any(one.read_effect for one in registers):
            early = 0
            for group in groups:
                early |= group.early & ~said.read_low.gives
            if early:
                self._strobe(groups, early, "while PHI2 is low, and a read of the card has effects")
        Inputs(report, registers, {name: table & seen for name, table in places.items()}, levels).run()

    def _own(self, groups: list[Group], want: int) -> list[Group]:
        """Buffers that are this card's: on a schematic of several, those that do not answer exactly as another does."""
        report = self._report
        found = [group for group in groups if group.chip is None]
        if not found:
            raise SimkitError(
                f"Nothing on the schematic puts a byte on the data lines, and the card in slot {report.seat.slot} "
                "is read.",
                file=self._board.netlist.file,
                slot=report.seat.slot,
                remedy="Name the netlist of this card; its buffers are known by their value, the lines by their nets.",
            )
        others = {
            seat.slot: wanted(report.bus, seat, rw=True, phi2=True, lines={}).gives
            for seat in report.bus.seats
            if seat.slot != report.seat.slot and is_read(seat)
        }
        is_pads = report.card.kind == "serial-pads"
        alike = [group for group in found if group.is_collector == is_pads] or found
        own = [
            group
            for group in alike
            if group.gives & want or not any(group.gives & ~other == 0 for other in others.values())
        ] or alike
        strangers = [group for group in found if group not in own]
        report.others |= {slot for slot, gives in others.items() if any(one.gives & gives for one in strangers)}
        return own

    def _answers(
        self, wrong: int, seen: int, want: int, said: _Said, groups: list[Group], registers: list[Register]
    ) -> None:
        report = self._report
        nets = [net for group in groups for net in group.enable_nets]
        refs = " and ".join(dict.fromkeys(group.ref for group in groups))
        put, parts = "put" if " and " in refs else "puts", []
        if wrong & seen:
            parts.append(f"{put} bytes on the data lines at {where(wrong & seen)}, where the machine file has none")
        if wrong & want:
            parts.append(f"{put} no byte there at {where(wrong & want)}, where the machine file has one")
        at = ", ".join(self._board.netlist.at(net) for net in dict.fromkeys(nets))
        inside = not wrong & ~said.read.selected
        names = [one.name for one in registers if wrong & said.read.at_offset(one.offset)]
        what = REGISTER_SELECT if inside else SELECT
        fields = [*(f"settings.{name}" for name in names), "settings"] if inside else ["select"]
        report.differ(
            what,
            f"{refs}, enabled by {at}, {', and '.join(parts)}.",
            fields=[*fields, "select"],
            remedy="Correct the decoder on the schematic, or the machine file: --propose prints what is wired.",
            table=wrong,
            nets=nets,
            pins=[group.ref for group in groups],
        )

    def _strobe(self, groups: list[Group], table: int, when: str) -> None:
        report = self._report
        nets = [net for group in groups for net in group.enable_nets]
        refs = " and ".join(dict.fromkeys(group.ref for group in groups))
        report.differ(
            READ_STROBE,
            f"{refs} {'put' if ' and ' in refs else 'puts'} bytes on the data lines at {where(table)} {when} "
            f"({', '.join(self._board.netlist.at(net) for net in dict.fromkeys(nets))}); the machine file has "
            f"output_enable = {report.card.output_enable!r}.",
            fields=("output_enable", "select"),
            remedy="Put R/W and PHI2 into the enable of the buffer, or correct output_enable.",
            table=table,
            nets=nets,
            pins=[group.ref for group in groups],
        )

    # writes -----------------------------------------------------------------------------------------------------------

    def _writes(self, said: _Said, registers: list[Register], levels: Mapping[str, bool]) -> None:
        report = self._report
        takers = list(takers_of(self._board, levels))
        want = 0
        for one in registers:
            want |= said.write.takes & said.write.at_offset(one.offset)
        own = self._own_takers(takers, want)
        if own is None:
            raise SimkitError(
                f"No latch on the schematic takes a byte from the data lines, and the card in slot {report.seat.slot} "
                "is written.",
                file=self._board.netlist.file,
                slot=report.seat.slot,
                remedy="Name the netlist of this card; its latch is known by its value, the lines by their nets.",
            )
        report.role(f"{own.ref} is taken for the latch of slot {report.seat.slot}.")
        report.compared[SELECT] = report.compared[WRITE_STROBE] = 1
        wrong = own.takes ^ want
        nets, pin = [own.clock_net], self._board.netlist.pin(own.ref, str(own.clock))
        if own.backwards & want:
            report.differ(
                WRITE_STROBE,
                f"{pin} rises at the beginning of the strobe at {where(own.backwards & want)}, when data are not valid "
                f"({self._board.netlist.at(own.clock_net)}); the machine file has a write end with it.",
                fields=("write_enable", "select"),
                remedy="Invert the clock.",
                table=own.backwards & want,
                nets=nets,
                pins=[pin],
            )
        elif wrong:
            parts = []
            if wrong & own.takes:
                parts.append(f"takes bytes at {where(wrong & own.takes)}, where the machine file has none")
            if wrong & want:
                parts.append(f"takes none at {where(wrong & want)}, where the machine file has one")
            report.differ(
                SELECT,
                f"{own.ref}, clocked by {self._board.netlist.at(own.clock_net)}, {', and '.join(parts)}.",
                fields=("select", "write_enable"),
                remedy="Correct the decoder on the schematic, or select: --propose prints what is wired.",
                table=wrong,
                nets=nets,
                pins=[pin],
            )
        if own.in_reads & ~wanted(report.bus, report.seat, rw=True, phi2=True, lines=levels).takes:
            report.differ(
                WRITE_STROBE,
                f"{own.ref} takes bytes in reads, too, at {where(own.in_reads)} "
                f"({self._board.netlist.at(own.clock_net)}); the machine file has write_enable = "
                f"{report.card.write_enable!r}.",
                fields=("write_enable", "select"),
                remedy="Put R/W into its clock, or correct write_enable.",
                table=own.in_reads,
                nets=nets,
                pins=[pin],
            )
        self._latched(own, registers, want, levels)

    def _own_takers(self, takers: list[Taker], want: int) -> Taker | None:
        """The latch that is this card's: of several the one that comes nearest."""
        return min(takers, key=lambda one: ((one.takes ^ want).bit_count(), one.ref), default=None)

    def _latched(self, own: Taker, registers: list[Register], want: int, levels: Mapping[str, bool]) -> None:
        report, card = self._report, self._report.card
        for one in registers:
            for q, line in own.lines.items():
                bit = int(line[1:])
                at = self._board.net_at(own.ref, str(q))
                if at is None:
                    continue
                labels = labels_of(self._board, f"{own.ref}.{q}")
                meant = _bit_called(one, card.lines, labels, at, self._board.lines)
                if meant is None:
                    continue
                report.compared[DATA_LINE] += 1
                report.followed |= {card.lines.get(one.bits[meant], "")}
                pin = next((n for n in range(8) if card.wires.get(f"D{n}", f"D{n}") == line), bit)
                if meant != pin:
                    report.differ(
                        DATA_LINE,
                        f"{self._board.netlist.at(at)} follows {line}; the machine file has bit {meant} "
                        f"({one.bits[meant]}) there.",
                        fields=("wires", f"lines.{one.bits[meant]}", "lines", "settings", "select"),
                        remedy=f"Exchange the wires at {own.ref}, or say so in wires.",
                        table=want,
                        nets=[at, self._board.lines.get(line)],
                        pins=[f"{own.ref}.{q}"],
                    )


_LATCHED = ("led-row", "bank-latch")
"""Kinds of cards that are a latch at an address."""


def _bit_called(
    register: Register, joined: Mapping[str, str], labels: tuple[str, ...], net: str, lines: Mapping[str, str]
) -> int | None:
    """The bit that an output is by what its net is called, or by the line it is joined to."""
    for bit, name in enumerate(register.bits):
        line = joined.get(name)
        if line is not None and lines.get(line) == net:
            return bit
    names = labels[:1]
    for bit, name in enumerate(register.bits):
        if name and any(name.upper() == label.upper() for label in names):
            return bit
    numbers = {number_in(label) for label in names}
    number = next(iter(numbers)) if len(numbers) == 1 else None
    return number if number is not None and number < len(register.bits) else None
