"""Programmable devices on a schematic: what is in them stands in the machine file, as the fuse map of a decoder."""

from __future__ import annotations

from simkit.logic.fuses.devices import device_of
from simkit.logic.parttype import PartType
from simkit.logic.wired.decode import DecodePart
from simkit.machinefile.description import Description
from simkit.schematic.netlist import Netlist


def programmed(netlist: Netlist, description: Description, slot: int) -> tuple[dict[str, PartType], list[str]]:
    """What is in each device, by reference; and those of which no fuse map is known, a sentence each.

    The decoder of the card itself is asked first, then others: for a device of the same reference, else for the only
    one of its type.
    """
    decoders = [card.decode for card in description.cards if card.decode is not None and card.slot == slot]
    decoders += [one for one in description.decoders() if one not in decoders]
    groups = [[part for part in one.parts if part.program is not None] for one in decoders]
    found: dict[str, PartType] = {}
    notes = []
    for ref, component in netlist.components.items():
        device = device_of(component.value) or device_of(component.part)
        if device is None:
            continue
        alike = [[part for part in parts if part.type.name == device.name] for parts in groups]
        part = _of_reference(alike, ref) or next((parts[0] for parts in alike if len(parts) == 1), None)
        if part is None:
            notes.append(
                f"{ref} ({component.value}) is a programmable device whose fuse map is not in the machine file: name "
                f"it in the decode of its card, as part {ref} with fuses."
            )
        else:
            found[ref] = part.type
    return found, notes


def _of_reference(groups: list[list[DecodePart]], ref: str) -> DecodePart | None:
    return next((part for parts in groups for part in parts if part.ref == ref), None)
