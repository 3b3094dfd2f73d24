"""Named parts that are asked for more than their sheets promise: told at power-on, before the first cycle.

Only what is certain is told: what is not named takes no time, where makers or grades are left open the quickest counts,
and sums that fail on paper alone do not. The budget shows the rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.guard import call_unplugged
from simkit.backplane.seat import Seat
from simkit.contract.errors import CardMisuse, shown
from simkit.contract.findings import Findings
from simkit.contract.limits import Limit
from simkit.machinefile.description import CardDescription, Description
from simkit.machinefile.figures import WORST
from simkit.machinefile.timing import Named
from simkit.timing.paths import Path, Term, is_late, period_ns
from simkit.timing.sums import CardSums, Conditions, Wired, conditions_of, cpu_paths, each, with_part

RULE = "part-too-slow"
MOST_LIMITS = 256
"""Of a card."""


@attrs.frozen
class Verdict:
    """The path that is broken whatever the names leave open.

    Attributes:
        path: the one with the least slack.
        cpu: with which CPU.
        part: with which part of the card.
    """

    path: Path
    cpu: Named
    part: Named


def check_parts(description: Description, bus: Bus, findings: Findings) -> None:
    """Report named parts that are too slow for the clock."""
    timing = description.cpu_timing
    named_cards = [card for card in description.cards if card.part or card.timing.named() or card.decode]
    if not (timing.part or timing.address_buffer or timing.data_buffer or named_cards):
        return
    period = period_ns(description.clock_hz)
    conditions = Conditions(high=timing.phi2_high)
    cases = ([Verdict(path, cpu, cpu) for path in cpu_paths(cpu, conditions)] for cpu in each(timing.part))
    verdict = _least_bad(cases, period)
    if verdict is not None and is_late(verdict.path.best_slack(period)):
        findings.add(RULE, 0, f"CPU: {_told(verdict.path, period)}")
    seats = {seat.slot: seat for seat in bus.seats}
    for card in description.cards:
        seat = seats.get(card.slot)
        if seat is None:
            continue
        verdict = _of_card(description, card, waits_of(seat))
        if verdict is not None and is_late(verdict.path.best_slack(period)):
            findings.add(RULE, 0, f"{seat.name}: {_told(verdict.path, period)}", slot=card.slot)


def _of_card(description: Description, card: CardDescription, waits: tuple[int, int]) -> Verdict | None:
    """The worst path of the best case that the names leave open; None: nothing is named in any."""
    conditions = conditions_of(description, WORST, waits)
    wired = Wired.of(card, description.part_table(), description.wiring)
    clocks = clock_paths(card, description.clock_hz, WORST)
    cases = []
    for cpu in each(description.cpu_timing.part):
        around = with_part(description.cpu_timing, cpu)
        for part in each(card.part):
            paths = [*CardSums(around, wired, card.timing, part, conditions).paths(), *clocks]
            cases.append([Verdict(path, cpu, part) for path in paths if any(not term.of_cpu for term in path.terms)])
    return _least_bad(cases, period_ns(description.clock_hz))


def _least_bad(cases: Iterable[Iterable[Verdict]], period: float) -> Verdict | None:
    """Of each case the path that is worst, of those the one that is best: nothing that is named does better."""
    worst: list[Verdict] = []
    for case in cases:
        real = [one for one in case if not one.path.on_paper]
        if not real:
            return None
        worst.append(min(real, key=lambda one: one.path.best_slack(period)))
    return max(worst, key=lambda one: one.path.best_slack(period)) if worst else None


def _told(path: Path, period: float) -> str:
    """A broken path in a sentence."""
    terms = ", ".join(f"{term.part} {term.what} {abs(term.least):g}" for term in path.terms)
    has, takes, late = path.periods * period, path.takes_at_least, -path.best_slack(period)
    if path.periods < 0:
        text = f"{path.what}: the clock has {-has:.4g} ns ({terms}), {late:.4g} too many."
    else:
        text = f"{path.what}: it takes {takes:.4g} ns ({terms}), the clock leaves {has:.4g}: {late:.3g} too few."
    if path.periods > 0:
        text += f" The parts named follow {path.periods / takes * 1000:.4g} MHz at most."
    memory = list(dict.fromkeys(term.part for term in path.terms if term.from_memory))
    return f"{text} From memory, not looked up: {', '.join(memory)}." if memory else text


# what lies behind the part on the bus ---------------------------------------------------------------------------------


def waits_of(seat: Seat) -> tuple[int, int]:
    """Cycles by which the card delays every read, and every write: the least of all that it wants."""
    if not seat.waits or seat.board is None:
        return 0, 0
    offsets = range(1 << min(seat.board.address_pins, 8))
    reads, writes = (min(seat.wait_cycles(offset, is_write, 0) for offset in offsets) for is_write in (False, True))
    return reads, writes


def limits_of(card: CardDescription, clock_hz: Fraction) -> tuple[Limit, ...]:
    """What a card says of the parts behind its bus.

    Raises:
        CardError: its class fails, or gives something else.
    """
    found: tuple[Limit, ...] = call_unplugged(
        f"slot {card.slot} ({card.kind})",
        "limits",
        lambda: _checked(card.card.limits(card.settings, clock_hz)),
        slot=card.slot,
        called=lambda: card.card.limits.__func__,  # type: ignore[attr-defined]
    )
    return found


def _checked(value: object) -> tuple[Limit, ...]:
    found = value if isinstance(value, Sequence) and not isinstance(value, str | bytes) else None
    if found is None or len(found) > MOST_LIMITS or not all(isinstance(one, Limit) for one in found):
        raise CardMisuse(f"gave {shown(value)}, which are no limits", "Give a tuple of Limit(...), () for none.")
    return tuple(found)


def clock_paths(card: CardDescription, clock_hz: Fraction, column: str) -> list[Path]:
    """Clocks of parts that the machine names and the card drives: a counter, a collector."""
    if not (card.timing.counter or card.timing.collector):
        return []
    found = []
    for limit in limits_of(card, clock_hz):
        named: Named = getattr(card.timing, limit.named) if limit.named in ("counter", "collector") else Named()
        values = [value for part in named.parts if (value := part.figure("clock_mhz", column)) is not None]
        if not values:
            continue
        times = [1000 / value.number for value in values]
        whole = Term(
            part=named.text,
            what="period of its clock",
            least=min(times) - limit.offset_ns,
            most=max(times) - limit.offset_ns,
            columns=tuple(dict.fromkeys(value.column for value in values)),
            sources=tuple(dict.fromkeys(value.source for value in values)),
        )
        found.append(Path(key=f"{limit.named}-clock", what=limit.what, periods=limit.cycles, terms=(whole,)))
    return found
