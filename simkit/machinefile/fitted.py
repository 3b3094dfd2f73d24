"""Which parts a machine is built of, as its file names them: the keys `part` and `grade`, and the tables of timing.

A name leads to rows of the table of parts (`figures.py`): one, or several where makers or grades are left open. What a
card does is its settings' business; where both name the part, they must name the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SeveralErrors, SimkitError, near
from simkit.machinefile.description import CardDescription
from simkit.machinefile.figures import CPU, LOGIC, Part, PartTable, known_parts, read_parts
from simkit.machinefile.merge import DEFAULT_CPU, PROCESSOR, MachineErrors, Merged, Table
from simkit.machinefile.timing import CARD_TIMING, NOBODY, CardTiming, CpuTiming, Named

Tell = Callable[[str, str, str], None]
"""Told what is wrong: (key, message, remedy)."""

INPUTS = ("compare", "select", "enable", "input", "data")
"""Figures of a part by which a signal goes through it on its way to a select, said in `decode` behind its name."""
_NEEDED = {
    "buffer": ("data", "enable"),
    "buffer_gate": ("input",),
    "read_gate": ("input",),
    "write_gate": ("input",),
    "port": ("enable",),
    "latch": ("setup", "pulse"),
    "counter": ("clock_mhz",),
    "collector": ("clock_mhz",),
    "address_buffer": ("data",),
    "data_buffer": ("data",),
}
MAX_STEPS = 16


@attrs.frozen
class CardParts:
    """What a card's table says of its parts.

    Attributes:
        part: the card's own part.
        timing: of the way to it.
    """

    part: Named
    timing: CardTiming


class NamedParts:
    """Reads what a machine names; made once for a machine file.

    A part that goes with one value of the card's setting `part` puts that into its settings.

    Args:
        merged: the machine file over its bases.
        errors: told what is wrong.
    """

    def __init__(self, merged: Merged, errors: MachineErrors) -> None:
        self._top = merged.top
        self._errors = errors
        self.file = self._file()
        self.own = self._own()
        self.cards = {slot: found for slot, card in merged.cards.items() if (found := self._card(slot, card))}
        self.cpu = self._cpu()

    @cached_property
    def _table(self) -> PartTable:
        return known_parts().over(self.own) if self.own else known_parts()

    # the machine ------------------------------------------------------------------------------------------------------

    def _file(self) -> Path | None:
        value = self._top.values.get("parts")
        if value is None:
            return None
        if not isinstance(value, str):
            place = self._top.place("parts")
            self._errors.tell(f"{value!r} is not a path.", place, 'Write e.g. parts = "my-parts.toml".', field="parts")
            return None
        return self._top.path("parts", value)

    def _own(self) -> tuple[Part, ...]:
        if self.file is None:
            return ()
        try:
            return read_parts(self.file)
        except SeveralErrors as several:
            for error in several.errors:
                self._errors.add(error)
        except SimkitError as error:
            if error.file is None:  # nothing was read: the place is that of the path
                self._errors.tell(error.message, self._top.place("parts"), error.remedy or "", field="parts")
            else:
                self._errors.add(error)
        return ()

    def _cpu(self) -> CpuTiming:
        table = self._top.values.get(PROCESSOR)
        if not table:
            return CpuTiming()

        def tell(key: str, message: str, remedy: str = "") -> None:
            self._errors.tell(message, self._top.place(f"{PROCESSOR}.{key}"), remedy, field=f"cpu.{key}")

        kind = self._top.values.get("cpu", DEFAULT_CPU)
        part = self._fitted(table, str(kind), tell) if "part" in table or "grade" in table else NOBODY
        others = {key: self._named(key, table[key], tell) for key in ("address_buffer", "data_buffer") if key in table}
        return CpuTiming(part=part, phi2_high=_share(table.get("phi2_high", "50 %"), tell), **others)

    # a card -----------------------------------------------------------------------------------------------------------

    def _card(self, slot: int, card: Table) -> CardParts | None:
        values = card.values
        kind, settings = values.get("kind"), values.get("settings")
        said = settings.get("part") if isinstance(settings, dict) else None
        if not isinstance(kind, str) or not ({"part", "grade", "timing"} & set(values) or isinstance(said, str)):
            return None

        def tell(key: str, message: str, remedy: str = "") -> None:
            self._errors.tell(message, card.place(key), remedy, slot=slot, kind=kind, field=key)

        part = NOBODY
        if "part" in values or "grade" in values:
            part = self._with_setting(card, self._fitted(values, kind, tell), said, tell)
        elif isinstance(said, str):
            names = {one.name for one in self._table.called(said)}  # what it does is said, its grade is not
            rows = tuple(one for one in self._table.fitting(kind) if one.name in names)
            part = Named(said, rows) if rows else NOBODY
        timing = values.get("timing", {})
        timing = timing if isinstance(timing, dict) else {}
        if "decode" in timing and "decode" in values:
            tell("timing.decode", "the decoder is said as it is wired, in [card.decode].", "Leave this out.")
        return CardParts(part, self._timing(timing, tell))

    def _with_setting(self, card: Table, part: Named, said: Any, tell: Tell) -> Named:
        """The part, of which the card's setting says the same; where it is silent, the part says it."""
        kind = card.values.get("kind")
        settings = dict.fromkeys(value for one in part.parts if kind in one.fits for value in one.setting)
        if not settings:
            return part
        if said is None:
            first = next(iter(settings))
            inside = card.values.get("settings")
            card.values["settings"] = {**(inside if isinstance(inside, dict) else {}), "part": first}
            card.origin["settings.part"] = card.place("part")
            return part
        if said in settings:
            return attrs.evolve(part, parts=tuple(one for one in part.parts if said in one.setting))
        tell(
            "settings.part",
            f"the setting says {said!r}, and the card's part is {part.text}.",
            f"With that part the setting is {' or '.join(map(repr, settings))}.",
        )
        return part

    def _fitted(self, values: Mapping[str, Any], kind: str, tell: Tell) -> Named:
        """The part by the keys `part` and `grade`."""
        name, grade = values.get("part", ""), values.get("grade", "")
        for key, text in (("part", name), ("grade", grade)):
            if not isinstance(text, str) or (key in values and not text.strip()):
                tell(key, f"{text!r} is no {key}.", 'Write e.g. part = "AT28C256", grade = "150 ns".')
                return NOBODY
        fitting = self._table.fitting(kind)
        if not name and not fitting:
            tell("grade", f"no part of a {kind} is known, so it has no grades.", f"Name the part. {OWN_PARTS}")
            return NOBODY
        rows = self._table.called(name) if name else fitting
        if name and not rows:
            known = [one for part in fitting or self._table.parts for one in (part.name, *part.also)]
            tell("part", f"the part {name!r} is not known.", f"{near(name, known)} {OWN_PARTS}".lstrip())
            return NOBODY
        right = tuple(part for part in rows if kind in part.fits or not (fitting or part.kind in (CPU, LOGIC)))
        if not right and not fitting:
            tell("part", f"{name} is no memory and no peripheral.", "Parts on the way to a card go into [card.timing].")
            return NOBODY
        if not right:
            known = [one for part in fitting for one in (part.name, *part.also)]
            tell("part", f"{name} is no part of a {kind}.", near(name, known))
            return NOBODY
        graded = tuple(part for part in right if not grade or part.has_grade(grade))
        if not graded:
            grades = dict.fromkeys(part.grade for part in right if part.grade)
            who = name or f"a {kind}"
            grades_known = f"Known are: {', '.join(grades)}." if grades else f"{who} has no grades."
            tell("grade", f"{who} has no grade {grade!r}.", f"{grades_known} {OWN_PARTS}")
        return Named(", ".join(text for text in (name or kind, grade) if text), graded)

    def _timing(self, table: Mapping[str, Any], tell: Tell) -> CardTiming:
        inside: Tell = lambda key, message, remedy: tell(f"timing.{key}", message, remedy)  # noqa: E731 - one line
        found: dict[str, Any] = {}
        for key, value in table.items():
            if key not in CARD_TIMING:
                inside(key, f"unknown key {key!r}.", near(key, CARD_TIMING))
            elif key == "decode":
                found[key] = self._decode(value, inside)
            else:
                found[key] = self._named(key, value, inside)
        return CardTiming(**found)

    def _decode(self, value: Any, tell: Tell) -> tuple[tuple[Named, ...], ...]:
        ways = value if isinstance(value, list) and value and isinstance(value[0], list) else [value]
        found = []
        for way in ways:
            steps = [way] if isinstance(way, str) else way
            if not isinstance(steps, list) or not steps or len(steps) > MAX_STEPS:
                tell("decode", f"{value!r} is no row of parts.", 'Write e.g. decode = ["74HC688", "74HC138 enable"].')
                return ()
            found.append(tuple(self._step(step, tell) for step in steps))
        return tuple(found)

    def _step(self, text: Any, tell: Tell) -> Named:
        """A part of a chain, and by which input the signal comes."""
        words = text.split() if isinstance(text, str) else []
        named = self._logic("decode", words[0], tell) if words and len(words) <= 2 else None
        if named is None:
            if not words or len(words) > 2:
                tell("decode", f"{text!r} is no part with its input.", 'Write e.g. "74HC138 enable".')
            return NOBODY
        inputs = [name for name in INPUTS if any(name in part.figures for part in named.parts)]
        if len(words) == 1 and "compare" in inputs:
            inputs = ["compare"]
        asked = words[1] if len(words) == 2 else inputs[0] if len(inputs) == 1 else ""
        if asked not in inputs:
            ways = " or ".join(f'"{words[0]} {name}"' for name in inputs)
            what = f"has no input {asked!r}" if asked else "has several inputs"
            tell("decode", f"{words[0]} {what}.", f"Write {ways}." if ways else "It is no part of a decoder.")
            return NOBODY
        return Named(words[0], tuple(part for part in named.parts if asked in part.figures), asked)

    def _named(self, key: str, value: Any, tell: Tell) -> Named:
        """A part of logic by its name."""
        if not isinstance(value, str) or not value.strip():
            tell(key, f"{value!r} is no part.", f'Write e.g. {key} = "74HC245".')
            return NOBODY
        named = self._logic(key, value.strip(), tell)
        if named is None:
            return NOBODY
        needed = _NEEDED[key]
        right = tuple(part for part in named.parts if all(name in part.figures for name in needed))
        if not right:
            tell(key, f"of {value} no figure {needed[0]!r} is known.", "Name another part.")
        return Named(value, right)

    def _logic(self, key: str, name: str, tell: Tell) -> Named | None:
        rows = tuple(part for part in self._table.called(name) if part.kind == LOGIC)
        if rows:
            return Named(name, rows)
        known = (one for part in self._table.parts if part.kind == LOGIC for one in (part.name, *part.also))
        tell(key, f"the part {name!r} is not known.", f"{near(name, known)} {OWN_PARTS}".lstrip())
        return None


def check_size(card: CardDescription, part: Named, errors: MachineErrors) -> None:
    """Tell of a memory that is smaller than what the card is said to hold; a larger one may have pins tied."""
    sizes = [one.size for one in part.parts if one.size is not None]
    size = card.board.image_size or getattr(card.settings, "size", None)
    if sizes and isinstance(size, int) and max(sizes) < size:
        text = f"a {part.text} has {max(sizes)} bytes, and the card {size}."
        remedy = f"Name another part, or write settings.size = {max(sizes)}."
        errors.tell(text, card.place("part"), remedy, slot=card.slot, kind=card.kind, field="part")


OWN_PARTS = '`simkit explain parts` says how parts of your own are added: parts = "my-parts.toml".'


def _share(value: Any, tell: Tell) -> float:
    """A share of the period, written "40 %"."""
    number = value.strip().removesuffix("%") if isinstance(value, str) and value.strip().endswith("%") else ""
    try:
        share = float(number) / 100
    except ValueError:
        share = 0.0
    if not 0.05 <= share <= 0.95:
        tell("phi2_high", f"{value!r} is no share of the period.", 'Write e.g. phi2_high = "40 %", from 5 to 95.')
        return 0.5
    return share
