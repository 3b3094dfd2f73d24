"""The machine file: read, merged with its base, and checked.

All errors of a file are found in one go; each names file, line, slot, field and what to do.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import attrs

from simkit.backplane.select import Expression, Select
from simkit.contract.card import Card
from simkit.contract.clock import parse_hz
from simkit.contract.errors import SeveralErrors, SimkitError, near, numbers
from simkit.contract.lines import SYSTEM_LINES
from simkit.machinefile.catalogue import card_class, entries
from simkit.machinefile.description import Backplane, CardDescription, CpuOptions, Description
from simkit.machinefile.settings import read_settings
from simkit.machinefile.shipped import demo_folder
from simkit.machinefile.tomlfile import Lines, read_toml

MACHINE_FILE = "machine.toml"
MAX_BASES = 8
MAX_SLOT = 99
CPUS = ("65C02", "6502")

_TOP_KEYS = ("name", "clock", "cpu", "cpu_options", "seed", "base", "backplane", "card", "note")
_CARD_KEYS = (
    "slot",
    "kind",
    "select",
    "not_select",
    "output_enable",
    "write_enable",
    "wires",
    "lines",
    "image",
    "labels",
    "settings",
    "ready_gated",
    "remove",
    "note",
)
_LINE_NAME = re.compile(r"[A-Z][A-Z0-9_]{0,31}")
_CPU_OUTPUT = re.compile(r"A1?[0-9]|D[0-7]|RW|PHI2|SYNC")
_MACHINE_NAME = re.compile(r"[^\x00-\x1f\x7f-\x9f\u2028\u2029]{1,80}")


def machine_path(machine: str | Path) -> Path:
    """The machine file behind what people write: a folder, a machine.toml, or demo:NAME.

    Raises:
        SimkitError: nothing there; says what was looked for.
    """
    text = str(machine)
    if text.startswith("demo:"):
        return _demo_path(text[len("demo:") :])
    path = Path(machine)
    if path.is_dir():
        inside = path / MACHINE_FILE
        if not inside.is_file():
            raise SimkitError(
                f"The folder {path} holds no {MACHINE_FILE}.",
                remedy="Name a folder with a machine file, or `simkit new machine NAME` writes one.",
            )
        return inside
    if not path.is_file():
        raise SimkitError(
            f"There is no machine at {text}.",
            remedy="Name a folder, a machine.toml, or demo:NAME; `simkit demo` lists those that come with the kit.",
        )
    return path


def _demo_path(name: str) -> Path:
    folder = demo_folder()
    names = sorted(str(p.parent.relative_to(folder).as_posix()) for p in folder.rglob(MACHINE_FILE))
    if name not in names:
        raise SimkitError(f"There is no demo machine {name!r}.", remedy=near(name, names))
    return folder / name / MACHINE_FILE


def read_description(
    machine: str | Path,
    *,
    clock: str | None = None,
    seed: int | None = None,
    settings: Mapping[int, Mapping[str, Any]] | None = None,
) -> Description:
    """Read a machine file with its bases and check all of it.

    Args:
        machine: a folder, a machine.toml, or demo:NAME.
        clock: replaces the clock of the file.
        seed: replaces the seed of the file.
        settings: replaces settings of cards, by slot and name.

    Raises:
        SimkitError: one error, or SeveralErrors with all of them.
    """
    path = machine_path(machine)
    return _Reader(path).description(clock=clock, seed=seed, settings=settings or {})


class _Reader:
    """Reads one machine file; gathers errors instead of stopping at the first."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.errors: list[SimkitError] = []
        self.installed = entries()
        self.top: dict[str, Any] = {}
        self.top_origin: dict[str, tuple[str, int | None]] = {}
        self.cards: dict[int, dict[str, Any]] = {}
        self.origins: dict[int, dict[str, tuple[str, int | None]]] = {}
        self.folders: dict[tuple[int, str], Path] = {}

    def error(self, message: str, origin: tuple[str, int | None], *, remedy: str = "", **place: Any) -> None:
        file, line = origin
        slot, field = place.get("slot"), place.get("field")
        where = f"slot {slot}" if slot is not None else ""
        kind = place.pop("kind", None)
        if kind:
            where += f" ({kind})"
        if field:
            where += f", {field}" if where else str(field)
        text = f"{where}: {message}" if where else message
        self.errors.append(SimkitError(text, file=file, line=line, slot=slot, field=field, remedy=remedy or None))

    def finish(self) -> None:
        if len(self.errors) == 1:
            raise self.errors[0]
        if self.errors:
            raise SeveralErrors(self.errors)

    # merging ----------------------------------------------------------------------------------------------------------

    def merge(self, path: Path, chain: tuple[Path, ...]) -> None:
        """Read `path` over what its base gives."""
        data, lines = read_toml(path)
        name = str(path)
        base = data.get("base")
        if base is not None:
            origin = (name, lines.get(("", 0, "base")))
            if not isinstance(base, str):
                self.error("base must be the path of a machine file.", origin, field="base")
            elif len(chain) >= MAX_BASES:
                self.error(f"more than {MAX_BASES} machine files build on each other.", origin, field="base")
            else:
                below = (path.parent / base).resolve()
                if below.is_dir():
                    below = below / MACHINE_FILE
                if below in chain or below == path.resolve():
                    self.error(f"{base} builds on this file again.", origin, field="base")
                elif not below.is_file():
                    self.error(f"there is no file {below}.", origin, field="base", remedy="Correct the path.")
                else:
                    self.merge(below, (*chain, path.resolve()))
        for key, value in data.items():
            origin = (name, lines.get(("", 0, key), lines.get((key, 0, ""))))
            if key not in _TOP_KEYS:
                self.error(f"unknown key {key!r}.", origin, remedy=near(key, _TOP_KEYS))
            elif key not in ("base", "card"):
                if key in ("backplane", "cpu_options") and isinstance(value, dict):
                    value = {**self.top.get(key, {}), **value}
                    for inner in data[key]:
                        self.top_origin[f"{key}.{inner}"] = (name, lines.get((key, 0, inner), origin[1]))
                self.top[key] = value
                self.top_origin[key] = origin
        cards = data.get("card", [])
        if not isinstance(cards, list) or not all(isinstance(card, dict) for card in cards):
            self.error("cards are written as [[card]] tables.", (name, lines.get(("card", 0, ""))))
            return
        self._merge_cards(path, cards, lines)

    def _merge_cards(self, path: Path, cards: list[dict[str, Any]], lines: Lines) -> None:
        name = str(path)
        seen: set[int] = set()
        for number, table in enumerate(cards):
            header = (name, lines.get(("card", number, "")))
            slot = table.get("slot")
            if not isinstance(slot, int) or isinstance(slot, bool) or not 1 <= slot <= MAX_SLOT:
                self.error(
                    f"card number {number + 1} has {'no slot' if slot is None else f'slot {slot!r}'}.",
                    header,
                    field="slot",
                    remedy=f"Write slot = N, with N from 1 to {MAX_SLOT}.",
                )
                continue
            if slot in seen:
                self.error(
                    "two cards of this file stand in the slot.", header, slot=slot, remedy="Give one another slot."
                )
                continue
            seen.add(slot)
            remove = table.get("remove", False)
            if not isinstance(remove, bool):
                place = (name, lines.get(("card", number, "remove")))
                self.error(f"{remove!r} is neither true nor false.", place, slot=slot, field="remove")
            if remove is True:
                if self.cards.pop(slot, None) is None:
                    self.error("there is no card to remove.", header, slot=slot, field="remove")
                self.origins.pop(slot, None)
                continue
            card = self.cards.setdefault(slot, {})
            origin = self.origins.setdefault(slot, {})
            origin[""] = header
            if "kind" in table and card.get("kind") not in (None, table["kind"]):
                card.pop("settings", None)  # another kind of card has other settings
            for key, value in table.items():
                place = (name, lines.get(("card", number, key), lines.get((f"card.{key}", number, ""))))
                if key not in _CARD_KEYS:
                    self.error(f"unknown key {key!r}.", place, slot=slot, remedy=near(key, _CARD_KEYS))
                    continue
                if key in ("settings", "wires", "lines") and isinstance(value, dict):
                    value = {**card.get(key, {}), **value}
                    for inner in table[key]:
                        origin[f"{key}.{inner}"] = (name, lines.get((f"card.{key}", number, inner), place[1]))
                card[key] = value
                origin[key] = place
                self.folders[slot, key] = path.parent

    # checking ---------------------------------------------------------------------------------------------------------

    def description(
        self, *, clock: str | None, seed: int | None, settings: Mapping[int, Mapping[str, Any]]
    ) -> Description:
        """Merge, check, raise what was found."""
        self.merge(self.path, ())
        if any(error.field == "base" for error in self.errors):
            self.finish()  # what the base would have given is missing: more errors would mislead
        here = (str(self.path), None)
        for slot, changes in settings.items():
            if slot not in self.cards:
                self.error(f"there is no card in slot {slot}.", here, remedy=self._slots())
                continue
            self.cards[slot]["settings"] = {**self.cards[slot].get("settings", {}), **changes}
            for inner in changes:
                self.origins[slot][f"settings.{inner}"] = ("given setting", None)
        top = self.top
        if clock is not None:
            top["clock"], self.top_origin["clock"] = clock, ("given clock", None)
        if seed is not None:
            top["seed"], self.top_origin["seed"] = seed, ("given seed", None)
        name = self._top("name", str, "Machine")
        if not _MACHINE_NAME.fullmatch(name):
            self.error(
                f"{name[:90]!r} cannot be the name of a machine.",
                self.top_origin["name"],
                field="name",
                remedy="Write 1 to 80 characters in one line.",
            )
        clock_text = self._top("clock", str, None)
        clock_hz = Fraction(1_000_000)
        if clock_text is None:
            if "clock" not in top:
                self.error("the machine has no clock.", here, field="clock", remedy='Write e.g. clock = "2 MHz".')
        else:
            try:
                clock_hz = parse_hz(clock_text)
            except SimkitError as error:
                self.error(error.message, self.top_origin["clock"], field="clock", remedy=error.remedy or "")
        cpu = self._top("cpu", str, "65C02")
        if cpu not in CPUS:
            self.error(
                f"{cpu!r} is not a CPU.", self.top_origin["cpu"], field="cpu", remedy=f"Write one of {', '.join(CPUS)}."
            )
        seed_value = self._top("seed", int, 1)
        note = self._top("note", str, "")
        backplane = self._table("backplane", Backplane)
        cpu_options = self._table("cpu_options", CpuOptions)
        cards = [self._card(slot) for slot in sorted(self.cards)]
        if not self.cards:
            self.error("the machine has no cards.", here, remedy="Add [[card]] tables.")
        self.finish()
        return Description(
            name=name,
            clock_text=clock_text,
            clock_hz=clock_hz,
            cpu=cpu,
            seed=seed_value,
            backplane=backplane,
            cpu_options=cpu_options,
            cards=tuple(card for card in cards if card is not None),
            path=self.path,
            note=note,
        )

    def _slots(self) -> str:
        return f"Slots with cards: {numbers(self.cards)}."

    def _top(self, key: str, kind: type, default: Any) -> Any:
        value = self.top.get(key, default)
        if value is not default and (not isinstance(value, kind) or isinstance(value, bool)):
            word = {"str": "a string in quotes", "int": "a whole number"}[kind.__name__]
            self.error(f"{value!r} is not {word}.", self.top_origin[key], field=key)
            return default
        return value

    def _table(self, key: str, kind: type) -> Any:
        table = self.top.get(key, {})
        if not isinstance(table, dict):
            self.error(f"{key} is a table.", self.top_origin[key], remedy=f"Write [{key}].")
            return kind()

        def fail(inner: str, message: str, remedy: str) -> None:
            origin = self.top_origin.get(f"{key}.{inner}", self.top_origin[key])
            self.error(message, origin, field=f"{key}.{inner}", remedy=remedy)

        return read_settings(kind, table, fail)

    def _card(self, slot: int) -> CardDescription | None:
        table = self.cards[slot]
        origin = self.origins[slot]
        kind = table.get("kind")
        before = len(self.errors)

        def fail(field: str, message: str, remedy: str = "") -> None:
            place = origin.get(field) or origin.get(field.split(".")[0]) or origin[""]
            self.error(message, place, slot=slot, field=field, kind=kind, remedy=remedy)

        if not isinstance(kind, str):
            fail("kind", "the card has no kind.", '`simkit cards` lists them; write e.g. kind = "sram".')
            return None
        try:
            card = card_class(kind, self.folders[slot, "kind"], self.installed)
        except SimkitError as error:
            fail("kind", error.message, error.remedy or "")
            return None
        settings = self._settings(card, table.get("settings", {}), fail)
        select = _texts(table.get("select"), "select", fail)
        try:
            on_the_bus = card.registers(settings) or card.address_pins(settings)  # else it meets others by pins alone
        except SimkitError as error:
            fail("kind", error.message, error.remedy or "")
            return None
        if not select and "select" not in table and on_the_bus:
            fail("select", "the card has no select.", 'Write e.g. select = "0xxx xxxx xxxx xxxx".')
        not_select = _texts(table.get("not_select"), "not_select", fail)
        for field, texts in (("select", select), ("not_select", not_select)):
            try:
                Select(texts)
            except SimkitError as error:
                fail(field, error.message, error.remedy or "")
        strobes: dict[str, str] = {}
        for field, default in (("output_enable", "RW and PHI2"), ("write_enable", "not RW and PHI2")):
            text = table.get(field, default)
            strobes[field] = default
            if not isinstance(text, str):
                fail(field, f"{text!r} is not an expression.", f'Write e.g. {field} = "{default}".')
                continue
            try:
                Expression(text)
                strobes[field] = text
            except SimkitError as error:
                fail(field, error.message, error.remedy or "")
        ready_gated = table.get("ready_gated", False)
        if not isinstance(ready_gated, bool):
            fail("ready_gated", f"{ready_gated!r} is neither true nor false.")
        wires, lines = self._joined(card, settings, table, fail)
        paths: dict[str, Path | None] = {"image": None, "labels": None}
        for field in paths:
            value = table.get(field)
            if value is None:
                continue
            if not isinstance(value, str):
                fail(field, f"{value!r} is not a path.")
                continue
            path = self.folders[slot, field] / value
            paths[field] = path
        note = table.get("note", "")
        if not isinstance(note, str):
            fail("note", f"{note!r} is not a string in quotes.")
        if len(self.errors) > before:
            return None
        return CardDescription(
            slot=slot,
            kind=kind,
            card=card,
            settings=settings,
            select=select,
            not_select=not_select,
            output_enable=strobes["output_enable"],
            write_enable=strobes["write_enable"],
            wires=wires,
            lines=lines,
            ready_gated=ready_gated,
            image=paths["image"],
            labels=paths["labels"],
            note=note,
            origin=origin,
        )

    def _settings(self, card: type[Card], table: Any, fail: Any) -> Any:
        if not isinstance(table, dict):
            fail("settings", "settings is a table.", "Write [card.settings].")
            return card.Settings()
        return read_settings(
            card.Settings,
            table,
            lambda key, message, remedy: fail(f"settings.{key}".rstrip("."), message, remedy or _settings_of(card)),
        )

    def _joined(
        self, card: type[Card], settings: Any, table: dict[str, Any], fail: Any
    ) -> tuple[dict[str, str], dict[str, str]]:
        wires, lines = table.get("wires", {}), table.get("lines", {})
        for field, value in (("wires", wires), ("lines", lines)):
            if not isinstance(value, dict) or not all(isinstance(v, str) for v in value.values()):
                example = '{ A0 = "A3" }' if field == "wires" else '{ INT = "IRQ" }'
                fail(field, f"{field} is a table of names.", f"Write e.g. {field} = {example}.")
                return {}, {}
        address_pins = {f"A{n}" for n in range(card.address_pins(settings))}
        data_pins = {f"D{n}" for n in range(8)}
        for pin, source in wires.items():
            if pin in data_pins:
                if source not in data_pins:
                    fail(f"wires.{pin}", f"{source!r} is not a data line.", "Write D0 to D7.")
            elif pin not in address_pins:
                fail(f"wires.{pin}", f"the card has no pin {pin!r}.", near(pin, address_pins | data_pins))
            elif source not in ("low", "high") and not _LINE_NAME.fullmatch(source):
                fail(f"wires.{pin}", f"{source!r} is not a line.", 'Write A0 to A15, a line, "low" or "high".')
            elif re.fullmatch(r"A\d+", source) and int(source[1:]) > 15:
                fail(f"wires.{pin}", f"the bus has no line {source}.", "Write A0 to A15.")
        if data_used := [source for pin, source in wires.items() if pin in data_pins]:
            sources = [wires.get(f"D{n}", f"D{n}") for n in range(8)]
            if len(set(sources)) != 8:
                twice = sorted({s for s in data_used if sources.count(s) > 1})
                fail("wires", f"two data pins share {', '.join(twice)}.", "Name both sides of an exchange.")
        pins = {pin.name for pin in card.pins(settings)}
        for pin, line in lines.items():
            if pin not in pins:
                fail(f"lines.{pin}", f"the card has no pin {pin!r}.", near(pin, pins) or "It brings out no pins.")
            elif _CPU_OUTPUT.fullmatch(line):
                fail(
                    f"lines.{pin}",
                    f"{line} is an output of the CPU; a card's pin cannot be joined to it.",
                    f"Write {', '.join(SYSTEM_LINES)} or a name of your own in capitals; `wires` moves address pins.",
                )
            elif not _LINE_NAME.fullmatch(line):
                fail(
                    f"lines.{pin}",
                    f"{line!r} is not the name of a line.",
                    f"Write {', '.join(SYSTEM_LINES)} or a name of your own in capitals, e.g. VIDEO_INT.",
                )
        return dict(wires), dict(lines)


def _settings_of(card: type[Card]) -> str:
    """Where to look for the settings of a card, the near names being none."""
    known = sorted(attrs.fields_dict(card.Settings))
    if card.kind in entries():
        return f"`simkit cards {card.kind}` lists its settings."
    return f"Known are: {', '.join(known)}." if known else "The card has no settings."


def _texts(value: Any, field: str, fail: Any) -> tuple[str, ...]:
    if value is None:
        return ()
    if isinstance(value, str):
        return (value,)
    if isinstance(value, list) and value and all(isinstance(text, str) for text in value):
        return tuple(value)
    fail(field, f"{value!r} is neither a pattern nor a list of patterns.", "Write bits A15 to A0 in quotes.")
    return ()
