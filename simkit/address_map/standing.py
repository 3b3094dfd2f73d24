"""What a machine file names of its cards beside the machine as it is: constants, listings, and what else is named.

Schematic, ROM source and machine file drift apart one edit at a time. Whatever a card names is compared on every check,
every map and every test session; the first that disagrees is told with its place, and with that in the machine file.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import attrs

from simkit.address_map.compared import Comparison, Row, compare
from simkit.address_map.constants import ADDRESS, BASE, prefixes
from simkit.address_map.includes import read_include
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.machinefile.description import CardDescription
from simkit.schematic.check import check_netlist
from simkit.schematic.netlist import load_netlist

CONSTANTS, LISTING = "constants", "lines of the listing"
LOGIC = "selects and strobes"
SCHEMATIC = "points of the schematic"


@attrs.frozen
class Difference:
    """Something that disagrees with the machine file.

    Attributes:
        what: CONSTANTS, LISTING and so on.
        slot: of the card, or None.
        text: a sentence.
        there: the place in the other file: FILE:LINE or FILE.
        here: the place in the machine file that says otherwise: FILE:LINE.
        name: of the constant, "" for none.
        address: that it is about, or None.
    """

    what: str
    slot: int | None
    text: str
    there: str
    here: str
    name: str = ""
    address: int | None = None

    def sentence(self) -> str:
        """With both places."""
        return f"{self.there}: {self.text} The machine file says so at {self.here}."


@attrs.frozen
class Compared:
    """One file that was compared.

    Attributes:
        what: CONSTANTS, LISTING and so on.
        path: of it.
        slots: of the cards that name it.
        count: of things compared.
        differences: what disagrees, in the order of the file.
    """

    what: str
    path: Path
    slots: tuple[int, ...]
    count: int
    differences: tuple[Difference, ...]

    def told(self) -> str:
        """The first that disagrees, and how many more there are."""
        more = len(self.differences) - 1
        rest = f" {more} more {'differ' if more > 1 else 'differs'} there." if more else ""
        return f"{self.differences[0].sentence()}{rest}"

    def line(self) -> str:
        """That it agrees, for people."""
        slots = ", ".join(map(str, self.slots))
        cards = f"slot {slots}" if len(self.slots) == 1 else f"slots {slots}"
        counted = f"{self.count} " if self.count else ""
        return f"{self.path}: {counted}{self.what} of {cards} agree."


@attrs.frozen
class Standing:
    """All that was compared.

    Attributes:
        files: in the order of the slots.
    """

    files: tuple[Compared, ...]

    @property
    def any(self) -> bool:
        """Whether anything is named."""
        return bool(self.files)

    @property
    def differences(self) -> list[Difference]:
        """What disagrees, the first first."""
        return [one for file in self.files for one in file.differences]

    @property
    def differs(self) -> bool:
        """Whether anything disagrees."""
        return any(file.differences for file in self.files)

    def lines(self) -> list[str]:
        """For people: the first that disagrees of each file, then the files that agree."""
        return [
            *(file.told() for file in self.files if file.differences),
            *(file.line() for file in self.files if not file.differences),
        ]

    def as_dict(self) -> list[dict[str, Any]]:
        """For programs."""
        return [
            {
                "what": file.what,
                "file": str(file.path),
                "slots": list(file.slots),
                "count": file.count,
                "differences": [attrs.asdict(one) for one in file.differences],
            }
            for file in self.files
        ]


def standing(machine: Machine) -> Standing:
    """Compare whatever the cards of a machine name, banks as they are."""
    return Standing((*_constants(machine), *_schematics(machine), *_listings(machine), *_fuse_maps(machine)))


def _constants(machine: Machine) -> Iterator[Compared]:
    cards = machine.description.cards
    files: dict[Path, list[CardDescription]] = {}
    for card in cards:
        for path in card.constants:
            files.setdefault(path, []).append(card)
    begins = prefixes(machine)
    for path, naming in files.items():
        slots = tuple(card.slot for card in naming)
        try:
            found = compare(machine, read_include(path), slots)
        except SimkitError as error:
            yield Compared(CONSTANTS, path, slots, 0, (_unread(CONSTANTS, naming[0], path, error),))
            continue
        differences = [_constant(found, row, naming, begins) for row in found.differing]
        if not found.rows:
            text = f"None of its {len(found.others)} names means a register or bit of the card, so nothing is compared."
            here = str(naming[0].place(CONSTANTS))
            differences.append(Difference(CONSTANTS, slots[0], text, str(path), here))
        yield Compared(CONSTANTS, path, slots, len(found.rows), tuple(differences))


def _unread(what: str, card: CardDescription, path: Path, error: SimkitError, key: str = "") -> Difference:
    """A file that cannot be read is compared with nothing, and that is told, too."""
    there = f"{path}:{error.line}" if error.line is not None and error.file == str(path) else str(path)
    text = f"{error.message} {error.remedy or ''}".strip()
    return Difference(what, card.slot, text, there, str(card.place(key or what)))


def _schematics(machine: Machine) -> Iterator[Compared]:
    for card in machine.description.cards:
        path = card.schematic
        if path is None:
            continue
        try:
            found = check_netlist(machine, card.slot, load_netlist(path))
        except FileNotFoundError:
            error = SimkitError(f"There is no file {str(path)!r}.", remedy="Export the netlist, or correct the path.")
            yield Compared(SCHEMATIC, path, (card.slot,), 0, (_unread(SCHEMATIC, card, path, error, "schematic"),))
            continue
        except SimkitError as error:
            yield Compared(SCHEMATIC, path, (card.slot,), 0, (_unread(SCHEMATIC, card, path, error, "schematic"),))
            continue
        differences = tuple(
            Difference(SCHEMATIC, card.slot, f"{one.text} {one.remedy}", one.there, one.here, "", one.first)
            for one in found.differences
        )
        yield Compared(SCHEMATIC, path, (card.slot,), sum(found.compared.values()), differences)


def _constant(found: Comparison, row: Row, naming: list[CardDescription], begins: dict[int, str]) -> Difference:
    if row.wanted is not None:
        own = [one for one in naming if one.slot == row.wanted.slot]
    else:
        own = [one for one in naming if row.defined.name.startswith(f"{begins[one.slot]}_")]
    card = own[0] if own else naming[0]
    address = row.wanted.value if row.wanted is not None and row.wanted.what in (ADDRESS, BASE) else None
    here = str(card.place(_field(card, row)))
    return Difference(CONSTANTS, card.slot, row.sentence(), found.place(row), here, row.defined.name, address)


def _field(card: CardDescription, row: Row) -> str:
    """The key that decides about a constant: the setting of its name, as far as there is one."""
    wanted = row.wanted
    if wanted is None:
        return "settings" if "settings" in card.origin else "select"
    of_a_bit = (f"{wanted.bit}_bit", "bit_order") if wanted.what not in (ADDRESS, BASE) else ()
    names = (wanted.register, *of_a_bit)
    named = next((field for name in names if (field := f"settings.{name}") in card.origin), None)
    if named is not None:
        return named
    if wanted.what in (ADDRESS, BASE):
        return "select"
    return next((key for key in ("settings", "wires", "wiring", "lines") if key in card.origin), "")


def _listings(machine: Machine) -> Iterator[Compared]:
    lines = machine.source_lines
    for card in machine.description.cards:
        for path in card.listing:
            why = lines.unused.get(path)
            here = str(card.place("image" if why in {text for _, text in lines.stale} else "listing"))
            differences = () if why is None else (Difference(LISTING, card.slot, why, str(path), here),)
            yield Compared(LISTING, path, (card.slot,), lines.used.get(path, 0), differences)


def _fuse_maps(machine: Machine) -> Iterator[Compared]:
    """Fuse maps in decoders beside which a select or strobe is said; one that disagrees does not get as far as here."""
    found: dict[Path, dict[int, int]] = {}
    for card in machine.description.cards:
        if card.decode is None:
            continue
        said = [key for key in card.decode.wanted if card.origin[key] != card.origin[f"decode.{key}"]]
        for path in {part.fuses for part in card.decode.parts if part.fuses is not None} if said else ():
            found.setdefault(path, {})[card.slot] = len(said)
    for path, slots in found.items():
        yield Compared(LOGIC, path, tuple(slots), sum(slots.values()), ())
