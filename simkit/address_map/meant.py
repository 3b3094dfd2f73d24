"""Which register or bit of a machine a name in somebody's source means.

A name is taken apart into words. It means a register if it ends with the words of its name, and a bit likewise; the
words before must be of the card (its kind, its title, what the builder calls it) or of the register. `VIDEO_DATA`,
`PADS_PORT_1`, `padPort1`, `KEYBOARD_READY_BIT`. Where a file is said to be of one card, its bits need no word before.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

import attrs

from simkit.address_map.constants import ADDRESS, BASE, BIT, MASK, NUMBER, Constant, Group
from simkit.machinefile.description import CardDescription

_WORDS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")
_OF_ADDRESSES = frozenset(("reg", "register", "addr", "address", "adr", "port", "io"))
_OF_BITS = frozenset(("bit", "mask", "flag", "btn", "button", "key", "bm", "msk"))
_OF_BASES = frozenset(("base", "addr", "address", "adr", "io", "start"))


def words_of(name: str) -> tuple[str, ...]:
    """Words of a name in small letters, without the s of the plural."""
    return tuple(
        word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word
        for word in (found.lower() for found in _WORDS.findall(name))
    )


@attrs.frozen
class _Known:
    constant: Constant
    last: tuple[str, ...]
    before: frozenset[str]
    card: frozenset[str]


class Meanings:
    """The constants of a machine, by what names in sources may mean.

    Args:
        groups: what `constants_of` gave.
        cards: of the machine.
        only: slots of the cards that the file is said to be of; () for a file of the whole machine.
    """

    def __init__(self, groups: Sequence[Group], cards: Iterable[CardDescription], only: Sequence[int] = ()) -> None:
        self._exact = {one.name: one for group in groups for one in group.constants}
        self._only = frozenset(only)
        self._known: list[_Known] = []
        by_slot = {card.slot: card for card in cards}
        for group in groups:
            for one in group.constants:
                if one.what in (NUMBER, BIT) or one.slot not in by_slot:
                    continue  # a bit's number is looked for at its mask
                self._known.append(self._meaning(one, by_slot[one.slot]))

    def _meaning(self, one: Constant, card: CardDescription) -> _Known:
        own = frozenset((*words_of(card.kind), *words_of(card.name), *words_of(card.card.title), str(card.slot)))
        if one.what in (ADDRESS, BASE):
            return _Known(one, words_of(one.register), own | _OF_ADDRESSES, own)
        return _Known(one, words_of(one.bit), own | _OF_BITS | frozenset(words_of(one.register)), own)

    def exact(self, name: str) -> Constant | None:
        """The constant of just this name."""
        return self._exact.get(name)

    def of(self, name: str) -> list[Constant]:
        """Registers and bits that a name may mean, [] for none."""
        words = words_of(name)
        bare = tuple(word for word in words if word not in _OF_BITS) or words
        found = []
        for known in self._known:
            if known.constant.what in (ADDRESS, BASE):
                before = self._before_address(words, known)
            else:
                before = self._before_bit(words, bare, known)
            if before is None or not all(word in known.before for word in before):
                continue
            names_card = any(word in known.card for word in before)
            own_file = known.constant.slot in self._only
            if names_card or (own_file and (known.constant.what == MASK or known.last)):
                found.append((names_card, known.constant))
        if any(named for named, _ in found):
            found = [pair for pair in found if pair[0]]
        return [constant for _, constant in found if not self._only or constant.slot in self._only]

    @staticmethod
    def _before_address(words: tuple[str, ...], known: _Known) -> tuple[str, ...] | None:
        if not known.last:  # the base: nothing but the card, and a word for the base
            rest = tuple(word for word in words if word not in _OF_BASES)
            is_base = "base" in words and len(rest) < len(words)
            return rest if is_base and rest else None
        trimmed = words
        while trimmed and trimmed[-1] in _OF_ADDRESSES and trimmed[-len(known.last) :] != known.last:
            trimmed = trimmed[:-1]
        if trimmed[-len(known.last) :] != known.last:
            return None
        return trimmed[: -len(known.last)]

    @staticmethod
    def _before_bit(words: tuple[str, ...], bare: tuple[str, ...], known: _Known) -> tuple[str, ...] | None:
        for form in (words, bare):
            if form[-len(known.last) :] == known.last:
                return form[: -len(known.last)]
        return None
