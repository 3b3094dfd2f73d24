"""Sentences of faults, read: wiring as `simkit.backplane.sentences` reads it, and what no wire does; with its time.

What is read is written again by `str` of a fault.
"""

from __future__ import annotations

import re
from contextlib import suppress
from difflib import get_close_matches
from fractions import Fraction
from typing import Any

import attrs

from simkit.backplane.fault_times import RATES, Span, When, split_time
from simkit.backplane.faults import Cell, Clock, Fault, Lingering, Pulse, Set, What, WriteEnd, bare_value
from simkit.backplane.sentences import MAX_CHARACTERS, place_of, read_sentence
from simkit.backplane.wiring import CPU, SHEET_NAMES, Done, Entry
from simkit.contract.errors import SimkitError

MOST_PART_BYTES = 1 << 26
MOST_WORDS, MOST_MEANT = 12, 3
"""Of a sentence in which a missing word is looked for; and sentences that are named then."""

_HEX = r"(?:\$|0x)[0-9a-f]{1,8}|[0-9a-f]{1,8}h"
_AT = rf"(?:(?P<part>offset|byte) |address )?(?P<at>{_HEX}|\d{{1,9}})(?P<part2> of the (?:image|part|rom|eprom|chip))?"
_HOW = r"(?:is |reads |stuck |always |held |stuck at |not programmed )*"
_LEVELS = {
    Done.LOW: r"low|0|cleared|clear",
    Done.HIGH: r"high|1|set|unprogrammed|not programmed",
    Done.INVERTED: r"inverted|flipped|wrong|toggled|turned over",
}
_OF_A_ROM = r"(?:(?:the )?(?:rom|eprom|image)(?:'s)? )?"
_BIT = re.compile(rf"{_OF_A_ROM}bit (?P<bit>\d+) (?:of|in|at) (?:byte )?{_AT} (?P<how>.+)", re.IGNORECASE)
_BYTE = re.compile(
    rf"{_OF_A_ROM}(?:(?:the )?byte (?:at )?)?{_AT} (?:=|is|reads?|gives?|holds?) (?P<value>{_HEX}|\d{{1,9}})",
    re.IGNORECASE,
)
_SETTING = re.compile(
    r"(?:the )?(?:(?:setting|jumper|switch|option) (?P<name>[A-Za-z]\w*)"
    r" (?:=|is set to|set to|set|stands at|is at|is|at|on)"
    r"|(?P<name2>[a-z]\w*_\w*) ?=) ?(?P<value>.+)",  # with a low line in it: "int = IRQ" is a wire
)
_CARD = r"(?:the )?(?:card|board|chip|part)? ?"
_OTHERWISE: tuple[tuple[str, str], ...] = (
    (rf"{_CARD}(?:answers|is read|reads come|gives data) (?:too )?late", "pins D0 to D7 late"),
    (r"(?:late (?:answers?|read data)|(?:read )?data (?:comes?|is|are) (?:too )?late)", "pins D0 to D7 late"),
    (rf"{_CARD}(?:is )?too slow|slow (?:answers?|memory)", "pins D0 to D7 late"),
    (rf"{_CARD}(?:has no|gets no|no|lost its) (?:supply|power|VCC)(?: voltage)?", "without supply"),
    (rf"{_CARD}(?:is )?(?:not powered|unpowered|switched off|dead)", "without supply"),
    (r"(?:the )?(?:supply|power)(?: of the card)? (?:is )?(?:missing|off|gone|not there)", "without supply"),
)
_WRITE = r"(?:the )?(?:writes?|write (?:strobes?|enable|pulses?)|WE)"
_BEFORE_IT_ENDS = r"before (?:the )?write(?: strobe)? ends?"
_HOLD = r"hold(?: time)? (?:is )?(?:too short|violated)"
_ENDS = (
    (
        Lingering.ADDRESS,
        rf"{_WRITE} (?:ends?|goes? (?:away|high)|is taken away) (?:too )?late|late ends? of (?:the |a )?writes?"
        rf"|address (?:changes|goes) {_BEFORE_IT_ENDS}|address {_HOLD}",
    ),
    (
        Lingering.DATA,
        rf"(?:write )?data (?:ends?|changes?|go(?:es)?(?: away)?) (?:(?:too )?early|{_BEFORE_IT_ENDS})"
        rf"|(?:write )?data {_HOLD}",
    ),
)
_CLOCK = r"(?:the )?(?:clock|PHI ?[02])(?: pulses?| edges?)?"
_PULSES = (
    (
        Pulse.DOUBLED,
        rf"{_CLOCK} (?:is |comes? )?(?:doubled?|twice|seen twice|rings?|bounces?)"
        rf"|(?:an )?(?:extra|double|additional) {_CLOCK}",
    ),
    (Pulse.MISSING, rf"{_CLOCK} (?:is )?(?:missing|lost|left out|skipped|swallowed)|(?:a )?(?:missing|lost) {_CLOCK}"),
)
_RESET = r"(?:the )?(?:RESET|RES|RESB|RST|reset)(?: line| button)?"
_RELEASED = re.compile(
    rf"{_RESET} (?:is )?(?:(?:never|not) released|(?P<held>held|released|let go|comes up)(?: late)?)", re.IGNORECASE
)
_BOUNCES = re.compile(rf"{_RESET} (?:bounces|is bouncing|chatters)", re.IGNORECASE)
_COMES_UP = re.compile(rf"(?:{_CARD}|(?:the )?(?:supply|power) )(?:comes up|starts)(?: late)?", re.IGNORECASE)
_FORMS = (
    *("open", "stuck low", "stuck high", "shorted to", "exchanged with", "inverted", "answers late", "without supply"),
    *("card removed", "writes end late", "write data end early", "setting NAME = VALUE", "bit 3 of $8123 low"),
    *("byte at $8123 = $4C", "PHI2 doubled", "PHI2 missing", "RESET bounces", "RESET released late"),
)
_A_NAME = r"(?-i:[A-Z]+\d*)"
_VALUE = rf"{_HEX}|\d+"
_BETWEEN: tuple[tuple[str, str, str], ...] = (
    ("slot", r"", r"\d+:?"),
    ("pin", r"\d+:", r"\d+"),
    ("bit", r"\d+:", r"\d"),
    ("in", r"\d+", r"\d+"),
    ("of", r"\d", rf"{_VALUE}|offset|byte|address"),
    ("of", r"ends?", r"the|an?"),
    ("=", _VALUE, _VALUE),
    ("=", r"[a-z]\w*_\w*", r"(?!(?:is|stands|set|at|on)$).+"),
    ("setting", r".+:", r"[a-z]\w*_\w*"),
    ("with", r"exchanged|swapped|crossed|interchanged|gated|qualified", r".+"),
    ("to", r"shorted|short|bridged|tied|joined|connected|wired|goes", r".+"),
    ("by", r"selected|driven|fed", r".+"),
    ("and", _A_NAME, rf"{_A_NAME}|not"),
    ("between", r"bridge|short", r"\w+"),
    ("at", r"joint|contact", r"\w+"),
    ("data", r".+:|write", r"ends?|hold|changes|bus"),
    ("bus", r"data", r".+"),
    ("up", r"comes", r".+"),
    ("end", r"writes?|data|late", r".+"),
    ("ends", r"write", r""),
    ("write", r"before|the|an?", r".*"),
    ("before", r"changes|ends?|goes", r".+"),
    ("too", r".+", r"short|late|early|slow"),
    ("hold", r"data|address", r".+"),
    ("clock", r"an?|extra|additional|double|lost|missing", r".+"),
    ("cycle", r"at|from|until|after", r"\d+"),
    *((word, r".+", r"[\d.]+|cycle") for word in ("after", "until", "from", "at")),
)
"""Words that join what a sentence says, or say of which kind it is, each with the words between which it may lack."""
BOUNCE = When(RATES["often"], Span(Fraction(8)), None, Span(Fraction(200)))
"""How RESET bounces where nothing else is said: eight cycles up or down by chance, for 200 cycles."""


def read_fault(text: str, slot: int | None = None) -> Fault:
    """The fault that a sentence says.

    Args:
        text: the sentence.
        slot: slot of the card that it stands with; None where it may name one.

    Raises:
        SimkitError: it is none, with the nearest form; or what it says cannot be there.
    """
    if not isinstance(text, str):
        raise SimkitError(f"{text!r:.80} is no sentence.", remedy='Write e.g. "slot 4: D3 open", in quotes.')
    if len(text) > MAX_CHARACTERS:
        raise SimkitError(f"A sentence of {len(text)} characters; {MAX_CHARACTERS} are allowed.", remedy="Shorten it.")
    try:
        return _read_whole(text, slot)
    except SimkitError as error:
        if meant := with_a_word_more(text, slot):
            raise SimkitError(error.message, remedy=f"Did you mean {' or '.join(map(repr, meant))}?") from None
        raise


def with_a_word_more(text: str, slot: int | None = None) -> list[str]:
    """Sentences, three at most, that a refused one becomes by a word that says nothing itself: "to", "pin", "until".

    What is wrong, and with which line, has to be said; it is not guessed.
    """
    words = ["", *text.split(), ""]
    found: dict[Fault, str] = {}
    for place in range(1, min(len(words), MOST_WORDS)):
        before, behind = words[place - 1], words[place]
        for word, left, right in _BETWEEN:
            if (
                word not in (before, behind)
                and re.fullmatch(left, before, re.IGNORECASE)
                and re.fullmatch(right, behind, re.IGNORECASE)
            ):
                more = " ".join([*words[1:place], word, *words[place:-1]])
                with suppress(SimkitError):
                    found.setdefault(_read_whole(more, slot), more)
    return list(found.values())[:MOST_MEANT]


def _read_whole(text: str, slot: int | None) -> Fault:
    said, when = split_time(text)
    place, rest = place_of(said)
    if place is None and re.match(r"slot\b", rest, re.IGNORECASE):
        raise SimkitError(f"{text!r} does not say which slot.", remedy='Begin with "slot N:", N being its number.')
    at = slot if place is None else place
    if slot is not None and place is not None and place != slot:
        raise SimkitError(f"{text!r} stands with slot {slot}.", remedy="Name one slot.")
    return _read(text, rest, at, when)


def _read(text: str, rest: str, slot: int | None, when: When) -> Fault:
    if slot in (None, CPU) and (reset := _of_reset(text, rest, when)) is not None:
        return reset
    for pulse, form in _PULSES:
        if re.fullmatch(form, rest, re.IGNORECASE):
            return Fault(Clock(pulse, None if slot == CPU else slot), when)
    if slot:
        if (found := _of_a_card(text, rest, slot)) is not None:
            return Fault(found, when)
        if _COMES_UP.fullmatch(rest) and (when.first is not None) is not (when.until is not None):
            then = when.until if when.first is None else when.first
            return Fault(Entry(Done.UNPOWERED, slot=slot), attrs.evolve(when, first=None, until=then))
    elif _is_of_a_card(rest):
        raise SimkitError(f"{text!r}: that is said of a card.", remedy='Begin with "slot N:".')
    for form, plain in _OTHERWISE:
        if slot and re.fullmatch(form, rest, re.IGNORECASE):
            rest = plain
    return Fault(_wiring(text, rest, slot, when), when)


def _wiring(text: str, rest: str, slot: int | None, when: When) -> Entry:
    place = "" if slot is None else "CPU: " if slot == CPU else f"slot {slot}: "
    try:
        return read_sentence(f"{place}{rest}")
    except SimkitError as error:
        if when.rate is not None and re.fullmatch(r"(?:the )?(?:(?:address|data|line|pin) )*[A-Za-z]?\w+", rest):
            return read_sentence(f"{place}{rest} open")  # "D3 intermittent": a contact
        close = get_close_matches(rest, _FORMS, n=1, cutoff=0.75)
        if close:  # of the whole sentence, not of what would be done to its first word
            raise SimkitError(error.message, remedy=f"Did you mean {close[0]!r}?") from None
        raise


def _of_reset(text: str, rest: str, when: When) -> Fault | None:
    low = Entry(Done.LOW, SHEET_NAMES["RES"])
    if _BOUNCES.fullmatch(rest):
        more = attrs.evolve(BOUNCE, **_said(when))
        return Fault(low, more)
    match = _RELEASED.fullmatch(rest)
    if match is None:
        return None
    if match["held"] is None:
        return Fault(low, when)
    then = when.until or when.first
    if then is None or (when.until is not None and when.first is not None) or when.rate is not None:
        raise SimkitError(f"{text!r} does not say until when.", remedy='Write e.g. "RESET released after 0.1 s".')
    return Fault(low, When(until=then))


def _said(when: When) -> dict[str, Any]:
    """What a time says, by field."""
    return {field.name: value for field in attrs.fields(When) if (value := getattr(when, field.name)) != field.default}


def _is_of_a_card(rest: str) -> bool:
    try:
        return _of_a_card(rest, rest, 1) is not None
    except SimkitError:
        return True


def _of_a_card(text: str, rest: str, slot: int) -> What | None:
    """What no wire does, of a card."""
    match = _BIT.fullmatch(rest)
    if match is not None:
        return Cell(slot, *_address(text, match), _bit(text, match["bit"]), _level(text, match["how"]))
    match = _BYTE.fullmatch(rest)
    if match is not None:
        value = _number(match["value"])
        if value > 0xFF:
            raise SimkitError(f"{text!r}: {match['value']} is no byte.", remedy="Write $00 to $FF.")
        return Cell(slot, *_address(text, match), None, value)
    match = _SETTING.fullmatch(rest)
    if match is not None:
        return Set(slot, (match["name"] or match["name2"]), _value(match["value"]))
    for changed, form in _ENDS:
        if re.fullmatch(form, rest, re.IGNORECASE):
            return WriteEnd(slot, changed)
    return None


def _value(written: str) -> bool | int | float | str:
    written = written.strip()
    if len(written) > 1 and written[0] == written[-1] and written[0] in "\"'":
        return written[1:-1]
    return bare_value(written)


def _number(text: str) -> int:
    word = text.lower()
    if word.startswith(("$", "0x")) or word.endswith("h"):
        return int(word.removeprefix("$").removeprefix("0x").removesuffix("h"), 16)
    return int(word)


def _address(text: str, match: re.Match[str]) -> tuple[int, bool]:
    at = _number(match["at"])
    word = (match["part"] or "").lower()
    in_part = word == "offset" or match["part2"] is not None
    if at >= (MOST_PART_BYTES if in_part else 0x10000):
        remedy = 'Of a larger part write "offset $12345".'
        raise SimkitError(f"{text!r}: {match['at']} is no address.", remedy=remedy)
    return at, in_part


def _bit(text: str, said: str) -> int:
    if int(said) > 7:
        raise SimkitError(f"{text!r}: a byte has no bit {said}.", remedy="Bits go from 0 to 7.")
    return int(said)


def _level(text: str, how: str) -> Done:
    word = re.sub(rf"\A{_HOW}(?=\w)", "", how, flags=re.IGNORECASE) or how
    for done, form in _LEVELS.items():
        if re.fullmatch(form, word, re.IGNORECASE) or re.fullmatch(form, how, re.IGNORECASE):
            return done
    close = get_close_matches(word.lower(), ("low", "high", "inverted"), n=1, cutoff=0.5)
    remedy = f"Did you mean {close[0]!r}?" if close else "Write low, high or inverted."
    raise SimkitError(f"{text!r}: {how[:40]!r} does not say how the bit reads.", remedy=remedy)
