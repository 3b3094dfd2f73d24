"""Plain memory: what engines do to the buffer is what the card would have done."""

from __future__ import annotations

import random

from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import difference
from simkit.testing.contract.witness import WitnessBench

PROMISE = "plain"
STORES = 20


def check_plain_memory(ledger: Ledger, stored: WitnessBench, written: WitnessBench, rng: random.Random) -> None:
    """Store into the buffer of one card what is written to another.

    Args:
        ledger: where findings go.
        stored: bench of the one.
        written: bench of the other.
        rng: chance.
    """
    buffer = stored.writable_memory
    if buffer is None:
        return
    for _ in range(STORES):
        offset, value = rng.randrange(min(len(buffer), stored.offsets)), rng.randrange(256)
        buffer[offset] = value
        written.ask(written.card.write, offset, value, written.cycle)
    found, expected = stored.state(), written.state()
    if not ledger.holds(PROMISE, found == expected):
        ledger.breaks(
            "plain write",
            f"Bytes stored into the plain memory do something else than `write`: {difference(expected, found)}.",
        )
