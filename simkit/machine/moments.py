r"""Moments: when something is to happen, or a run is to end, as people write it on every command and in tests.

    2s  20ms  100us  5000c  120f      so long after power-on: seconds, cycles, frames of the screen
    120f/main                         frames of the screen of that port's name or slot
    label:main_loop                   the instruction at the label, or $8000, is the next one
    finding:write-to-rom              a finding of the rule came up; finding:"" takes any
    text:"1 PLAYER"                   the text stands on the screen, without a screen on a terminal at the serial line;
                                      text:"READY"/5 on what the card in slot 5 shows, or the port of that name: a
                                      screen or a terminal at its line; looked at whenever a frame has ended
    read:KEYS  write:$7F00            the address was read or written, in any bus cycle; access:KEYS either
    read:4.status                     the register of that name of the card in slot 4 was
    label:main_loop#3                 the third time
    label:main_loop+5000c+1f          so long after it

A value stands in double quotes when it holds anything but letters, digits, _ . $ : -; \" and \\ are a quote and a
backslash in it.
"""

from __future__ import annotations

import re
from fractions import Fraction

import attrs

from simkit.contract.errors import SimkitError, near

UNITS = ("ms", "us", "s", "f", "c")
KINDS = {
    "label": "the instruction at it is next",
    "finding": "one of the rule came up",
    "text": "it stands on the screen, or the terminal",
    "read": "the address was read",
    "write": "the address was written",
    "access": "the address was read or written",
}
"""Kinds of moments, and when one comes, in a few words."""
MOST_TIMES = 999_999_999
MOST_TEXT = 1000
"""Characters of a moment."""

_SPAN = re.compile(rf"([0-9]{{1,12}})(\.[0-9]{{1,12}})?\s*({'|'.join(UNITS)})(?![A-Za-z0-9_.])")
_LONG_NUMBER = re.compile(r"[0-9]{13}|[0-9]+\.[0-9]{13}")
_KIND = re.compile(r"([A-Za-z]\w*):")
_BARE = re.compile(r"[A-Za-z0-9_.$:-]+")
_QUOTED = re.compile(r'"((?:[^"\\]|\\["\\])*)"')
_TIMES = re.compile(r"#([0-9]{1,9})(?![A-Za-z0-9_.])")
_NAME = re.compile(r"[A-Za-z0-9_.$-]+")


@attrs.frozen
class Span:
    """A length of time.

    Attributes:
        amount: how much.
        unit: one of UNITS; f are frames, c cycles.
        screen: whose frames, port's name or slot; "" for the only screen.
    """

    amount: Fraction
    unit: str
    screen: str = ""

    def __str__(self) -> str:
        whole, rest = divmod(self.amount.numerator, self.amount.denominator)
        places = f"{rest * 10**12 // self.amount.denominator:012}".rstrip("0")
        return f"{whole}{f'.{places}' if places else ''}{self.unit}{_of_screen(self.screen)}"


@attrs.frozen
class Moment:
    """A moment, as `parse_moment` reads it and `str` writes it.

    Attributes:
        kind: one of KINDS, or "" for a time after power-on.
        value: label or address, rule, or text.
        number: which time it comes true, from 1.
        screen: for a text: port's name or slot of a screen or serial line; "" for the only screen, or line.
        after: how long after that, all together; of a time after power-on at least one.
    """

    kind: str = ""
    value: str = ""
    number: int = 1
    screen: str = ""
    after: tuple[Span, ...] = ()

    def __str__(self) -> str:
        parts = []
        if self.kind:
            times = f"#{self.number}" if self.number > 1 else ""
            parts = [f"{self.kind}:{_written(self.value)}{_of_screen(self.screen)}{times}"]
        return "+".join((*parts, *map(str, self.after)))

    def later(self, spans: tuple[Span, ...]) -> Moment:
        """So long after this one."""
        return attrs.evolve(self, after=self.after + spans)

    def words(self) -> str:
        """What is waited for, in words that fit before "did not come"."""
        what = {
            "": str(self),
            "label": f"label {self.value}",
            "finding": f"the finding {self.value!r}" if self.value else "a finding",
            "text": f"the text {self.value!r}",
            "read": f"a read of {self.value}",
            "write": f"a write of {self.value}",
            "access": f"an access of {self.value}",
        }[self.kind]
        return f"{what} for the {_ordinal(self.number)} time" if self.number > 1 else what


def _ordinal(number: int) -> str:
    teen = number // 10 % 10 == 1
    return f"{number}{'th' if teen else {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th')}"


def _of_screen(name: str) -> str:
    return f"/{_written(name, _NAME)}" if name else ""


def _written(value: str, bare: re.Pattern[str] = _BARE) -> str:
    if bare.fullmatch(value):
        return value
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def parse_moment(text: str) -> Moment:
    """The moment that a text says.

    Raises:
        SimkitError: it says none; with the place in it.
    """
    return _Reader(text).moment()


def parse_end(text: str, begin: Moment) -> Moment:
    """A moment that may also be written as a time after another: "+0.1s".

    Raises:
        SimkitError: it says none.
    """
    if text.lstrip().startswith("+"):
        reader = _Reader(text)
        spans = reader.spans()
        reader.end()
        return begin.later(spans)
    return parse_moment(text)


class _Reader:
    def __init__(self, text: str) -> None:
        if len(text) > MOST_TEXT:
            raise SimkitError(
                f"A moment has at most {MOST_TEXT} characters, not {len(text)}.", remedy="Write a shorter text."
            )
        self._text = text
        self._at = len(text) - len(text.lstrip())

    def moment(self) -> Moment:
        kind = _KIND.match(self._text, self._at)
        if kind is None:
            first = self._span()
            moment = Moment(after=(first, *self.spans()))
        else:
            if kind[1] not in KINDS:
                known = near(kind[1], KINDS)
                raise self._wrong(f"there is no kind {kind[1]!r}", known)
            self._at = kind.end()
            value = self._value(kind[1])
            screen = self._screen() if kind[1] == "text" else ""
            moment = Moment(kind[1], value, self._times(), screen, self.spans())
        self.end()
        return moment

    def spans(self) -> tuple[Span, ...]:
        """All that is added."""
        found = []
        while self._text[self._at : self._at + 1] == "+":
            self._at += 1
            found.append(self._span())
        return tuple(found)

    def end(self) -> None:
        """Nothing more may come."""
        if self._text[self._at :].strip():
            raise self._wrong(
                "this does not belong to it",
                "Behind a moment come #3 for the third time and +5000c only. A value with other signs than letters, "
                'digits, _ . $ : - stands in quotes: label:"start@loop".',
            )

    def _span(self) -> Span:
        match = _SPAN.match(self._text, self._at)
        if match is None:
            if _LONG_NUMBER.match(self._text, self._at):
                raise self._wrong("the number is too long", "Write at most 12 digits, and 12 behind the point.")
            raise self._wrong(
                "there is no time" if self._at < len(self._text.rstrip()) else "it ends too early",
                f"Write e.g. 0.5s, 20ms, 120f (frames) or 5000c, or one of {', '.join(f'{kind}:' for kind in KINDS)}.",
            )
        self._at = match.end()
        screen = self._screen() if match[3] == "f" else ""
        return Span(Fraction(match[1] + (match[2] or "")), match[3], screen)

    def _screen(self) -> str:
        if self._text[self._at : self._at + 1] != "/":
            return ""
        self._at += 1
        quoted = _QUOTED.match(self._text, self._at)
        bare = _NAME.match(self._text, self._at)
        found = quoted or bare
        if found is None or not (name := _plain(found[1]) if quoted else found[0]):
            raise self._wrong("no screen is named", "Write the slot of its card, or the name of its port.")
        self._at = found.end()
        return name

    def _value(self, kind: str) -> str:
        quoted = _QUOTED.match(self._text, self._at)
        if quoted is not None:
            if not quoted[1] and kind != "finding":
                raise self._wrong("the value is empty", "Write what is waited for.")
            self._at = quoted.end()
            return _plain(quoted[1])
        if self._text[self._at : self._at + 1] == '"':
            raise self._wrong("the quotation has no end", 'Write " behind it, and \\" for a quote in it.')
        bare = _BARE.match(self._text, self._at)
        if bare is None:
            raise self._wrong("there is no value", f'Write e.g. {kind}:NAME, or {kind}:"A NAME" with other characters.')
        self._at = bare.end()
        return bare[0]

    def _times(self) -> int:
        if self._text[self._at : self._at + 1] != "#":
            return 1
        match = _TIMES.match(self._text, self._at)
        if match is None or int(match[1]) == 0:
            raise self._wrong("this is no number of times", f"Write #1 to #{MOST_TIMES}.")
        self._at = match.end()
        return int(match[1])

    def _wrong(self, what: str, remedy: str) -> SimkitError:
        text = self._text.replace("\n", " ").replace("\t", " ")
        lines = [f"  {text}", f"  {'':>{self._at}}^"] if text.strip() else []
        return SimkitError(f"{self._text!r} is not a moment: {what}.", lines=lines, remedy=remedy)


def _plain(quoted: str) -> str:
    return re.sub(r'\\(["\\])', r"\1", quoted)
