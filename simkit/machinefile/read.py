"""The machine file: read, merged with its base, and checked.

All errors of a file are found in one go; each names file, line, slot, field and what to do.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import attrs

from simkit.backplane.cpu_pins import at_part
from simkit.backplane.fault_times import ALWAYS
from simkit.backplane.faults import MAX_FAULTS, Fault
from simkit.backplane.select import Select, expression
from simkit.backplane.sentences import slot_said
from simkit.backplane.wiring import CPU, Done, Entry, Wiring
from simkit.contract.clock import parse_hz
from simkit.contract.errors import SimkitError, near, numbers
from simkit.contract.settings import KINDS
from simkit.files.bounded import is_folder
from simkit.kitfile.reading import is_kit
from simkit.logic.wired.decode import Decode
from simkit.machinefile.cards import program_of
from simkit.machinefile.catalogue import Claims, card_class, entries
from simkit.machinefile.decode import read_backplane_decode
from simkit.machinefile.decoded import covers_of, differs
from simkit.machinefile.description import Backplane, CardDescription, CpuOptions, Description
from simkit.machinefile.faults import GIVEN, Said, check_count, check_faults, no_list, read_all, said_in, with_settings
from simkit.machinefile.fitted import NamedParts, check_size
from simkit.machinefile.kept import described
from simkit.machinefile.meant import cpu_meant, setting_meant
from simkit.machinefile.merge import DEFAULT_CPU, MACHINE_FILE, MachineErrors, Merged, Table
from simkit.machinefile.programs import Program
from simkit.machinefile.settings import read_settings
from simkit.machinefile.shipped import demo_folder
from simkit.machinefile.tomlplaces import Place
from simkit.machinefile.wires import lines_of, of_pulls, of_sentences, of_signals, unknown_lines, wrong_signals

CPUS = (DEFAULT_CPU, "6502")

_MACHINE_NAME = re.compile(r"[^\x00-\x1f\x7f-\x9f\u2028\u2029]{1,80}")
_ABOUT = re.compile(r"[^\x00-\x1f\x7f-\x9f\u2028\u2029]{0,100}")


def machine_path(machine: str | Path) -> Path:
    """The machine file behind what people write: a folder, a machine.toml, a kit, or demo:NAME.

    Raises:
        FileError: a kit cannot be read, or not be unpacked in the user's cache folder.
        SimkitError: nothing there, says what was looked for; or a kit that cannot be used as it is.
    """
    text = str(machine)
    if text.startswith("demo:"):
        return _demo_path(text[len("demo:") :])
    path = Path(machine)
    if is_folder(path):
        inside = path / MACHINE_FILE
        if not os.path.lexists(inside):
            raise SimkitError(
                f"The folder {path} holds no {MACHINE_FILE}.",
                remedy="Name a folder with a machine file, or `simkit new machine NAME` writes one.",
            )
        return inside
    if not os.path.lexists(path):
        raise SimkitError(
            f"There is no machine at {text}.",
            remedy="Name a folder, a machine.toml, a kit, or demo:NAME; `simkit demo` lists those that come with "
            "simkit.",
        )
    if is_kit(path):
        from simkit.machinefile.packed import machine_in_kit  # few machines are kits

        return machine_in_kit(path)
    return path


def _demo_path(name: str) -> Path:
    folder = demo_folder()
    if not _is_demo(folder, name):
        names = sorted(str(p.parent.relative_to(folder).as_posix()) for p in folder.rglob(MACHINE_FILE))
        raise SimkitError(f"There is no demo machine {name!r}.", remedy=near(name, names))
    return folder / name / MACHINE_FILE


def _is_demo(folder: Path, name: str) -> bool:
    """Whether it names one letter by letter, also where a file system takes capitals for small letters."""
    for part in (*name.split("/"), MACHINE_FILE):
        if not is_folder(folder) or part not in os.listdir(folder):  # noqa: PTH208 - a Path for each takes long
            return False
        folder /= part
    return True


def read_description(
    machine: str | Path,
    *,
    clock: str | None = None,
    seed: int | None = None,
    settings: Mapping[int, Mapping[str, Any]] | None = None,
    programs: Sequence[Program] = (),
    start: str | None = None,
    wiring: Sequence[str] = (),
    faults: Sequence[str | Fault] = (),
) -> Description:
    """Read a machine file with its bases and check all of it.

    Args:
        machine: a folder, a machine.toml, a kit, or demo:NAME.
        clock: replaces the clock of the file.
        seed: replaces the seed of the file.
        settings: replaces settings of cards, by slot and name.
        programs: put into RAM besides those of the file.
        start: replaces where the CPU begins.
        wiring: sentences of what is done to lines and pins besides.
        faults: what is wrong besides what the file says is wrong, as sentences or read.

    Raises:
        SimkitError: one error, or SeveralErrors with all of them.
    """
    if isinstance(faults, str):
        raise no_list(faults)
    path = machine_path(machine)
    errors = MachineErrors()
    merged = Merged(path, errors)
    merged.read()
    if any(error.field == "base" for error in errors.found):
        errors.raise_any()  # what the base would have given is missing: more errors would mislead
    merged.give(settings or {})
    if clock is not None:
        merged.top.put("clock", clock, Place("given clock"), Path())
    if seed is not None:
        merged.top.put("seed", seed, Place("given seed"), Path())
    if start is not None:
        merged.top.put("start", start, Place("given start"), Path())
    parts = NamedParts(merged, errors)
    said = [
        *said_in(merged.top, merged.cards, errors),
        *read_all(faults, merged.cards, lambda number: GIVEN, errors),
    ]
    return _Source(merged, parts, path, tuple(wiring), tuple(programs)).checked(said, errors)


class _Source:
    """A machine file over its bases, read, and what was given besides: descriptions are made of it.

    Args:
        merged: the files.
        parts: of which it is built.
        path: the machine file.
        wiring: sentences that were given.
        programs: that were given.
    """

    def __init__(
        self, merged: Merged, parts: NamedParts, path: Path, wiring: tuple[str, ...], programs: tuple[Program, ...]
    ) -> None:
        self._merged = merged
        self._parts = parts
        self._path = path
        self._wiring = wiring
        self._programs = programs
        self._cards: dict[int, tuple[object, CardDescription]] = {}

    def described(self, faults: Sequence[Fault]) -> Description:
        """The machine with these faults instead of those that the file says it has.

        Raises:
            SimkitError: one cannot be; SeveralErrors for several.
        """
        errors = MachineErrors()
        return self.checked([(fault, GIVEN) for fault in faults], errors)

    def checked(self, faults: Sequence[Said], errors: MachineErrors) -> Description:
        """The same, with the places of the faults and what was told of the files.

        Raises:
            SimkitError: something is wrong; SeveralErrors for several.
        """
        if len(faults) > MAX_FAULTS:
            errors.tell(f"{len(faults)} faults; {MAX_FAULTS} are allowed.", faults[MAX_FAULTS][1], "Leave some out.")
        found = self._made([(fault, place) for fault, place in faults if fault.is_static], errors)
        errors.raise_any()
        check_count(faults, errors)
        timed = [(fault, place) for fault, place in faults if not fault.is_static]
        check_faults(found, self._merged.cards, faults, errors)
        errors.raise_any()
        if any(isinstance(fault.what, Entry) for fault, _ in timed):  # while they are there they must be possible
            self._made([(attrs.evolve(fault, when=ALWAYS), place) for fault, place in faults], errors)
            errors.raise_any()
        said = tuple(fault for fault, _ in faults)
        return attrs.evolve(found, faults=said, source=self, programs=(*found.programs, *self._programs))

    def _made(self, faults: Sequence[Said], errors: MachineErrors) -> Description:
        return _check(self._merged, self._parts, self._path, errors, self._wiring, faults, self._card)

    def _card(
        self,
        slot: int,
        table: Table,
        installed: Mapping[str, Claims],
        errors: MachineErrors,
        more: Sequence[tuple[Entry, Place]],
        signals: Collection[str],
    ) -> CardDescription | None:
        """As `check_card`; a card of which nothing else is said than the last time is as it was."""
        asked = (table, tuple(more), tuple(signals))
        known = self._cards.get(slot)
        if known is not None and known[0] == asked:
            return known[1]
        found = described(self._path, slot, table, installed, errors, more, signals)
        parts = self._parts.cards.get(slot)
        if found is not None and parts is not None:
            check_size(found, parts.part, errors)
            found = attrs.evolve(found, part=parts.part, timing=parts.timing)
        if found is not None and (known is None or not more):
            self._cards[slot] = asked, found
        return found


def _check(
    merged: Merged,
    parts: NamedParts,
    path: Path,
    errors: MachineErrors,
    more: Sequence[str],
    faults: Sequence[Said],
    checked: Callable[..., CardDescription | None],
) -> Description:
    """The description, which holds if no error was told."""
    top = _Top(merged.top, errors)
    name = top.value("name", "Machine")
    if not _MACHINE_NAME.fullmatch(name):
        top.fail("name", f"{name[:90]!r} cannot be the name of a machine.", "Write 1 to 80 characters in one line.")
    clock_text = top.value("clock", "")
    clock_hz = Fraction(1_000_000)
    if "clock" not in merged.top.values:
        top.fail("clock", "the machine has no clock.", 'Write e.g. clock = "2 MHz".')
    elif isinstance(merged.top.values["clock"], str):
        try:
            clock_hz = parse_hz(clock_text)
        except SimkitError as error:
            top.fail("clock", error.message, error.remedy or "")
    cpu = top.value("cpu", DEFAULT_CPU)
    if cpu not in CPUS:
        top.fail("cpu", f"{cpu!r} is not a CPU.", f"Write one of {', '.join(CPUS)}.")
    start = top.value("start", "")
    if "start" in merged.top.values and not start.strip():
        top.fail("start", f"{start!r} is neither an address nor a label.", 'Write e.g. start = "$0200".')
    installed = entries()
    cards = with_settings(merged.cards, faults)
    wiring = _BackplaneWiring(merged, errors, more, cpu if cpu in CPUS else CPUS[0], faults)
    signals = wiring.of_all().signals()
    description = Description(
        name=name,
        clock_text=clock_text,
        clock_hz=clock_hz,
        cpu=cpu,
        seed=top.value("seed", 1),
        about=_about(top, merged, path),
        note=top.value("note", ""),
        backplane=top.table("backplane", Backplane, ("wiring", "pulls", "signals", "decode")),
        wiring=wiring.of_all(),
        decode=wiring.decode,
        cpu_options=top.table("cpu_options", CpuOptions),
        cards=tuple(
            card
            for slot in sorted(cards)
            if (card := checked(slot, cards[slot], installed, errors, wiring.at(slot), signals)) is not None
        ),
        start=start.strip() or None,
        cpu_timing=parts.cpu,
        own_parts=parts.own,
        parts_file=parts.file,
        path=path,
        files=tuple(merged.files),
    )
    wiring.check_names(description)
    description = _without_removed(description)
    if not merged.cards:
        errors.tell("the machine has no cards.", Place(str(path)), "Add [[card]] tables.")
    programs = (program_of(card, merged.cards[card.slot]) for card in description.cards)
    return attrs.evolve(description, programs=tuple(program for program in programs if program is not None))


def _without_removed(description: Description) -> Description:
    """The machine without those cards of which a sentence says that they are not in their slots."""
    said = [entry for card in description.cards for entry in card.wiring.only(Done.REMOVED)]
    wiring = description.wiring + Wiring(tuple(said))
    gone = {entry.slot for entry in wiring.only(Done.REMOVED)}
    if not gone:
        return description
    return attrs.evolve(
        description, wiring=wiring, cards=tuple(card for card in description.cards if card.slot not in gone)
    )


class _BackplaneWiring:
    """What is done to lines of the backplane, at the CPU, and at slots where it does not stand with the card."""

    def __init__(
        self, merged: Merged, errors: MachineErrors, more: Sequence[str], cpu: str, faults: Sequence[Said]
    ) -> None:
        self._errors = errors
        self._cpu = cpu
        self._cards = merged.cards
        self._said: list[tuple[Entry, Place]] = []
        table, top = merged.top.values.get("backplane", {}), merged.top
        if top.decoder is None:
            top.decoder = self._decoded(table, top)
        self.decode: Decode | None
        self.decode, decoded = top.decoder
        if decoded:
            table = {**table, "signals": {**decoded, **table.get("signals", {})}}
        for key, read in (("pulls", of_pulls), ("signals", of_signals)):

            def at(name: str, key: str = key) -> Place:
                said = f"backplane.{key}.{name}".rstrip(".")
                by_parts = f"backplane.decode.{key}.{name}"
                return top.place(by_parts if said not in top.origin and by_parts in top.origin else said)

            def fail(name: str, message: str, remedy: str, key: str = key, at: Callable[..., Place] = at) -> None:
                self._tell(message, at(name), remedy, key)

            self._said += [(entry, at(entry.name)) for entry in read(table.get(key, {}), fail)]
        own, given = top.place("backplane.wiring"), Place("given wiring")
        self._read(
            table.get("wiring", []),
            lambda number: own if number is None else top.place(f"backplane.wiring.{number}"),
        )
        self._read(list(more), lambda number: given)
        entries = [(fault.what, place) for fault, place in faults if isinstance(fault.what, Entry)]
        self._said += [(self._at_cpu(entry, place), place) for entry, place in entries]
        for entry, place in self._said:
            if entry.slot and entry.slot not in merged.cards:
                slots = f"Slots with cards: {numbers(merged.cards)}."
                self._tell(f"{str(entry)!r}: there is no card in slot {entry.slot}.", place, slots)

    def _decoded(self, table: dict[str, Any], top: Table) -> tuple[Decode | None, dict[str, str]]:
        """The decoder that is said by its parts, and the lines that it drives."""
        value, signals = table.get("decode"), table.get("signals", {})
        if not value or not isinstance(signals, dict):
            return None, {}

        def fail(field: str, message: str, remedy: str) -> None:
            self._tell(message, top.place(f"backplane.{field}"), remedy, field)

        decode = read_backplane_decode(value, lambda field, text: top.path(f"backplane.{field}", text), fail)
        covers = covers_of(decode, fail, "decode.signals") if decode is not None else {}
        for name in covers:
            if decode is None or name not in signals:
                continue
            with suppress(SimkitError):  # what is no expression is told where it is read
                if (found := differs(decode, name, expression(str(signals[name])))) is not None:
                    place = top.place(f"backplane.signals.{name}")
                    remedy = f"One of the two is wrong; {name} stands in {place.file}:{place.line}."
                    fail(f"decode.signals.{name}", f"{found}.", remedy)
        return decode, {name: one.expression() for name, one in covers.items()}

    def _read(self, value: Any, at: Callable[[int | None], Place]) -> None:
        def fail(number: int | None, message: str, remedy: str) -> None:
            text = value[number] if number is not None else None
            meant = self._meant(text) if isinstance(text, str) else ""
            self._tell(message, at(number), meant or remedy)

        said = of_sentences(value, None, fail)
        self._said += [(self._at_cpu(entry, at(number)), at(number)) for number, entry in said]

    def _meant(self, text: str) -> str:
        """What a refused sentence may be about instead of a wire, and how that is written; "" for nothing."""
        slot = slot_said(text)
        if slot == CPU:
            return cpu_meant(text, CPUS)
        table = self._cards.get(slot or CPU)
        kind = table.values.get("kind") if table is not None else None
        if table is None or not isinstance(kind, str):
            return ""
        with suppress(SimkitError):  # a card that cannot be loaded is told elsewhere
            return setting_meant(text, slot or CPU, card_class(kind, table.folders["kind"]).Settings)
        return ""

    def _at_cpu(self, entry: Entry, place: Place) -> Entry:
        """What an entry comes to with this CPU in the socket; as it is where that cannot be, which is told."""
        if entry.slot != CPU:
            return entry
        try:
            return at_part(entry, self._cpu)
        except SimkitError as error:
            self._tell(f"{str(entry)!r}: {error.message.rstrip('.')}.", place, error.remedy or "")
            return entry

    def _tell(self, message: str, place: Place, remedy: str, field: str = "wiring") -> None:
        self._errors.tell(message, place, remedy, field="" if place == GIVEN else f"backplane.{field}")

    def of_all(self) -> Wiring:
        """What is done without a slot, and which cards are removed."""
        return Wiring(tuple(entry for entry, _ in self._said if not entry.slot or entry.done is Done.REMOVED))

    def at(self, slot: int) -> list[tuple[Entry, Place]]:
        """What is done at a slot, each with its place."""
        return [(entry, place) for entry, place in self._said if entry.slot == slot and entry.done is not Done.REMOVED]

    def check_names(self, description: Description) -> None:
        """Tell of lines that are not there."""
        decoded: set[str] = set()
        for card in description.cards:
            for strobe in (card.output_enable, card.write_enable):
                decoded |= expression(strobe).lines
            decoded |= Select(card.select, card.not_select).lines
        everything = self.of_all()
        lines = lines_of([card.wiring for card in description.cards], everything.heard(decoded))
        places = {id(entry): place for entry, place in self._said}
        for entry, message, remedy in unknown_lines((entry for entry, _ in self._said if not entry.slot), lines):
            self._tell(f"{str(entry)!r}: {message}", places[id(entry)], remedy)
        for entry, message, remedy in wrong_signals(everything, [card.wiring for card in description.cards]):
            at = places.get(id(entry)) or next(
                card.place(f"lines.{entry.name}") for card in description.cards if card.slot == entry.slot
            )
            self._tell(f"{str(entry)!r}: {message}", at, remedy)


def _about(top: _Top, merged: Merged, path: Path) -> str:
    """What the machine is; what a base says of itself is not true of the variant."""
    about = top.value("about", "")
    if not _ABOUT.fullmatch(about):
        remedy = "Write up to 100 characters in one line; a note may be longer."
        top.fail("about", f"{about[:110]!r} does not say in a few words what the machine is.", remedy)
    return about if merged.top.place("about").file == str(path) else ""


_Plain = TypeVar("_Plain", str, int)


class _Top:
    """What a machine file says outside of its cards."""

    def __init__(self, table: Table, errors: MachineErrors) -> None:
        self._table = table
        self._errors = errors

    def fail(self, key: str, message: str, remedy: str = "") -> None:
        """Tell what is wrong with a key."""
        self._errors.tell(message, self._table.place(key), remedy, field=key)

    def value(self, key: str, default: _Plain) -> _Plain:
        """Value of a key, of the kind of its default."""
        value = self._table.values.get(key, default)
        if type(value) is not type(default):
            self.fail(key, f"{value!r} is not {KINDS[type(default)]}.")
            return default
        return value

    def table(self, key: str, kind: type, others: Sequence[str] = ()) -> Any:
        """Instance of an attrs class from a table of the file, of which other keys are read elsewhere."""
        return read_settings(
            kind,
            {name: value for name, value in self._table.values.get(key, {}).items() if name not in others},
            lambda inner, message, remedy: self.fail(f"{key}.{inner}".rstrip("."), message, remedy),
        )
