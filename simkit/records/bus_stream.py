"""Bus cycles piece by piece, as they come, with what happens beside them: for whoever cannot hold a whole run.

stream = BusStream(machine, take=lambda part: print(part.cycle, part.address), lines=("IRQ",))
machine.run(cycles=100_000)
stream.drain()      # take(part) is called here, while the machine stands between two instructions
stream.stop()

What is held between two drains are eight bytes a bus cycle; who runs long drains every MOST_CYCLES or so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import BusCycle
from simkit.backplane.records import DECODING, LINE
from simkit.backplane.watchers import OutsideEvent, WatchHandle
from simkit.contract.findings import Finding
from simkit.machine.history import Bystander
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, Words, kinds, whole_cycles

MOST_CYCLES = 200_000
"""Bus cycles after which a stream is best drained: 2 MB of records and columns."""


@attrs.frozen
class Beside:
    """Something that happened beside the accesses.

    Attributes:
        cycle: in which it counts.
        what: "line", "event" (of a card), "outside" or "finding".
        slot: the card's, or None.
        words: of it: the line's name with its level, the event's name, the port and what came, the rule.
    """

    cycle: int
    what: str
    slot: int | None
    words: tuple[object, ...]


@attrs.frozen(eq=False)
class Part:
    """Bus cycles that follow one another without a gap.

    Attributes:
        cycles: the records, without marks.
        cycle: number of each.
        decoding: number of the decoding that each is decoded by; `Banks.table` gives it.
        backplane: byte on the data lines of the backplane of each; None: the CPU's, which no wiring changes.
        beside: what happened beside them, in the order of the cycles.
    """

    cycles: Cycles
    cycle: NDArray[np.uint64]
    decoding: NDArray[np.uint16]
    backplane: NDArray[np.uint8] | None
    beside: tuple[Beside, ...]

    def __len__(self) -> int:
        return len(self.cycle)


class BusStream(Bystander):
    """Hands on bus cycles in order.

    Args:
        machine: may have run already.
        take: gets a part at a time, between two instructions.
        lines: names of lines whose changes stand beside the cycles.
        is_of: called before parts that do not follow those before: of another machine, or after a power cycle or a
            state that was loaded.

    Attributes:
        machine: that is recorded; another one where a recording has it loaded anew.
    """

    def __init__(
        self,
        machine: Machine,
        take: Callable[[Part], None],
        lines: Iterable[str] = (),
        *,
        is_of: Callable[[Machine], None] = lambda machine: None,
    ) -> None:
        self._take = take
        self._is_of = is_of
        self._lines = tuple(lines)
        self._beside: list[Beside] = []
        self._chunks: list[bytes] = []
        self._bytes = bytearray()
        self._begin(machine)

    def _begin(self, machine: Machine) -> None:
        self.machine = machine
        self._near = machine.cycle
        bus = machine.bus
        lines = [name for name in self._lines if name in machine.lines]
        self._names = {bus.recording.line_number(name): name for name in lines}
        self._decoding = bus.reach.banks.number
        self._record = bus.record(self._keep, lines=lines, decoding=True)
        probe = self._see if bus.data_lines.cpu is not None else None
        self._watch: WatchHandle = bus.watchers.add(outside=self._come, event=self._event, probe=probe)
        machine.findings.tell(self._found)
        bus.watchers.let_no_write_wait(True)  # a finding comes in the cycle of its access
        machine.histories.append(self)

    def stop(self) -> None:
        """Hand on what is left, and record no more."""
        self._record.remove()
        self._watch.remove()
        self.machine.findings.tell_no_more(self._found)
        self.machine.bus.watchers.let_no_write_wait(False)
        if self in self.machine.histories:
            self.machine.histories.remove(self)
        self._hand_on()

    def drain(self) -> None:
        """Hand on what has come; between two runs of the machine."""
        self.machine.bus.recording.catch_up()
        self._hand_on()

    # what the machine tells -------------------------------------------------------------------------------------------

    def about_to_be_another(self) -> None:
        """Cycle numbers begin elsewhere after this."""
        self.drain()

    def state_loaded(self, data: bytes, before: int) -> None:
        """It goes on elsewhere."""
        self._near = self.machine.cycle
        self._decoding = self.machine.bus.reach.banks.number
        self._is_of(self.machine)

    def power_cycled(self, before: int) -> None:
        """It goes on in cycle 0."""
        self.state_loaded(b"", before)

    def go_on_with(self, machine: Machine) -> None:
        """Another one takes its place."""
        self.stop()
        self._begin(machine)
        self._is_of(machine)

    def _keep(self, records: memoryview) -> None:
        self._chunks.append(bytes(records))

    def _see(self, seen: BusCycle) -> None:
        self._bytes.append(seen.data)

    def _come(self, event: OutsideEvent) -> None:
        cycle, slot, port, action, arguments = event
        self._beside.append(Beside(cycle, "outside", slot if slot > 0 else None, (port, action, *arguments)))

    def _event(self, cycle: int, slot: int, name: str) -> None:
        self._beside.append(Beside(cycle, "event", slot, (name,)))

    def _found(self, finding: Finding) -> None:
        self._beside.append(Beside(finding.cycle, "finding", finding.slot, (finding.rule,)))

    # inside -----------------------------------------------------------------------------------------------------------

    def _hand_on(self) -> None:
        words: Words = np.frombuffer(b"".join(self._chunks), "<u8")
        self._chunks.clear()
        if not len(words):
            return
        every = whole_cycles(words, self._near)
        self._near = int(every[-1])
        kind = kinds(words)
        is_mark = (kind & 7) >= LINE
        decodings = np.flatnonzero(kind == DECODING)
        for at in np.flatnonzero(kind == LINE).tolist():
            word = int(words[at])
            name = self._names.get(word & 0xFFFF)
            if name is not None:
                self._beside.append(Beside(int(every[at]), "line", None, (name, bool(word >> 16 & 0xFF))))
        rows = np.flatnonzero(~is_mark)
        cycles = every[rows]
        numbers = np.array([self._decoding, *words[decodings].astype(np.uint16).tolist()], np.uint16)
        decoding = numbers[np.searchsorted(every[decodings], cycles, side="right")]
        self._decoding = int(numbers[-1])
        if not len(rows):
            return
        last = int(cycles[-1])
        now = sorted((one for one in self._beside if one.cycle <= last), key=lambda one: one.cycle)
        self._beside = [one for one in self._beside if one.cycle > last]
        backplane = None
        if self._bytes:
            backplane = np.frombuffer(bytes(self._bytes[: len(rows)]), np.uint8)
            del self._bytes[: len(rows)]
        self._take(Part(Cycles(words[rows], int(cycles[0])), cycles, decoding, backplane, tuple(now)))
