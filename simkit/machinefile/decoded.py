"""What a decoder comes to, as select and strobes of its card, and whether it is what else is said of them."""

from __future__ import annotations

from simkit.backplane.covers import Cover
from simkit.backplane.select import Expression, Select
from simkit.contract.errors import SimkitError
from simkit.logic.wired.decode import Decode, at, difference
from simkit.machinefile.wires import Fail


def covers_of(decode: Decode, fail: Fail, table: str = "decode") -> dict[str, Cover]:
    """What each select, strobe or line of a decoder comes to; what cannot be is told, of a key of this table."""
    found = {}
    for key in decode.wanted:
        try:
            found[key] = decode.decoded(key).cover()
        except SimkitError as error:
            fail(f"{table}.{key}", error.message, error.remedy or "")
    return found


def differs(decode: Decode, key: str, said: Select | Expression) -> str | None:
    """Where a select or strobe that is said is not what its decoder gives, in words; None where it is."""
    decoded = decode.decoded(key)
    found = difference(said.table, (*said.lines, "RW", "PHI2"), decoded.table, decoded.lines)
    if found is None:
        return None
    text = decode.wanted[key].text
    both = []
    if found.one_only:
        both.append(f"{key} is true {at(found.one_only, {})} and {text} is not")
    if found.other_only:
        both.append(f"{text} is true {at(found.other_only, {})} and {key} is not")
    levels = ", ".join(f"{line} {'high' if level else 'low'}" for line, level in sorted(found.levels.items()))
    return f"{'; '.join(both)} (with {levels})"
