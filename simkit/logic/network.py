"""A network of logic parts: what stands on its nets, and by which ways a net reaches another.

A level is a table of bits, one for each case that is asked about at once: over all addresses it is one integer of
`simkit.backplane.select`, and gates are AND, OR and XOR of such integers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from itertools import islice

import attrs

from simkit.backplane.select import ALL
from simkit.contract.errors import SimkitError
from simkit.logic.drive import NOBODY, Drive
from simkit.logic.parttype import PartType

_ROUNDS = 64
"""Rounds until nets in circles are at rest. Outputs are asked in their order, so that each circle takes one or two."""
MAX_PATHS = 2_000
"""Ways from one net to another that are told. A board of 150 parts has some dozens."""


@attrs.frozen
class Part:
    """A part on the board.

    Attributes:
        type: what it is.
        nets: net at each pin that is joined to one, by number.
    """

    type: PartType
    nets: Mapping[int, str]


@attrs.frozen
class Step:
    """A step of a way: through a part, from one of its pins to another."""

    part: str
    input_pin: int
    output_pin: int


@attrs.frozen
class Levels:
    """What stands on the nets.

    Attributes:
        levels: of every net. Of two outputs that fight the low one wins, as with most families (from memory).
        driven: where somebody drives a net, by net; a resistor does not.
        conflicts: where two outputs, or an output and what comes from outside, drive a net to different levels, by net.
        restless: where a net never comes to rest, or keeps what it was: the inputs do not say its level; by net.
        open: nets that an input hears, nobody drives in some case and no resistor pulls, and inputs without a net, as
            "U1.5"; they read 1 there (of TTL inputs; others float: from memory).
    """

    levels: Mapping[str, int]
    driven: Mapping[str, int]
    conflicts: Mapping[str, int]
    restless: Mapping[str, int]
    open: tuple[str, ...]


class Network:
    """Parts and the nets between them.

    Attributes:
        parts: by reference, e.g. "U1".
        pulls: nets with a resistor, and the level that it gives.
        state: flip-flops and latches as "U3.19", reference and output pin: whoever asks gives their levels.
    """

    def __init__(self, parts: Mapping[str, Part], pulls: Mapping[str, bool] | None = None) -> None:
        self.parts = dict(parts)
        self.pulls = dict(pulls or {})
        self.state = tuple(f"{ref}.{pin}" for ref, part in self.parts.items() for pin in part.type.state)
        self._nets = {net for part in self.parts.values() for net in part.nets.values()}
        self._outputs = self._in_order()
        heard = [(ref, pin) for ref, output in self._outputs for pin in self.parts[ref].type.outputs[output].of]
        self._heard = {self.parts[ref].nets[pin] for ref, pin in heard if pin in self.parts[ref].nets}
        self._without_net = {f"{ref}.{pin}" for ref, pin in heard if pin not in self.parts[ref].nets}

    def levels(self, inputs: Mapping[str, int], state: Mapping[str, int] | None = None, ones: int = ALL) -> Levels:
        """What stands on the nets.

        Args:
            inputs: nets that are driven from outside, and their levels.
            state: levels of all flip-flops, by the names in `state`.
            ones: the table that is true in every case that is asked about.

        Raises:
            SimkitError: the level of a flip-flop is not given.
        """
        known = state or {}
        if missing := [name for name in self.state if name not in known]:
            raise SimkitError(f"The level of {', '.join(missing)} is not given.", remedy="It is not known by itself.")
        low = _Run(self, self._outputs, inputs, known, ones, 0)
        high = low if low.is_straight else _Run(self, self._outputs, inputs, known, ones, ones)
        restless = {
            net: low.moving[net] | high.moving[net] | (low.levels[net] ^ high.levels[net]) for net in low.levels
        }
        return Levels(
            levels=low.levels,
            driven=low.driven,
            conflicts={net: table for net, table in sorted(low.conflicts.items()) if table},
            restless={net: table for net, table in sorted(restless.items()) if table},
            open=tuple(
                sorted(self._without_net | {n for n in self._heard if low.driven[n] != ones and n not in self.pulls})
            ),
        )

    def paths(self, from_net: str, to_net: str) -> Iterator[tuple[Step, ...]]:
        """The ways from one net to another, no net twice in one; the first `MAX_PATHS` of them."""
        yield from islice(self._ways(from_net, to_net, (), {from_net}), MAX_PATHS)

    def nets(self) -> set[str]:
        """All nets."""
        return set(self._nets)

    def reached_from(self, net: str) -> set[str]:
        """Nets on whose level that of a net may depend, itself among them."""
        found, ahead = {net}, [net]
        while ahead:
            for other in self._before.get(ahead.pop(), ()):
                if other not in found:
                    found.add(other)
                    ahead.append(other)
        return found

    @cached_property
    def _before(self) -> Mapping[str, set[str]]:
        """By net those that are heard by what drives it."""
        before: dict[str, set[str]] = {}
        for ref, pin in self._outputs:
            part = self.parts[ref]
            heard = {part.nets[at] for at in part.type.outputs[pin].of if at in part.nets}
            before.setdefault(part.nets[pin], set()).update(heard)
        return before

    def _ways(self, at: str, to: str, way: tuple[Step, ...], seen: set[str]) -> Iterator[tuple[Step, ...]]:
        if at == to:
            yield way
            return
        for ref, pin in self._outputs:
            part = self.parts[ref]
            net = part.nets[pin]
            if net in seen:
                continue
            for heard in part.type.outputs[pin].of:
                if part.nets.get(heard) == at:
                    yield from self._ways(net, to, (*way, Step(ref, heard, pin)), seen | {net})

    def _in_order(self) -> tuple[tuple[str, int], ...]:
        """Outputs with a net, those that others hear before them, as far as they do not go in circles."""
        drivers: dict[str, list[tuple[str, int]]] = {}
        for ref, part in self.parts.items():
            for pin in part.type.outputs:
                if pin in part.nets:
                    drivers.setdefault(part.nets[pin], []).append((ref, pin))
        order: list[tuple[str, int]] = []
        entered: set[tuple[str, int]] = set()
        for first in [output for net in sorted(drivers) for output in drivers[net]]:
            ahead: list[tuple[tuple[str, int], bool]] = [(first, False)]
            while ahead:
                output, is_done = ahead.pop()
                if is_done:
                    order.append(output)
                elif output not in entered:
                    entered.add(output)
                    part = self.parts[output[0]]
                    ahead.append((output, True))
                    heard = (part.nets.get(pin) for pin in part.type.outputs[output[1]].of)
                    ahead += [(one, False) for net in heard if net is not None for one in drivers.get(net, ())]
        return tuple(order)


class _Run:
    """Nets brought to rest, all of them at one level to begin with."""

    def __init__(
        self,
        network: Network,
        outputs: tuple[tuple[str, int], ...],
        inputs: Mapping[str, int],
        state: Mapping[str, int],
        ones: int,
        start: int,
    ) -> None:
        self._network = network
        self._ones = ones
        self._inputs = inputs
        nets = sorted(network.nets() | inputs.keys())
        self._drives: dict[str, dict[tuple[str, int], Drive]] = {net: {} for net in nets}
        self.driven: dict[str, int] = dict.fromkeys(nets, 0)
        self.conflicts: dict[str, int] = dict.fromkeys(nets, 0)
        self.moving: dict[str, int] = dict.fromkeys(nets, 0)
        self.levels: dict[str, int] = dict.fromkeys(nets, start)
        self.is_straight = True
        made = {network.parts[ref].nets[pin] for ref, pin in outputs}
        for net in nets:
            if net not in made:
                self._look(net)
        states = {ref: {pin: state[f"{ref}.{pin}"] for pin in part.type.state} for ref, part in network.parts.items()}
        waiting = dict.fromkeys(made, 0)
        for ref, pin in outputs:
            waiting[network.parts[ref].nets[pin]] += 1
        for turn in range(_ROUNDS):
            moving = dict.fromkeys(nets, 0)
            for ref, pin in outputs:
                part = network.parts[ref]
                output, net = part.type.outputs[pin], part.nets[pin]
                if turn == 0:
                    # one that hears what comes after it stands in a circle
                    self.is_straight &= not any(waiting.get(part.nets.get(at, ""), 0) for at in output.of)
                    waiting[net] -= 1
                levels = {at: self.levels[part.nets[at]] if at in part.nets else ones for at in output.of}
                self._drives[net][ref, pin] = output.drive(levels, states[ref], ones)
                before = self.levels[net]
                self._look(net)
                moving[net] |= before ^ self.levels[net]
            if self.is_straight:
                break
            self.moving = moving
            if not any(moving.values()):
                break

    def _look(self, net: str) -> None:
        """Level of a net by who drives it now."""
        inputs, ones = self._inputs, self._ones
        outside = Drive(ones, inputs[net]) if net in inputs else NOBODY
        driven = high = low = 0
        for drive in (outside, *self._drives[net].values()):
            driven |= drive.driven
            high |= drive.level
            low |= drive.driven & ~drive.level
        pulled = 0 if self._network.pulls.get(net) is False else ones
        self.driven[net] = driven
        self.conflicts[net] = high & low
        self.levels[net] = (high & ~low) | (pulled & ~driven)
