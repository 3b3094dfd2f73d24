"""The whole document about a machine's addresses: the map in sections, its timing, and what was compared with it."""

from __future__ import annotations

from simkit.address_map.sections import Section, sections
from simkit.address_map.standing import Standing
from simkit.address_map.whole import AddressMap
from simkit.budget.whole import budget
from simkit.budget.words import budget_lines
from simkit.machinefile.figures import WORST


def document(found: AddressMap, compared: Standing) -> list[Section]:
    """Sections of the map, then what stands beside it."""
    parts = sections(found)
    timing = budget_lines(budget(found.machine, WORST))
    parts.append(Section("Timing", lines=tuple(timing)))
    if compared.any:
        parts.append(Section("Compared with the machine file", words=tuple(compared.lines())))
    return parts
