"""The microcontroller of a keyboard card: it fills a ring buffer, shows its head on a port, and follows a read latch.

The latch is two cross-coupled NAND gates that the strobes of data and status register drive: a data read sets "taken",
a status read resets it. The controller polls the latch; finding it set, and having seen it reset since the last time,
it moves on to the next code. All of that takes instruction cycles of its own crystal, so that a program faster than the
controller sees what it would see on the board: codes twice, codes missed, a ready bit that comes down late.

A poll that finds no code to move on to shows nowhere: it only notes whether the latch was reset. Such a poll is put off
until somebody could tell; then it has come, or it is armed for its moment.

Time is counted in instruction cycles (four crystal periods). What the main loop does is put off while the handler of a
clock edge of the keyboard runs.

Sources:
    [PIC] Microchip, PIC16F18076 data sheet, Instruction Set Summary: an instruction cycle is four oscillator periods.
    The latch: common practice. Lengths of the controller's work are model defaults, each a setting.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import attrs

from simkit.contract import (
    BYTE,
    COUNT,
    FLAG,
    MOMENT,
    PART,
    Slot,
    StateError,
    many,
    remembers,
    row,
    saved,
    table,
)
from simkit_cards.keyboard.ring_buffer import RingBuffer

CRYSTALS_PER_INSTRUCTION = 4  # [PIC]


@attrs.frozen(kw_only=True)
class ControllerTiming:
    """Lengths of the controller's work in instruction cycles; each strays by up to `jitter`, seeded."""

    poll: int = 6
    pop: int = 12
    push: int = 12
    update: int = 4
    handler_entry: int = 14
    bit: int = 25
    pulse: int = 10
    jitter: float = 0.2

    @property
    def handler(self) -> int:
        """Length of the handler of one clock edge."""
        return self.handler_entry + self.bit


@attrs.define(eq=False)
class ReadLatch:
    """Two cross-coupled NAND gates; it was the other way before its last change, for polls inside a bus cycle.

    Attributes:
        taken: output Q.
        since: cycle whose start the last change counts from.
    """

    taken: bool = False
    since: int = 0


@remembers
class KeyController:
    """Ring, port, latch, status flags and the time they take.

    Args:
        slot: for crystal, events and chance.
        ring: the ring buffer.
        timing: how long things take.
        crystal_hz: the controller's crystal.
        advance: "armed" (waits for a status read between two pops), "every-poll" (pops while the latch is set) or
            "self-clearing" (resets the latch itself after each pop).
        clears_port: the port reads 00 once the ring is empty, instead of the last code.
        changed: called as changed(cycle) when ready flag, faults or interrupt state may have changed.
        lost: called as lost(cycle) when codes found no place; of a program that takes none, with the first it takes.

    Attributes:
        ready: the ready flag as it stands on the status port.
        overflow: the overflow flag as it stands there.
        fault: a faulty frame has come; cleared by the next pop.
        pulsing: a pulse on the interrupt pin is under way.
        popping: a pop is under way: the controller moves on.
        instructions: its instruction cycles against the machine clock.
    """

    EVENTS = ("poll", "pop", "push", "show pop", "show push", "show fault", "pulse end")

    ring: RingBuffer = saved(PART)
    latch: ReadLatch = saved(row(FLAG, COUNT).into(lambda state: ReadLatch(*state), attrs.astuple))
    ready: bool = saved(FLAG, within="flags")
    overflow: bool = saved(FLAG, within="flags")
    fault: bool = saved(FLAG, within="flags")
    pulsing: bool = saved(FLAG, within="flags")
    _armed: bool = saved(FLAG, within="flags")
    popping: bool = saved(FLAG, within="flags")
    port: int = saved(BYTE)
    _edges: tuple[int, ...] = saved(many(MOMENT).into(tuple))  # instruction cycles in which a frame's clock falls
    _ticks: dict[str, int] = saved(table(MOMENT, EVENTS))  # exact instruction cycle of each pending event
    _arriving: list[int] = saved(many(BYTE))  # codes whose push is under way

    def __init__(
        self,
        slot: Slot,
        ring: RingBuffer,
        timing: ControllerTiming,
        crystal_hz: Fraction,
        *,
        advance: str,
        clears_port: bool,
        pulses: bool,
        changed: Callable[[int], None],
        lost: Callable[[int], None],
    ) -> None:
        self.ring = ring
        self.latch = ReadLatch()
        self.ready = self.overflow = self.fault = self.pulsing = False
        self.port = 0
        self._slot = slot
        self._lost = lost
        self._checks_empty = ring.checks_empty
        self._timing = timing
        self.instructions = slot.crystal(crystal_hz / CRYSTALS_PER_INSTRUCTION, "controller")
        self._advance = advance
        self._clears_port = clears_port
        self._pulses = pulses
        self._changed = changed
        self._longest_stray = timing.jitter * timing.poll
        self._puts_polls_off = advance == "armed" and ring.checks_empty
        ticks = timing.poll + int(self._longest_stray)  # in which the next poll comes, without clock edges
        self._poll_comes_within = self.instructions.first_cycle_at(ticks) - self.instructions.first_cycle_at(0) + 2
        self._poll_phase = int(slot.chance("poll phase", 0) * timing.poll)
        self._armed = True
        self.popping = False
        self._edges = ()
        self._ticks = {}
        self._arriving = []

    def clear(self, cycle: int) -> None:
        """Reset of the controller: ring, flags and work under way are gone; the latch outside it stays."""
        self.ring.clear()
        self.ready = self.overflow = self.fault = self.pulsing = False
        self.port = 0
        self._armed = True
        self.popping = False
        self._arriving.clear()
        for name in self.EVENTS:
            self._slot.cancel(name)
        self._ticks.clear()
        self._want_poll(self.instructions.ticks_at(cycle) + 1)
        self._changed(cycle)

    def power_on(self, cycle: int) -> None:
        """Power comes up; the latch falls either way."""
        self._edges = ()
        self.latch.taken = self._slot.chance("latch", cycle) < 0.5
        self.latch.since = cycle
        self.clear(cycle)
        self.port = self._slot.noise("port", 1)[0]

    # time -----------------------------------------------------------------------------------------------------------

    def _length(self, work: str, tick: int) -> int:
        typical: int = getattr(self._timing, work)
        stray = self._slot.chance(work, tick) * 2 - 1
        return max(1, round(typical * (1 + self._timing.jitter * stray)))

    def _arm(self, name: str, tick: int) -> None:
        self._ticks[name] = tick
        self._slot.at(self.instructions.first_cycle_at(tick), name)

    def _through_handlers(self, start: int, length: int) -> int:
        """Instruction cycle in which main-loop work of a length ends, handlers of clock edges running in between."""
        end = start + length
        handler = self._timing.handler
        if self._edges and self._edges[-1] + handler <= start:
            return end
        for edge in self._edges:
            if edge < end and edge + handler > start:
                end += min(handler, edge + handler - start)
        return end

    def next_poll(self, tick: int) -> int:
        """First poll at or after an instruction cycle."""
        timing = self._timing
        period = timing.poll
        number, since = divmod(tick - self._poll_phase, period)
        poll = tick - since
        if since > self._longest_stray:  # even that would be too early
            number += 1
            poll += period
        while True:
            strayed = poll + int(self._slot.chance("poll", number) * timing.jitter * period)
            if strayed >= tick:
                return self._through_handlers(strayed, 0) if self._edges else strayed
            number += 1
            poll += period

    @property
    def _nothing_to_pop(self) -> bool:
        return self._checks_empty and self.ring.count == 0

    def _want_poll(self, tick: int) -> None:
        """Arm the next poll if it can change anything."""
        if self._poll_matters():
            self._arm("poll", self.next_poll(tick))

    def _poll_matters(self) -> bool:
        """Whether a poll is to be armed: none is, and it can change something."""
        if self.popping or "poll" in self._ticks:
            return False
        taken = self.latch.taken
        if self._advance == "armed":
            return taken is self._armed
        return taken and (self._advance == "self-clearing" or not self._nothing_to_pop)

    def _put_off_poll(self, cycle: int) -> int | None:
        """Instruction cycle of the poll that was put off, if it is still to come at the start of `cycle`; else do it.

        Only `strobe` puts one off, so it is the first since the latch changed, and sees the latch as it is now.
        """
        if not self._puts_polls_off or not self._poll_matters():
            return None
        latch = self.latch
        if cycle - latch.since < self._poll_comes_within or not self._idle_from(latch.since):
            tick = self.next_poll(self.instructions.first_tick_at(latch.since))
            if self.instructions.first_cycle_at(tick) >= cycle:
                return tick
        self._armed = not latch.taken
        return None

    def _idle_from(self, cycle: int) -> bool:
        """Whether no clock edge of the frame that is known delays a poll after the start of `cycle`."""
        return not self._edges or self._edges[-1] + self._timing.handler <= self.instructions.ticks_at(cycle)

    def _arm_put_off_poll(self, cycle: int) -> None:
        """What comes next in `cycle` shows in the poll that was put off: arm it if it is still to come."""
        tick = self._put_off_poll(cycle)
        if tick is not None:
            self._arm("poll", tick)

    def advance(self, cycle: int) -> None:
        """Do a poll that was put off and has come before `cycle`."""
        self._put_off_poll(cycle)

    # the bus side ---------------------------------------------------------------------------------------------------

    def strobe(self, sets: bool, cycle: int) -> None:
        """A strobe reached one side of the latch in the access of `cycle`."""
        latch = self.latch
        if sets is latch.taken:
            return
        self._arm_put_off_poll(cycle + 1)
        latch.taken, latch.since = sets, cycle + 1
        if not (self._puts_polls_off and self.ring.count == 0) and self._poll_matters():
            self._arm("poll", self.next_poll(self.instructions.first_tick_at(cycle + 1)))

    def disturbs(self, sets: bool) -> bool:
        """Whether a strobe would change anything."""
        return sets is not self.latch.taken

    def port_change(self) -> tuple[int, int] | None:
        """Instruction cycle and new value of the change of the data port that is under way, if one is."""
        pop = self._ticks.get("pop")
        if pop is None and not self._arriving:
            return None
        found = []
        if pop is not None:
            count, code = self.ring.after_pop()
            new = 0 if count == 0 and self._clears_port else self.port if count == 0 else code
            found.append((pop, new))
        if self._arriving and "push" in self._ticks and self.ring.count == 0:
            found.append((self._ticks["push"], self._arriving[0]))
        return min(found, default=None)

    # the keyboard side ----------------------------------------------------------------------------------------------

    def frame_begins(self, falls: list[int], cycle: int) -> None:
        """A frame, known from `cycle` on, will make the clock fall in these machine cycles."""
        self._arm_put_off_poll(cycle)
        self._edges = tuple(self.instructions.ticks_at(cycle) for cycle in falls)

    def receive(self, codes: list[int], fault: bool, cycle: int) -> None:
        """The last bit of a frame came in `cycle`: push these codes (none when the frame is refused)."""
        tick = self.instructions.ticks_at(cycle) + self._timing.handler
        self._arriving.extend(codes)
        self.fault = self.fault or fault
        if self._arriving and "push" not in self._ticks:
            self._arm("push", tick + self._length("push", tick))
        if fault:
            self._arm("show fault", tick + self._length("update", tick))

    # events ---------------------------------------------------------------------------------------------------------

    def event(self, name: str, cycle: int) -> None:
        """One of EVENTS is due."""
        tick = self._ticks.pop(name, None)
        if tick is None or self.instructions.first_cycle_at(tick) != cycle:  # of a state that does not fit its events
            tick = self.instructions.ticks_at(cycle)
        if name == "poll":
            self._poll(tick)
        elif name == "pop":
            self._pop(tick, cycle)
        elif name == "push":
            self._push(tick, cycle)
        elif name == "pulse end":
            self.pulsing = False
            self._changed(cycle)
        else:
            self.ready = self.ring.count > 0
            self.overflow = self.ring.overflowed
            if name == "show pop":
                self.popping = False
                self._want_poll(tick + 1)
            elif name == "show push" and self._pulses:
                self.pulsing = True
                self._arm("pulse end", tick + self._timing.pulse)
            self._changed(cycle)

    def _poll(self, tick: int) -> None:
        taken = self.latch_seen_in(tick)
        if taken and (self._armed or self._advance != "armed"):
            self._armed = False
            if self._nothing_to_pop:
                self._clear_latch_itself()
                self._want_poll(tick + 1)
            else:
                self.popping = True
                self._arm("pop", self._through_handlers(tick, self._length("pop", tick)))
        else:
            if not taken:
                self._armed = True
            self._want_poll(tick + 1)

    def latch_seen_in(self, tick: int) -> bool:
        """Output of the latch in an instruction cycle not before its last change but one."""
        latch = self.latch
        return latch.taken if tick >= self.instructions.first_tick_at(latch.since) else not latch.taken

    def _clear_latch_itself(self) -> None:
        if self._advance == "self-clearing":
            self.latch.taken = False
            self.latch.since = 0

    def _pop(self, tick: int, cycle: int) -> None:
        ring = self.ring
        if ring.pop():
            self.fault = False
            if ring.popped == 1 and ring.dropped:
                self._lost(cycle)
        if ring.count > 0:
            self.port = ring.oldest
        elif self._clears_port:
            self.port = 0
        self._clear_latch_itself()
        self._arm("show pop", self._through_handlers(tick, self._length("update", tick)))

    def _push(self, tick: int, cycle: int) -> None:
        self._arm_put_off_poll(cycle + 1)  # a poll comes before a push in the same cycle
        ring, code = self.ring, self._arriving.pop(0)
        lost = ring.dropped
        ring.push(code)
        if ring.dropped > lost and ring.popped:
            self._lost(cycle)
        if ring.count == 1 or "pop" not in self._ticks:
            self.port = ring.oldest
        self._arm("show push", tick + self._length("update", tick))
        if self._arriving:
            self._arm("push", tick + self._length("push", tick))
        self._want_poll(tick + 1)

    # state ----------------------------------------------------------------------------------------------------------

    def check_state(self) -> None:
        """Codes arrive while a push is under way."""
        if bool(self._arriving) is not ("push" in self._ticks):
            raise StateError("arriving", f"holds {len(self._arriving)} codes, against the push in ticks")
