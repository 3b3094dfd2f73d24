"""Types of logic parts by their names: their pins, and what they do, from their data sheets.

Sources stand in the modules that hold them: gates.py, decoders.py, buffers.py, registers.py, counters.py.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from simkit.logic.buffers import buffers
from simkit.logic.counters import counters
from simkit.logic.decoders import decoders
from simkit.logic.gates import gates
from simkit.logic.parttype import PartType
from simkit.logic.registers import registers

_NAME = re.compile(r"(?:[A-Z]{1,3})?(?:54|74)[A-Z]{0,4}?(\d{2,5})(?:[A-Z]{1,4})?(?:[-,/ ].*)?")


def part_type(name: str) -> PartType | None:
    """The type of a part by its name, whatever its maker, family and package: "SN74HCT138N", "74LS00", "7430".

    None where it is no part known here.
    """
    match = _NAME.fullmatch(name.strip().upper())
    return TYPES.get(f"74{match[1]}") if match else None


TYPES: Mapping[str, PartType] = {
    found.name: found for found in (*gates(), *decoders(), *buffers(), *registers(), *counters())
}
"""By name without maker and family."""
