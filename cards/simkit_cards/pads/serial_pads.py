"""Serial pads card: two eight-button pads, each read by a shift register behind one divide counter.

The program reads a byte per pad; latch, clock and shifting go on by themselves, made from the machine clock (or from
the card's own oscillator) by a 74HC161. The byte is the last whole frame: up to 16 counter clocks old.

Faithful to: CD4021B in the pad, 74HC161, 74HC595 and a '541 (inverting: '540) on the card.
Left out: carry spikes of the counter, clearing the counter by RESET, contact bounce. Sources: see `pad_chain`.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any, ClassVar

import attrs

from simkit.contract import (
    BYTE,
    CYCLE,
    FLAG,
    MOMENT,
    NEVER,
    Card,
    Crystal,
    Limit,
    PadsPort,
    Register,
    SimkitError,
    Slot,
    many,
    near,
    parse_hz,
    record,
    remembers,
    row,
    saved,
    setting,
)
from simkit_cards.pads.pad_chain import (
    ALL_RELEASED,
    BUTTONS,
    CABLE_NS_PER_PF,
    COUNTS,
    PARTS,
    RATED_PF,
    SETUP_595_NS,
    PadChain,
    PadState,
    PadWiring,
)

PADS = (1, 2)
DIVIDERS = (2, 4, 8, 16)
_STORES = ("carry-rise", "carry-rise-early", "carry-fall", "shift-clock", "unlatched")
TOO_FAST = "pad-clock-too-fast"
TOO_SHORT = "pad-latch-too-short"
TOO_EARLY = "pad-clock-after-latch"
LATE = "pad-data-late"
"""Rules of the findings about limits of the parts."""
_PULLS = {"pull-up": 1, "pull-down": 0, "floating": None}


@attrs.frozen(kw_only=True)
class SerialPadsSettings:
    """How this board is wired."""

    port_1: int = setting(2, low=0, high=15, help="output of the demultiplexer that reads pad 1")
    port_2: int = setting(3, low=0, high=15, help="output of the demultiplexer that reads pad 2")
    bit_order: str = setting(
        "first-bit-high", one_of=("first-bit-high", "first-bit-low"), help="where the first bit in ends: QH to D7 or D0"
    )
    sense: str = setting("active-low", one_of=("active-low", "inverted"), help="'541 (0 = pressed) or '540 inverting")
    divide: int = setting(2, one_of=DIVIDERS, help="counter output that is the pad clock; only 2 reads all buttons")
    prescale: int = setting(1, low=1, high=4096, help="divider in front of the counter")
    oscillator: str = setting("", help='own oscillator of the counter, e.g. "1.8432 MHz"; "": the machine clock')
    start_count: int = setting(-1, low=-1, high=15, help="count at power-up; -1: seeded, as a real counter comes up")
    shift_edge: str = setting("rise", one_of=("rise", "fall"), help="edge of the pad clock at which the 74HC595 shifts")
    store: str = setting(
        "carry-rise",
        one_of=_STORES,
        help="storage clock: carry, too early by the gates' delay, its fall, joined to the shift clock, or no storage",
    )
    latch: str = setting(
        "carry", one_of=("carry", "carry-inverted", "high", "low"), help="what reaches P/S of the pad's CD4021B"
    )
    after_last_bit: int = setting(0, one_of=(0, 1), help="level at the pad's serial input; 0 in the classic pad")
    open_line: str = setting("pull-up", one_of=tuple(_PULLS), help="data line of a socket without a pad")
    plugged_1: bool = setting(True, help="a pad is in socket 1 at power-on")
    plugged_2: bool = setting(True, help="a pad is in socket 2 at power-on")
    part: str = setting("CD4021B", one_of=("CD4021B", "CD4021BC"), help="shift register in the pad")
    limits: str = setting("worst-case", one_of=("worst-case", "typical"), help="column of its data sheet that counts")
    slow_part: bool = setting(False, help="outside its limits the part gives the wrong bits a slow one would")
    cable_pf: int = setting(50, unit="pF", low=0, high=10_000, help="load of the pad's data line; a metre is some 100")
    double_clocks_per_mille: int = setting(
        0, low=0, high=1000, help="clock edges that count twice at the pad: slow edges, reflections on a long cable"
    )
    phantom_1: str = setting(
        "", help='buttons of pad 1 that seem held, e.g. "up left": no common ground, pad unpowered'
    )
    phantom_2: str = setting("", help="the same for pad 2")
    torn_window_ns: int = setting(
        20,
        unit="ns",
        low=0,
        high=1000,
        help="before PHI2 falls: outputs that change then read as a mix (own oscillator)",
    )


_CHANGES = many(
    row(CYCLE, BYTE, FLAG).into(
        lambda change: (change[0], PadState(*change[1:])), lambda kept: (kept[0], kept[1].levels, kept[1].plugged)
    )
).that(bool, "is empty: a pad has a state")
_PADS = record(**{str(pad): _CHANGES for pad in PADS}).into(
    lambda pads: {int(pad): changes for pad, changes in pads.items()},
    lambda kept: {str(pad): kept[pad] for pad in PADS},
)
"""What is saved of the pads: (cycle, levels, plugged) of each change that can still be seen."""


@remembers
class SerialPads(Card):
    """Gives, for each pad, the byte its collector holds in the cycle of the read."""

    kind: ClassVar[str] = "serial-pads"
    title: ClassVar[str] = "Pad card"
    Settings: ClassVar[type] = SerialPadsSettings
    faithful_to: ClassVar[str] = "CD4021B, 74HC161, 74HC595"

    _origin: int = saved(MOMENT, 0)  # counter's count minus ticks of its clock
    _first: int = saved(MOMENT, 0)  # count at power-on
    _changes: dict[int, list[tuple[int, PadState]]] = saved(_PADS, name="pads")

    @classmethod
    def registers(cls, settings: SerialPadsSettings) -> tuple[Register, ...]:
        """One byte a pad; the bits as divider, storage clock and order of wires put them."""
        wiring = PadWiring(
            tap=DIVIDERS.index(settings.divide),
            shift_on_rise=settings.shift_edge == "rise",
            store=settings.store,
            latch=settings.latch,
        )
        names = ["" if place is None else BUTTONS[place] for place in wiring.button_of_bit()]
        if settings.bit_order == "first-bit-low":
            names.reverse()
        pressed = "0" if settings.sense == "active-low" else "1"
        renewed = (
            "changes while it is shifted"
            if settings.store in _STORES[3:]
            else f"renewed every {COUNTS * settings.prescale} counter clocks"
        )
        return tuple(
            Register(offset, f"port_{number}", "r", bits=tuple(names), help=f"{pressed} = pressed; {renewed}")
            for number, offset in zip(PADS, (settings.port_1, settings.port_2), strict=True)
        )

    @classmethod
    def limits(cls, settings: SerialPadsSettings, clock_hz: Fraction) -> tuple[Limit, ...]:
        """What the pads' parts, counter and collector ask of their clocks. Sources: see `pad_chain`."""
        return _limits(settings, _counter_hz(settings, clock_hz))

    def __init__(self, settings: SerialPadsSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        if settings.port_1 == settings.port_2:
            raise SimkitError(
                f"Both pads are read at output {settings.port_1} of the demultiplexer.",
                slot=slot.number,
                field="port_2",
                remedy="Give port_1 and port_2 different outputs.",
            )
        try:
            counter_hz = _counter_hz(settings, slot.clock_hz)
        except SimkitError as error:
            error.slot, error.field = slot.number, "oscillator"
            raise
        period_ns = float(10**9 / slot.clock_hz)
        self._clocked = (
            slot.crystal(counter_hz, "oscillator") if settings.oscillator else Crystal(counter_hz, slot.clock_hz)
        )
        self._wiring, self._broken = _wiring(settings, _limits(settings, counter_hz), period_ns)
        self._phantoms = {
            number: _phantoms(text, slot.number, f"phantom_{number}")
            for number, text in ((1, settings.phantom_1), (2, settings.phantom_2))
        }
        self._offsets = {settings.port_1: 1, settings.port_2: 2}
        self._changes = {number: [(0, PadState())] for number in PADS}
        self._window_cycles = (
            Fraction(settings.torn_window_ns, 10**9) * slot.clock_hz if settings.oscillator else Fraction(0)
        )
        self._settling_cycles = -(-self._window_cycles.numerator // self._window_cycles.denominator)
        slot.port(PadsPort("pads", PADS, BUTTONS))

    # life -----------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """Counter and registers come up with anything in them; what breaks the parts' limits is reported."""
        settings = self.settings
        start = settings.start_count
        if start < 0:
            start = int(self.slot.chance("count", 0) * COUNTS)
        self._first = COUNTS * 1024 + start  # far from zero, so that frames before power-on have numbers too
        self._origin = self._first - self._clocked.ticks_at(cycle)
        plugged = {1: settings.plugged_1, 2: settings.plugged_2}
        self._changes = {number: [(cycle, PadState(ALL_RELEASED, plugged[number]))] for number in PADS}
        self.settled.clear()
        for rule, message in self._broken:
            self.slot.report(rule, cycle, message)

    def _count_at(self, cycle: int) -> int:
        return self._clocked.ticks_at(cycle) + self._origin

    def _cycle_of(self, count: int) -> int:
        return self._clocked.first_cycle_at(count - self._origin)

    # the pads -------------------------------------------------------------------------------------------------------

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """A button, or a pad plugged in or out; a pad comes with all buttons released."""
        number = arguments[0]
        state = self._changes[number][-1][1]
        if action == "plug":
            state = PadState(ALL_RELEASED, True)
        elif action == "unplug":
            state = PadState(ALL_RELEASED, False)
        else:
            bit = 1 << BUTTONS.index(arguments[1])
            state = PadState(state.levels & ~bit if action == "press" else state.levels | bit, state.plugged)
        self._record(number, state, cycle)

    def _record(self, number: int, state: PadState, cycle: int) -> None:
        changes = self._changes[number]
        if changes[-1][1] == state:
            return
        if changes[-1][0] == cycle:
            changes.pop()
        if not changes or changes[-1][1] != state:
            changes.append((cycle, state))
        self._fold(number, cycle)
        self.settled.clear()

    def _fold(self, number: int, cycle: int) -> None:
        """Forget what no register can show any more."""
        oldest = self._cycle_of(self._count_at(cycle) - self._wiring.frames_of_memory * COUNTS)
        changes = self._changes[number]
        while len(changes) > 1 and changes[1][0] < oldest:
            changes.pop(0)

    def _state_before(self, number: int, count: int) -> PadState:
        cycle = self._cycle_of(count)  # a change in the very cycle of the edge comes after the edge
        changes = self._changes[number]
        state = next((state for when, state in reversed(changes) if when < cycle), changes[0][1])
        phantoms = self._phantoms[number]
        return PadState(state.levels & ~phantoms, state.plugged) if phantoms else state

    # bus ------------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Byte of a pad; an edge of the own oscillator just before PHI2 falls gives a mix of old and new bits."""
        held = self.settled.get(offset)
        if held is not None and cycle < held[1]:
            return held[0]
        number = self._offsets.get(offset)
        if number is None:
            return 0xFF
        value = self._byte(number, self._count_at(cycle))
        if self._window_cycles:
            late = self._late_store(cycle)
            if late is not None:
                mix = int(self.slot.chance(f"torn {number}", late) * 256)
                return value & mix | self._byte(number, late) & ~mix & 0xFF
        self.settled[offset] = value, self.steady_until(offset, cycle)
        return value

    def _late_store(self, cycle: int) -> int | None:
        """Count of an output change within the window before the end of `cycle`, if there is one."""
        count = self._count_at(cycle + 1)
        if count == self._count_at(cycle) or self._wiring.last_store(count) != count:
            return None
        moment = self._clocked.moment_of(count - self._origin)
        return count if cycle + 1 - moment <= self._window_cycles else None

    def _byte(self, number: int, count: int) -> int:
        def noise(name: str, tick: int) -> float:
            return self.slot.chance(f"pad {number} {name}", tick)

        chain = PadChain(self._wiring, lambda tick: self._state_before(number, tick), noise, self._first)
        value = chain.outputs(count)
        if self.settings.bit_order == "first-bit-low":
            value = int(f"{value:08b}"[::-1], 2)
        if self.settings.sense == "inverted":
            value ^= 0xFF
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Report it: nothing on the card takes a byte."""
        self.slot.report(
            "write-to-pads",
            cycle,
            f"A write of ${value:02X} to {self.slot.accessed} went to the pads, which cannot take it.",
        )

    def steady_until(self, offset: int, cycle: int) -> int:
        """To the next storage clock; for ever once the registers hold nothing but the buttons as they are."""
        number = self._offsets.get(offset)
        if number is None:
            return NEVER
        wiring = self._wiring
        count = self._count_at(cycle)
        latched = wiring.store not in ("shift-clock", "unlatched")
        since, state = self._changes[number][-1]
        settled = max(self._count_at(since), self._first) + wiring.frames_of_memory * COUNTS
        if latched and wiring.certain and count > settled and (state.plugged or wiring.open_level is not None):
            return NEVER
        return max(cycle, self._cycle_of(wiring.next_store(count)) - self._settling_cycles)

    # state ----------------------------------------------------------------------------------------------------------

    def save(self, cycle: int) -> dict[str, Any]:
        """The counter and, a pad, the changes that can still be seen."""
        for number in PADS:
            self._fold(number, cycle)
        return super().save(cycle)

    def words(self, cycle: int) -> list[str]:
        """What each pad does."""
        found = []
        for number in PADS:
            state = self._changes[number][-1][1]
            pressed = [name for place, name in enumerate(BUTTONS) if not state.levels >> place & 1]
            held = "holds " + " and ".join(pressed) if pressed else "holds nothing"
            found.append(f"pad {number} {held}" if state.plugged else f"socket {number} is empty")
        return found


def _counter_hz(settings: SerialPadsSettings, clock_hz: Fraction) -> Fraction:
    """Clock of the counter."""
    return (parse_hz(settings.oscillator) if settings.oscillator else clock_hz) / settings.prescale


def _limits(settings: SerialPadsSettings, counter_hz: Fraction) -> tuple[Limit, ...]:
    """What the chain asks of its clock; in periods of the machine clock unless the counter has an oscillator."""
    part = PARTS[settings.part, settings.limits]
    own = bool(settings.oscillator)
    tick_ns = 1e9 / float(counter_hz)
    delay_ns = part.delay_ns + (settings.cable_pf - RATED_PF) * CABLE_NS_PER_PF
    ticks_to_sample = settings.divide if settings.shift_edge == "rise" else settings.divide / 2
    source = "TI CD4021B data sheet SCHS024C, page 3-40" if settings.part == "CD4021B" else "from memory"

    def limit(what: str, ticks: float, needs_ns: float, rule: str = "", named: str = "") -> Limit:
        return Limit(
            what=what,
            part=named or settings.part,
            needs_ns=needs_ns,
            cycles=0.0 if own else ticks * settings.prescale,
            offset_ns=ticks * tick_ns if own else 0.0,
            rule=rule,
            source="" if named else source,
            named=named,
        )

    found = [limit("period of the pad clock", settings.divide, 1e9 / part.max_clock_hz, TOO_FAST)]
    if settings.latch == "carry":
        found.append(limit("width of the latch", 1, part.min_latch_ns, TOO_SHORT))
        tap = DIVIDERS.index(settings.divide)  # the latch falls at count 0, the first rise of tap n is at count 2^n
        found.append(limit("from the latch to the first pad clock", 1 << tap, part.removal_ns, TOO_EARLY))
    found += [
        limit("the pad's data before the collector takes them", ticks_to_sample, delay_ns + SETUP_595_NS, LATE),
        limit("period of the counter's clock", 1, 0.0, named="counter"),
        limit("period of the collector's clock", settings.divide, 0.0, named="collector"),
    ]
    return tuple(found)


def _wiring(
    settings: SerialPadsSettings, limits: Sequence[Limit], period_ns: float
) -> tuple[PadWiring, list[tuple[str, str]]]:
    """The chain as wired, and the limits of its parts that it breaks as (rule, message)."""
    tap = DIVIDERS.index(settings.divide)
    part = PARTS[settings.part, settings.limits]
    column = f"{settings.part} ({settings.limits})"
    on_rise = settings.shift_edge == "rise"
    pad_hz, broken = 0.0, []
    for limit in limits:
        has, needs = limit.has_ns(period_ns), limit.needs_ns
        if limit.rule == TOO_FAST:
            pad_hz = 1e9 / has
        if limit.rule and limit.is_broken(period_ns):
            told = {
                TOO_FAST: f"The pad clock is {1e3 / has:.3g} MHz; {column} follows {part.max_clock_hz / 1e6:.3g} MHz. "
                "Shifts get lost.",
                TOO_SHORT: f"The latch is {has:.0f} ns long; {column} needs {needs:.0f} ns. Some buttons stay old.",
                TOO_EARLY: f"The first pad clock comes {has:.0f} ns after the latch; {column} needs {needs:.0f} ns. "
                "The first shift gets lost.",
                LATE: f"The pad's data come {needs - has:.0f} ns too late for the 74HC595 with {settings.cable_pf} pF "
                "of cable. It takes the bit before.",
            }
            broken.append((limit.rule, told[limit.rule]))
    rules = {rule for rule, _ in broken} if settings.slow_part else set()
    wiring = PadWiring(
        tap=tap,
        shift_on_rise=on_rise,
        store=settings.store,
        latch=settings.latch,
        serial_in=settings.after_last_bit,
        open_level=_PULLS[settings.open_line],
        late_data=LATE in rules,
        first_shift_lost=TOO_EARLY in rules,
        short_latch=TOO_SHORT in rules,
        double_shift_chance=settings.double_clocks_per_mille / 1000,
        lost_shift_chance=1 - part.max_clock_hz / pad_hz if TOO_FAST in rules else 0.0,
    )
    return wiring, broken


def _phantoms(text: str, slot: int, field: str) -> int:
    """Mask of the buttons named in a setting."""
    mask = 0
    for name in text.split():
        if name not in BUTTONS:
            raise SimkitError(f"{name!r} is not a button.", slot=slot, field=field, remedy=near(name, BUTTONS))
        mask |= 1 << BUTTONS.index(name)
    return mask
