"""Forgetting: what a card keeps for speed alone may go at any time, and nobody can tell."""

from __future__ import annotations

from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.script import Step, do, run_out
from simkit.testing.contract.witness import WitnessBench

PROMISE = "lazy"
WHO = "made to forget what it keeps for speed"
WHY = "Something that happens to the card does not clear what it keeps, or `forget` drops more than that."


def check_forgetting(ledger: Ledger, keeps: WitnessBench, forgets: WitnessBench, script: list[Step]) -> bool:
    """Run a script on a card that forgets before every step of it.

    Args:
        ledger: where findings go.
        keeps: bench of a card that went through the script.
        forgets: bench of a fresh one.
        script: the script.

    Returns:
        Whether both behaved alike.
    """
    for step in script:
        forgets.question("forget", forgets.card.forget)
        do(forgets, step)
    run_out(forgets)
    ledger.take_misdeeds(forgets)
    return ledger.same_log(PROMISE, WHO, keeps.log, forgets.log, WHY) and ledger.same_look(
        PROMISE, WHO, keeps.look(), forgets.look(), WHY
    )
