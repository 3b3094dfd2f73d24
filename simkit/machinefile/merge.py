"""Machine files laid over their bases: tables, each value with the place of the file it stands in.

What is merged is a table where a table must be, and every key is a known one; values are checked later.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import CardError, Errors, SimkitError, near, numbers
from simkit.files.bounded import is_file, is_folder
from simkit.machinefile.description import origin_of
from simkit.machinefile.tomlfile import Toml, read_toml
from simkit.machinefile.tomlplaces import Place

MACHINE_FILE = "machine.toml"
MAX_BASES = 8
MAX_SLOT = 99
KNOWN_BY = ("card", "clock", "base")
"""One of these stands in every machine file."""

_TOP_TABLES = ("backplane", "cpu_options")
_TOP_KEYS = ("name", "clock", "cpu", "seed", "base", "card", "about", "note", "start", "faults", "parts", *_TOP_TABLES)
PROCESSOR = "processor"
"""Key under which the table [cpu] is merged but for the kind, which stands under "cpu" in either form."""
DEFAULT_CPU = "65C02"
CPU_KEYS = ("kind", "part", "grade", "address_buffer", "data_buffer", "phi2_high")
_CARD_TABLES = {
    "settings": "Write [card.settings].",
    "wires": 'Write e.g. wires = { A0 = "A3" }.',
    "lines": 'Write e.g. lines = { INT = "IRQ" }.',
    "timing": "Write [card.timing].",
    "decode": "Write [card.decode].",
}
_EMPTIED = ("wires", "lines", "decode")
"""Tables of which an empty one takes away what a base says."""
_CARD_KEYS = (
    "slot",
    "kind",
    "select",
    "not_select",
    "output_enable",
    "write_enable",
    "image",
    "at",
    "labels",
    "listing",
    "constants",
    "schematic",
    "name",
    "part",
    "grade",
    "ready_gated",
    "wiring",
    "remove",
    "note",
    *_CARD_TABLES,
)


@attrs.define
class Table:
    """A table as merged.

    Attributes:
        values: by key.
        origin: where each value stands, and by "settings.port_1" each value of a table inside; "" is the table itself.
        folders: folder of the file that gave the value, by key.
        decoder: what its decoder came to when that was asked first; the files that it names are read once.
    """

    values: dict[str, Any] = attrs.field(factory=dict)
    origin: dict[str, Place] = attrs.field(factory=dict)
    folders: dict[str, Path] = attrs.field(factory=dict)
    decoder: Any = attrs.field(default=None, eq=False, repr=False)

    def path(self, key: str, name: str) -> Path:
        """Path that the value of a key names, from the folder of the file that gave it, as people would write it."""
        path = self.folders[key] / name
        short = Path(os.path.normpath(path))
        same = ".." not in path.parts or os.path.realpath(short) == os.path.realpath(path)  # not behind a link
        return short if same else path

    def put(self, key: str, value: Any, place: Place, folder: Path) -> None:
        """Set a value; what is said of a table counts beside what is known of it."""
        self.origin[key] = place
        self.folders[key] = folder
        if value == {} and key in _EMPTIED:
            self.drop(key)
            self.origin[key] = place
        if isinstance(value, dict):
            self.origin.update({f"{key}.{inner}": place.inside(inner) for inner in value})
            below = self.values.get(key)
            value = {**below, **value} if isinstance(below, dict) else value
        self.values[key] = value

    def put_backplane(self, value: dict[str, Any], place: Place, folder: Path) -> None:
        """Set the table of the backplane, whose resistors, decoders and sentences count beside those that are known."""
        known = self.values.get("backplane", {})
        self.put("backplane", value, place, folder)
        table = self.values["backplane"]
        for key in ("pulls", "signals"):
            own, below = value.get(key), known.get(key)
            if isinstance(own, dict):
                inside = place.inside(key)
                self.origin.update({f"backplane.{key}.{name}": inside.inside(name) for name in own})
                table[key] = {**below, **own} if own and isinstance(below, dict) else own
        own, below = value.get("decode"), known.get("decode")
        if isinstance(own, dict) and own:
            below = below if isinstance(below, dict) else {}
            table["decode"] = self._over(below, own, "backplane.decode", place.inside("decode"), folder)
        if "wiring" in value:
            self._add_sentences(table, known.get("wiring"), "backplane.wiring", place.inside("wiring"))

    def put_sentences(self, key: str, value: Any, place: Place, folder: Path) -> None:
        """Set sentences, of a card's wiring say, which count behind those that are known."""
        known = self.values.get(key)
        self.put(key, value, place, folder)
        self._add_sentences(self.values, known, key, place)

    def _add_sentences(self, table: dict[str, Any], known: Any, key: str, place: Place) -> None:
        """Put known sentences before those of a table; an empty list takes them away."""
        name = key.rpartition(".")[2]
        own = table[name]
        if isinstance(own, list):
            before = known if own and isinstance(known, list) else []
            self.origin.update({f"{key}.{len(before) + number}": place.inside(number) for number in range(len(own))})
            table[name] = [*before, *own]

    def put_decode(self, value: dict[str, Any], place: Place, folder: Path) -> None:
        """Set a decoder: parts of a variant change those that are known, pin by pin; an empty one takes a part away."""
        if value == {}:
            self.put("decode", value, place, folder)
            return
        self.origin["decode"], self.folders["decode"] = place, folder
        self.values["decode"] = self._over(self.values.get("decode", {}), value, "decode", place, folder)

    def _over(
        self, known: dict[str, Any], value: dict[str, Any], key: str, place: Place, folder: Path
    ) -> dict[str, Any]:
        """A table inside a decoder laid over that which is known, with the place of each value."""
        other = isinstance(value.get("part"), str) and value["part"] != known.get("part")
        found = {} if other else dict(known)  # another part has other pins
        if key.endswith(".pins"):  # a group of pins says all of them anew
            found = {pin: net for pin, net in found.items() if pin.rstrip("0123456789") not in value or pin.isdigit()}
        for name, inner in value.items():
            field, inside = f"{key}.{name}", place.inside(name)
            self.origin[field], self.folders[field] = inside, folder
            if inner == {}:
                found.pop(name, None)
            elif isinstance(inner, dict):
                below = found.get(name)
                found[name] = self._over(below if isinstance(below, dict) else {}, inner, field, inside, folder)
            else:
                found[name] = inner
        return found

    def place(self, field: str) -> Place:
        """Where a field stands, or what encloses it."""
        return origin_of(self.origin, field)

    def drop(self, key: str) -> None:
        """Forget a value, or a table."""
        value = self.values.pop(key, {})
        for inner in value if isinstance(value, dict) else ():
            del self.origin[f"{key}.{inner}"]
        self.origin.pop(key, None)


class MachineErrors(Errors):
    """What is wrong with a machine file and its bases."""

    def tell(
        self,
        message: str,
        place: Place,
        remedy: str = "",
        *,
        slot: int | None = None,
        kind: Any = None,
        field: str = "",
        failed: bool = False,
        lines: Iterable[str] = (),
    ) -> None:
        """Gather an error: what is wrong, where, what to do; slot and kind of the card and key, as far as known.

        With `failed` it is the card that failed; `lines` stand below the message.
        """
        card = "" if slot is None else f"slot {slot} ({kind})" if isinstance(kind, str) else f"slot {slot}"
        where = ", ".join(word for word in (card, field) if word)
        text = f"{where}: {message}" if where else message
        error = CardError if failed else SimkitError
        self.add(
            error(
                text,
                file=place.file,
                line=place.line,
                slot=slot,
                field=field or None,
                remedy=remedy or None,
                lines=lines,
            )
        )


class Merged:
    """A machine file over its bases, once they are read.

    Attributes:
        top: keys and tables of the machine.
        cards: by slot.
        files: all that was read, the machine's own first.
        missing: a base that is not there.
    """

    def __init__(self, path: Path, errors: MachineErrors) -> None:
        self.top = Table(origin={"": Place(str(path))})
        self.cards: dict[int, Table] = {}
        self.files: list[Path] = []
        self.missing: Path | None = None
        self._path = path
        self._errors = errors

    def read(self) -> None:
        """Read the file and its bases.

        Raises:
            SimkitError: one of them is no TOML file, or has far too many errors; what was read until then is kept.
        """
        self._read(self._path, ())

    def give(self, settings: Mapping[int, Mapping[str, Any]]) -> None:
        """Lay settings over those of the cards, by slot and name; they stand in no file."""
        for slot, changes in settings.items():
            if slot not in self.cards:
                remedy = f"Slots with cards: {numbers(self.cards)}."
                self._errors.tell(f"there is no card in slot {slot}.", Place(str(self.files[0])), remedy)
                continue
            card = self.cards[slot]
            card.values["settings"] = {**card.values.get("settings", {}), **changes}
            card.origin.update({f"settings.{name}": Place("given setting") for name in changes})

    def _read(self, path: Path, chain: tuple[Path, ...]) -> None:
        """Lay a file over its base."""
        self.files.append(path)
        toml = read_toml(path, "machine file", KNOWN_BY)
        if "base" in toml.data:
            self._read_base(toml, path, chain)
        for key, value in toml.data.items():
            place = toml.place(key)
            if key not in _TOP_KEYS:
                self._errors.tell(f"unknown key {key!r}.", place, near(key, _TOP_KEYS))
            elif key in _TOP_TABLES and not isinstance(value, dict):
                self._errors.tell(f"{key} is a table.", place, f"Write [{key}].")
            elif key == "card":
                self._merge_cards(toml, path.parent)
            elif key == "faults":
                self.top.put_sentences(key, value, place, path.parent)
            elif key == "backplane":
                self.top.put_backplane(value, place, path.parent)
            elif key == "cpu":
                self._merge_cpu(value, place, path.parent)
            elif key != "base":
                self.top.put(key, value, place, path.parent)

    def _merge_cpu(self, value: Any, place: Place, folder: Path) -> None:
        """The CPU by its kind alone, or a table; parts of another kind of CPU are forgotten."""
        table = value if isinstance(value, dict) else {"kind": value}
        if "kind" in table:
            if table["kind"] != self.top.values.get("cpu", DEFAULT_CPU):
                self.top.drop(PROCESSOR)
            self.top.put("cpu", table["kind"], place.inside("kind") if table is value else place, folder)
        for key in table:
            if key not in CPU_KEYS:
                self._errors.tell(f"unknown key {key!r}.", place.inside(key), near(key, CPU_KEYS), field="cpu")
        rest = {key: inner for key, inner in table.items() if key in CPU_KEYS and key != "kind"}
        if rest:
            self.top.put(PROCESSOR, rest, place, folder)
        elif not table:
            self._errors.tell("nothing is said of the CPU.", place, 'Write e.g. kind = "65C02".', field="cpu")

    def _read_base(self, toml: Toml, path: Path, chain: tuple[Path, ...]) -> None:
        base, place = toml.data["base"], toml.place("base")
        if not isinstance(base, str):
            self._errors.tell("base must be the path of a machine file.", place, field="base")
            return
        if len(chain) >= MAX_BASES:
            self._errors.tell(f"more than {MAX_BASES} machine files build on each other.", place, field="base")
            return
        try:
            below = (path.parent / base).resolve()
            if is_folder(below):
                below = below / MACHINE_FILE
        except (OSError, RuntimeError, ValueError):  # too long a name, links in a circle, a NUL
            below = path.parent / base
        if below in chain or below == path.resolve():
            self._errors.tell(f"{base} builds on this file again.", place, field="base")
        elif not is_file(below):
            self.missing = below
            message = "{} is no file." if os.path.lexists(below) else "there is no file {}."
            self._errors.tell(message.format(repr(str(below))), place, "Correct the path.", field="base")
        else:
            self._read(below, (*chain, path.resolve()))

    def _merge_cards(self, toml: Toml, folder: Path) -> None:
        cards = toml.data["card"]
        if not isinstance(cards, list) or not all(isinstance(card, dict) for card in cards):
            self._errors.tell("cards are written as [[card]] tables.", toml.place("card"))
            return
        seen: set[int] = set()
        for number, table in enumerate(cards):
            place = toml.place("card", number)
            slot = table.get("slot")
            if not isinstance(slot, int) or isinstance(slot, bool) or not 1 <= slot <= MAX_SLOT:
                self._errors.tell(
                    f"card number {number + 1} has {'no slot' if slot is None else f'slot {slot!r}'}.",
                    place.inside("slot"),
                    f"Write slot = N, with N from 1 to {MAX_SLOT}.",
                    field="slot",
                )
            elif slot in seen:
                self._errors.tell(
                    "two cards of this file stand in the slot.",
                    place.inside("slot"),
                    "Give one another slot.",
                    slot=slot,
                )
            else:
                seen.add(slot)
                self._merge_card(slot, table, place, folder)

    def _merge_card(self, slot: int, table: dict[str, Any], place: Place, folder: Path) -> None:
        remove = table.get("remove", False)
        if not isinstance(remove, bool):
            self._errors.tell(
                f"{remove!r} is neither true nor false.", place.inside("remove"), slot=slot, field="remove"
            )
        if remove is True:
            if self.cards.pop(slot, None) is None:
                self._errors.tell("there is no card to remove.", place.inside("remove"), slot=slot, field="remove")
            return
        card = self.cards.setdefault(slot, Table())
        card.origin[""] = place
        kind = table.get("kind", card.values.get("kind"))
        if card.values.get("kind", kind) != kind:
            for key in ("settings", "timing", "part", "grade"):
                card.drop(key)  # another kind of card has other settings and parts
        for key, value in table.items():
            if key not in _CARD_KEYS:
                self._errors.tell(f"unknown key {key!r}.", place.inside(key), near(key, _CARD_KEYS), slot=slot)
            elif key in _CARD_TABLES and not isinstance(value, dict):
                remedy = _CARD_TABLES[key]
                self._errors.tell(f"{key} is a table.", place.inside(key), remedy, slot=slot, kind=kind, field=key)
            elif key == "decode":
                card.put_decode(value, place.inside(key), folder)
            elif key == "wiring":
                card.put_sentences(key, value, place.inside(key), folder)
            else:
                card.put(key, value, place.inside(key), folder)
