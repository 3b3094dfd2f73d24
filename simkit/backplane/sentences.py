"""Sentences of wiring, read: "slot 4: data line 3 stuck low", "A5 shorted to A6", "slot 2: pin A14 open".

A small grammar, bounded; what it reads it can write again, as `str` of an entry does. At a slot "pin A5" is the pin of
the card, behind its decoder, "line A5" the line as it comes in, for decoder and pins; where neither word stands,
address and control lines are lines, and all else is a pin. At the CPU, pins that are lines of the
backplane are those lines.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from difflib import get_close_matches

import attrs

from simkit.backplane.phrases import in_plain_words
from simkit.backplane.select import Expression, Select
from simkit.backplane.wiring import (
    CPU,
    CPU_LINES,
    CPU_PIN_LINES,
    DATA_LINES,
    GROUND,
    OF_CARDS,
    OUTPUTS,
    PULLS,
    RAIL_OF,
    SHEET_NAMES,
    STROBES,
    SUPPLY,
    WITH_OTHER,
    Done,
    Entry,
    Transceiver,
    fixed,
    is_cpu_line,
    is_system_line,
    plain,
)
from simkit.contract.errors import SimkitError

MAX_CHARACTERS = 500
MAX_SLOT = 99

_PLACE = re.compile(r"\s*(?:(slot)\s+(\d{1,3})(?:\s*\([^()]*\))?|(cpu))(?:\s*[:,]|\s)", re.IGNORECASE)
_STROBE = re.compile(
    r"(not selected by|selected by|select|output enable|write enable)\s+(?:is\s+)?(.+)", re.IGNORECASE | re.DOTALL
)
_SUBJECT = re.compile(
    # a word for a kind of lines stands before one, and not where it is itself the name of a pin: "DATA open"
    r"(?:the\s+)?(?:(?P<kind>address|data|control|supply)\s+(?=(?:pin|line)\s|\w*\d|RW|PHI2|IRQ|NMI|RDY|SO\b|RES|GND|V[CSD]))?"
    r"(?:(?P<at>pin|line)\s+)?(?P<name>[A-Za-z][A-Za-z0-9_]*|\d+)"
    r"(?:\s+(?:is\s+)?(?P<rest>.+))?",
    re.IGNORECASE | re.DOTALL,
)
_ROW = re.compile(
    r"(?:the\s+)?(?:(?P<kind>address|data)\s+)?(?P<at>pins?|lines?)?(?:\s*(?P<first>[AD]\d+)\s+to\s+(?P<last>[AD]\d+))?"
    r"\s+(?:are\s+)?(?P<how>reversed|(?:driven )?late)",
    re.IGNORECASE,
)
_FOR_GOOD = r"(?:(?:stuck|held|tied|fixed|always|permanently)(?: at)? )?"
_STAGE = r"(?:driven |made |output )?"
_WORDS: tuple[tuple[Done, str], ...] = (
    (Done.LOW, rf"{_FOR_GOOD}(?:low|0)|grounded"),
    (Done.HIGH, rf"{_FOR_GOOD}(?:high|1)"),
    (Done.OPEN, r"(?:left )?open|(?:not |un|dis)(?:connected|wired|joined)|floating|floats|broken|cut|missing"),
    (Done.INVERTED, r"inverted"),
    (Done.LATE, r"(?:driven )?late"),
    (Done.PUSH_PULL, rf"(?:an? )?{_STAGE}(?:push[- ]?pull|totem[- ]pole)(?: output)?"),
    (Done.OPEN_DRAIN, rf"(?:an? )?{_STAGE}open[- ](?:drain|collector)(?: output)?"),
    (Done.REVERSED, r"reversed"),
    (Done.PULLED_UP, r"pulled up"),
    (Done.PULLED_DOWN, r"pulled down"),
    (Done.NOT_PULLED, r"not pulled|(?:without|has no)(?: a)? (?:pull-?up|resistor)"),
    (Done.SHORTED, r"(?:short|shorted|bridged) (?:to|with)"),
    (Done.EXCHANGED, r"(?:exchanged|swapped|crossed|interchanged) with|<->"),
    (Done.JOINED, r"(?:(?:joined|connected|tied|wired|goes) )?to|(?:wired )?on|="),
    (Done.DRIVEN, r"(?:driven|fed) by|carries"),
)
_WITH_WORDS = (*WITH_OTHER, Done.DRIVEN)
_FORMS = (
    *(
        "stuck low",
        "stuck high",
        "open",
        "inverted",
        "driven late",
        "reversed",
        "pulled up",
        "pulled down",
        "not pulled",
        "push-pull",
        "open-drain",
    ),
    *("shorted to", "exchanged with", "joined to", "driven by"),
)
_REMOVED = re.compile(
    r"(?:(?:the )?(?:card|board|socket|slot) )?(?:is )?(?:left )?"
    r"(?:removed|empty|missing|unplugged|not (?:there|fitted|plugged in|inserted)|(?:taken|pulled) out)",
    re.IGNORECASE,
)
_TRANSCEIVER = re.compile(
    r"(?:the )?(?:(?:data )?bus |data )?(?:transceiver|data buffer|buffer)(?:'s|\.)? (?:is )?(.+)", re.IGNORECASE
)
_DIRECTION = r"(?:(?:direction|DIR)(?: pin)? (?:is )?)?"
_ENABLE = r"(?:enable|OE)(?: pin)? (?:is )?(?:(?:stuck|held|tied) )?"
_FIXED = rf"{_DIRECTION}(?:stuck|always|fixed|held) (?:towards?|to) the"
_WRONG_WITH_IT: tuple[tuple[Transceiver, str], ...] = (
    (Transceiver.REVERSED, rf"{_DIRECTION}(?:reversed|inverted|backwards?|wrong|turned round)"),
    (Transceiver.ALWAYS, rf"always enabled|{_ENABLE}(?:low|to GND|grounded)"),
    (
        Transceiver.NEVER,
        rf"(?:never|not) enabled|(?:always )?disabled|missing|{_ENABLE}(?:high|to VCC|open|floating|not connected)",
    ),
    (Transceiver.TO_THE_CARD, rf"{_FIXED} card"),
    (Transceiver.TO_THE_BUS, rf"{_FIXED} bus"),
)
_IS_EXPRESSION = re.compile(r"\b(?:and|or)\b|[()]|(?<!\w)[01x]{4}(?!\w)", re.IGNORECASE)
_OF_CARDS = "lines of cards"
_EXAMPLES = 'Write e.g. "slot 4: D3 stuck low", "slot 2: pin A14 open" or "A5 shorted to A6".'
_WHOLE = {Done.SELECTED: "selected by", Done.NOT_SELECTED: "not selected by"}


def read_sentence(text: str, slot: int | None = None) -> Entry:
    """The entry that a sentence says.

    Args:
        text: the sentence.
        slot: slot of the card that it stands with; None where it may name one.

    Raises:
        SimkitError: it is none, with the nearest form; or what it says cannot be done there.
    """
    if len(text) > MAX_CHARACTERS:
        raise SimkitError(f"A sentence of {len(text)} characters; {MAX_CHARACTERS} are allowed.", remedy="Shorten it.")
    place = _PLACE.match(text)
    said = slot
    if place is not None:
        said = CPU if place[3] else int(place[2])
        _check_place(text, place)
        if slot is not None and said != slot:
            raise SimkitError(f"{text!r} stands with the card of slot {slot}.", remedy="Put it into [backplane].")
    rest = in_plain_words(" ".join(text[place.end() if place else 0 :].split()).rstrip("."))
    entry = _read(text, rest, said)
    check_entry(text, entry)
    return entry


def place_of(text: str) -> tuple[int | None, str]:
    """As `slot_said`, and the sentence without its place.

    Raises:
        SimkitError: there is no such slot.
    """
    place = _PLACE.match(text)
    _check_place(text, place)
    return slot_said(text), text[place.end() if place is not None else 0 :].strip()


def _check_place(text: str, place: re.Match[str] | None) -> None:
    if place is not None and place[1] and not 1 <= int(place[2]) <= MAX_SLOT:
        raise SimkitError(f"{text!r}: there is no slot {int(place[2])}.", remedy=f"Slots go from 1 to {MAX_SLOT}.")


def slot_said(text: str) -> int | None:
    """Number of the slot that a sentence begins with, CPU for the CPU; None where it names none."""
    place = _PLACE.match(text)
    return None if place is None else CPU if place[3] else int(place[2])


def _read(text: str, rest: str, slot: int | None) -> Entry:
    if re.fullmatch(r"(?:strobes )?(?:are )?gated with ready", rest, re.IGNORECASE):
        return Entry(Done.READY_GATED, slot=slot)
    if slot and _REMOVED.fullmatch(rest):
        return Entry(Done.REMOVED, slot=slot)
    if slot and re.fullmatch(r"(?:the card |the board )?(?:is )?without (?:supply|power)", rest, re.IGNORECASE):
        return Entry(Done.UNPOWERED, slot=slot)
    buffer = _TRANSCEIVER.fullmatch(rest)
    if buffer is not None:
        return Entry(Done.TRANSCEIVER, "", _wrong_with_it(text, buffer[1]), slot)
    strobe = _STROBE.fullmatch(rest)
    if strobe is not None:
        word = "selected by" if strobe[1].lower() == "select" else strobe[1].lower()
        done = next(done for done in STROBES if done.value == word)
        _expression(text, done, strobe[2])
        return Entry(done, "", strobe[2], slot)
    row = _ROW.fullmatch(rest)
    if row is not None and (row["first"] or row["kind"]):
        return _of_row(row, slot)
    subject = _SUBJECT.fullmatch(rest)
    if subject is None:
        raise SimkitError(f"{text!r} says nothing of a line or pin.", remedy=_EXAMPLES)
    of_a_part = slot == CPU or (slot is not None and (subject["at"] or "").lower() == "pin")
    if of_a_part and subject["name"].isdigit() and not subject["kind"]:
        name = str(int(subject["name"]))  # of a contact; which pin that is the part tells
    else:
        name = _of_the_bus(_name(text, subject["kind"], subject["name"]), said=slot)
    at_pin = _at_pin(name, subject["at"], slot)
    if slot == CPU and name != "PHI2" and (is_cpu_line(name) or is_system_line(name)):
        entry = _done(text, name, subject["rest"] or "", None, at_pin=False)
        if entry.done is Done.SHORTED and entry.other in CPU_PIN_LINES:  # which is no line but there
            return Entry(entry.done, entry.other, entry.name, CPU, at_pin=True)
        return entry
    entry = _done(text, name, subject["rest"] or "", slot, at_pin=at_pin)
    if slot and entry.done is not Done.JOINED and is_cpu_line(entry.other) and entry.other not in CPU_LINES:
        return attrs.evolve(entry, at_pin=True)  # no line of the bus, so that the other is no line either
    return entry


def _of_the_bus(name: str, *, said: int | None) -> str:
    """A line of the backplane by its own name, where that of a data sheet is said of it; at a slot the board knows."""
    return name if said else SHEET_NAMES.get(name, name)


def _wrong_with_it(text: str, words: str) -> str:
    for wrong, form in _WRONG_WITH_IT:
        if re.fullmatch(form, words, re.IGNORECASE):
            return wrong.value
    forms = ", ".join(repr(wrong.value) for wrong in Transceiver)
    what = f"{words[:60]!r} is nothing that is wrong with a transceiver"
    raise SimkitError(f"{text!r}: {what}.", remedy=f"Write one of {forms}.")


def _of_row(row: re.Match[str], slot: int | None) -> Entry:
    """A row of lines or pins, "D0 to D7 reversed", "D0 to D7 late"; without numbers the whole row."""
    whole = ("D0", "D7") if (row["kind"] or "").lower() == "data" else ("A0", "A15")
    first, last = (row["first"].upper(), row["last"].upper()) if row["first"] else whole
    first, last = (f"{name[0]}{int(name[1:5])}" for name in (first, last))
    if int(first[1:]) > int(last[1:]):
        first, last = last, first
    slot = None if slot == CPU else slot
    at_pin = slot is not None and (first[0] == "D" or (row["at"] or "").lower().startswith("pin"))
    return Entry(Done.REVERSED if row["how"].lower() == "reversed" else Done.LATE, first, last, slot, at_pin)


def _name(text: str, kind: str | None, name: str) -> str:
    if not name.isdigit():
        return name.upper()
    kind = (kind or "").lower()
    if kind not in ("address", "data"):
        raise SimkitError(f"{text!r}: {name} is the name of no line.", remedy='Write e.g. "data line 3" or "D3".')
    return f"{kind[0].upper()}{int(name[:4])}"


def _at_pin(name: str, word: str | None, slot: int | None) -> bool:
    if slot is None:
        return False
    if slot == CPU or name in DATA_LINES or name in (*GROUND, *SUPPLY):
        return True
    return word.lower() == "pin" if word else not (name in CPU_LINES or is_system_line(name))


def _done(text: str, name: str, rest: str, slot: int | None, *, at_pin: bool) -> Entry:
    for done, form in _WORDS:
        match = re.fullmatch(rf"(?:{form})(?:\s+(.+))?", rest, re.IGNORECASE)
        if match is None or (match[1] is not None) is not (done in _WITH_WORDS):
            continue
        if done not in _WITH_WORDS:
            return Entry(done, name, "", slot, at_pin or (done in OUTPUTS and slot is not None))
        if done is Done.DRIVEN or (done is Done.JOINED and _IS_EXPRESSION.search(match[1])):
            _expression(text, Done.DRIVEN, match[1])
            return Entry(Done.DRIVEN, name, match[1], slot, at_pin)
        number = re.fullmatch(r"(?:pin )?(\d{1,3})", match[1], re.IGNORECASE) if slot and name.isdigit() else None
        other = str(int(number[1])) if number else _of_the_bus(_other(text, match[1]), said=slot)
        tied = fixed(other)
        if tied in RAIL_OF and done is Done.SHORTED and slot and not is_cpu_line(name):
            return Entry(done, name, RAIL_OF[tied], slot, at_pin)  # the line at that pin is shorted with it
        if tied is not None and done is not Done.EXCHANGED:
            return Entry(tied, name, "", slot, at_pin)
        if slot and done in (Done.SHORTED, Done.EXCHANGED) and not at_pin and _kind(other) == _OF_CARDS != _kind(name):
            return Entry(done, other, name, slot, at_pin=True)  # of a chip select, perhaps, and an address pin
        return Entry(done, name, other, slot, at_pin)
    close = get_close_matches(rest.lower(), _FORMS, n=1, cutoff=0.5) or get_close_matches(
        " ".join(rest.lower().split()[:2]), _FORMS, n=1, cutoff=0.5
    )
    remedy = f"Did you mean {close[0]!r}?" if close else f"What can be done: {', '.join(_FORMS)}."
    what = f"{rest[:60]!r} is nothing that can be done to {name}" if rest else f"nothing is said of {name}"
    raise SimkitError(f"{text!r}: {what}.", remedy=remedy)


def _other(text: str, words: str) -> str:
    match = re.fullmatch(
        r"(not )?(?:the )?(?:(address|data) )?(?:pin |line )?([A-Za-z][A-Za-z0-9_]*|\d+)", words, re.IGNORECASE
    )
    if match is None:
        raise SimkitError(f"{text!r}: {words[:60]!r} is no line.", remedy="Write the name of one, e.g. A6, D3 or IRQ.")
    return ("not " if match[1] else "") + _name(text, match[2], match[3])


def _expression(text: str, done: Done, written: str) -> None:
    pin = re.fullmatch(
        r"(?:not )?(?:inverted|reversed|gated|open|floating|(?:stuck|held|tied) .+)", written, re.IGNORECASE
    )
    if pin is not None and written != "OPEN":
        remedy = (
            'Write "always", "never" or e.g. "not RW and PHI2"; of the pins, low when true, "OE tied low", "WE open".'
        )
        raise SimkitError(f"{text!r}: {written[:40]!r} does not say when that is true.", remedy=remedy)
    read: Callable[[str], object] = (lambda one: Select((one,))) if done in _WHOLE else Expression
    try:
        read(written)
    except SimkitError as error:
        raise SimkitError(f"{text!r}: {error.message}", remedy=error.remedy) from None


# what can be done where -----------------------------------------------------------------------------------------------


def _kind(name: str) -> str:
    """Lines that can be shorted, exchanged and joined with one another."""
    if re.fullmatch(r"A\d+|RW|PHI2", name):
        return "address and control lines"
    return "data lines" if name in DATA_LINES else _OF_CARDS


def check_entry(text: str, entry: Entry) -> None:
    """Refuse what says nothing in its place.

    Raises:
        SimkitError: so it does.
    """

    def refuse(why: str, remedy: str) -> None:
        raise SimkitError(f"{text!r}: {why}.", remedy=remedy)

    done, name, slot = entry.done, entry.name, entry.slot
    if (done in STROBES or done in (*OF_CARDS, Done.TRANSCEIVER)) and slot in (None, CPU):
        refuse("that is said of a card", 'Begin with "slot N:".')
    if not name:
        return
    if re.fullmatch(r"[AD]\d+", name) and name not in CPU_LINES and not entry.at_pin:
        refuse(f"the bus has no line {name}", "Write A0 to A15, D0 to D7.")
    if name in (*GROUND, *SUPPLY):
        if slot is None:
            refuse(f"{name} of which chip", 'Write e.g. "slot 4: GND open" or "CPU: GND open".')
        if done not in (Done.OPEN, Done.REVERSED):
            refuse(f"a supply pin is open or reversed, not {done.value}", f'Write "{name} open" or "{name} reversed".')
        return
    if entry.is_row:
        if name[0] != entry.other[0] or name == entry.other:
            refuse(f"{name} to {entry.other} is no row", 'Write e.g. "D0 to D7 reversed".')
        if entry.other not in CPU_LINES and not entry.at_pin:
            refuse(f"the bus has no line {entry.other}", "Write A0 to A15, D0 to D7.")
        if done is Done.LATE and name[0] != "D":
            refuse("only data lines are driven late", 'Write e.g. "D3 late".')
        return
    if done is Done.REVERSED:
        refuse(
            "only a supply, or a row of lines, is reversed",
            'Write "GND reversed", "D0 to D7 reversed", or "A5 inverted" of a line.',
        )
    if done is Done.LATE and name not in DATA_LINES:
        refuse("only data lines are driven late", 'Write e.g. "D3 late".')
    if done in OUTPUTS and slot in (None, CPU):
        refuse("that is said of an output of a card", 'Write e.g. "slot 4: INT push-pull".')
    if done in OUTPUTS and _kind(name) != _OF_CARDS:
        refuse("that is said of an output that cards join to lines", 'Write e.g. "slot 4: INT push-pull".')
    if done in PULLS and slot not in (None, CPU):
        refuse("resistors pull lines of the backplane", "Leave the slot out.")
    if done is Done.JOINED and slot is None:
        refuse("a line of the backplane is joined to nothing", 'Write "exchanged with" or "shorted to".')
    if done is Done.DRIVEN:
        _check_driven(entry, refuse)
    elif entry.other:
        _check_other(entry, refuse)


def _check_driven(entry: Entry, refuse: Callable[[str, str], None]) -> None:
    name, slot = entry.name, entry.slot
    if slot is None and (_kind(name) != _OF_CARDS or is_system_line(name) or name in CPU_PIN_LINES):
        refuse(f"{name} is not a decoder's to drive", 'Give its output a name of its own, e.g. "IOSEL driven by A15".')
    if slot == CPU or name in DATA_LINES or (slot is not None and not entry.at_pin):
        refuse(
            "an expression drives lines of the backplane, chip selects, strobes and address pins",
            'Write e.g. "slot 4: pin A3 driven by A15 and A4".',
        )


def _check_other(entry: Entry, refuse: Callable[[str, str], None]) -> None:
    name, other = entry.name, plain(entry.other)
    if entry.shorted_to_rail:
        return
    if fixed(other) is not None:
        refuse("a line is not exchanged with a supply", 'Write e.g. "A5 stuck low".')
    if name == other and entry.done is not Done.JOINED:
        refuse(f"{name} stands on both sides", "Name two.")
    if other == "PHI0":
        refuse("PHI0 is PHI2 some ten nanoseconds before, and the kit knows whole cycles", "Leave it out.")
    if entry.other != other and (entry.done is not Done.JOINED or (_kind(name) == _OF_CARDS and not entry.at_pin)):
        refuse(f'"not {other}" is for wires of address and data pins', f'Write "{name} inverted".')
    if re.fullmatch(r"[AD]\d+", other) and other not in CPU_LINES and (entry.done is Done.JOINED or not entry.at_pin):
        refuse(f"the bus has no line {other}", "Write A0 to A15, D0 to D7.")
    into_address = entry.done is Done.JOINED and _kind(name).startswith("address") and _kind(other) == _OF_CARDS
    by_name = entry.at_pin and entry.slot != CPU and _kind(name) == _OF_CARDS and other not in DATA_LINES
    if into_address or by_name:  # the board knows which pin that is
        return
    why = of_different_kinds(entry)
    if why is not None:
        refuse(*why)


def of_different_kinds(entry: Entry) -> tuple[str, str] | None:
    """Why two lines or pins cannot be put together, and what to do; None when they can."""
    name, other = entry.name, plain(entry.other)
    if _kind(name) == _kind(other):
        return None
    return (
        f"{name} and {other} are of different kinds, which the kit cannot put together",
        f"It does {_kind(name)} among themselves; one of them held low comes nearest.",
    )
