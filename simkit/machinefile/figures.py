"""Figures of data sheets, how fast parts are: the table that comes with the kit, and tables that people write.

The files are TOML, each figure with where it comes from; `simkit explain parts` says how they are written. Nothing here
knows what the figures are for: sums are made of them in `simkit.timing`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import Errors, SimkitError, near
from simkit.machinefile.tomlfile import Toml, read_toml
from simkit.machinefile.tomlplaces import Place

FOLDER = Path(__file__).parent / "parts"
"""Where the kit's tables lie."""

TYPICAL, ROOM, WORST = COLUMNS = ("typical", "room", "worst")
"""Columns of data sheets: what most parts do at 25 C, the limit at 25 C, the limit over the whole range."""
INSTEAD = {TYPICAL: (TYPICAL, ROOM, WORST), ROOM: (ROOM, WORST), WORST: (WORST, ROOM)}
"""By the column that is wanted: which count, the first that the sheet has. A typical figure is never a limit."""

FROM_MEMORY = "from memory"
BASES = {
    "read": "read in the data sheet that is named",
    "stored": "read in a stored copy of what is named, or of a page that cites it",
    "derived": "calculated from other figures",
    FROM_MEMORY: "nobody has looked it up: read the maker's data sheet before you build on it",
}
"""What a figure rests on."""

MEMORY = "memory"
"""Key of the source of figures of which no source was found."""

CPU, RAM_OR_ROM, PERIPHERAL, LOGIC = KINDS = ("cpu", "memory", "peripheral", "logic")
FIGURES = {
    CPU: {
        "cycle": "least period of PHI2",
        "longest_cycle": "longest period of PHI2",
        "high": "least time of PHI2 high",
        "low": "least time of PHI2 low",
        "edges": "longest edge of the clock",
        "address_valid": "from the fall of PHI2 to address and R/W",
        "address_hold": "address after the fall of PHI2",
        "read_access": "time left for a read, as the sheet says it",
        "read_setup": "data before the fall of PHI2, in a read",
        "read_hold": "data after it, in a read",
        "write_valid": "from the rise of PHI2 to data, in a write",
        "write_hold": "data after the fall of PHI2, in a write",
        "input_setup": "RDY, IRQ, NMI, RES before the fall of PHI2",
        "input_hold": "RDY, IRQ, NMI, RES after it",
        "bus_enable": "from BE to the bus",
    },
    RAM_OR_ROM: {
        "address": "from the address to data",
        "enable": "from chip enable to data",
        "output": "from output enable to data",
        "off": "until the outputs let go",
        "write_pulse": "least width of the write pulse",
        "write_setup": "data before the end of the write pulse",
        "write_hold": "data after it",
    },
    PERIPHERAL: {
        "cycle": "least period of PHI2",
        "select_setup": "selects and address before the rise of PHI2",
        "read_valid": "from the rise of PHI2 to data",
        "read_hold": "data after the fall of PHI2",
        "write_setup": "data before the fall of PHI2",
        "write_hold": "data after it",
    },
    LOGIC: {
        "input": "through a gate",
        "compare": "from P or Q to the output of a comparator",
        "select": "from a select input of a decoder to its outputs",
        "enable": "from an enable to the outputs",
        "disable": "from an enable until the outputs let go",
        "data": "from a data input to its output",
        "latch": "from the latch enable to the outputs",
        "clock": "from the clock to the outputs",
        "carry": "from the clock to the carry",
        "enable_to_carry": "from the count enable to the carry",
        "clear": "from clear to the outputs",
        "shift": "from the shift clock to the serial output",
        "store": "from the storage clock to the outputs",
        "reset": "from reset to the serial output",
        "setup": "data before the clock or the end of the latch enable",
        "hold": "data after it",
        "pulse": "least width of the clock or the latch enable",
        "shift_to_store": "from the shift clock to the storage clock",
        "clock_mhz": "highest clock, in MHz",
    },
}
"""What is known of each kind of part, in ns where the name does not say another unit."""

MAX_NAME = 40
MAX_NS = 1_000_000.0
_PART_KEYS = (*("name", "also", "grade", "kind", "family", "supply", "fits", "setting", "size", "source", "figures"),)
_FIGURE_KEYS = (*COLUMNS, "source", "typical_source", "note")


@attrs.frozen
class Source:
    """Where figures come from.

    Attributes:
        title: maker, sheet, date, table.
        basis: one of BASES.
    """

    title: str
    basis: str


NOT_FOUND = Source("no source was found", FROM_MEMORY)


@attrs.frozen
class Value:
    """One number out of a sheet.

    Attributes:
        number: in ns, or in the unit that the figure's name says.
        column: the column that it stands in.
        source: where it comes from.
    """

    number: float
    column: str
    source: Source


@attrs.frozen
class Figure:
    """A line of a data sheet.

    Attributes:
        values: by column, those that the sheet has.
        note: what is to be said of it.
    """

    values: Mapping[str, Value]
    note: str = ""

    def value(self, column: str) -> Value | None:
        """What counts where a column is wanted; None: the sheet has nothing that could."""
        return next((self.values[one] for one in INSTEAD[column] if one in self.values), None)


@attrs.frozen(kw_only=True)
class Part:
    """A part of one speed grade.

    Attributes:
        name: as it is marked.
        also: other names by which it goes.
        grade: speed grade; "": the part has none.
        kind: one of KINDS.
        family: of logic: "HC".
        supply: for which the figures hold.
        fits: kinds of cards, or of CPUs, that it may be the part of.
        setting: values of the card's own setting `part` with which it goes; (): the card has none, or any will do.
        size: bytes of a memory.
        figures: by name.
    """

    name: str
    also: tuple[str, ...] = ()
    grade: str = ""
    kind: str = LOGIC
    family: str = ""
    supply: str = ""
    fits: tuple[str, ...] = ()
    setting: tuple[str, ...] = ()
    size: int | None = None
    figures: Mapping[str, Figure] = attrs.field(eq=False)

    @property
    def title(self) -> str:
        """Name and grade."""
        return f"{self.name}, {self.grade}" if self.grade else self.name

    def figure(self, name: str, column: str) -> Value | None:
        """What the sheet says in a column, or in the one that counts instead; None: nothing."""
        found = self.figures.get(name)
        return None if found is None else found.value(column)

    def has_grade(self, grade: str) -> bool:
        """Whether that is its grade; "14 MHz" means each supply of it."""
        own, asked = (text.replace(" ", "").casefold() for text in (self.grade, grade))
        return bool(asked) and (own == asked or own.startswith(f"{asked}at"))


@attrs.frozen
class PartTable:
    """Parts whose figures are known.

    Attributes:
        parts: all of them.
    """

    parts: tuple[Part, ...]

    def called(self, name: str, grade: str = "") -> tuple[Part, ...]:
        """Parts that go by the name; of several makers or grades if it does not say which."""
        found = self._by_name.get(name.upper(), ())
        return tuple(part for part in found if part.has_grade(grade)) if grade else found

    @cached_property
    def _by_name(self) -> Mapping[str, tuple[Part, ...]]:
        """Parts by each name by which they go, in capitals."""
        found: dict[str, tuple[Part, ...]] = {}
        for part in self.parts:
            for name in dict.fromkeys(one.upper() for one in (part.name, *part.also)):
                found[name] = (*found.get(name, ()), part)
        return found

    def fitting(self, what: str) -> tuple[Part, ...]:
        """Parts that a kind of card, or of CPU, may have."""
        return tuple(part for part in self.parts if what in part.fits)

    def over(self, own: Iterable[Part]) -> PartTable:
        """The table with parts of somebody's own, which take the place of those of the same name and grade."""
        mine = tuple(own)
        ousted = {(part.name.upper(), part.grade) for part in mine}
        return PartTable((*(part for part in self.parts if (part.name.upper(), part.grade) not in ousted), *mine))


@lru_cache(maxsize=1)
def known_parts() -> PartTable:
    """The table that comes with the kit."""
    files = sorted(FOLDER.glob("*.toml"))
    return PartTable(tuple(part for file in files for part in read_parts(file)))


def read_parts(path: Path) -> tuple[Part, ...]:
    """Read a file of parts.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: something is wrong in it; SeveralErrors for several; each with file and line.
    """
    toml = read_toml(path, "table of parts", ("part", "source"))
    return _Reader(toml).parts()


class _Reader:
    """Reads one file and goes on after an error, so that all are found."""

    def __init__(self, toml: Toml) -> None:
        self._toml = toml
        self._errors = Errors()
        self._sources: dict[str, Source] = {MEMORY: NOT_FOUND}

    def _tell(self, place: Place, message: str, remedy: str = "") -> None:
        self._errors.add(SimkitError(message, file=place.file, line=place.line, remedy=remedy or None))

    def _unknown(self, table: Mapping[str, Any], known: Iterable[str], place: Place, where: str) -> None:
        for key in table:
            if key not in known:
                self._tell(place.inside(key), f"{where}unknown key {key!r}.", near(key, known))

    def parts(self) -> tuple[Part, ...]:
        data = self._toml.data
        self._unknown(data, ("source", "part"), self._toml.place(), "")
        sources = data.get("source", {})
        if not isinstance(sources, dict):
            self._tell(self._toml.place("source"), "source is a table.", "Write [source].")
            sources = {}
        for key, table in sources.items():
            self._source(key, table, self._toml.place("source").inside(key))
        rows = data.get("part", [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            self._tell(self._toml.place("part"), "parts are written as [[part]] tables.")
            rows = []
        found = [self._part(row, self._toml.place("part", number)) for number, row in enumerate(rows)]
        seen: set[tuple[str, str]] = set()
        for number, part in enumerate(found):
            if part is not None and (part.name.upper(), part.grade) in seen:
                place = self._toml.place("part", number).inside("name")
                self._tell(place, f"{part.title}: the part is in the file twice.", "Leave one out.")
            elif part is not None:
                seen.add((part.name.upper(), part.grade))
        self._errors.raise_any()
        return tuple(part for part in found if part is not None)

    def _source(self, key: str, table: Any, place: Place) -> None:
        if not isinstance(table, dict):
            self._tell(place, f"source {key}: it is a table.", f'Write {key} = {{ basis = "read", title = "..." }}.')
            return
        self._unknown(table, ("basis", "title"), place, f"source {key}: ")
        title, basis = table.get("title"), table.get("basis")
        if not isinstance(title, str) or not title.strip():
            self._tell(place.inside("title"), f"source {key}: it has no title.", "Write maker, sheet, year and table.")
        elif not isinstance(basis, str) or basis not in BASES:
            self._tell(
                place.inside("basis"), f"source {key}: {basis!r} is no basis.", f"Write one of {_listed(BASES)}."
            )
        elif key == MEMORY and basis != FROM_MEMORY:
            self._tell(place.inside("basis"), f'source {MEMORY}: its basis is "{FROM_MEMORY}".', "Name it otherwise.")
        else:
            self._sources[key] = Source(title.strip(), basis)

    def _part(self, row: Mapping[str, Any], place: Place) -> Part | None:
        before = len(self._errors.found)
        name = row.get("name")
        who = f"part {name}: " if isinstance(name, str) else "a part: "

        def tell(key: str, message: str, remedy: str = "") -> None:
            self._tell(place.inside(key), who + message, remedy)

        self._unknown(row, _PART_KEYS, place, who)
        if not isinstance(name, str) or not 0 < len(name.strip()) <= MAX_NAME or not name.isprintable():
            tell("name", f"it has no name of 1 to {MAX_NAME} characters.", 'Write name = "...", as the part is marked.')
        kind = row.get("kind", LOGIC)
        if kind not in KINDS:
            tell("kind", f"{kind!r} is no kind of part.", f"Write one of {_listed(KINDS)}.")
            return None
        texts = {key: _text(row, key, tell) for key in ("grade", "family", "supply")}
        lists = {key: _texts(row, key, tell) for key in ("also", "fits", "setting")}
        size = row.get("size")
        if size is not None and (type(size) is not int or size < 1):
            tell("size", f"{size!r} is no number of bytes.", "Write e.g. size = 32768.")
        figures = self._figures(row.get("figures"), kind, row.get("source"), tell, place)
        if len(self._errors.found) > before:
            return None
        more: dict[str, Any] = {**texts, **lists}
        return Part(name=str(name), kind=kind, size=size, figures=figures, **more)

    def _figures(
        self, table: Any, kind: str, own: Any, tell: Callable[..., None], place: Place
    ) -> Mapping[str, Figure]:
        if not isinstance(table, dict) or not table:
            tell("figures", "it has no figures.", "Write [part.figures] below it.")
            return {}
        inside = place.inside("figures")
        found: dict[str, Figure] = {}
        for name, line in table.items():
            at = inside.inside(name)
            if name not in FIGURES[kind]:
                self._tell(at, f"a {kind} part has no figure {name!r}.", near(name, FIGURES[kind]))
            elif isinstance(line, dict) and not set(line) <= set(_FIGURE_KEYS):
                self._unknown(line, _FIGURE_KEYS, at, f"{name}: ")  # before it is said that a number is missing
            elif not isinstance(line, dict) or not any(column in line for column in COLUMNS):
                self._tell(
                    at, f"{name}: no number is said.", f"Write {name} = {{ worst = 55 }}, or {_listed(COLUMNS)}."
                )
            else:
                found[name] = self._figure(name, line, own, at)
        return found

    def _figure(self, name: str, line: Mapping[str, Any], own: Any, place: Place) -> Figure:
        self._unknown(line, _FIGURE_KEYS, place, f"{name}: ")
        values: dict[str, Value] = {}
        for column in COLUMNS:
            if column not in line:
                continue
            key = "typical_source" if column == TYPICAL and "typical_source" in line else "source"
            source = line.get(key, own)
            if not isinstance(source, str) or source not in self._sources:
                what = "no source is said" if source is None else f"its source {source!r} is not in the file"
                remedy = f'Write source = "{MEMORY}" if you have not looked it up, or one of [source].'
                self._tell(place, f"{name}: {what}.", remedy)
                continue
            number = line[column]
            several = number if isinstance(number, list) and number else [number]
            if all(type(one) in (int, float) and math.isfinite(one) and 0 <= one <= MAX_NS for one in several):
                values[column] = Value(float(max(several)), column, self._sources[source])
            else:
                self._tell(place.inside(column), f"{name}: {number!r} is no time.", "Write ns, e.g. 55, or [18, 23].")
        order = [values[column].number for column in COLUMNS if column in values]
        if order != sorted(order) and not name.endswith(("_mhz", "hold")):  # these are worse where they are less
            self._tell(place, f"{name}: typical, room and worst do not grow.", "Look for a slip of the pen.")
        note = line.get("note", "")
        if not isinstance(note, str):
            self._tell(place.inside("note"), f"{name}: {note!r} is no text.")
            note = ""
        return Figure(values, note)


def _text(row: Mapping[str, Any], key: str, tell: Callable[..., None]) -> str:
    value = row.get(key, "")
    if isinstance(value, str) and value.isprintable() and len(value) <= 2 * MAX_NAME:
        return value
    tell(key, f"{value!r} is no text of {2 * MAX_NAME} characters at most.")
    return ""


def _texts(row: Mapping[str, Any], key: str, tell: Callable[..., None]) -> tuple[str, ...]:
    value = row.get(key, [])
    if isinstance(value, list) and all(isinstance(one, str) and one.isprintable() for one in value):
        return tuple(value)
    tell(key, f"{value!r} is no list of texts.", f'Write e.g. {key} = ["..."].')
    return ()


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words)
