"""Which nets are lines of the bus, and which are rails, by their names.

A net may be called as the line is, in any sheet, with an overbar, a "/" or "n" before it or a "B", "#" or "_n" behind
it (common practice), or as a member of a bus: "MEM.A0", "A[0]".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from simkit.schematic.netlist import Net, Netlist, plain_name

GROUNDS = ("GND", "VSS", "AGND", "DGND", "GNDA", "GNDD", "0V", "EARTH")
SUPPLIES = ("VCC", "VDD", "VPP", "5V", "+5V", "+5VA", "+5VD", "+3V3", "+3.3V", "3V3", "+12V", "+9V")
_SPELLED = {
    "RW": ("RW", "RWB", "R/W", "R_W", "RNW", "R/WB", "R/NW"),
    "PHI2": ("PHI2", "PHI_2", "PH2", "PHASE2", "Φ2", "Ø2", "O2"),
    "RESET": ("RESET", "RES", "RST"),
    "IRQ": ("IRQ",),
    "NMI": ("NMI",),
    "RDY": ("RDY",),
    "SO": ("SO",),
}
_LOW_TRUE = ("RESET", "IRQ", "NMI", "SO")
_DOTTED = 100
"""Rank of a member of a named bus: a net of the very name is taken first."""
_MOST_PINS_OF_A_PART = 20
_CONNECTOR = re.compile(r"(J|P|X|CN|CON|CONN|SLOT|BUS|ST)\d+")


def rail_of(net: str) -> bool | None:
    """Level of a rail by its name; None: it is none."""
    name = plain_name(net).upper()
    return False if name in GROUNDS else True if name in SUPPLIES else None


def is_connector(ref: str) -> bool:
    """Whether a reference is that of a connector (common practice)."""
    return _CONNECTOR.fullmatch(ref.upper()) is not None


def bus_lines(netlist: Netlist, own: Iterable[str]) -> dict[str, str]:
    """Net of each line of the bus, as far as one is called so.

    Args:
        netlist: of the schematic.
        own: names of lines that the machine has besides.
    """
    spelled = _spelled(own)
    found: dict[str, tuple[tuple[int, int, str], str]] = {}
    for net in netlist.nets.values():
        line, is_dotted = _line_of(net.name, spelled)
        if line is None:
            continue
        rank = (0 if _is_on_connector(net) else 1, (_DOTTED if is_dotted else 0) + net.name.count("/"), net.name)
        if line not in found or rank < found[line][0]:
            found[line] = rank, net.name
    return {line: net for line, (_, net) in found.items()}


def _spelled(own: Iterable[str]) -> Mapping[str, str]:
    found = {f"{letter}{n}": f"{letter}{n}" for letter, count in (("A", 16), ("D", 8)) for n in range(count)}
    for line, names in _SPELLED.items():
        for name in names:
            forms = (name, f"N{name}", f"{name}B", f"{name}#", f"{name}_N", f"{name}N", f"{name}_L")
            found.update(dict.fromkeys(forms if line in _LOW_TRUE else (name,), line))
    for line in own:
        found.setdefault(line.upper(), line)
    return found


def _line_of(name: str, spelled: Mapping[str, str]) -> tuple[str | None, bool]:
    """The line that a net is called after, and whether by its name within a bus."""
    tail = re.sub(r"~\{([^{}]*)\}", r"\1", name).replace("{slash}", "/").upper()
    for whole in ("R/W", "R/WB", "R/NW"):
        if tail == whole or tail.endswith(f"/{whole}"):
            return "RW", False
    plain = plain_name(name).upper().lstrip("/!")
    plain = re.sub(r"([AD])\[(\d+)\]$", r"\1\2", plain)
    if plain in spelled:
        return spelled[plain], False
    _, dot, member = plain.rpartition(".")
    return (spelled.get(member), True) if dot else (None, False)


def _is_on_connector(net: Net) -> bool:
    return any(is_connector(ref) for ref, _ in net.pins)
