"""A schematic as a network: its logic parts and chips, rails, the lines of the bus; what stands on its nets.

Whatever gives a level that the schematic does not say is a source: data and output pins of chips, flip-flops, and nets
that an unknown part or a connector gives. Sources are told apart by numbers: a run for each bit of the number says, at
every address at once, which source a net shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property

import attrs

from simkit.backplane.select import ADDRESS_LINES, ALL, address_bit
from simkit.logic.drive import Drive
from simkit.logic.network import Levels, Network, Part
from simkit.logic.parts import part_type
from simkit.logic.parttype import PartType
from simkit.schematic.chips import Chip
from simkit.schematic.joined import is_silent, joined
from simkit.schematic.lines import bus_lines, rail_of
from simkit.schematic.netlist import Netlist, number_of

TRANSCEIVER = "74245"
DATA_LINES = tuple(f"D{n}" for n in range(8))


@attrs.frozen
class Shown:
    """What a net shows of sources.

    Attributes:
        sources: names of those that it may show; their numbers begin with 1.
        bits: tables of the bits of the number of the source that it shows, lowest first; number 0: none.
        others: the same with the numbers' ones and zeros exchanged: of one source alone the opposite of `bits`.
        base: its level while all sources are low.
        driven: where somebody drives it.
    """

    sources: tuple[str, ...]
    bits: tuple[int, ...]
    others: tuple[int, ...]
    base: int
    driven: int

    def source(self, address: int) -> str:
        """The source that it shows at an address; "" for none, or for several that gates join."""
        number, other = self._numbers(address)
        is_one = number ^ other == (1 << len(self.bits)) - 1
        return self.sources[number - 1] if is_one and 0 < number <= len(self.sources) else ""

    def is_joined(self, address: int) -> bool:
        """Whether it shows several sources there that gates join."""
        return any(self._numbers(address)) and not self.source(address)

    def _numbers(self, address: int) -> tuple[int, int]:
        number, other = (
            sum((table >> address & 1) << place for place, table in enumerate(tables))
            for tables in (self.bits, self.others)
        )
        return number, other

    def is_inverted(self, address: int) -> bool:
        """Whether it shows the opposite of the source there."""
        return bool(self.base >> address & 1)

    def shows(self, name: str) -> int:
        """Where it shows a source, as it is or inverted."""
        if name not in self.sources:
            return 0
        number, table = self.sources.index(name) + 1, ALL
        for place, (bit, other) in enumerate(zip(self.bits, self.others, strict=True)):
            table &= bit & ~other if number >> place & 1 else other & ~bit
        return table


class Board:
    """The schematic with chips of cards in it.

    Attributes:
        netlist: of the schematic.
        lines: net of each line of the bus.
        network: of all parts that are known.
        sources: names of whatever gives a level that is not said: "U3.19" (reference and pin), or a net.
        unknown: references of parts that are neither logic parts nor chips of cards.
        chips: that were put into it, by reference.
    """

    def __init__(
        self,
        netlist: Netlist,
        own_lines: Iterable[str],
        chips: Iterable[Chip] = (),
        programmed: Mapping[str, PartType] | None = None,
    ) -> None:
        self.netlist = netlist
        self._joined = joined(netlist)
        self.lines = {line: self._joined.net(net) for line, net in bus_lines(netlist, own_lines).items()}
        self.chips = {chip.ref: chip for chip in chips}
        parts: dict[str, Part] = {}
        self.unknown: list[str] = []
        for ref, component in netlist.components.items():
            chip = self.chips.get(ref)
            kind = chip.type if chip is not None else (programmed or {}).get(ref)
            kind = kind or part_type(component.value) or part_type(component.part)
            if kind is None:
                if not is_silent(component):
                    self.unknown.append(ref)
                continue
            nets = {
                number: self._joined.net(net)
                for pin, net in netlist.pins_of(ref).items()
                if (number := number_of(pin)) is not None
            }
            parts[ref] = Part(kind, {pin: net for pin, net in nets.items() if pin in kind.pins})
        self.network = Network(parts, self._joined.pulls)
        self._positions: dict[str, bool] = {}
        self._levels: dict[tuple[object, ...], Levels] = {}

    def net_at(self, ref: str, number: str) -> str | None:
        """Net at a pin; None if it is joined to none."""
        net = self.netlist.net_of.get((ref, number))
        return None if net is None else self._joined.net(net)

    def same(self, net: str) -> str:
        """The net that stands for all that small resistors and closed jumpers join it to."""
        return self._joined.net(net)

    def all_names(self, net: str) -> list[str]:
        """All nets for which one stands."""
        return [name for name, one in self._joined.same.items() if one == net]

    @cached_property
    def _made(self) -> set[str]:
        return {part.nets[pin] for part in self.network.parts.values() for pin in part.type.outputs if pin in part.nets}

    @cached_property
    def free(self) -> tuple[str, ...]:
        """Nets that nobody known drives, that are neither rail nor a line that the machine drives, in order."""
        driven = self._made | {self.lines[line] for line in (*ADDRESS_LINES, "RW", "PHI2") if line in self.lines}
        return tuple(net for net in sorted(self.network.nets()) if net not in driven and rail_of(net) is None)

    @cached_property
    def sources(self) -> tuple[str, ...]:
        """Those that may come through as data: what decides over selects, enables and directions keeps its level."""
        data = {self.lines[line] for line in DATA_LINES if line in self.lines}
        names = (*self.network.state, *(net for net in self.free if net not in data))
        return tuple(name for name in names if self.net_of_source(name) not in self.deciding)

    @cached_property
    def deciding(self) -> set[str]:
        """Nets on which inputs depend that several outputs of a part share: enables, selects, directions."""
        shared: set[str] = set()
        for part in self.network.parts.values():
            kinds = [set(output.of) for output in part.type.outputs.values()]
            if len(kinds) > 1:
                heard = set.intersection(*kinds)
                if part.type.name == TRANSCEIVER:
                    heard = {1, 19}
                shared |= {part.nets[pin] for pin in heard if pin in part.nets}
        return shared.union(*(self.network.reached_from(net) for net in shared))

    def levels(
        self,
        *,
        rw: bool,
        phi2: bool,
        lines: Mapping[str, bool] | None = None,
        given: Mapping[str, int] | None = None,
        data: Mapping[str, int] | None = None,
        address: int | None = None,
    ) -> Levels:
        """What stands on all nets at all addresses.

        Args:
            rw, phi2: levels of these.
            lines: levels of other lines that the machine's cards drive.
            given: tables of sources by name; others are high.
            data: tables of data lines that the CPU drives.
            address: the one address that is asked about, in all cases; cases are then what `given` makes them.
        """
        values = {
            line: address_bit(n) if address is None else ALL if address >> n & 1 else 0
            for n, line in enumerate(ADDRESS_LINES)
        }
        values |= {"RW": ALL if rw else 0, "PHI2": ALL if phi2 else 0, **(data or {})}
        values |= {line: ALL if level else 0 for line, level in (lines or {}).items()}
        key = (rw, phi2, _key(lines), _key(given), _key(data), address)
        if key not in self._levels:
            self._levels[key] = self._work_out(values, given or {})
        return self._levels[key]

    def set_switches(self, positions: Mapping[str, bool]) -> None:
        """Take nets with switches at them to have these levels from now on, unless a run gives others."""
        self._positions |= positions
        self._levels.clear()

    def _work_out(self, values: Mapping[str, int], given: Mapping[str, int]) -> Levels:
        inputs: dict[str, int] = {}
        for net in self.network.nets():
            rail = rail_of(net)
            if rail is not None:
                inputs[net] = ALL if rail else 0
        for net in self.free:
            at_rest = self._positions.get(net, self._joined.pulls.get(net, True))
            inputs[net] = given.get(net, ALL if at_rest else 0)
        data_nets = {self.lines[line] for line in DATA_LINES if line in self.lines}
        inputs = {net: table for net, table in inputs.items() if net not in data_nets}
        inputs |= {self.lines[line]: table for line, table in values.items() if line in self.lines}
        state = {name: given.get(name, ALL) for name in self.network.state}
        return self.network.levels(inputs, state)

    def shown(self, net: str, *, rw: bool, lines: Mapping[str, bool] | None = None) -> Shown:
        """What a net shows of sources while PHI2 is high."""
        sources = self._behind(frozenset({net}))
        runs = self._runs(sources, rw=rw, lines=lines)
        return _shown(sources, runs, net)

    def _runs(self, sources: tuple[str, ...], *, rw: bool, lines: Mapping[str, bool] | None) -> list[Levels]:
        """All sources low; then for each bit of their numbers those high that have it, and those that have it not."""
        low = dict.fromkeys(self.sources, 0)
        numbered = list(enumerate(sources, start=1))
        given = [low]
        for wanted in (1, 0):
            given += (
                low | {name: ALL for n, name in numbered if n >> place & 1 == wanted}
                for place in range(len(sources).bit_length())
            )
        return [self.levels(rw=rw, phi2=True, lines=lines, given=one) for one in given]

    def drive(self, ref: str, pin: int, levels: Levels, given: Mapping[str, int] | None = None) -> Drive:
        """What one output does to its net, with levels and sources as a run had them."""
        part, known = self.network.parts[ref], given or {}
        output = part.type.outputs[pin]
        at = {one: levels.levels[part.nets[one]] if one in part.nets else ALL for one in output.of}
        return output.drive(at, {one: known.get(f"{ref}.{one}", ALL) for one in part.type.state}, ALL)

    def data_shown(self, net: str, *, lines: Mapping[str, bool] | None = None) -> Shown:
        """What a net shows of the data lines while the CPU writes; they are its sources then."""
        there = tuple(line for line in DATA_LINES if line in self.lines)
        given = [dict.fromkeys(there, 0)]
        for wanted in (1, 0):
            given += (
                {line: ALL if n >> place & 1 == wanted else 0 for n, line in enumerate(there, start=1)}
                for place in range(len(there).bit_length())
            )
        runs = [self.levels(rw=False, phi2=True, lines=lines, data=data) for data in given]
        return _shown(there, runs, net)

    @cached_property
    def _all_shown(self) -> tuple[str, ...]:
        """Sources that may show on the data lines."""
        return self.sources_of(frozenset(self.lines[line] for line in DATA_LINES if line in self.lines))

    def _behind(self, nets: frozenset[str]) -> tuple[str, ...]:
        """Sources on which nets may depend; those behind data lines are numbered together, so that runs are shared."""
        if not nets <= {self.lines[line] for line in DATA_LINES if line in self.lines}:
            return self.sources_of(nets)
        return self._all_shown

    def sources_of(self, nets: frozenset[str]) -> tuple[str, ...]:
        """Sources on whose levels those of nets may depend."""
        reached = set[str]().union(*(self.network.reached_from(net) for net in nets))
        return tuple(name for name in self.sources if self.net_of_source(name) in reached)

    def net_of_source(self, name: str) -> str | None:
        """Net that a source gives its level to."""
        if name not in self._state:
            return name
        ref, _, pin = name.rpartition(".")
        return self.network.parts[ref].nets.get(int(pin))

    @cached_property
    def _state(self) -> frozenset[str]:
        return frozenset(self.network.state)

    def unsaid(self, net: str) -> list[str]:
        """Nets that nobody drives, on which a net may depend: their level is not in the schematic."""
        reached = self.network.reached_from(net)
        known = {self.lines[line] for line in DATA_LINES if line in self.lines} | self._positions.keys()
        return [one for one in self.free if one in reached and one not in known]


def _shown(sources: tuple[str, ...], runs: list[Levels], net: str) -> Shown:
    """What a net shows, by the runs with all sources low and with each bit of their numbers; no part at it: nothing."""
    base, *levels = (run.levels.get(net, ALL) for run in runs)
    tables, half = tuple(level ^ base for level in levels), len(levels) // 2
    return Shown(sources, tables[:half], tables[half:], base, runs[0].driven.get(net, 0))


def _key(table: Mapping[str, object] | None) -> tuple[tuple[str, object], ...]:
    return tuple(sorted((table or {}).items()))
