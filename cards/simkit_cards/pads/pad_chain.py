"""The chain behind a pad register, worked out from the counter's tick number: '161, CD4021B, '595.

A free-running 74HC161 makes the pad's latch from its carry (count 15) and the pad clock from one of its outputs. The
CD4021B in the pad loads while the latch is high and shifts at each rise of the pad clock; a 74HC595 on the card takes
the data line at each edge of the same clock and copies its eight bits to its outputs at an edge of the carry.
Nothing here runs: every value is a function of the tick number and of the pad's button history.

Left out: carry spikes of the counter, clearing the counter by RESET, contact bounce.

Sources:
    [CD4021BC] Fairchild, CD4021BC data sheet DS005954 (description, truth table): load by level, shift on the rise.
    [HEF4021B] Philips, HEF4021B data sheet, January 1995: the same.
    [74HC595] Philips, 74HC595; 74HCT595 data sheet, 2003, function table; clocks tied: outputs one bit behind.
    [DM161] Fairchild, DM74LS161A data sheet: outputs and carry.
    [CD4021B] Texas Instruments, CD4021B data sheet SCHS024C, page 3-40: limits at 5 V, 25 C, 50 pF.
    Limits of the CD4021BC are from memory of Fairchild DS005954, good to some 20 %; set-up of the '595 is from memory
    (TI SN74HC595).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

import attrs

BUTTONS = ("a", "b", "select", "start", "up", "down", "left", "right")
"""In the order of the protocol: the first is on the data line while the latch is high. R. Price, interfacing the pad
to a homebrew bus, blog post 3113."""

COUNTS = 16  # states of a '161
CARRY = 15  # count at which its carry is high. [DM161]
ALL_RELEASED = 0xFF  # raw levels, bit i for the i-th button of the protocol: 1 released
SETUP_595_NS = 20  # data before shift clock, TI SN74HC595, from memory
CABLE_NS_PER_PF = 0.55  # Philips, HEF4015B data sheet, January 1995: extrapolation formula at 5 V
RATED_PF = 50  # load at which delays are rated


@attrs.frozen(slots=True)
class PadPart:
    """Limits of the pad's shift register at 5 V; times in ns. [CD4021B]; of the CD4021BC see the module's head."""

    delay_ns: float
    max_clock_hz: float
    min_latch_ns: float
    removal_ns: float


PARTS = {
    ("CD4021B", "worst-case"): PadPart(320, 3.0e6, 160, 280),
    ("CD4021B", "typical"): PadPart(160, 6.0e6, 80, 140),
    ("CD4021BC", "worst-case"): PadPart(350, 2.5e6, 150, 200),
    ("CD4021BC", "typical"): PadPart(240, 3.5e6, 75, 100),
}


@attrs.frozen(slots=True)
class PadState:
    """What a pad does to its wires from some moment on.

    Attributes:
        levels: raw levels of the eight button inputs, bit i for BUTTONS[i]; 0 = pressed.
        plugged: whether a pad is in the socket.
    """

    levels: int = ALL_RELEASED
    plugged: bool = True


@attrs.frozen
class PadWiring:
    """How counter, pad and collector are joined.

    Attributes:
        tap: counter output that is the pad clock, 0 for Q0 (divide by 2) to 3.
        shift_on_rise: whether the '595 shifts at the rise of the pad clock, or at its fall.
        store: "carry-rise", "carry-rise-early", "carry-fall", "shift-clock" or "unlatched".
        latch: "carry", "carry-inverted", "high" or "low": what reaches P/S of the CD4021B.
        serial_in: level at the serial input of the CD4021B.
        open_level: level of an open data line; None floats.
        late_data: the data line has not settled when the '595 takes it: it takes the bit before.
        first_shift_lost: the first clock comes within the removal time of the latch.
        short_latch: the latch is too short: each stage may keep what it held.
        lost_shift_chance: chance that a shift is missed, the clock being above the part's limit.
        double_shift_chance: chance that a clock edge counts twice at the pad, the cable being long.
    """

    tap: int = 0
    shift_on_rise: bool = True
    store: str = "carry-rise"
    latch: str = "carry"
    serial_in: int = 0
    open_level: int | None = 1
    late_data: bool = False
    first_shift_lost: bool = False
    short_latch: bool = False
    lost_shift_chance: float = 0.0
    double_shift_chance: float = 0.0

    @cached_property
    def pad_clocks(self) -> tuple[int, ...]:
        """Counts at which the pad clock rises, those that shift: a rise together with the latch loads instead."""
        half = 1 << self.tap
        rises = tuple(count for count in range(COUNTS) if count % (2 * half) == half and count != CARRY)
        return rises[1:] if self.first_shift_lost else rises

    @cached_property
    def samples(self) -> tuple[int, ...]:
        """Counts at which the '595 takes the data line."""
        half = 1 << self.tap
        wanted = half if self.shift_on_rise else 0
        return tuple(count for count in range(COUNTS) if count % (2 * half) == wanted)

    @property
    def certain(self) -> bool:
        """Whether nothing in the chain is left to chance while a pad is plugged in and powered up."""
        return not (self.short_latch or self.lost_shift_chance or self.double_shift_chance)

    @property
    def frames_of_memory(self) -> int:
        """Frames whose buttons can still be seen: eight samples, and eight more through a latch that is too short."""
        return 18

    def button_of_bit(self) -> tuple[int | None, ...]:
        """Which button (place in the protocol) stands in each output bit, QA first; None for the serial input."""
        found: list[int | None] = []
        frame = 4 * COUNTS
        for tick in self.sample_ticks(frame + CARRY + (1 if self.store == "carry-fall" else 0)):
            if self.latch in ("carry-inverted", "high"):
                found.append(0)
                continue
            place = self.place_at(tick % COUNTS)
            found.append(place if place < len(BUTTONS) and self.latch == "carry" else None)
        return tuple(found)

    def place_at(self, count: int, pad_clocks: tuple[int, ...] | None = None) -> int:
        """Place in the protocol of the bit on the data line just before the tick to `count`."""
        clocks = self.pad_clocks if pad_clocks is None else pad_clocks
        place = sum(1 for clock in clocks if clock < count)
        return max(place - 1, 0) if self.late_data else place

    def last_store(self, tick: int) -> int:
        """Tick of the last change of the outputs at or before `tick`."""
        if self.store == "carry-fall":
            return tick - tick % COUNTS
        if self.store in ("shift-clock", "unlatched"):
            return self._sample_at_or_before(tick)
        return tick - (tick - CARRY) % COUNTS

    def next_store(self, tick: int) -> int:
        """Tick of the next change of the outputs after `tick`."""
        later = tick + 1
        while self.last_store(later) != later:
            later += 1
        return later

    def sample_ticks(self, tick: int) -> tuple[int, ...]:
        """Ticks of the eight samples that the outputs show from `tick` on, newest (QA) first."""
        store = self.last_store(tick)
        with_this = self.store in ("carry-rise", "unlatched")
        newest = self._sample_at_or_before(store if with_this else store - 1)
        found = [newest]
        while len(found) < 8:
            found.append(self._sample_at_or_before(found[-1] - 1))
        return tuple(found)

    def _sample_at_or_before(self, tick: int) -> int:
        step = 2 << self.tap
        return tick - (tick - self.samples[0]) % step


class PadChain:
    """One pad with its collector.

    Args:
        wiring: how it is joined.
        state_before: state_before(tick) -> the pad's state just before the counter's tick.
        noise: noise(name, tick) -> 0 up to 1, seeded.
        first_tick: tick at power-on; what stands in the registers before is unknown.
    """

    def __init__(
        self,
        wiring: PadWiring,
        state_before: Callable[[int], PadState],
        noise: Callable[[str, int], float],
        first_tick: int,
    ) -> None:
        self._wiring = wiring
        self._state_before = state_before
        self._noise = noise
        self._first = first_tick

    def outputs(self, tick: int) -> int:
        """Byte at QH..QA of the '595 from `tick` on, QA as bit 0."""
        store = self._wiring.last_store(tick)
        if store < self._first:
            return int(self._noise("collector", self._first) * 256)
        value = 0
        for bit, sample in enumerate(self._wiring.sample_ticks(tick)):
            value |= self._sample(sample) << bit
        return value

    def _coin(self, name: str, tick: int) -> int:
        return 1 if self._noise(name, tick) < 0.5 else 0

    def _sample(self, tick: int) -> int:
        """Level the '595 takes from the data line at a tick."""
        wiring = self._wiring
        if tick <= self._first:
            return self._coin("shift register", tick)
        state = self._state_before(tick)
        if not state.plugged:
            return self._coin("open data line", tick) if wiring.open_level is None else wiring.open_level
        if wiring.latch in ("carry-inverted", "high"):
            return state.levels & 1  # stage 8 follows its input and never shifts
        if wiring.latch == "low":
            return wiring.serial_in
        frame = tick - tick % COUNTS
        clocks = wiring.pad_clocks
        if wiring.lost_shift_chance or wiring.double_shift_chance:
            clocks = tuple(clock for clock in clocks for _ in range(self._shifts(frame + clock)))
        return self._loaded(frame, wiring.place_at(tick % COUNTS, clocks))

    def _shifts(self, tick: int) -> int:
        """How often the CD4021B shifts at a clock edge: once, but for the mishaps."""
        if self._noise("shift", tick) < self._wiring.lost_shift_chance:
            return 0
        return 2 if self._noise("double shift", tick) < self._wiring.double_shift_chance else 1

    def _loaded(self, frame: int, place: int) -> int:
        """Bit `place` of what the CD4021B holds after the latch fell at tick `frame`."""
        wiring = self._wiring
        if place >= len(BUTTONS):
            return wiring.serial_in
        if frame <= self._first:
            return self._coin(f"stage {place}", frame)
        state = self._state_before(frame)
        if not state.plugged:
            return self._coin(f"stage {place}", frame)  # the pad was not powered when it should have loaded
        if wiring.short_latch and self._noise(f"load {place}", frame) < 0.5:
            return self._loaded(frame - COUNTS, place + len(wiring.pad_clocks))
        return state.levels >> place & 1
