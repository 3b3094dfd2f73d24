"""The ring buffer of a keyboard controller, in the two forms found in firmware, and what it does when it is full.

Common practice; a short account of both forms stands in every text on embedded queues. Nothing here takes time: the
controller decides when a push or a pop happens.
"""

from __future__ import annotations

import attrs

from simkit.contract import BUFFER, BYTE, COUNT, FLAG, StateError, remembers, row, saved, whole
from simkit_cards.ps2.scan_codes import BREAK, EXTENDED, OVERRUN, PAUSE_PREFIX

POLICIES = ("drop-new", "drop-oldest", "replace-last", "hold-clock")
_PAUSE_REST = 7  # bytes after E1


@attrs.define(eq=False)
class SequenceTracker:
    """Tells where scan code sequences begin and end."""

    length: int = 0  # bytes of the sequence under way, 0 between sequences
    _rest: int = 0

    def feed(self, code: int) -> bool:
        """Take a code; whether it ends its sequence."""
        self.length += 1
        if self._rest:
            self._rest -= 1
        elif code == PAUSE_PREFIX:
            self._rest = _PAUSE_REST
        elif code in (EXTENDED, BREAK):
            return False
        if self._rest:
            return False
        self.length = 0
        return True


@remembers
class RingBuffer:
    """Codes from oldest (head) to newest.

    Args:
        slots: places in the ring.
        counted: keeps a count and fills every place; otherwise one place stays empty and head == tail means empty.
        policy: one of POLICIES; "hold-clock" drops the new code should one come all the same.
        whole_sequences: a code that does not fit takes the rest of its sequence with it.
        checks_empty: a pop of an empty ring does nothing; otherwise head runs past tail and old codes come back.

    Attributes:
        checks_empty: as given.
        pushed, popped, dropped: codes that came in, were taken, and were lost.
        overflowed: a code has been lost since the flag was cleared.
    """

    _codes: bytearray = saved(BUFFER)
    head: int = saved(COUNT)
    tail: int = saved(COUNT)
    _count: int = saved(BYTE)
    pushed: int = saved(COUNT, within="counters")
    popped: int = saved(COUNT, within="counters")
    dropped: int = saved(COUNT, within="counters")
    overflowed: bool = saved(FLAG)
    _tracker: SequenceTracker = saved(
        row(COUNT, whole(0, _PAUSE_REST)).into(lambda state: SequenceTracker(*state), attrs.astuple)
    )
    _skipping: bool = saved(FLAG)
    _replaced: bool = saved(FLAG)

    def __init__(
        self,
        slots: int,
        *,
        counted: bool = False,
        policy: str = "drop-new",
        whole_sequences: bool = False,
        checks_empty: bool = True,
    ) -> None:
        self.slots = slots
        self.counted = counted
        self.policy = policy
        self.capacity = slots if counted else slots - 1
        self._whole = whole_sequences
        self.checks_empty = checks_empty
        self.clear()

    def clear(self) -> None:
        """Empty, as after a reset of the controller."""
        self.head = self.tail = 0
        self.pushed = self.popped = self.dropped = 0
        self.overflowed = False
        self._codes = bytearray(self.slots)
        self._count = 0
        self._tracker = SequenceTracker()
        self._skipping = False
        self._replaced = False

    @property
    def count(self) -> int:
        """Codes waiting."""
        return self._count if self.counted else (self.tail - self.head) % self.slots

    @property
    def full(self) -> bool:
        """Whether the next code has no place."""
        return self.count >= self.capacity

    @property
    def oldest(self) -> int:
        """Code at the head, live or stale."""
        return self._codes[self.head]

    def after_pop(self) -> tuple[int, int]:
        """Count and code at the head as the next pop would leave them."""
        if self.checks_empty and self.count == 0:
            return 0, self.oldest
        head = (self.head + 1) % self.slots
        count = (self._count - 1) & 0xFF if self.counted else (self.tail - head) % self.slots
        return count, self._codes[head]

    def push(self, code: int) -> None:
        """Take a code in, or lose one, as the policy says."""
        self.pushed += 1
        before = self._tracker.length
        ends = self._tracker.feed(code) if self._whole else True
        if self._skipping:
            self.dropped += 1
            self._skipping = not ends
            return
        if not self.full:
            self._store(code)
            self._replaced = False
            return
        self.overflowed = True
        if self.policy == "drop-oldest":
            self._step_head()
            self.dropped += 1
            self._store(code)
        elif self.policy == "replace-last":
            self.dropped += 1
            if not self._replaced:
                self._replaced = True
                self._codes[(self.tail - 1) % self.slots] = OVERRUN
                self.pushed += 1
                self.dropped += 1
        else:
            self.dropped += 1
            if self._whole:
                self._take_back(before)
                self._skipping = not ends

    def _store(self, code: int) -> None:
        self._codes[self.tail] = code
        self.tail = (self.tail + 1) % self.slots
        if self.counted:
            self._count += 1

    def _take_back(self, number: int) -> None:
        """Drop the newest codes again: the beginning of a sequence whose rest has no place."""
        number = min(number, self.count)
        self.tail = (self.tail - number) % self.slots
        if self.counted:
            self._count -= number
        self.dropped += number

    def pop(self) -> bool:
        """Move on to the next code; whether one was live."""
        live = self.count > 0
        if live or not self.checks_empty:
            self._step_head()
        if live:
            self.popped += 1
            if self.count == 0:
                self.overflowed = False
        return live

    def _step_head(self) -> None:
        self.head = (self.head + 1) % self.slots
        if self.counted:
            self._count = (self._count - 1) & 0xFF

    def check_state(self) -> None:
        """Head and tail are places of the ring."""
        for field, place in (("head", self.head), ("tail", self.tail)):
            if place >= self.slots:
                raise StateError(field, f"is {place} in a ring of {self.slots} places")
