"""What an access reaches as the banks are now, and which pages an engine may index without asking anybody.

Everything static is compiled in decode.py: a page that is one card's plain memory and nothing else is a memoryview.
There is one table for each combination of the lines that cards drive into selects (banks); a change of such a line
swaps the table, and who must see every access has all pages taken from the engine.
"""

from __future__ import annotations

from collections.abc import Sequence

from simkit.backplane.access import Access
from simkit.backplane.banks import Banks, decode_lines
from simkit.backplane.cpu_side import Engine
from simkit.backplane.decode import Table
from simkit.backplane.recording import Recording
from simkit.backplane.records import DECODING
from simkit.backplane.seat import Seat
from simkit.backplane.wiring import Wiring
from simkit.contract.lines import Line
from simkit.contract.nets import Nets

Ways = tuple[list[memoryview | None], list[memoryview | None]]
"""Views of 256 pages for reads, and for writes."""

RECORDING = "records"
"""Why pages are taken from the reference engine while bus cycles are recorded; the core records them itself."""
BESIDE = "bystanders"
"""Why they are while somebody stands by, who looks at the core's records."""


class Reach:
    """The decoding in force.

    Args:
        wiring: what is done to lines for all.
        released: bits that a data line keeps when nobody drives it, and those that are pulled high.
        access: the access under way: the decoding changes behind it.
        recording: where changes of the decoding are marked.

    Attributes:
        banks: all decode tables.
        table: decoding with the banks as they are; keeps its identity while `banks.remade` stays.
        stale: a line that stands in selects has moved in the access under way.
        generation: number that rises whenever the decoding or plain memory changed other than by a store.
        shown: views of the pages of plain memory that reads and writes reach without asking a card.
        seen_pages: pages of which no engine reads or writes memory itself.
        hidden: slots of cards whose memory gives something else for a while: each access must come to them.
    """

    def __init__(self, wiring: Wiring, released: tuple[int, int], access: Access, recording: Recording) -> None:
        self._wiring = wiring
        self._released = released
        self._access = access
        self._recording = recording
        self._engine: Engine | None = None
        self.banks = Banks([], (), wiring)
        self.table, self._decoding = self.banks.present  # and its number
        self.stale = False
        self.generation = 0
        self.seen_pages = frozenset[int]()
        self.hidden = frozenset[int]()
        self.shown: Ways = self.table.rd, self.table.wr
        self._views: dict[tuple[Table, frozenset[int]], Ways] = {}
        self._slow_reasons: set[object] = set()
        self._slow_pages: list[memoryview | None] = [None] * 256

    def attach(self, engine: Engine, seats: Sequence[Seat], nets: Nets) -> None:
        """All cards are seated and the lines joined: follow the lines by which addresses are decoded."""
        self._engine = engine
        self.banks = Banks(seats, decode_lines(seats, nets, self._wiring), self._wiring, self._released)
        self._observe(self.banks.lines, nets, 0)

    def rewire(
        self,
        way: object,
        lines: tuple[Line, ...],
        wiring: Wiring,
        released: tuple[int, int],
        nets: Nets,
        cycle: int,
    ) -> None:
        """Decode as the machine is wired from now on; see `Banks.wire`."""
        self._wiring, self._released = wiring, released
        self.banks.wire(way, lines, wiring, released)
        self._observe(self.banks.lines, nets, cycle)
        self.renew()
        self.choose_table()

    def _observe(self, lines: Sequence[Line], nets: Nets, cycle: int) -> None:
        for line in lines:
            if self._decode_line_changed not in line.observers:
                nets.observe(line.name, self._decode_line_changed, cycle)

    def redecode(self) -> None:
        """Work all decode tables out again, after wiring or memory buffers changed."""
        self.banks.forget()
        self._views.clear()
        self.renew()
        self.choose_table()

    def renew(self) -> None:
        """Decoding or plain memory is no longer what an engine may remember."""
        assert self._engine is not None
        self.generation += 1
        self._engine.attention = True

    def choose_table(self) -> None:
        """Decode by the lines as they are."""
        self.stale = False
        table, number = self.banks.present
        if table is not self.table:
            self.table = table
            self.renew()
        ring = self._recording.ring
        if ring is not None and self._recording.decodings and number != self._decoding:
            assert self._engine is not None
            since = max(self.banks.since, self._engine.cycle)  # of a state that was loaded it counts from this cycle on
            ring.add(since, number, 0, DECODING)
        self._decoding = number
        self._set_pages()

    def _decode_line_changed(self, line: Line, cycle: int) -> None:
        if self._access.address is None:
            self.choose_table()
        else:  # the table counts from the next access, and other lines may still move in this one
            self.stale = True

    # what engines index ---------------------------------------------------------------------------------------------

    def require_slow(self, reason: object, wanted: bool) -> None:
        """Have every access come to the bus while any reason stands (watches, cycle steps, RDY low)."""
        if wanted:
            self._slow_reasons.add(reason)
        else:
            self._slow_reasons.discard(reason)
        self._set_pages()

    @property
    def slow(self) -> bool:
        """Whether somebody must see every access as it is made, so that all come to the bus."""
        return bool(self._slow_reasons - {RECORDING, BESIDE})

    def leave_out(self, pages: frozenset[int]) -> None:
        """Have every access of these pages come to the bus, and of no others for the same reason."""
        self.seen_pages = pages
        self._set_pages()
        self.renew()

    def hide_memory(self, slot: int, hidden: bool) -> None:
        """Have each access of a card's memory come to the card, or no longer."""
        now = self.hidden | {slot} if hidden else self.hidden - {slot}
        if now == self.hidden:
            return
        self.hidden = now
        if self._engine is not None:
            self._set_pages()
            self.renew()

    def _shown_of(self, table: Table) -> Ways:
        if not self.hidden:
            return table.rd, table.wr
        key = table, self.hidden
        found = self._views.get(key)
        if found is None:
            rd, wr = (
                [None if page is None or page.slot in self.hidden else page.view for page in pages]
                for pages in (table.read_pages, table.write_pages)
            )
            found = self._views[key] = rd, wr
        return found

    def _set_pages(self) -> None:
        self.shown = self._shown_of(self.table)
        engine = self._engine
        if engine is None:
            return
        if self._slow_reasons:
            engine.rd = engine.wr = self._slow_pages
        elif self.seen_pages:
            engine.rd, engine.wr = (
                [None if number in self.seen_pages else page for number, page in enumerate(pages)]
                for pages in self.shown
            )
        else:
            engine.rd, engine.wr = self.shown
