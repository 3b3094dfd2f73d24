"""Which input of a board comes out as which bit: by the names of its nets and pins, or by its place in a collector."""

from __future__ import annotations

import re
from collections.abc import Mapping

from simkit.contract.registers import Register
from simkit.schematic.board import DATA_LINES, Board, Shown
from simkit.schematic.found import DATA_LINE, INPUT_ORDER, REGISTER_SELECT, where
from simkit.schematic.lines import is_connector
from simkit.schematic.netlist import is_named, plain_name
from simkit.schematic.padclocks import check_clocks
from simkit.schematic.report import Report

_COLLECTOR = "74595"
_STAGES = (15, 1, 2, 3, 4, 5, 6, 7)
"""Outputs QA to QH of a 74595."""
_SERIAL = 14
_EMPTY = ("GND", "VSS", "VCC", "VDD")


class Inputs:
    """Compares the bits of a card's read registers.

    Args:
        report: told what is found.
        registers: that can be read.
        places: by register the addresses at which it answers, on the schematic and in the machine file.
        levels: of lines that cards drive.
    """

    def __init__(
        self, report: Report, registers: list[Register], places: Mapping[str, int], levels: Mapping[str, bool]
    ) -> None:
        self._report = report
        self._board = report.board
        self._registers = registers
        self._places = places
        self._shown = {
            line: self._board.shown(self._board.lines[line], rw=True, lines=levels)
            for line in DATA_LINES
            if line in self._board.lines
        }

    def run(self) -> None:
        """Compare them all."""
        found = {one.name: self._sources(one) for one in self._registers if self._places[one.name]}
        if any(self._elsewhere(one, found) for one in self._registers if one.name in found and any(one.bits)):
            return  # what follows from that is not told besides
        for one in self._registers:
            sources = found.get(one.name)
            if sources is None:
                continue
            driven = {bit: source for bit, source in sources.items() if one.driven >> bit & 1}
            if driven and all(stage_of(self._board, source) is not None for source in driven.values()):
                self._tell_missing(one, driven)
                self._collected(one, driven)
            elif any(one.bits):
                self._named(one, sources)
            else:
                self._tell_missing(one, driven)
                self._numbered(one, driven)

    def _sources(self, register: Register) -> dict[int, str]:
        """The source that each bit shows; a driven bit that shows several within the register's addresses is told."""
        table = self._places[register.name]
        first = (table & -table).bit_length() - 1
        wires = self._report.card.wires
        found = {}
        for bit in range(8):
            line = wires.get(f"D{bit}", f"D{bit}").removeprefix("not ")
            if line not in self._shown:
                continue
            shown = self._shown[line]
            source = shown.source(first)
            if source:
                found[bit] = source
                wrong = table & ~shown.shows(source)
                if wrong and register.driven >> bit & 1:
                    self._mixed(register, line, shown, wrong)
        return found

    def _mixed(self, register: Register, line: str, shown: Shown, wrong: int) -> None:
        first = (wrong & -wrong).bit_length() - 1
        source = shown.source(first)
        self._report.differ(
            DATA_LINE,
            f"Line {line} shows {self._at(source) if source else 'nothing known'} at {where(wrong)} and something else "
            f"at other addresses of {register.name}; the machine file has one register there.",
            fields=("select", "settings"),
            remedy="Correct the decoder or the buffers.",
            table=wrong,
            nets=[self._board.net_of_source(source) if source else None],
        )

    # collectors -------------------------------------------------------------------------------------------------------

    def _collected(self, register: Register, sources: Mapping[int, str]) -> None:
        """Stages of a shift register: their order is the setting bit_order, which collector it is the pad's socket."""
        report = self._report
        report.compared[INPUT_ORDER] += len(sources)
        is_reversed = getattr(report.card.settings, "bit_order", "first-bit-high") == "first-bit-low"
        stages = {bit: stage_of(self._board, source) or 0 for bit, source in sources.items()}
        wrong = [bit for bit, stage in stages.items() if stage != (7 - bit if is_reversed else bit)]
        if wrong:
            other = "first-bit-high" if is_reversed else "first-bit-low"
            swapped = all(stages[bit] == (bit if is_reversed else 7 - bit) for bit in stages)
            shown = [f"D{bit} shows {self._at(sources[bit])}" for bit in wrong[:4]]
            setting = getattr(report.card.settings, "bit_order", "")
            report.differ(
                INPUT_ORDER,
                f"In {register.name}, {', '.join(shown)}{f' and {len(wrong) - 4} more' if len(wrong) > 4 else ''}; the "
                f"machine file has bit_order = {setting!r}.",
                fields=("settings.bit_order", "settings", "wires"),
                remedy=f'Write bit_order = "{other}", or turn the wires of the collector round.'
                if swapped
                else "Exchange the wires of the collector, or say so in wires.",
                table=self._places[register.name],
                nets=[self._board.net_of_source(sources[bit]) for bit in wrong],
                pins=[sources[bit] for bit in wrong],
            )
        self._sense(register, sources)
        self._which(register, sources)
        for ref in sorted({source.rpartition(".")[0] for source in sources.values()}):
            check_clocks(report, ref)

    def _sense(self, register: Register, sources: Mapping[int, str]) -> None:
        sense = getattr(self._report.card.settings, "sense", "")
        if not sense:
            return
        table = self._places[register.name]
        first = (table & -table).bit_length() - 1
        inverted = [bit for bit in sources if f"D{bit}" in self._shown and self._shown[f"D{bit}"].is_inverted(first)]
        if bool(inverted) != (sense == "inverted") or len(inverted) not in (0, len(sources)):
            self._report.differ(
                INPUT_ORDER,
                f"In {register.name}, {f'{len(inverted)} bits are' if inverted else 'no bit is'} inverted on the way; "
                f"the machine file has sense = {sense!r}.",
                fields=("settings.sense", "settings"),
                remedy=f'Write sense = "{"inverted" if inverted else "active-low"}", or take the other buffer.',
                table=table,
                nets=[self._board.net_of_source(source) for source in sources.values()],
            )

    def _which(self, register: Register, sources: Mapping[int, str]) -> None:
        report = self._report
        refs = {source.rpartition(".")[0] for source in sources.values()}
        wanted = number_in(register.name)
        if len(refs) != 1 or wanted is None:
            return
        ref = refs.pop()
        net = self._board.network.parts[ref].nets.get(_SERIAL)
        number = _pad_in(net)
        if number is None or net is None:
            report.note(
                f"The net at {ref}.{_SERIAL} is called after neither pad 1 nor 2: which it is was not compared."
            )
            return
        report.compared[REGISTER_SELECT] += 1
        if number != wanted:
            report.differ(
                REGISTER_SELECT,
                f"At {where(self._places[register.name])} stands what comes in at {self._board.netlist.at(net)}, "
                f"collected by {ref}; the machine file has {register.name} there.",
                fields=(f"settings.{register.name}", "settings"),
                remedy=f"Exchange port_1 and port_2, or the enables of the buffers behind {ref}.",
                table=self._places[register.name],
                nets=[net],
                pins=[f"{ref}.{_SERIAL}"],
            )

    # inputs with names or numbers -------------------------------------------------------------------------------------

    def _named(self, register: Register, sources: Mapping[int, str]) -> None:
        """Bits that are called as nets or pins are: "ready" and READY."""
        report, unknown = self._report, []
        labels = {bit: labels_of(self._board, source) for bit, source in sources.items()}
        for bit, name in enumerate(register.bits):
            if not name:
                continue
            at = next((other for other, texts in labels.items() if _is_called(name, texts)), None)
            if at is None and bit not in sources and f"D{bit}" in self._shown:
                self._constant(register, bit)
                continue
            if at is None:
                unknown.append(name)
                continue
            report.compared[INPUT_ORDER] += 1
            if at != bit and not _is_called(name, labels.get(bit, ())):
                setting = _setting(report.card.settings, name)
                report.differ(
                    INPUT_ORDER,
                    f"{self._at(sources[at])} comes out as bit {at} of {register.name}; the machine file has {name} at "
                    f"bit {bit}.",
                    fields=(f"settings.{setting}", "settings", "wires", "select"),
                    remedy=f"Join it to the input for D{bit}, or write {setting} = {at}."
                    if setting
                    else f"Join it to the input for D{bit}.",
                    table=self._places[register.name],
                    nets=[self._board.net_of_source(sources[at])],
                    pins=[source for source in (sources[at],) if "." in source],
                )
        if unknown:
            report.note(f"No net or pin is called as {', '.join(unknown)} of {register.name}: not compared.")

    def _tell_missing(self, register: Register, sources: Mapping[int, str]) -> None:
        """Bits of a register without names that show no input."""
        for bit in range(8):
            if register.driven >> bit & 1 and bit not in sources and f"D{bit}" in self._shown:
                self._constant(register, bit)

    def _constant(self, register: Register, bit: int) -> None:
        report = self._report
        table = self._places[register.name]
        if self._shown[f"D{bit}"].is_joined((table & -table).bit_length() - 1):
            report.note(f"Line D{bit} shows several inputs of {register.name} joined by gates: it was not compared.")
            return
        name = register.bits[bit] if register.bits else ""
        report.differ(
            INPUT_ORDER,
            f"Line D{bit} shows no input at {where(self._places[register.name])}; the machine file has "
            f"{name or 'a bit'} there, bit {bit} of {register.name}.",
            fields=(f"settings.{_setting(report.card.settings, name)}", "settings", "wires", "select"),
            remedy="Join the input to the buffer, or take the bit out of the machine file.",
            table=self._places[register.name],
            nets=[self._board.lines.get(f"D{bit}")],
        )

    def _elsewhere(self, register: Register, found: Mapping[str, dict[int, str]]) -> bool:
        """Whether none of its bits is there, and some are in another register; that is told."""
        names = [name for name in register.bits if name]

        def called(sources: Mapping[int, str]) -> list[str]:
            labels = {source: labels_of(self._board, source) for source in sources.values()}
            return [source for source, texts in labels.items() if any(_is_called(name, texts) for name in names)]

        if called(found[register.name]):
            return False
        for other, sources in found.items():
            hits = called(sources)
            if hits:
                self._report.differ(
                    REGISTER_SELECT,
                    f"{self._at(hits[0])} is read at {where(self._places[other])}; the machine file has "
                    f"{register.name} at {where(self._places[register.name])} and {other} there.",
                    fields=("wires.A0", "wires", "select"),
                    remedy="Exchange the enables of the buffers, or say in wires which address line reaches the card.",
                    table=self._places[register.name] | self._places[other],
                    nets=[self._board.net_of_source(hits[0])],
                )
                return True
        return False

    def _numbered(self, register: Register, sources: Mapping[int, str]) -> None:
        """Inputs with numbers: the lowest belongs to bit 0."""
        report = self._report
        numbers = {}
        for bit, source in sources.items():
            found = [number for text in labels_of(self._board, source) if (number := number_in(text)) is not None]
            if found:
                numbers[bit] = found[0]
        if len(numbers) < 2 or len(set(numbers.values())) != len(numbers):
            report.note(f"The inputs of {register.name} have no numbers in their names: their order was not compared.")
            return
        report.compared[INPUT_ORDER] += len(numbers)
        offset = min(numbers.values()) - min(numbers) if len(numbers) < 8 else min(numbers.values())
        wrong = [bit for bit, number in numbers.items() if number - offset != bit]
        if wrong:
            shown = [f"D{bit} shows {self._at(sources[bit])}" for bit in wrong[:4]]
            report.differ(
                INPUT_ORDER,
                f"In {register.name}, {', '.join(shown)}{f' and {len(wrong) - 4} more' if len(wrong) > 4 else ''}; the "
                "machine file has the bits in order.",
                fields=("wires", "settings", "select"),
                remedy="Exchange the wires at the buffer, or say so in wires.",
                table=self._places[register.name],
                nets=[self._board.net_of_source(sources[bit]) for bit in wrong],
                pins=[source for bit in wrong if "." in (source := sources[bit])],
            )

    def _at(self, source: str) -> str:
        net = self._board.net_of_source(source)
        if net == source:
            return self._board.netlist.at(net)
        ref, _, number = source.rpartition(".")
        kind = self._board.network.parts[ref].type
        at = f" at net {net!r}" if net is not None else ""
        return f"{kind.pins[int(number)].name} of {ref} (pin {number}{at})"


def stage_of(board: Board, source: str) -> int | None:
    """Which stage of a collector a source is, 0 for QA; None if it is none."""
    ref, _, pin = source.rpartition(".")
    part = board.network.parts.get(ref)
    if part is None or part.type.name != _COLLECTOR or int(pin) not in _STAGES:
        return None
    return _STAGES.index(int(pin))


def collected(board: Board, sources: Mapping[int, str]) -> tuple[int, bool] | None:
    """Which pad eight bits are, by the number at its collector, and whether QH stands at D0; None if they are none."""
    stages = [stage_of(board, sources[bit]) for bit in sorted(sources)]
    refs = {source.rpartition(".")[0] for source in sources.values()}
    if stages not in ([*range(8)], [*range(7, -1, -1)]) or len(refs) != 1:
        return None
    net = board.network.parts[refs.pop()].nets.get(_SERIAL)
    number = _pad_in(net)
    return None if number is None else (number, stages[0] == 7)


def _pad_in(net: str | None) -> int | None:
    """The pad that a net is called after: the one number of 1 and 2 in its name."""
    numbers = {int(text) for text in re.findall(r"\d+", plain_name(net))} & {1, 2} if net and is_named(net) else set()
    return numbers.pop() if len(numbers) == 1 else None


def labels_of(board: Board, source: str) -> tuple[str, ...]:
    """What a source is called: its net, then the pins there of parts that are no logic, then connectors."""
    net = board.net_of_source(source)
    if net is None:
        return ()
    found = [plain_name(net)] if is_named(net) else []
    behind: list[str] = []
    for name in board.all_names(net):
        if name != net and is_named(name):
            found.append(plain_name(name))
        for ref, number in board.netlist.nets[name].pins if name in board.netlist.nets else ():
            component = board.netlist.components[ref]
            if ref not in board.network.parts or ref in board.chips:
                label = component.pin_names.get(number, "")
                (behind if is_connector(ref) else found).append(label)
    return tuple(text for text in (*found, *behind) if text and text.upper() not in _EMPTY)


def number_in(text: str) -> int | None:
    """The last number in a name; None if there is none."""
    found = re.findall(r"\d+", text)
    return int(found[-1]) if found and len(found[-1]) < 4 else None


def _is_called(name: str, labels: tuple[str, ...]) -> bool:
    wanted = {name.upper().replace("_", ""), *name.upper().split("_")}
    return any(re.sub(r"[_\-/ ]", "", text.upper()) in wanted for text in labels)


def _setting(settings: object, name: str) -> str:
    """The setting that says which bit it is: ready_bit, or fault_bit of "parity_fault"; "" for none."""
    names = (f"{word}_bit" for word in (name, *name.split("_")))
    return next((one for one in names if hasattr(settings, one)), "")
