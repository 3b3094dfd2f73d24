"""One card of a machine file: its merged table checked, field by field."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import attrs

from simkit.backplane.board import Board
from simkit.backplane.covers import Cover
from simkit.backplane.select import Expression, Select, expression
from simkit.backplane.wiring import READ_STROBE, WRITE_STROBE, Done, Entry, Wiring, of_card
from simkit.contract.card import Card
from simkit.contract.errors import CardError, SimkitError
from simkit.logic.wired.decode import Decode
from simkit.machinefile.catalogue import Claims, card_class, entries
from simkit.machinefile.chip_pins import in_names_of_the_board
from simkit.machinefile.decode import WANTED, read_decode
from simkit.machinefile.decoded import covers_of, differs
from simkit.machinefile.description import CardDescription
from simkit.machinefile.meant import setting_meant
from simkit.machinefile.merge import MachineErrors, Table
from simkit.machinefile.programs import Program, is_address, parse_address
from simkit.machinefile.settings import guarded_settings
from simkit.machinefile.strobe_pins import level_of, selected_by, strobe_pins, with_strobe_pins
from simkit.machinefile.tomlplaces import Place
from simkit.machinefile.wires import misfit, of_lines, of_sentences, of_wires

_PATTERN = "Write bits A15 to A0 in quotes."
FILE_KEYS = ("image", "labels", "listing", "constants", "schematic")
"""Keys of a card that name files."""
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9]*([ _-][A-Za-z0-9]+)*")
MAX_NAME = 24
_STROBES = {"output_enable": READ_STROBE, "write_enable": WRITE_STROBE}


def check_card(
    slot: int,
    table: Table,
    installed: Mapping[str, Claims],
    errors: MachineErrors,
    more: Sequence[tuple[Entry, Place]] = (),
    signals: Collection[str] = (),
) -> CardDescription | None:
    """The card that a table describes.

    Args:
        slot: its slot.
        table: as merged.
        installed: what `entries` gave.
        errors: told what is wrong.
        more: what is done at its slot besides, each with the place where that is said.
        signals: lines of the backplane that decoders drive.

    Returns:
        None if something is wrong.
    """
    before = len(errors.found)
    found = _Checker(slot, table, errors, signals).card(installed, more)
    return found if len(errors.found) == before else None


def program_of(card: CardDescription, table: Table) -> Program | None:
    """The image of a card that takes none into a socket: a program for its memory."""
    if card.image is None or card.board.image_size is not None:
        return None
    at = table.values.get("at")
    return Program(card.image, None if at is None else parse_address(at), card.slot, card.place("image"))


def paths_of(table: Table) -> tuple[Path, ...]:
    """Where the paths of a card lead, as its description has them."""
    fields = ((field, table.values.get(field, [])) for field in FILE_KEYS)
    listed = ((field, value if isinstance(value, list) else [value]) for field, value in fields)
    return tuple(table.path(field, text) for field, texts in listed for text in texts if isinstance(text, str))


class _Checker:
    """Checks one card and goes on after an error, so that all are found."""

    def __init__(self, slot: int, table: Table, errors: MachineErrors, signals: Collection[str]) -> None:
        self.signals = signals
        self.slot = slot
        self.table = table
        self.errors = errors

    def fail(self, field: str, message: str, remedy: str = "", *, element: int | None = None) -> None:
        """Tell what is wrong with a field, or with an element of its list."""
        place = self.table.place(field)
        if element is not None:
            place = place.inside(element)
        self.errors.tell(message, place, remedy, slot=self.slot, kind=self.table.values.get("kind"), field=field)

    def failed(self, field: str, error: CardError) -> None:
        """Tell that the card failed, with the place in its own code."""
        own = f" ({error.file}:{error.line})" if error.file is not None else ""
        self.errors.tell(
            f"{error.message.rstrip('.:')}{own}{':' if error.lines else '.'}",
            self.table.place(field),
            error.remedy or "",
            slot=self.slot,
            kind=self.table.values.get("kind"),
            field=field,
            failed=True,
            lines=error.lines,
        )

    def card(self, installed: Mapping[str, Claims], more: Sequence[tuple[Entry, Place]]) -> CardDescription | None:
        """The description, whose fields hold where no error was told."""
        kind = self.table.values.get("kind")
        if not isinstance(kind, str):
            self.fail("kind", "the card has no kind.", '`simkit cards` lists them; write e.g. kind = "sram".')
            return None
        try:
            card = card_class(kind, self.table.folders["kind"], installed)
            settings = self.settings(card)
            board = Board.of(card, settings, "", self.slot)
        except CardError as error:
            self.failed("kind", error)
            return None
        except SimkitError as error:
            self.fail("kind", error.message, error.remedy or "")
            return None
        levels = self.levels(board)
        if self.table.decoder is None:
            self.table.decoder = self.decode(board, levels)
        decode, covers = self.table.decoder
        select = () if isinstance(self.table.values.get("select"), dict) else self.patterns("select")
        not_select = self.patterns("not_select")
        if "select" not in self.table.values and "select" in covers:
            select, not_select = covers["select"].select, covers["select"].not_select
        on_the_bus = board.registers or board.address_pins  # else it meets others by pins alone
        own, elsewhere = self.sentences(board, card.pin_names, card.Settings, more)
        said = Wiring().then(own).then(elsewhere)
        if not {"select", "decode"} & self.table.values.keys() and not said.only(Done.SELECTED) and on_the_bus:
            self.fail("select", "the card has no select.", 'Write e.g. select = "0xxx xxxx xxxx xxxx".')
        pins = of_wires(self.names("wires"), self.slot, board, self.fail)
        pins += of_lines(self.names("lines"), self.slot, board, self.fail)
        ready_gated = self.table.values.get("ready_gated", False)
        if not isinstance(ready_gated, bool):
            self.fail("ready_gated", f"{ready_gated!r} is neither true nor false.")
        self.check_at(board)
        note = self.table.values.get("note", "")
        if not isinstance(note, str):
            self.fail("note", f"{note!r} is not a string in quotes.")
        return CardDescription(
            slot=self.slot,
            kind=kind,
            card=card,
            settings=settings,
            board=board,
            wiring=self.strobe_pins(
                of_card(
                    self.slot,
                    select=select,
                    not_select=not_select,
                    output_enable=self.strobe("output_enable", covers),
                    write_enable=self.strobe("write_enable", covers),
                    ready_gated=ready_gated is True,
                )
                + pins,
                said,
                board,
                levels,
                has_rw=card.own_phi2,
            ),
            image=self.path("image"),
            labels=self.paths("labels"),
            listing=self.paths("listing"),
            constants=self.paths("constants"),
            schematic=self.path("schematic"),
            decode=decode,
            name=self.name(),
            note=note,
            is_decoded_as_said=any(
                entry.done in (Done.SELECTED, Done.NOT_SELECTED) or not entry.at_pin or entry.name in board.chip_selects
                for entry in said.entries
            ),
            origin=_with_decode(self.table.origin),
        )

    def settings(self, card: type[Card]) -> Any:
        """Settings of the card.

        Raises:
            CardError: its class `Settings` fails.
        """
        made, wrong = guarded_settings(card.Settings, self.table.values.get("settings", {}), self.slot)
        for key, message, remedy in wrong:
            self.fail(f"settings.{key}".rstrip("."), message, remedy or _settings_of(card))
        return made

    def patterns(self, field: str) -> tuple[str, ...]:
        """Patterns and expressions of a field: one, or a list."""
        value = self.table.values.get(field, ())
        texts = [value] if isinstance(value, str) else value
        if texts == [] and field == "not_select":
            return ()  # what a base excludes is not excluded here
        if not isinstance(texts, list | tuple) or (field in self.table.values and not texts):
            self.fail(field, f"{value!r} is neither a pattern nor a list of patterns.", _PATTERN)
            return ()
        good: list[str] = []
        for number, text in enumerate(texts):
            element = number if isinstance(value, list) else None
            if not isinstance(text, str):
                self.fail(field, f"{text!r} is not a pattern.", _PATTERN, element=element)
                continue
            try:
                Select((text,))
            except SimkitError as error:
                self.fail(field, error.message, error.remedy or "", element=element)
            else:
                good.append(text)
        return tuple(good)

    def decode(self, board: Board, levels: Mapping[str, str]) -> tuple[Decode | None, Mapping[str, Cover]]:
        """The decoder, where its parts are named, and what it comes to; what is said besides must be the same."""
        value = self.table.values.get("decode")
        if not value:
            return None, {}
        decode = read_decode(value, self.table.path, self.fail)
        covers = covers_of(decode, self.fail) if decode is not None else {}
        if decode is None or covers.keys() != decode.wanted.keys():
            return None, {}
        for key in covers:
            if key not in self.table.values:
                continue
            try:
                found = differs(decode, key, self.said(key, board, levels))
            except SimkitError:
                continue  # what is no select is told elsewhere
            if found is not None:
                place = self.table.place(key)
                remedy = f"One of the two is wrong; {key} stands in {place.file}:{place.line}."
                self.fail(f"decode.{key}", f"{found}.", remedy)
        if "not_select" in self.table.values and "select" not in self.table.values:
            self.fail(
                "not_select", "the parts of decode say all of the select.", "Leave it out, or write select as well."
            )
        return decode, covers

    def said(self, key: str, board: Board, levels: Mapping[str, str]) -> Select | Expression:
        """A select or strobe as its key says it.

        Raises:
            SimkitError: it is none.
        """
        if key != "select":
            return expression(str(self.table.values[key]))
        if levels:
            return Select((selected_by(board, levels),))
        value, without = self.table.values["select"], self.table.values.get("not_select", ())
        texts, excluded = ([one] if isinstance(one, str) else one for one in (value, without))
        return Select(tuple(map(str, texts)), tuple(map(str, excluded)))

    def strobe(self, field: str, covers: Mapping[str, Cover]) -> str:
        """Expression of a strobe."""
        usual = covers[field].expression() if field in covers else _STROBES[field]
        text = self.table.values.get(field, usual)
        if not isinstance(text, str):
            self.fail(field, f"{text!r} is not an expression.", f'Write e.g. {field} = "{_STROBES[field]}".')
            return _STROBES[field]
        try:
            expression(text)
        except SimkitError as error:
            self.fail(field, error.message, error.remedy or "")
        return text

    def path(self, field: str) -> Path | None:
        """Path that the file names, from the folder of the file that does."""
        value = self.table.values.get(field)
        if value is None:
            return None
        if not isinstance(value, str):
            self.fail(field, f"{value!r} is not a path.")
            return None
        return self.table.path(field, value)

    def name(self) -> str:
        """What the builder calls the card."""
        name = self.table.values.get("name", "")
        if not isinstance(name, str) or (name and (len(name) > MAX_NAME or not _NAME.fullmatch(name))):
            self.fail(
                "name",
                f"{name!r} is no name of a card.",
                f'Write letters and digits, {MAX_NAME} at most, e.g. name = "pads"; names of constants begin with it.',
            )
            return ""
        return name

    def check_at(self, board: Board) -> None:
        """Whether `at` is an address, of an image that is put into RAM."""
        at = self.table.values.get("at")
        if at is None:
            return
        if not isinstance(at, str) or not is_address(at):
            self.fail("at", f"{at!r} is not an address.", 'Write e.g. at = "$0200".')
        elif "image" not in self.table.values:
            self.fail("at", "there is no image to be put there.", 'Write image = "program.bin", or leave it out.')
        elif board.image_size is not None:
            self.fail("at", "the image of a ROM lies at the start of the part.", "Leave it out.")

    def paths(self, field: str) -> tuple[Path, ...]:
        """Paths of a field: one, or a list."""
        value = self.table.values.get(field, [])
        texts = value if isinstance(value, list) else [value]
        for number, text in enumerate(texts):
            if not isinstance(text, str):
                element = number if isinstance(value, list) else None
                self.fail(field, f"{text!r} is not a path.", element=element)
        return tuple(self.table.path(field, text) for text in texts if isinstance(text, str))

    def sentences(
        self, board: Board, names: Mapping[str, str], settings: type, more: Sequence[tuple[Entry, Place]]
    ) -> tuple[Wiring, Wiring]:
        """What sentences say of the slot: those of the card, and those that stand elsewhere."""
        said = self.table.values.get("wiring", [])

        def meant(text: Any) -> str:
            return setting_meant(text, self.slot, settings) if isinstance(text, str) else ""

        def fail(number: int | None, message: str, remedy: str) -> None:
            place = self.table.place("wiring" if number is None else f"wiring.{number}")
            kind = self.table.values.get("kind")
            self.errors.tell(message, place, remedy, slot=self.slot, kind=kind, field="wiring")

        def fail_at(place: Place, message: str, remedy: str) -> None:
            kind = self.table.values.get("kind")
            self.errors.tell(message, place, remedy, slot=self.slot, kind=kind, field="wiring")

        lines = {pin: line for pin, line in self.table.values.get("lines", {}).items() if isinstance(line, str)}

        def fitting(entry: Entry, fail: Callable[[str, str], None]) -> Entry:
            try:
                found = in_names_of_the_board(entry, board, names, self.signals, lines)
            except SimkitError as error:
                fail(error.message, error.remedy or "")
                return entry
            is_strobe = found.at_pin and found.name in strobe_pins(board)
            if not is_strobe and (why := misfit(found, board, names)) is not None:
                fail(f"{str(entry)!r}: {why[0]}", meant(str(entry)) or why[1])
            return found

        def unread(number: int | None, message: str, remedy: str) -> None:
            fail(number, message, meant(said[number] if number is not None else None) or remedy)

        own = [fitting(entry, partial(fail, number)) for number, entry in of_sentences(said, self.slot, unread)]
        elsewhere = [fitting(entry, partial(fail_at, place)) for entry, place in more]
        return Wiring(tuple(own)), Wiring(tuple(elsewhere))

    def strobe_pins(
        self, keys: Wiring, said: Wiring, board: Board, levels: Mapping[str, str], *, has_rw: bool
    ) -> Wiring:
        """What keys say, then sentences, of which those of strobe pins act on what the others have said."""
        names = strobe_pins(board)
        pins = [entry for entry in said.entries if entry.at_pin and entry.name in names]
        others = Wiring(tuple(entry for entry in said.entries if entry not in pins))
        known = None if not levels or others.only(Done.SELECTED) else levels
        if others.only(Done.UNPOWERED):
            others = others.then(_without_supply(self.slot, board))
        try:
            return with_strobe_pins(keys.then(others), pins, board, known, has_rw=has_rw)
        except SimkitError as error:
            self.fail("wiring" if pins else "select", error.message, error.remedy or "")
            return keys

    def levels(self, board: Board) -> dict[str, str]:
        """What stands at each chip select, where `select` is a table that says so by pin."""
        value = self.table.values.get("select")
        if not isinstance(value, dict):
            return {}
        found: dict[str, str] = {}
        pins = ", ".join(f"{pin} ({'high' if level else 'low'} when true)" for pin, level in board.chip_selects.items())
        if not value:
            self.fail("select", "nothing is said of any chip select.", f"The card has {pins}.")
        for pin, text in value.items():
            if pin not in board.chip_selects:
                self.fail(f"select.{pin}", f"the card has no chip select {pin!r}.", f"It has {pins}.")
            elif not isinstance(text, str):
                self.fail(f"select.{pin}", f"{text!r} is not an expression.", 'Write e.g. "A13", "not IOSEL" or "VCC".')
            else:
                try:
                    found[pin] = level_of(text)
                except SimkitError as error:
                    self.fail(f"select.{pin}", error.message, error.remedy or "")
        if self.table.values.get("not_select"):
            self.fail("not_select", "the select is said pin by pin.", "Put it into the expression of a pin.")
        return found

    def names(self, field: str) -> dict[str, str]:
        """Names of lines by pin; none if something else stands among them."""
        names: dict[str, Any] = self.table.values.get(field, {})
        others = [pin for pin, name in names.items() if not isinstance(name, str)]
        for pin in others:
            self.fail(
                f"{field}.{pin}", f"{names[pin]!r} is not the name of a line.", 'Write a name in quotes, or "open".'
            )
        return {} if others else dict(names)


def _without_supply(slot: int, board: Board) -> Wiring:
    """What a card without supply comes to: it is never selected, and lets go of what its pins are joined to.

    From memory: a part without supply drives nothing; through the protection diodes of its inputs it loads lines, and
    may even be fed by them, which is not simulated (rule supply-not-joined says so of single chips).
    """
    pins = (Entry(Done.OPEN, pin.name, "", slot, at_pin=True) for pin in board.pins)
    return Wiring((Entry(Done.SELECTED, "", "never", slot), *pins))


def _with_decode(origin: Mapping[str, Place]) -> Mapping[str, Place]:
    """Where keys stand; a select or strobe that the parts of a decoder give stands where its pin is named."""
    return {**{key: origin[f"decode.{key}"] for key in WANTED if f"decode.{key}" in origin}, **origin}


def _settings_of(card: type[Card]) -> str:
    """Where to look for the settings of a card, the near names being none."""
    known = sorted(attrs.fields_dict(card.Settings))
    if card.kind in entries():
        return f"`simkit cards {card.kind}` lists its settings."
    return f"Known are: {', '.join(known)}." if known else "The card has no settings."
