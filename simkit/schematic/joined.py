"""What small parts do to nets: resistors that pull or join, closed jumpers; which parts say nothing about levels."""

from __future__ import annotations

import re
from collections.abc import Iterator

import attrs

from simkit.schematic.lines import is_connector, rail_of
from simkit.schematic.netlist import Component, Netlist

MOST_SERIES_OHMS = 1_000
"""A resistor up to this between two nets passes levels on: series termination (common practice)."""
_SILENT = re.compile(r"(C|CP|D|LED|L|FB|Y|X|XTAL|TP|H|MH|FID|SW|S|BT|F|BR|BTN|LS|BZ)\d+")
"""References of parts that give no level by themselves."""
_RESISTOR = re.compile(r"(R|RN|RP|RR|RM|R_?PACK)\d+")
_OHMS = re.compile(r"(\d+(?:\.\d+)?)\s*([RKMΩ]?)(\d*)\s*(?:OHM|Ω)?S?", re.IGNORECASE)


@attrs.frozen
class Joined:
    """Nets as resistors and jumpers join them.

    Attributes:
        same: by net the net that stands for all it is joined to; itself for most.
        pulls: nets with a resistor to a rail, and the level that it gives.
    """

    same: dict[str, str]
    pulls: dict[str, bool]

    def net(self, name: str) -> str:
        """The net that stands for it."""
        return self.same.get(name, name)


def joined(netlist: Netlist) -> Joined:
    """Look at every small part."""
    same = {name: name for name in netlist.nets}
    pulls: dict[str, bool] = {}
    pairs = [pair for component in netlist.components.values() for pair in _pairs(netlist, component)]
    for one, other, ohms in pairs:
        if rail_of(one) is None and rail_of(other) is None and ohms <= MOST_SERIES_OHMS:
            first, second = _root(same, one), _root(same, other)
            same[max(first, second)] = min(first, second)
    for name in same:
        same[name] = _root(same, name)
    for one, other, ohms in pairs:
        for net, rail in ((one, rail_of(other)), (other, rail_of(one))):
            if rail is not None and rail_of(net) is None and ohms > 0:
                pulls.setdefault(same[net], rail)
    return Joined(same, pulls)


def is_silent(component: Component) -> bool:
    """Whether a part is one that gives no level by itself: capacitors, connectors, buttons."""
    ref = component.ref.upper()
    return bool(_SILENT.fullmatch(ref) or _RESISTOR.fullmatch(ref) or ref.startswith("JP")) or is_connector(ref)


def _root(same: dict[str, str], net: str) -> str:
    while same[net] != net:
        net = same[net]
    return net


def _pairs(netlist: Netlist, component: Component) -> Iterator[tuple[str, str, float]]:
    """Pairs of nets with a resistance between them, in ohms."""
    nets = netlist.pins_of(component.ref)
    if component.ref.upper().startswith("JP") and "BRIDGED" in component.part.upper() and len(nets) == 2:
        one, other = nets.values()
        yield one, other, 0
        return
    if not _RESISTOR.fullmatch(component.ref.upper()):
        return
    ohms = _ohms(component.value)
    names = component.pin_names
    common = next((number for number in nets if names.get(number, "").lower() == "common"), None)
    if common is not None:
        yield from ((nets[common], net, ohms) for number, net in nets.items() if number != common)
        return
    grouped: dict[str, list[str]] = {}
    for number, net in nets.items():
        name = names.get(number, "")
        grouped.setdefault(name.rpartition(".")[0] if len(nets) > 2 else "", []).append(net)
    yield from ((pair[0], pair[1], ohms) for pair in grouped.values() if len(pair) == 2)


def _ohms(value: str) -> float:
    match = _OHMS.match(value.strip())
    if match is None:
        return float("inf")
    number = float(f"{match[1]}.{match[3]}" if match[3] and "." not in match[1] else match[1])
    return number * {"K": 1e3, "M": 1e6}.get(match[2].upper(), 1.0)
