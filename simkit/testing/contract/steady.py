"""The promise that fast engines stand on: `steady_until`.

An engine that waits in a loop leaves out reads of a register up to the cycle promised, below the next event, and makes
the last one. So up to then the register gives the same byte, moves nothing when it is read, and leaves nothing behind
that the last read does not leave as well.
"""

from __future__ import annotations

import random

import attrs

from simkit.backplane.decode import driven_masks
from simkit.contract.card import Card
from simkit.contract.events import NEVER
from simkit.testing.contract.copies import Fresh
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import difference
from simkit.testing.contract.script import run_out
from simkit.testing.contract.seen import Save

PROMISE = "steady"
FARTHEST = 4_000_000
"""Cycles up to which a promise without an end is tried."""
STRETCHES = 4
"""Stretches between two events that are tried from one state on."""
READ_APART = 4
"""Least cycles between two reads of a register by a program: LDA absolute. Arithmetic."""
READ = 0.7
"""Share of the moments looked at in which a register is read and not only peeked at."""


@attrs.define
class _Span:
    """One promise.

    Attributes:
        until: cycle promised.
        end: cycle up to which it is tried.
        value: driven bits that the register gives.
    """

    until: int
    end: int
    value: int


class SteadyCheck:
    """Two cards in the same state: one is read again and again while it promises, the other is left alone.

    Args:
        ledger: where findings go.
        fresh: makes a bench.
        rng: chance.

    Attributes:
        promised: offsets for which a promise was made.
    """

    def __init__(self, ledger: Ledger, fresh: Fresh, rng: random.Random) -> None:
        self.promised: set[int] = set()
        self._ledger = ledger
        self._rng = rng
        self._bench, self._alone = fresh(), fresh()
        card = type(self._bench.card)
        registers = self._bench.registers
        self._speaks = card.steady_until is not Card.steady_until
        self._names = {register.offset: register.name for register in registers if "r" in register.access}
        self._masks = driven_masks(registers)
        self._may_read = 0  # first cycle in which a program could read again

    def run(self, save: Save) -> None:
        """Try the promises a card makes from one state on."""
        if not self._speaks:
            return
        benches = self._bench, self._alone
        for bench in benches:
            bench.resume(save)
        self._may_read = save.cycle + READ_APART
        for _ in range(STRETCHES):
            if not self._stretch() or self._bench.horizon >= NEVER:
                break
        for bench in benches:
            run_out(bench)
            self._ledger.take_misdeeds(bench)
        who = "read while its registers were promised steady"
        if self._ledger.same_log(PROMISE, who, self._alone.log, self._bench.log):
            self._ledger.same_look(PROMISE, who, self._alone.look(), self._bench.look())

    def _stretch(self) -> bool:
        """Try every promise made now, up to the next event; returns whether all was as promised."""
        bench, rng = self._bench, self._rng
        offsets = bench.some_offsets()
        if offsets and rng.random() < 0.3:  # engines ask just after a read
            offset = rng.choice(offsets)
            for one in (bench, self._alone):
                one.run_to(max(one.cycle, self._may_read))
                one.read(offset)
            self._may_read = bench.cycle - 1 + READ_APART
            asked = bench.cycle - 1
        else:
            bench.begin()
            asked = bench.cycle
        spans: dict[int, _Span] = {}
        for offset in offsets:
            self._ask(spans, offset, asked)
        reads: list[int] = []
        for cycle in self._moments(spans):
            bench.run_to(cycle)
            bench.begin()
            live = [offset for offset, span in spans.items() if cycle < span.end]
            if not all(self._stays(offset, spans[offset], bench.raw_peek(offset), cycle) for offset in live):
                return False
            if live and cycle >= self._may_read and rng.random() < READ:
                self._may_read = cycle + READ_APART
                reads.append(rng.choice(live))
                if not self._has_no_effect(spans, reads[-1], cycle):
                    return False
        return self._stays_when_alone(spans) and self._meets(reads)

    def _ask(self, spans: dict[int, _Span], offset: int, cycle: int) -> None:
        """Take down what the card promises for a register, if it does."""
        bench = self._bench
        spans.pop(offset, None)
        until = bench.steady_until(offset, cycle)
        end = min(until, bench.horizon, cycle + FARTHEST)
        if end > bench.cycle:
            self.promised.add(offset)
            spans[offset] = _Span(until, end, bench.raw_peek(offset) & self._mask(offset))

    def _mask(self, offset: int) -> int:
        return self._masks.get(offset, 0) if self._masks else 0xFF  # memory drives all it has

    def _moments(self, spans: dict[int, _Span]) -> list[int]:
        """Cycles at which to look: at once, soon, anywhere, and just before each promise ends."""
        rng, start = self._rng, self._bench.cycle
        found: set[int] = set()
        for end in {span.end for span in spans.values()}:
            length = end - start
            found |= {start, start + 1, end - 1, start + rng.randrange(length)}
            found |= {start + rng.randrange(min(length, reach)) for reach in (10, 300, 10_000, 300_000)}
        return sorted(found)

    def _stays(self, offset: int, span: _Span, byte: int, cycle: int) -> bool:
        found = byte & self._mask(offset)
        if self._ledger.holds(PROMISE, found == span.value):
            return True
        until = "for ever" if span.until >= NEVER else f"until cycle {span.until}"
        self._ledger.breaks(
            PROMISE,
            f"{self._name(offset)} was promised to stay ${span.value:02X} {until}, but gives ${found:02X} in cycle "
            f"{cycle}.",
        )
        return False

    def _has_no_effect(self, spans: dict[int, _Span], offset: int, cycle: int) -> bool:
        """A read moves no pin, arms no event, reports nothing, and every register gives what it gave before."""
        bench = self._bench
        peeks = {other: bench.raw_peek(other) for other in bench.some_offsets()}
        events, logged = bench.armed_now, len(bench.log)
        if not self._stays(offset, spans[offset], bench.read(offset), cycle):
            return False
        after = {other: bench.raw_peek(other, cycle) for other in bench.some_offsets()}
        effects = (
            (len(bench.log) == logged, "moved a pin or reported something"),
            (bench.armed_now == events, "armed or cancelled an event"),
            (after == peeks, f"changed a register ({difference(peeks, after, 'peek')})" if after != peeks else ""),
        )
        for none, effect in effects:
            if not self._ledger.holds(PROMISE, none):
                self._ledger.breaks(
                    PROMISE,
                    f"{self._name(offset)} was promised steady in cycle {cycle}, but a read of it then {effect}.",
                )
                return False
        self._ask(spans, offset, cycle)
        return True

    def _stays_when_alone(self, spans: dict[int, _Span]) -> bool:
        """The card left alone is asked only once, just before a promise ends."""
        alone = self._alone
        ends = [span.end for span in spans.values() if span.end > alone.cycle]
        if not ends:
            return True
        alone.run_to(self._rng.choice(ends) - 1)
        alone.begin()
        return all(
            self._stays(offset, span, alone.raw_peek(offset), alone.cycle)
            for offset, span in spans.items()
            if alone.cycle < span.end
        )

    def _meets(self, reads: list[int]) -> bool:
        """Both cards read once more what was read, and must be one again; without reads the next event comes."""
        benches = self._bench, self._alone
        meeting = max(self._may_read, *(bench.cycle for bench in benches))
        if not reads and self._bench.horizon < NEVER:
            meeting = max(meeting, self._bench.horizon)
        for bench in benches:
            bench.run_to(meeting)
            for offset in dict.fromkeys(reads):
                bench.read(offset)
                bench.run(READ_APART)
            bench.begin()
        self._may_read = self._bench.cycle
        state, alone = self._bench.state(), self._alone.state()
        if self._ledger.holds(PROMISE, state == alone):
            return True
        names = ", ".join(self._name(offset) for offset in dict.fromkeys(reads))
        self._ledger.breaks(
            PROMISE,
            f"Reads of {names} that were promised to have no effect left another state than one read at the end: "
            f"{difference(alone, state)}.",
        )
        return False

    def _name(self, offset: int) -> str:
        return f"Register {self._names[offset]!r}" if offset in self._names else f"Offset {offset}"
