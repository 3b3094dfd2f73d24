"""Faults from outside the catalogue that chance draws: two single faults at once, and strobes that are late.

Drawn without the search, by runs of the machine alone. Two faults: of a place drawn first (the CPU, the backplane, a
slot), then of a kind that the catalogue has there, so that no card stands out for having many pins, TOGETHER single
faults that a program notices are drawn; of these pairs in an order by chance, and a pair stays where both of it count:
where, under each of two power-ups with other hands, the capture of the whole bus is unlike that without a fault and
that with either alone (`simkit.measure.symptoms`), or the picture is another than those three. Strobes likewise: a
place, what is late there, and when; those stay that the program notices on the bus, under the first of these power-ups.

It is looked at in the first part of a run. The same seed draws the same faults everywhere; more begin with fewer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import combinations

import attrs
import numpy as np

from simkit.backplane.fault_sentences import read_fault
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.measure.outside import ROM_SLOT
from simkit.measure.played import PLAYED
from simkit.measure.symptoms import CAPTURE, PICTURE, Hands, Truth, symptom, truth
from simkit.suspect.catalogue import Candidate, catalogue
from simkit.suspect.runs import observed_lines
from simkit.suspect.trial import Trial

_SEEDS = (500, 501)
"""Of power-ups and hands: neither those of the search nor those of the symptoms that are judged."""
TOGETHER = 24
"""Single faults of a program from which pairs are made: each is in two of them, about."""
HALF, EIGHTH = 2, 8
"""Of a run, the first: in it pairs and strobes must show; the latter make runs slow."""
NOISE_SEED = 7
LATE_AT_A_SLOT = ("answers late", "writes end late", "write data end early", "PHI2 doubled", "PHI2 missing")
LATE_AT_A_ROM = ("answers late", "PHI2 missing")
LATE_FOR_ALL = ("PHI2 doubled", "PHI2 missing")
ALWAYS = ""
WHEN = (ALWAYS, "1 in 4", "1 in 20", "1 in 100", "1 in 500", "1 in 2000", "1 in 2000, 20 cycles long", "from 0.05 s")
NOT_ALWAYS = ("PHI2 missing", "PHI2 doubled")
"""A card without a clock is a single fault of the catalogue; twice as many pulses for all are another clock."""


@lru_cache(maxsize=8)
def pairs(program: str, seed: int) -> tuple[tuple[str, str], ...]:
    """Two single faults at once, in the order in which it is tried whether both count."""
    by_place: dict[str, dict[str, list[Candidate]]] = {}
    for candidate in catalogue(_trial(program).description):
        by_place.setdefault(candidate.place, {}).setdefault(candidate.kind, []).append(candidate)
    chance = np.random.default_rng([seed, *program.encode(), *b"pairs"])
    tried: set[str] = set()
    singles: list[str] = []
    while len(singles) < TOGETHER:
        fault = _drawn(by_place, chance)
        if fault not in tried and _is_seen(program, _SEEDS[0], (fault,), HALF, (CAPTURE, PICTURE)):
            singles.append(fault)
        tried.add(fault)
    together = list(combinations(singles, 2))
    return tuple(together[at] for at in chance.permutation(len(together)).tolist())


def strobes(program: str, seed: int) -> Iterator[tuple[str]]:
    """Late strobes, in the order in which it is tried whether the program notices them; each once."""
    chance = np.random.default_rng([seed, *program.encode(), *b"strobes"])
    cards = _trial(program).description.cards
    slots = {f"slot {card.slot}: ": LATE_AT_A_ROM if card.slot == ROM_SLOT else LATE_AT_A_SLOT for card in cards}
    places = {"": LATE_FOR_ALL} | slots
    left = {place: [(what, when) for what in whats for when in _whens(what)] for place, whats in places.items()}
    while any(left.values()):
        place = str(chance.choice([place for place, some in left.items() if some]))
        what, when = left[place].pop(int(chance.integers(len(left[place]))))
        yield (str(read_fault(f"{place}{what}" + (f", {when}" if when else ""))),)


def counts(program: str, faults: Sequence[str]) -> bool:
    """Whether each of two faults counts, or a program notices a single one."""
    if len(faults) == 1:
        return _is_seen(program, _SEEDS[0], faults, EIGHTH, (CAPTURE,))
    return all(_is_seen(program, power_up, faults, HALF, (CAPTURE, PICTURE)) for power_up in _SEEDS)


def _whens(what: str) -> list[str]:
    return [when for when in WHEN if what not in NOT_ALWAYS or when[:4] == "1 in"]


def _drawn(by_place: dict[str, dict[str, list[Candidate]]], chance: np.random.Generator) -> str:
    """A single fault: its place first, then its kind, then which of them."""
    kinds = by_place[str(chance.choice(list(by_place)))]
    own = kinds[str(chance.choice(list(kinds)))]
    return own[int(chance.integers(len(own)))].sentence


def _is_seen(program: str, power_up: int, faults: Sequence[str], part: int, kinds: Sequence[str]) -> bool:
    """Whether there is a symptom that is that of all the faults, in the first part of a run."""
    alone = faults if len(faults) > 1 else ()
    try:
        real = _run(program, power_up, tuple(faults), part)
        parts = [_run(program, power_up, (), part), *(_run(program, power_up, (one,), part) for one in alone)]
    except SimkitError:
        return False  # there can be no such machine
    chance = np.random.default_rng(NOISE_SEED)
    return any(symptom(kind, real, parts[0], chance, parts) is not None for kind in kinds)


@lru_cache(maxsize=2 * TOGETHER + 8)
def _run(program: str, power_up: int, faults: tuple[str, ...], part: int) -> Truth:
    whole = _trial(program)
    trial = attrs.evolve(whole, cycles=whole.cycles // part, prepare=Hands(program, power_up))
    return truth(trial, program, power_up, faults, observed_lines(trial.machine(power_up)))


@lru_cache
def _trial(program: str) -> Trial:
    machine = Machine.load(PLAYED[program].machine)
    return Trial.of(machine, PLAYED[program].cycles(machine))
