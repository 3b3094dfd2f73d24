"""Who follows a line changes nothing: outputs computed on demand then move by themselves, edge by edge, alike."""

from __future__ import annotations

import random

from simkit.testing.contract.copies import Fresh
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import difference
from simkit.testing.contract.script import Step, do
from simkit.testing.contract.seen import Seen
from simkit.testing.contract.witness import WitnessBench

PROMISE = "follow"
VISIBLE = ("read", "waits", "finding", "sent", "levels")
EDGES = ("pin", "finding")
GOES_ON_CYCLES = 5_000
"""For so long all go on after the script."""


def check_following(ledger: Ledger, unfollowed: Fresh, followed: Fresh, script: list[Step], rng: random.Random) -> None:
    """Run a script on a card that is followed from the beginning, from somewhere in it, and never.

    Args:
        ledger: where findings go.
        unfollowed: makes a bench whose lines nobody follows.
        followed: makes a bench whose lines are followed.
        script: what is done.
        rng: chance.
    """
    late, early, never = unfollowed(), followed(), unfollowed()
    begins = rng.choice([number for number, step in enumerate(script) if step.action != "write"])
    since = (0, 0)
    for number, step in enumerate(script):
        for bench in (late, early, never):
            do(bench, step)
        if number == begins:
            late.follow()
            early.begin()
            since = len(late.log), len(early.log)
    end = late.cycle + GOES_ON_CYCLES
    for bench in (late, early, never):
        bench.run_to(end)
        bench.saw("levels", tuple(bench.pin_levels().items()))
    followed_late = f"whose lines are followed from cycle {script[begins].cycle} on"
    for bench, who in ((late, followed_late), (never, "whose lines nobody follows")):
        ledger.same_log(PROMISE, who, _seen(early, VISIBLE), _seen(bench, VISIBLE))
        first, second = early.state(), bench.state()
        if not ledger.holds(PROMISE, first == second):
            ledger.breaks(PROMISE, f"A card {who} ends otherwise: {difference(first, second)}.")
        ledger.take_misdeeds(bench)
    ledger.same_log(PROMISE, followed_late, _seen(early, EDGES, since[1]), _seen(late, EDGES, since[0]))


def _seen(bench: WitnessBench, kinds: tuple[str, ...], since: int = 0) -> list[Seen]:
    return [seen for seen in bench.log[since:] if seen[0] in kinds]
