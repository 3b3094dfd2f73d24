"""When a fault is there: always, between two moments, by chance; as sentences say it.

Chance is a function of seed, place and cycle, never a sequence: how often somebody looks changes nothing. A fault with
a chance is there for whole spells: time since power-on is cut into spells of equal length, and each is drawn by itself.
How often a bad contact opens nobody can say; the rates behind words such as "sometimes" are ours.
"""

from __future__ import annotations

import hashlib
import re
import struct
from bisect import bisect_left
from decimal import Decimal
from fractions import Fraction

import attrs

from simkit.contract.errors import SimkitError

MOST_CYCLES = 10**15
MOST_SECONDS = 10**6
FINEST_RATE = 10**9
DRAW_BITS = 32
_DRAWS = 1024
"""Draws that one hash gives."""
_BLOCK = struct.Struct(f"<{_DRAWS}I")
RATES = {"often": Fraction(1, 2), "sometimes": Fraction(1, 100), "rarely": Fraction(1, 10_000)}
"""What words mean that say no number."""
NEVER = 1 << 62


@attrs.frozen
class Span:
    """A length of time, or a moment since power-on: whole cycles, or seconds of machine time.

    Attributes:
        number: of them.
        seconds: whether they are seconds.
    """

    number: Fraction
    seconds: bool = False

    def cycles(self, clock_hz: Fraction) -> int:
        """In cycles; a moment is that of the first cycle that starts at it or after it."""
        exact = self.number * clock_hz if self.seconds else self.number
        return -(-exact.numerator // exact.denominator)

    def __str__(self) -> str:
        if not self.seconds:
            return f"{self.number} cycles"
        return f"{Decimal(self.number.numerator) / Decimal(self.number.denominator):f} s"

    @property
    def moment(self) -> str:
        """As a moment."""
        return str(self) if self.seconds else f"cycle {self.number}"


@attrs.frozen
class When:
    """When a fault is there.

    Attributes:
        rate: in how many of the spells, None: in all.
        spell: length of one.
        first: from then on, None: from power-on.
        until: no longer then, None: for good.
    """

    rate: Fraction | None = None
    spell: Span = Span(Fraction(1))
    first: Span | None = None
    until: Span | None = None

    def __str__(self) -> str:
        said = []
        if self.rate is not None:
            said.append(f"{self.rate.numerator} in {self.rate.denominator}")
            if self.spell != Span(Fraction(1)):
                said.append(f"{self.spell} long")
        if self.first is not None:
            said.append(f"from {self.first.moment}")
        if self.until is not None:
            said.append(f"until {self.until.moment}")
        return ", ".join(said)


ALWAYS = When()


class Presence:
    """Whether a fault is there in a cycle, and when that changes.

    Args:
        when: as said.
        seed: of the machine.
        place: the fault without its time, which the chance depends on.
        clock_hz: of the machine.
    """

    def __init__(self, when: When, seed: int, place: str, clock_hz: Fraction) -> None:
        self._first = 0 if when.first is None else when.first.cycles(clock_hz)
        self._until = NEVER if when.until is None else when.until.cycles(clock_hz)
        self._spell = max(1, when.spell.cycles(clock_hz))
        self._limit = None if when.rate is None else int(when.rate * (1 << DRAW_BITS))
        self._name = f"{seed}/{place}/"
        self._block = -1
        self._hits: list[int] = []  # of the block: numbers of the spells in which it is there

    @property
    def by_chance(self) -> bool:
        """Whether it comes by chance."""
        return self._limit is not None

    def __contains__(self, cycle: int) -> bool:
        """Whether it is there."""
        return self._first <= cycle < self._until and (self._limit is None or self._drawn(cycle // self._spell))

    def changes(self, cycle: int, most: int) -> int:
        """The first cycle after `cycle` in which it comes or goes, or `most` if that is sooner."""
        now = cycle in self
        at = cycle
        while True:
            if at < self._first:
                at = self._first
            elif at >= self._until:
                return most
            elif self._limit is None:
                at = self._until
            else:
                at = min(
                    self._next_drawn(at // self._spell, not now, most // self._spell + 1) * self._spell, self._until
                )
            if at >= most:
                return most
            if (at in self) is not now:
                return at

    def _drawn(self, spell: int) -> bool:
        block, number = divmod(spell, _DRAWS)
        hits = self._hits_of(block)
        at = bisect_left(hits, number)
        return at < len(hits) and hits[at] == number

    def _hits_of(self, block: int) -> list[int]:
        if block != self._block:
            draws = _BLOCK.unpack(hashlib.shake_128(f"{self._name}{block}".encode()).digest(_BLOCK.size))
            limit = self._limit or 0
            self._block = block
            self._hits = [number for number, drawn in enumerate(draws) if drawn < limit] if min(draws) < limit else []
        return self._hits

    def _next_drawn(self, spell: int, wanted: bool, last: int) -> int:
        """The first spell after one that is drawn, or is not, as wanted; `last` where there is none before it."""
        at = spell + 1
        while at < last:
            if not wanted:
                if not self._drawn(at):
                    return at
                at += 1
                continue
            block, number = divmod(at, _DRAWS)
            hits = self._hits_of(block)
            place = bisect_left(hits, number)
            if place < len(hits):
                return min(block * _DRAWS + hits[place], last)
            at = (block + 1) * _DRAWS
        return last


# sentences ------------------------------------------------------------------------------------------------------------

_NUMBER = r"\d[\d_,]{0,20}(?:\.\d{1,9})?"
_UNITS = {"s": 1, "ms": 1_000, "us": 1_000_000, "µs": 1_000_000, "ns": 1_000_000_000}
_UNIT = r"(?:cycles?|c|seconds?|sec|milliseconds?|ms|microseconds?|us|µs|ns|s)"
_TIME = rf"(?:cycle {_NUMBER}|{_NUMBER} ?{_UNIT}(?!\w))"
_BY_WORD = (
    (r"sometimes|intermittent(?:ly)?|occasional(?:ly)?|(?:every )?now and then|every so often|from time to time"
     r"|at times|on and off|erratic(?:ally)?|at random|randomly|flaky|flickering", "sometimes"),
    (r"rarely|seldom|once in a while|hardly ever|very occasionally", "rarely"),
    (r"often|half (?:of )?the time|every other time|most of the time|frequently", "often"),
)  # fmt: skip
_OF = r"(?: (?:cycles?|times|accesses|spells))?"
_CLAUSES = tuple(
    (kind, re.compile(rf"[,;]?\s*(?:but )?(?:only )?\(?(?:{text})\)?\Z", re.IGNORECASE))
    for kind, text in (
        ("between", rf"(?:between (?P<a>{_TIME}) and|from (?P<a2>{_TIME}) to) (?P<b>{_TIME})"),
        ("first", rf"(?:from|after|starting (?:at|with)|since) (?P<a>{_TIME})(?: on(?:wards?)?)?"),
        ("until", rf"(?:until|till|up to|before) (?P<a>{_TIME})|(?:for|during|in) the first (?P<a2>{_TIME})"),
        ("once", rf"(?:once )?(?:at|in) (?P<a>cycle {_NUMBER})"),
        ("long", rf"(?P<a>{_TIME}) long"),
        ("lasts", rf"for (?P<a>{_TIME})(?: (?:each|at a time|in all))?"),
        ("rate", rf"(?:once )?(?:in )?(?P<a>{_NUMBER}|once)(?: in| of| out of|/) ?(?P<b>{_NUMBER}){_OF}"),
        ("rate", rf"once (?:every|per) (?P<b>{_NUMBER}){_OF}"),
        ("percent", rf"(?:in )?(?P<a>{_NUMBER}) ?(?:%|per ?cent)(?: of (?:the )?(?:time|cycles|times|accesses))?"),
        *(("word", rf"(?P<{word}>{form})") for form, word in _BY_WORD),
    )
)  # fmt: skip
_FIRST_WORD = tuple((re.compile(rf"(?<![\w:])(?:{form})(?!\w),? ?", re.IGNORECASE), word) for form, word in _BY_WORD)


@attrs.define
class _Said:
    """What a sentence says of time."""

    text: str
    rate: Fraction | None = None
    long: Span | None = None
    first: Span | None = None
    until: Span | None = None
    lasts: Span | None = None

    def put(self, key: str, value: Span | Fraction) -> None:
        """Take one thing that is said.

        Raises:
            SimkitError: it is said twice.
        """
        if getattr(self, key) is not None:
            what = {"first": "when it begins", "until": "when it ends", "rate": "how often"}.get(key, "how long")
            raise SimkitError(f"{self.text[:120]!r} says {what} twice.", remedy="Say it once.")
        setattr(self, key, value)

    def when(self) -> When:
        """All of it.

        Raises:
            SimkitError: it cannot be.
        """
        long, until = self.long, self.until
        if self.lasts is not None and self.rate is not None and long is None:
            long = self.lasts  # of each spell
        elif self.lasts is not None:
            if until is not None:
                remedy = 'Write e.g. "from 1 s, until 2 s".'
                raise SimkitError(f"{self.text[:120]!r} says twice when it ends.", remedy=remedy)
            until = self.lasts if self.first is None else _after(self.text, self.first, self.lasts)
        if long is not None and self.rate is None:
            remedy = 'Write e.g. "1 in 1000, 20 cycles long".'
            raise SimkitError(f"{self.text[:120]!r} says how long, not how often.", remedy=remedy)
        if any(one is not None and one.number == 0 for one in (long, self.lasts, until)):
            raise SimkitError(f"{self.text[:120]!r}: it would last no time.", remedy="Give it a cycle at least.")
        first = self.first
        if first is not None and until is not None and not _is_before(first, until):
            remedy = "Write the earlier moment first."
            raise SimkitError(f"{self.text[:120]!r} would end before it begins.", remedy=remedy)
        return When(self.rate, Span(Fraction(1)) if long is None else long, first, until)


_QUOTED = re.compile(r'"[^"]*"')
_MASK = "\x00"


def split_time(text: str) -> tuple[str, When]:
    """A sentence without what it says of time, and that.

    Raises:
        SimkitError: what it says of time cannot be.
    """
    quoted = iter(re.findall(f"{_QUOTED.pattern}|{_MASK}", text))  # the value of a setting, which says nothing of time
    rest, said = " ".join(_QUOTED.sub(_MASK, text).split()).rstrip("."), _Said(text)
    while (found := _last_clause(rest)) is not None:
        kind, match = found
        rest = rest[: match.start()].rstrip(" ,;")
        _take(said, kind, match)
    if said.rate is None:
        for form, word in _FIRST_WORD:
            inside = form.search(rest)
            if inside is not None:
                said.rate = RATES[word]
                rest = f"{rest[: inside.start()]}{rest[inside.end() :]}".rstrip(" ,;")
                break
    return re.sub(_MASK, lambda _: next(quoted, _MASK), rest), said.when()


def _last_clause(rest: str) -> tuple[str, re.Match[str]] | None:
    for kind, form in _CLAUSES:
        match = form.search(rest)
        if match is not None and match.start() > 0:
            return kind, match
    return None


def _take(said: _Said, kind: str, match: re.Match[str]) -> None:
    named = {name.rstrip("2"): value for name, value in match.groupdict().items() if value is not None}
    text = said.text
    if kind == "between":
        said.put("first", _span(text, named["a"]))
        said.put("until", _span(text, named["b"]))
    elif kind == "once":
        begin = _span(text, named["a"])
        said.put("first", begin)
        said.put("until", Span(begin.number + 1))
    elif kind == "rate":
        times = named.get("a", "1")
        said.put("rate", _rate(text, Fraction(1) if times.lower() == "once" else _number(times), _number(named["b"])))
    elif kind == "percent":
        said.put("rate", _rate(text, _number(named["a"]), Fraction(100)))
    elif kind == "word":
        said.put("rate", RATES[next(iter(named))])
    else:
        said.put(kind, _span(text, named["a"]))


def _is_before(first: Span, until: Span) -> bool:
    """Whether one moment comes before another; nobody can say of a cycle and a second, without the clock."""
    return first.seconds is not until.seconds or first.number < until.number


def _after(text: str, first: Span, length: Span) -> Span:
    if first.seconds is not length.seconds:
        raise SimkitError(
            f"{text[:120]!r} counts cycles and seconds together.", remedy="Say both in cycles, or both in seconds."
        )
    return Span(first.number + length.number, first.seconds)


def _number(text: str) -> Fraction:
    return Fraction(text.replace("_", "").replace(",", ""))


def _span(text: str, said: str) -> Span:
    word = said.lower()
    if word.startswith("cycle"):
        number, unit = _number(word.removeprefix("cycle").strip()), "c"
    else:
        match = re.fullmatch(rf"({_NUMBER}) ?(\D+)", word)
        assert match is not None
        number, unit = _number(match[1]), match[2]
    if unit.startswith("c"):
        if number.denominator != 1:
            raise SimkitError(f"{text[:120]!r}: {said!r} is no whole number of cycles.", remedy="Write a whole number.")
        if number > MOST_CYCLES:
            raise SimkitError(f"{text[:120]!r}: {said!r} is too long.", remedy=f"{MOST_CYCLES} cycles are the most.")
        return Span(number)
    unit = {"microsecond": "us", "millisecond": "ms", "second": "s", "sec": "s"}.get(unit.rstrip("s"), unit)
    seconds = number / _UNITS[unit]
    if seconds > MOST_SECONDS:
        raise SimkitError(f"{text[:120]!r}: {said!r} is too long.", remedy=f"{MOST_SECONDS} seconds are the most.")
    return Span(seconds, seconds=True)


def _rate(text: str, times: Fraction, of: Fraction) -> Fraction:
    if not 0 < times < of:
        raise SimkitError(
            f"{text[:120]!r}: {times} in {of} is no chance.",
            remedy='Write e.g. "1 in 1000"; what is always there needs no chance, what never is no fault.',
        )
    rate = times / of
    if rate < Fraction(1, FINEST_RATE) or rate.denominator > FINEST_RATE:
        raise SimkitError(f"{text[:120]!r}: {rate} is too fine.", remedy=f"1 in {FINEST_RATE} is the finest.")
    return rate
