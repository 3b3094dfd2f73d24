"""The ways of signals to a card's select and strobes: as its timing says them, or as its decoder is wired."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

import attrs

from simkit.backplane.select import ADDRESS_LINES
from simkit.logic.network import Network, Step
from simkit.logic.network import Part as Seated
from simkit.logic.parttype import Pin
from simkit.logic.wired.decode import Decode, DecodePart
from simkit.machinefile.figures import Part, PartTable
from simkit.machinefile.fitted import INPUTS
from simkit.machinefile.timing import CardTiming, Named

Way = tuple[Named, ...]
"""Parts one after the other."""
NOWHERE: tuple[Way, ...] = ((),)
"""Nothing is named on the way."""
PHI2 = "PHI2"


@attrs.frozen(kw_only=True)
class Ways:
    """By which parts signals come.

    Attributes:
        select: from the address lines to the select.
        late: from PHI2 to the select, of one that waits for it.
        read: from PHI2 to the output enable, or from R/W of one that does not wait for PHI2.
        write: from PHI2 to the write strobe.
    """

    select: tuple[Way, ...] = NOWHERE
    late: tuple[Way, ...] = NOWHERE
    read: tuple[Way, ...] = NOWHERE
    write: tuple[Way, ...] = NOWHERE

    @classmethod
    def of(cls, timing: CardTiming, decode: Decode | None, table: PartTable) -> Ways:
        """Those of a card: what is wired counts, and where the wiring is not said, what its timing says."""
        read, write = _gate(timing.read_gate), _gate(timing.write_gate)
        if decode is None:
            select = timing.decode or NOWHERE
            return cls(select=select, late=tuple(way[-1:] for way in select), read=read, write=write)
        network = Network({part.ref: Seated(part.type, part.nets) for part in decode.parts}, decode.pulls)
        steps: dict[Step, Named] = {}  # the ways of sixteen lines share most of them

        def through(key: str, sources: Iterable[str]) -> tuple[Way, ...]:
            wanted = decode.wanted[key]
            net = decode.part(wanted.ref).nets[wanted.pin]
            found: dict[tuple[tuple[str, str], ...], Way] = {}
            for source in _unlike(sources, decode, table):
                for way in network.paths(source, net):
                    steps.update((step, _step(step, decode, table)) for step in way if step not in steps)
                    parts = tuple(steps[step] for step in way)
                    found.setdefault(tuple((part.text, part.figure) for part in parts), parts)
            return tuple(found.values())

        ways = {}
        if "select" in decode.wanted:
            ways["select"] = through("select", ADDRESS_LINES) or NOWHERE
            ways["late"] = through("select", [PHI2]) or NOWHERE
        for key, name, said in (("output_enable", "read", read), ("write_enable", "write", write)):
            wired = (through(key, [PHI2]) or through(key, ["RW"])) if key in decode.wanted else ()
            ways[name] = wired or said
        return cls(**ways)


def _gate(gate: Named) -> tuple[Way, ...]:
    return ((attrs.evolve(gate, figure="input"),),) if gate else NOWHERE


def _unlike(sources: Iterable[str], decode: Decode, table: PartTable) -> Iterator[str]:
    """Of lines that come to the same parts in the same way, as those of a page do, the first."""
    seen = set()
    for source in sources:
        heard = frozenset(
            (part.ref, _figure(part.type.pins[pin], table.called(part.part)), _outputs(part, pin))
            for part in decode.parts
            for pin, net in part.nets.items()
            if net == source
        )
        if heard and heard not in seen:
            seen.add(heard)
            yield source


def _outputs(part: DecodePart, pin: int) -> frozenset[int]:
    """Outputs that hear a pin."""
    return frozenset(output for output, does in part.type.outputs.items() if pin in does.of)


def _step(step: Step, decode: Decode, table: PartTable) -> Named:
    """A part of the wiring with the figure of the input by which the signal comes; without any, if none is known."""
    part = decode.part(step.part)
    rows = table.called(part.part)
    figure = _figure(part.type.pins[step.input_pin], rows)
    return Named(part.part, tuple(row for row in rows if figure in row.figures), figure)


def _figure(pin: Pin, rows: Iterable[Part]) -> str:
    """By which figure a signal goes on from an input: an enable, a select input, whatever data sheets tell apart."""
    known = [name for name in INPUTS if any(name in row.figures for row in rows)]
    name = pin.name.lstrip("0123456789")
    if "select" in known:
        return "select" if re.fullmatch("[A-D]", name) else "enable"
    if "compare" in known:
        return "enable" if name in ("G", "IA=B") else "compare"
    if "enable" in known and re.fullmatch(r"OE\d?|G\d?|DIR", name):
        return "enable"
    return "data" if "data" in known else known[0] if known else ""
