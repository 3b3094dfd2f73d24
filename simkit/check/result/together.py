"""Findings of one rule looked at together: what the addresses have in common, and how often they come.

What is said holds without an exception, and would come about by chance once in a hundred times at the most.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from fractions import Fraction
from itertools import combinations, pairwise
from math import comb

import attrs

from simkit.check.result.notes import Noted
from simkit.machine.machine import Machine
from simkit.machine.views import Screen

ADDRESS_BITS = 16
MOST_BITS = 3
"""Address lines that an explanation names at the most: a decoder that is wrong by more is wrong altogether."""
CHANCE = 0.01
"""How probable an explanation may be where there is nothing to explain."""
FEWEST_TIMES = 6
"""Times that something must have come to say how often it comes."""
SOON = 1_000
"""Cycles from one time to the next that are those of a loop, and say nothing."""
STEADY = Fraction(1, 50)
"""By how much of themselves the times between may differ: a loop that waits looks a few cycles late."""


@attrs.frozen
class Mask:
    """Address lines and the levels that they have at all bad addresses, and at no good one together.

    Attributes:
        levels: by number of the line.
    """

    levels: tuple[tuple[int, bool], ...]

    def holds(self, address: int) -> bool:
        """Whether all lines have their levels at an address."""
        return all(bool(address >> line & 1) == level for line, level in self.levels)

    def words(self) -> str:
        """As "A1 = 1 and A0 = 0", highest line first."""
        return " and ".join(f"A{line} = {int(level)}" for line, level in sorted(self.levels, reverse=True))


def separating(bad: Collection[int], good: Collection[int]) -> Mask | None:
    """The fewest address lines that tell bad addresses from good ones; None where none do, or chance would as well."""
    if not bad or not good:
        return None
    held = [(line, bool(min(bad) >> line & 1)) for line in range(ADDRESS_BITS)]
    common = [
        (line, level)
        for line, level in held
        if all(bool(address >> line & 1) == level for address in bad)
        and any(bool(address >> line & 1) != level for address in good)
    ]
    varying = len({line for line in range(ADDRESS_BITS) if len({a >> line & 1 for a in (*bad, *good)}) == 2})
    for number in range(1, MOST_BITS + 1):
        masks = comb(varying, number) * 2**number
        if masks > CHANCE * comb(len(bad) + len(good), len(bad)):
            return None
        for levels in combinations(common, number):
            mask = Mask(levels)
            if not any(mask.holds(address) for address in good):
                return mask
    return None


def period(cycles: Sequence[int]) -> Fraction | None:
    """Cycles between one time and the next, where they come evenly; None where not, or too seldom to tell."""
    if len(cycles) < FEWEST_TIMES:
        return None
    steps = [after - before for before, after in pairwise(cycles)]
    mean = Fraction(sum(steps), len(steps))
    if mean <= 1 or any(abs(step - mean) > STEADY * mean for step in steps):
        return None
    return mean


Accesses = Callable[[set[int], int], list[int]]
"""Cycles of all accesses of some addresses, up to a cycle."""


def in_common(
    noted: Sequence[Noted], like: Callable[[set[int]], set[int]], accesses: Accesses | None, machine: Machine
) -> dict[int, str]:
    """What findings of one rule and card have in common, in sentences, by the place of the first of them.

    Args:
        noted: in order of cycles.
        like: gives addresses of the same pages that were accessed as some were.
        accesses: tells when addresses were accessed; None: nobody knows.
        machine: the machine.
    """
    groups: dict[tuple[str, int | None], list[int]] = {}
    for number, one in enumerate(noted):
        groups.setdefault((one.rule, one.slot), []).append(number)
    bad = {address for one in noted for address in one.addresses if address != one.pc}
    found = {}
    for numbers in groups.values():
        some = [noted[number] for number in numbers]
        cycles = _first_times(some)
        order = list(_of_order(some, cycles, accesses)) if accesses is not None else []
        words = [*_of_addresses(some, bad, like), *(order or _of_times(cycles, machine))]
        if words:
            found[numbers[0]] = " ".join(words)
    return found


def _of_addresses(some: Sequence[Noted], bad: set[int], like: Callable[[set[int]], set[int]]) -> Iterator[str]:
    here = {address for one in some for address in one.addresses if address != one.pc}
    if len(here) < 2:
        return
    good = like(here) - bad
    mask = separating(here, good)
    if mask is not None:
        yield (
            f"All {len(here)} addresses have {mask.words()}; the {len(good)} near them that were accessed without this "
            "have not."
        )


def _first_times(some: Sequence[Noted]) -> list[int]:
    """Cycles in which they came, as long as all are kept."""
    cycles = sorted({cycle for one in some for cycle in one.cycles})
    if full := [one.cycles[-1] for one in some if one.cycles and one.count > len(one.cycles)]:
        last = min(full)
        cycles = [cycle for cycle in cycles if cycle <= last]
    return cycles


def _of_order(some: Sequence[Noted], cycles: list[int], accesses: Accesses) -> Iterator[str]:
    """Every how many accesses of the same address they come."""
    where = {address for one in some for address in one.addresses}
    if len(where) != 1 or len(cycles) < FEWEST_TIMES:
        return
    every = nth(cycles, accesses(where, cycles[-1]))
    if every is not None:
        yield f"They are every {every}{ {2: 'nd', 3: 'rd'}.get(every, 'th') } access of ${where.pop():04X}."


def nth(cycles: Sequence[int], accesses: Sequence[int]) -> int | None:
    """Every how many accesses something comes; None where it does not come evenly, with each, or not in accesses."""
    place = {cycle: number for number, cycle in enumerate(accesses)}
    if not all(cycle in place for cycle in cycles):
        return None
    steps = {place[after] - place[before] for before, after in pairwise(cycles)}
    return steps.pop() if len(steps) == 1 and 1 not in steps else None


def _of_times(cycles: list[int], machine: Machine) -> Iterator[str]:
    every = period(cycles)
    if every is None:
        return
    for screen in machine.ports(Screen):
        if abs(screen.frame_cycles - every) <= STEADY * every:
            yield f"They come once a frame of {machine.cards[screen.slot].title}."
            return
    if every < SOON:
        return  # a loop
    ms = float(every / machine.clock_hz * 1000)
    yield f"They come every {float(every):.4g} cycles ({ms:.3g} ms)."
