"""Save gives back: a card loaded from a state goes on as the one that the state was taken of."""

from __future__ import annotations

import random
from collections.abc import Callable

from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import difference
from simkit.testing.contract.script import Recorder, do, replay, run_out
from simkit.testing.contract.seen import Save
from simkit.testing.contract.witness import WitnessBench

PROMISE = "state"

Fresh = Callable[[], WitnessBench]
"""Makes a bench with a fresh card on it."""

COPIES = 6
"""States of a script that are loaded."""


def check_copies(
    ledger: Ledger, fresh: Fresh, lazy: WitnessBench, used: WitnessBench, script: Recorder, rng: random.Random
) -> bool:
    """Load states, go on with the script, and also with nothing; compare with the cards that the states are of.

    Args:
        ledger: where findings go.
        fresh: makes a bench.
        lazy: ran the whole script.
        used: has run, and is loaded now and then: what it was before must not show.
        script: what it did.
        rng: chance.

    Returns:
        Whether all copies were alike.
    """
    ending = lazy.look()
    for number, save in enumerate(rng.sample(script.saves, COPIES)):
        bench = fresh() if number % 2 else used
        alike = _gives_back(ledger, bench, save)
        if alike:
            replay(bench, script.script[save.step :])
            alike = ledger.same_log(PROMISE, _who(save), lazy.log[save.logged :], bench.log)
            alike = alike and ledger.same_look(PROMISE, _who(save), ending, bench.look())
        alike = alike and _is_alike_when_left_alone(ledger, fresh, script, save)
        ledger.take_misdeeds(bench)
        if not alike:
            return False
    return True


def _gives_back(ledger: Ledger, bench: WitnessBench, save: Save) -> bool:
    bench.resume(save)
    state = bench.state()
    if ledger.holds(PROMISE, state == save.state["card"]):
        return True
    ledger.breaks(PROMISE, f"Loading a state does not give it back: {difference(save.state['card'], state)}.")
    return False


def _is_alike_when_left_alone(ledger: Ledger, fresh: Fresh, script: Recorder, save: Save) -> bool:
    """Nothing more is done, and every time-out comes: what was forgotten shows in the events."""
    origin, copy = fresh(), fresh()
    for step in script.script[: save.step]:
        do(origin, step)
    origin.run_to(save.cycle)
    origin.log.clear()
    copy.resume(save)
    for bench in (origin, copy):
        run_out(bench)
    who = f"{_who(save)} and left alone"
    return ledger.same_log(PROMISE, who, origin.log, copy.log) and ledger.same_look(
        PROMISE, who, origin.look(), copy.look()
    )


def _who(save: Save) -> str:
    return f"loaded from its state of cycle {save.cycle}"
