"""Who puts bytes on the data lines without being a chip of a card, and who takes them from there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import attrs

from simkit.backplane.select import ALL
from simkit.logic.network import Levels
from simkit.logic.network import Part as LogicPart
from simkit.schematic.board import DATA_LINES, TRANSCEIVER, Board
from simkit.schematic.lines import rail_of

_COLLECTORS = ("74595", "74165")
"""Shift registers that take bits in one after another."""
_EDGE = {"74273": 11, "74374": 11, "74574": 11, "74377": 11}
_LEVEL = {"74373": 11, "74573": 11}
"""Latches by type, and their clock or latch enable."""


@attrs.frozen
class Group:
    """Outputs of one part onto the data lines that are enabled together.

    Attributes:
        ref: of the part.
        enabled: where it is enabled in reads with PHI2 high, whatever it then gives.
        gives: where it puts a byte there in reads with PHI2 high.
        in_writes: where it does in writes.
        early: where it does in reads while PHI2 is low.
        enable_nets: nets that enable it.
        chip: reference of the chip whose byte it passes on, or None.
        is_collector: whether what it shows is a shift register's.
    """

    ref: str
    enabled: int
    gives: int
    in_writes: int
    early: int
    enable_nets: tuple[str, ...]
    chip: str | None
    is_collector: bool


@attrs.frozen
class Taker:
    """A latch that takes bytes from the data lines.

    Attributes:
        ref: of the part.
        clock: pin that clocks it.
        clock_net: the net there.
        takes: where it takes a byte at the end of a write's strobe.
        backwards: where it takes one at the beginning.
        in_reads: where it does in reads.
        lines: by output pin the data line that it follows.
    """

    ref: str
    clock: int
    clock_net: str
    takes: int
    backwards: int
    in_reads: int
    lines: Mapping[int, str]


def groups_of(board: Board, lines: Mapping[str, bool]) -> list[Group]:
    """All of them, by reference."""
    states = [board.levels(rw=rw, phi2=phi2, lines=lines) for rw, phi2 in ((True, True), (False, True), (True, False))]
    data = {board.lines[line]: line for line in DATA_LINES if line in board.lines}
    found = []
    for ref, part in sorted(board.network.parts.items()):
        if ref in board.chips:
            continue
        pins = [pin for pin in part.type.outputs if part.nets.get(pin) in data]
        tables = [_union(_driven(board, ref, part, pin, state) for pin in pins) for state in states]
        if not pins:
            continue
        sources = _sources(board, part, pins, tables[0], lines)
        refs = {one.rpartition(".")[0] for one in sources}
        chip = next((one for one in sorted(refs) if one in board.chips), None)
        kinds = {board.network.parts[one].type.name for one in refs if one in board.network.parts}
        found.append(
            Group(
                ref=ref,
                enabled=_union(board.drive(ref, pin, states[0]).driven for pin in pins),
                gives=tables[0],
                in_writes=tables[1],
                early=tables[2],
                enable_nets=_enables(part, pins),
                chip=chip,
                is_collector=bool(kinds & set(_COLLECTORS)),
            )
        )
    return found


def _driven(board: Board, ref: str, part: LogicPart, pin: int, levels: Levels) -> int:
    """Where an output gives a level that comes from somewhere: a transceiver only where its other side is driven."""
    table = board.drive(ref, pin, levels).driven
    if part.type.name == TRANSCEIVER:
        behind = part.nets.get(20 - pin)
        table &= levels.driven.get(behind, 0) if behind is not None else 0
    return table


def _enables(part: LogicPart, pins: list[int]) -> tuple[str, ...]:
    """Nets at the inputs that all these outputs share, rails aside."""
    shared = set(part.type.outputs[pins[0]].of)
    for pin in pins[1:]:
        shared &= set(part.type.outputs[pin].of)
    if len(pins) == 1:
        shared = {pin for pin in shared if part.type.pins[pin].low or part.type.pins[pin].name == "DIR"}
    return tuple(part.nets[pin] for pin in sorted(shared) if pin in part.nets and rail_of(part.nets[pin]) is None)


def _sources(board: Board, part: LogicPart, pins: list[int], table: int, lines: Mapping[str, bool]) -> set[str]:
    if not table:  # it never gives a byte: what would come through is behind its inputs
        heard = {part.nets[one] for pin in pins for one in part.type.outputs[pin].of if one in part.nets}
        return set(board.sources_of(frozenset(heard)))
    first = (table & -table).bit_length() - 1
    shown = (board.shown(part.nets[pin], rw=True, lines=lines) for pin in pins)
    return {source for one in shown if (source := one.source(first))}


def clocks_of(board: Board) -> list[str]:
    """Nets that clock latches or enable them."""
    pins = _EDGE | _LEVEL
    found = (
        part.nets.get(pins[part.type.name])
        for ref, part in board.network.parts.items()
        if part.type.name in pins and ref not in board.chips
    )
    return [net for net in found if net is not None]


def takers_of(board: Board, lines: Mapping[str, bool]) -> Iterator[Taker]:
    """All latches with inputs that the data lines reach in writes."""
    states = {(rw, phi2): board.levels(rw=rw, phi2=phi2, lines=lines) for rw in (True, False) for phi2 in (True, False)}
    for ref, part in sorted(board.network.parts.items()):
        kind = part.type.name
        clock = _EDGE.get(kind) or _LEVEL.get(kind)
        if clock is None or ref in board.chips or clock not in part.nets:
            continue
        followed = {q: line for q, d in _pairs(part) if (line := _followed(board, part, d, lines))}
        if not followed:
            continue
        net = part.nets[clock]
        high = {state: levels.levels[net] for state, levels in states.items()}
        if kind in _LEVEL:
            high = {state: ALL ^ table for state, table in high.items()}
        yield Taker(
            ref=ref,
            clock=clock,
            clock_net=net,
            takes=(ALL ^ high[False, True]) & high[False, False],
            backwards=high[False, True] & (ALL ^ high[False, False]),
            in_reads=(ALL ^ high[True, True]) & high[True, False],
            lines=followed,
        )


def _pairs(part: LogicPart) -> Iterator[tuple[int, int]]:
    """Output and input pins of a latch that belong together, by their names 1Q and 1D."""
    for q in part.type.state:
        name = part.type.pins[q].name
        d = part.type.pin(f"{name[:-1]}D")
        if d is not None:
            yield q, d.number


def _followed(board: Board, part: LogicPart, d: int, lines: Mapping[str, bool]) -> str:
    if d not in part.nets:
        return ""
    shown = board.data_shown(part.nets[d], lines=lines)
    found = [line for line in shown.sources if shown.shows(line)]
    return found[0] if len(found) == 1 else ""


def _union(tables: Iterator[int]) -> int:
    found = 0
    for table in tables:
        found |= table
    return found
