"""A card's decoder as it is wired: parts and the nets between them, and what they come to over all addresses."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from itertools import product
from pathlib import Path

import attrs

from simkit.backplane.areas import areas
from simkit.backplane.covers import Cover, cover
from simkit.backplane.select import ADDRESS_LINES, ALL, Levels, address_bit, as_table
from simkit.contract.errors import SimkitError
from simkit.logic.fuses.program import Program
from simkit.logic.network import Network, Part
from simkit.logic.parttype import PartType

HIGH, LOW, OPEN = "high", "low", "open"
MAX_WORK = 8_000
"""Outputs that a select hears, times the combinations of the lines that it hears beside the address lines: half a
second's work. A decoder of twenty gates and three bank lines comes to 640."""
FIXED = {HIGH: ALL, LOW: 0, OPEN: ALL}
"""Nets that are no lines: levels of switches and supplies. An open input reads high."""


@attrs.frozen
class DecodePart:
    """A part of the decoder.

    Attributes:
        ref: reference, e.g. "U1".
        part: its name as written, e.g. "74HC688".
        type: what it is.
        nets: by pin the net at it: a line of the backplane, "high", "low", "open", or an output as "U1.19".
        program: what is in it, of a programmable part.
        fuses: where its fuse map is.
        notes: what is odd about that.
    """

    ref: str
    part: str
    type: PartType
    nets: Mapping[int, str]
    program: Program | None = None
    fuses: Path | None = None
    notes: tuple[str, ...] = ()

    def state_lines(self) -> dict[int, str]:
        """Lines that stand for the levels at the pins of flip-flops, by pin."""
        return {pin: self.nets[pin] for pin in self.type.state if self.nets[pin] != f"{self.ref}.{pin}"}


@attrs.frozen
class Wanted:
    """The pin that gives a select or a strobe.

    Attributes:
        ref: reference of its part.
        pin: its number.
        is_high: the level at which the select or strobe is true.
        text: as written.
    """

    ref: str
    pin: int
    is_high: bool
    text: str


@attrs.frozen
class Decode:
    """The decoder of a card.

    Attributes:
        parts: in the order of the file.
        pulls: nets with a resistor, and the level that it gives.
        wanted: the pins that give "select", "output_enable", "write_enable", of those that are said.
    """

    parts: tuple[DecodePart, ...]
    pulls: Mapping[str, bool]
    wanted: Mapping[str, Wanted]

    def part(self, ref: str) -> DecodePart:
        """A part by its reference."""
        return next(part for part in self.parts if part.ref == ref)

    def decoded(self, what: str) -> Decoded:
        """What a select or strobe comes to."""
        return Decoded(self, self.wanted[what])


class Decoded:
    """One select or strobe of a decoder.

    Attributes:
        lines: on which it may depend beside the address lines.
    """

    def __init__(self, decode: Decode, wanted: Wanted) -> None:
        self._wanted = wanted
        self._net = decode.part(wanted.ref).nets[wanted.pin]
        parts = {part.ref: Part(_without_state_lines(part), part.nets) for part in decode.parts}
        self._reached = reached = Network(parts).reached_from(self._net)
        parts = {ref: Part(_heard_outputs(part, reached), part.nets) for ref, part in parts.items()}
        self._network = Network(parts, decode.pulls)
        heard = {net for net in self._reached if net not in FIXED and "." not in net}
        self._state: dict[str, tuple[str, bool]] = {}
        self._unknown: list[str] = []
        for part in decode.parts:
            lines = part.state_lines()
            for pin in self._heard_state(part, parts[part.ref].type):
                name = f"{part.ref}.{pin}"
                if pin in lines:
                    inverted = part.program is not None and part.program.outputs[pin].inverted
                    self._state[name] = lines[pin], inverted
                    heard.add(lines[pin])
                else:
                    self._unknown.append(name)
        self.lines = tuple(sorted(heard - set(ADDRESS_LINES)))
        self._outputs = sum(len(part.type.outputs) for part in parts.values())

    def _heard_state(self, part: DecodePart, kind: PartType) -> tuple[int, ...]:
        """Flip-flops of a part that it may hear: a programmed one says which, of others any output may hear all."""
        heard = {pin for pin in kind.outputs if part.nets[pin] in self._reached}
        return tuple(
            pin for pin in kind.state if part.nets[pin] in self._reached or (part.program is None and heard - {pin})
        )

    def without_net(self) -> list[tuple[str, int]]:
        """Inputs that it hears and of which nothing is said, by reference and pin."""
        found: dict[tuple[str, int], bool] = {}
        for ref, part in self._network.parts.items():
            for output, does in part.type.outputs.items():
                if part.nets[output] in self._reached:
                    found |= {(ref, pin): True for pin in does.of if pin not in part.nets}
        return list(found)

    def cover(self) -> Cover:
        """When it is true, as a machine file writes it.

        Raises:
            SimkitError: a net that it hears has no level, or two, or it is too much for a select.
        """
        if self._outputs << len(self.lines) > MAX_WORK:
            raise SimkitError(
                f"It hears {self._outputs} outputs and the lines {', '.join(self.lines)}, more than is worked out.",
                remedy="Lead fewer lines to the parts that make it.",
            )
        return cover(self.lines, self.table)

    def table(self, levels: Levels) -> int:
        """Addresses at which it is true.

        Raises:
            SimkitError: a net that it hears has no level, or two.
        """
        inputs = dict(FIXED)
        for net in self._reached:
            if net in ADDRESS_LINES:
                inputs[net] = as_table(levels[net]) if net in levels else address_bit(int(net[1:]))
            elif net in self.lines:
                inputs[net] = as_table(levels[net])
        state = dict.fromkeys(self._network.state, 0)
        for name, (line, is_inverted) in self._state.items():
            level = as_table(levels[line])
            state[name] = ALL ^ level if is_inverted else level
        found = self._network.levels(inputs, state)
        for net in sorted(self._reached):
            if table := found.restless.get(net):
                raise _no_level(net, table, levels, "never comes to rest, or keeps what it was", _CIRCLE)
            if table := found.conflicts.get(net):
                raise _no_level(net, table, levels, "is driven high and low at once", _FIGHT)
            if net not in self._network.pulls and (table := ALL ^ found.driven.get(net, 0)):
                raise _no_level(net, table, levels, "is driven by nobody", _NOBODY_DRIVES)
        level = found.levels[self._net]
        for name in self._unknown:
            if self._network.levels(inputs, {**state, name: ALL}).levels[self._net] != level:
                raise SimkitError(
                    f"The flip-flop or latch at {name} is heard, and its level is not said.", remedy=_STATE
                )
        return level if self._wanted.is_high else ALL ^ level


def _without_state_lines(part: DecodePart) -> PartType:
    """Its type, without the outputs for whose level a line stands."""
    lines = part.state_lines()
    outputs = {pin: output for pin, output in part.type.outputs.items() if pin not in lines}
    return attrs.evolve(part.type, outputs=outputs) if lines else part.type


def _heard_outputs(part: Part, reached: set[str]) -> PartType:
    """Its type, without the outputs that do not matter."""
    outputs = {pin: output for pin, output in part.type.outputs.items() if part.nets[pin] in reached}
    return attrs.evolve(part.type, outputs=outputs)


_STATE = 'Name the line of a card that has its level, a latch card\'s say, at its pin: pins = { 14 = "BANK0" }.'
_CIRCLE = "Look at which outputs go back to which inputs: a select may hang on nothing but lines."
_FIGHT = "Two outputs are joined, or an output and a line."
_NOBODY_DRIVES = 'Say what pulls it: pulls = {{ "{}" = "up" }}, or which line is there.'


def _no_level(net: str, table: int, levels: Levels, what: str, remedy: str) -> SimkitError:
    return SimkitError(f"{net} {what} {at(table, levels)}.", remedy=remedy.format(net))


def at(table: int, levels: Levels) -> str:
    """Addresses and levels in words: "at $7F00-$7F1F with RW high"."""
    lines = ", ".join(f"{line} {'high' if level else 'low'}" for line, level in sorted(levels.items()))
    return f"at {areas(table)}" + (f" with {lines}" if lines else "")


@attrs.frozen
class Difference:
    """Where two selects differ.

    Attributes:
        levels: of the lines, in the first case in which they do.
        one_only: addresses at which only the first is true then.
        other_only: at which only the second is.
    """

    levels: Mapping[str, bool]
    one_only: int
    other_only: int


Table = Callable[[Levels], int]
"""Addresses at which something is true, at given levels of lines."""


def difference(one: Table, its_lines: Collection[str], other: Table, other_lines: Collection[str]) -> Difference | None:
    """The first levels of lines at which two are not true at the same addresses; each hears lines of its own."""
    known: tuple[dict[tuple[bool, ...], int], ...] = ({}, {})
    lines = sorted({*its_lines, *other_lines, "RW", "PHI2"})
    for case in product((True, False), repeat=len(lines)):  # a read with PHI2 high comes first
        levels = dict(zip(lines, case, strict=True))
        found = []
        for tables, table, heard in zip(known, (one, other), (its_lines, other_lines), strict=True):
            key = tuple(levels[line] for line in heard)
            if key not in tables:
                tables[key] = table(levels)
            found.append(tables[key])
        first, second = found
        if first != second:
            return Difference(levels, first & ~second, second & ~first)
    return None
