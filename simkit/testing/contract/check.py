"""The contract test: a card is treated in many ways, and must be the same card in all of them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any

import attrs

from simkit.contract.card import Card
from simkit.contract.errors import CardError, SimkitError
from simkit.contract.lines import SYSTEM_LINES
from simkit.machinefile.settings import make_settings
from simkit.testing.contract.asking import Asker
from simkit.testing.contract.copies import Fresh, check_copies
from simkit.testing.contract.damage import check_damage
from simkit.testing.contract.declaration import check_class, check_tables
from simkit.testing.contract.effects import EffectCheck
from simkit.testing.contract.exercise import note_exercise
from simkit.testing.contract.following import check_following
from simkit.testing.contract.forgetting import check_forgetting
from simkit.testing.contract.late_writes import LateBench, check_late_writes
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.memory import check_plain_memory
from simkit.testing.contract.script import LAST_EVENTS, Recorder, Start, replay, run_out
from simkit.testing.contract.steady import SteadyCheck
from simkit.testing.contract.witness import WitnessBench

SAVES = 16
"""States taken of a script, from which promises are tried."""

FOLLOWED: Mapping[str, Any] = {"lines": {name: name for name in SYSTEM_LINES}}
JOINED: Mapping[str, Any] = {}
UNFOLLOWED: Mapping[str, Any] = {"watched": False}
OPEN: Mapping[str, Any] = {"watched": False, "joined": False}
"""How a card is plugged in: every line followed, and a pin with the name of a system line joined to that; every line
followed; no line followed; no pin joined."""


@attrs.frozen
class ContractReport:
    """What a contract test has found.

    Attributes:
        problems: one sentence for each promise that is broken; empty when the card keeps the contract.
        not_exercised: what could not be put to the test, with the reason.
        exercised: what was put to the test, in the words in which `not_exercised` would tell it.
        promises: comparisons made, by promise: peek, lazy, state, steady, late, effect, driven, plain, follow, damage.
    """

    problems: tuple[str, ...] = ()
    not_exercised: tuple[str, ...] = ()
    exercised: frozenset[str] = frozenset()
    promises: Mapping[str, int] = attrs.field(factory=dict)


def check_contract(
    card: type[Card],
    settings: Mapping[str, Any] | None = None,
    *,
    seed: int = 1,
    steps: int = 80,
    start: Start = (),
    damaged: bool = True,
) -> ContractReport:
    """Try a card on a random script of accesses, pins and port events, and tell what breaks the contract.

    Args:
        card: its class.
        settings: values that differ from the defaults.
        seed: seed of script and card.
        steps: length of the script, besides what must happen once.
        start: bytes to write first, as (offset, byte): what a driver begins with, where chance would hardly come upon
            it.
        damaged: whether damaged states are tried as well.

    Returns:
        Problems, what was not exercised, and how many comparisons were made.
    """
    problems = check_class(card)
    if not problems:
        try:
            problems = check_tables(card, make_settings(card.Settings, settings or {}))
        except CardError as error:
            problems = [error.message]
    ledger = Ledger()
    for problem in problems:
        ledger.breaks(problem, problem)
    if not problems:
        try:
            _try(ledger, partial(_plug, card, settings, seed), random.Random(seed), steps, start, damaged=damaged)
        except SimkitError as error:
            ledger.breaks("raised", error.message)
    return ContractReport(
        problems=tuple(dict.fromkeys(ledger.broken.values())),
        not_exercised=tuple(sorted(ledger.missed)),
        exercised=frozenset(ledger.exercised),
        promises=dict(ledger.kept),
    )


def together(reports: Iterable[ContractReport]) -> ContractReport:
    """Several reports on one card as one: what any of them exercised is not told as missed."""
    found = list(reports)
    exercised = frozenset(entry for report in found for entry in report.exercised)
    missed = {entry for report in found for entry in report.not_exercised} - exercised
    promises = {name for report in found for name in report.promises}
    return ContractReport(
        problems=tuple(dict.fromkeys(problem for report in found for problem in report.problems)),
        not_exercised=tuple(sorted(missed)),
        exercised=exercised,
        promises={name: sum(report.promises.get(name, 0) for report in found) for name in sorted(promises)},
    )


def _plug(
    card: type[Card],
    settings: Mapping[str, Any] | None,
    seed: int,
    way: Mapping[str, Any],
    bench: type[WitnessBench] = WitnessBench,
) -> Any:
    """A fresh card on a bench of some class.

    Raises:
        CardError: the card could not be made.
    """
    return bench(card, settings, seed=seed, **way)


def _try(
    ledger: Ledger, plug: Callable[..., Any], rng: random.Random, steps: int, start: Start, *, damaged: bool
) -> None:
    """All ways to plug the card in."""
    followed, unfollowed = partial(plug, FOLLOWED), partial(plug, UNFOLLOWED)
    script = _try_way(ledger, followed, rng, steps, start)
    check_late_writes(ledger, followed(), followed(LateBench), script.script, rng)
    ledger.note("load (no damaged state was tried)", done=damaged)
    if damaged:
        check_damage(ledger, followed(), max(script.saves, key=lambda save: len(str(save.state))), rng)
    if followed().connector.pins:
        check_following(ledger, unfollowed, partial(plug, JOINED), script.script, rng)
        for fresh in (unfollowed, partial(plug, OPEN)):
            _try_way(ledger, fresh, rng, steps // 2, start)


def _try_way(ledger: Ledger, fresh: Fresh, rng: random.Random, steps: int, start: Start) -> Recorder:
    """Most promises of a card that is plugged in in one way; gives the script."""
    recorded, lazy, again, asked = fresh(), fresh(), fresh(), fresh()
    script = Recorder(recorded, rng, steps, start, SAVES)
    run_out(recorded)
    replay(lazy, script.script)
    replay(again, script.script)
    sound = _is_repeatable(ledger, lazy, again)
    if sound:
        sound = check_forgetting(ledger, lazy, fresh(), script.script)
        Asker(asked, ledger, rng).run(script.script)
        sound = _is_lazy(ledger, recorded, lazy, asked) and sound
    sound = sound and check_copies(ledger, fresh, lazy, again, script, rng)
    steady, effects = SteadyCheck(ledger, fresh, rng), EffectCheck(ledger, fresh, rng)
    if sound:
        check_plain_memory(ledger, fresh(), fresh(), rng)
        for save in script.saves:
            steady.run(save)
            effects.run(save)
    ledger.note("save, load and steady_until (not tried to the end: see the problems)", done=sound)
    benches = [recorded, lazy, again, asked]
    if recorded.armed - recorded.fired:
        patient = fresh()
        replay(patient, script.script)
        run_out(patient, events=LAST_EVENTS)
        benches.append(patient)
    for bench in benches:
        ledger.take_misdeeds(bench)
        note_exercise(ledger, bench, promised=bool(steady.promised))
    return script


def _is_repeatable(ledger: Ledger, first: WitnessBench, second: WitnessBench) -> bool:
    """The same script on the same card gives the same."""
    who = "with the same seed and the same script"
    why = "It takes what it is not given: the host's clock, chance of its own, or what is kept outside the card."
    return ledger.same_log("lazy", who, first.log, second.log, why) and ledger.same_look(
        "lazy", who, first.look(), second.look(), why
    )


def _is_lazy(ledger: Ledger, recorded: WitnessBench, lazy: WitnessBench, asked: WitnessBench) -> bool:
    """Asked, saved or left alone, it is the same card."""
    look = lazy.look()
    same = True
    for bench, who in ((recorded, "saved on the way"), (asked, "asked in between")):
        ledger.take_misdeeds(bench)
        same = same and ledger.same_log("lazy", who, lazy.log, bench.log)
        same = same and ledger.same_look("lazy", who, look, bench.look())
    return same
