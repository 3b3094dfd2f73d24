"""What a function knows at a point without having computed it yet: flags, cycles to add, the last byte on the bus."""

from __future__ import annotations

from collections.abc import Iterable

import attrs


@attrs.frozen(slots=True)
class Flag:
    """A flag as an expression that is worked out only where it is needed.

    Attributes:
        value: text of the value to keep: bit 7 of n is N, Z is set when z is 0, c is 0 or 1, V is set when v is not 0.
        is_set, is_clear: conditions.
        needs: registers that must not have changed since.
    """

    value: str
    is_set: str
    is_clear: str
    needs: frozenset[str] = frozenset()


KEPT = {
    "n": Flag("n", "n & 0x80", "not n & 0x80"),
    "z": Flag("z", "not z", "z"),
    "c": Flag("c", "c", "not c"),
    "v": Flag("v", "v", "not v"),
}
"""Flags that stand in the variables of their name."""

ZERO, ONE = Flag("0", "False", "True"), Flag("1", "True", "False")


def negative(text: str, needs: Iterable[str] = ()) -> Flag:
    """N of a byte."""
    return Flag(text, f"{text} > 127", f"{text} < 128", frozenset(needs))


def zero(text: str, needs: Iterable[str] = ()) -> Flag:
    """Z of a byte."""
    return Flag(text, f"not {text}", text, frozenset(needs))


@attrs.define(slots=True)
class Knowledge:
    """State of a function under construction at one point.

    Attributes:
        flags: expression for each of n, z, c, v.
        cycles: to be added to `cycle`.
        last: expression of the byte that was last on the data lines.
    """

    flags: dict[str, Flag] = attrs.field(factory=lambda: dict(KEPT))
    cycles: int = 0
    last: str = "last"

    def copy(self) -> Knowledge:
        """For one of two ways."""
        return Knowledge(dict(self.flags), self.cycles, self.last)

    def now(self, more: int = 0) -> str:
        """Expression of the cycle, `more` cycles further on."""
        cycles = self.cycles + more
        return f"cycle + {cycles}" if cycles else "cycle"

    def settle_flags(self, names: Iterable[str]) -> list[str]:
        """Statements that put flags into their variables."""
        by_text: dict[str, list[str]] = {}
        for name in sorted(names):
            if name in KEPT and self.flags[name] is not KEPT[name]:
                by_text.setdefault(self.flags[name].value, []).append(name)
                self.flags[name] = KEPT[name]
        return [f"{' = '.join(same)} = {text}" for text, same in by_text.items()]

    def settle(self, names: Iterable[str]) -> list[str]:
        """Statements after which nothing is outstanding but flags that are not named."""
        names = set(names)
        lines = self.settle_flags(names)
        if self.cycles:
            lines.append(f"cycle += {self.cycles}")
            self.cycles = 0
        if "l" in names and self.last != "last":
            lines.append(f"last = {self.last}")
        self.last = "last"
        for name in KEPT:
            self.flags[name] = KEPT[name]
        return lines
