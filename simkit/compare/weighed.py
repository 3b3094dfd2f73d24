"""Which byte did the CPU take, the captured one or the card's? What it does in the next cycles tells."""

from __future__ import annotations

from collections.abc import Mapping

from simkit.compare.followed import Difference, Read
from simkit.compare.heard import Heard
from simkit.compare.led_cpu import State
from simkit.compare.track import Track
from simkit.compare.worlds import AHEAD

PENDING = 6
"""Bytes that the CPU may have taken otherwise than captured which are tried again when it goes another way. Ours."""
DECISIVE = 3
"""The CPU took the captured byte for certain where the other way costs so many lines and rows more. Ours."""
WEIGHED, WEIGHED_OF = 400, 50
"""Bytes that differ whose consequences are looked at; after that their number speaks. Ours."""

LONGEST = 3
"""Bytes of an instruction: at their addresses the CPU cannot be wrong, while it is in step."""


class Weighing:
    """Weighs bytes that differ."""

    def __init__(self, track: Track, heard: Heard) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells
        self._heard = heard
        self._weighed = 0

    def weigh(
        self, difference: Difference, state: State, together: list[Difference], given: Mapping[int, int] | None = None
    ) -> None:
        """Which byte did the CPU take? What it does in the next cycles tells, or what it does later."""
        cpu = self._cpu
        if self._weighed >= WEIGHED + difference.row // WEIGHED_OF or difference.slot is not None:
            return
        self._weighed += 1
        now, unknown, odd = cpu.save(), self._track.unknown, cpu.odd
        earlier = self._track.earlier
        limit = min(difference.row + AHEAD, len(self._rows))
        given = given or {}
        instead = {**given, difference.row: difference.expected}
        as_captured = self._ways.price(state, earlier, limit, given)
        otherwise = self._ways.price(state, earlier, limit, instead)
        if len(together) > 1 and otherwise != (0, 0, 0):
            all_of_them = {**given, **{each.row: each.expected for each in together if each.slot is None}}
            if (cost := self._ways.price(state, earlier, limit, all_of_them)) < otherwise:
                otherwise, instead = cost, all_of_them
        if otherwise > as_captured:
            difference.read = Read.CAPTURED
            fetched = (difference.address - difference.pc & 0xFFFF) < LONGEST
            apart = min(worse - better for worse, better in zip(otherwise[1:], as_captured[1:], strict=True))
            fetched &= self._track.is_seen(difference)
            difference.proven = fetched and not difference.control and as_captured[2] <= 1 and apart >= DECISIVE
        if as_captured > otherwise:
            for each in together:
                if each.row in instead:
                    each.read = Read.EXPECTED
            self._track.replay(state, earlier, now[0], instead)
            more = self._heard.check(now[0], cpu.at, state[1])
            for each in more:
                self.weigh(each, state, more, instead)
            return
        if as_captured == otherwise:
            self._track.pending.append((difference, state, earlier))
            del self._track.pending[:-PENDING]
        cpu.load(now)
        cpu.odd, self._track.unknown = odd, unknown
