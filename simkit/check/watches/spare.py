"""Spare cycles at registers: whether a read that nobody wanted, or a byte written twice, has done harm.

The register table says where an access does something, the state of the card whether it did. Where it did, a second
specimen of the card goes through the rest of the instruction twice, with the spare access and without: what comes out
the same was done by the instruction's own accesses anyway.

Which cycles are spare:
    MOS Technology, MCS6500 Microcomputer Family Hardware Manual, January 1976, appendix A: read-modify-write writes the
    byte back first.
    Western Design Center, W65C02S data sheet, table 7-1: read-modify-write reads twice.
"""

from __future__ import annotations

import pickle
from collections import Counter
from typing import Any

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.seat import Seat
from simkit.check.result.notes import Notes
from simkit.contract.card import Card
from simkit.contract.errors import CardError
from simkit.contract.findings import KEPT_PER_RULE, Findings
from simkit.contract.lines import Pin
from simkit.contract.registers import Register
from simkit.contract.slot import Slot
from simkit.contract.turn import BETWEEN
from simkit.machine.machine import Machine


@attrs.frozen(slots=True, eq=False)
class _State:
    """What `save` gave and what the card drives on its pins, in bytes: nothing that the card does later reaches it."""

    frozen: bytes

    def value(self) -> tuple[dict[str, Any], dict[str, bool | None]]:
        saved: tuple[dict[str, Any], dict[str, bool | None]] = pickle.loads(self.frozen)
        return saved

    def __eq__(self, other: object) -> bool:
        # Equal values may give other bytes: pickle writes an object once and refers to it where it comes again.
        return isinstance(other, _State) and (self.frozen == other.frozen or self.value() == other.value())

    __hash__ = None  # type: ignore[assignment]


@attrs.frozen(slots=True, eq=False)
class _Access:
    seat: Seat
    register: Register | None
    address: int
    offset: int
    value: int  # as the card's pins have it
    cycle: int
    is_write: bool
    spare: bool
    before: _State | None  # of a spare access that changed something: state before it; None also where nothing is known


@attrs.frozen(slots=True)
class _Outcome:
    state: _State | None
    read: list[int]  # bytes that the program read
    shown: list[list[bool | None]]  # what the pins drove, one after the other
    reported: dict[tuple[str, int | None], int]


class SpareCycles:
    """Follows the accesses of one instruction from its first spare access that changes a card.

    Attributes:
        under_way: whether the instruction has made a spare access; `finish` it then.
    """

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._notes = notes
        self._specimens: dict[int, _Specimen] = {}
        self._accesses: list[_Access] = []
        self._harmful: list[_Access] = []  # those that changed something
        self._told: Counter[tuple[int, int]] = Counter()  # harm found, by instruction and slot
        self._before: _State | None = None
        self._next_is_spare = False
        self.under_way = False
        self.written = False

    def expect(self, seat: Seat, pc: int, cycle: int) -> None:
        """The next access is a spare one of the instruction at `pc`, at a register where such an access acts.

        An instruction that was told often enough is not looked at any more: states of large cards take their time.
        """
        if self._told[pc, seat.slot] >= KEPT_PER_RULE:
            return
        self.under_way = self._next_is_spare = True
        self._before = _state(seat, cycle)

    def seen(
        self,
        seat: Seat,
        register: Register | None,
        address: int,
        offset: int,
        value: int,
        cycle: int,
        is_write: bool,
    ) -> None:
        """A register was accessed by an instruction that is `under_way`."""
        spare, before = self._next_is_spare, self._before
        self._next_is_spare, self._before = False, None
        self.written = self.written or is_write
        changed = spare and (before is None or _state(seat, cycle) != before)
        if not changed and not self._accesses:
            return
        if is_write and seat.takes_data is not None:
            value = seat.takes_data[value]
        access = _Access(seat, register, address, offset, value, cycle, is_write, spare, before)
        self._accesses.append(access)
        if changed:
            self._harmful.append(access)

    def forget(self) -> None:
        """The instruction is over, or was cut off."""
        self.under_way = self.written = self._next_is_spare = False
        self._accesses.clear()
        self._harmful.clear()

    def finish(self, pc: int, name: str) -> None:
        """The instruction `name` at `pc` is over."""
        for access in self._harmful:
            rest = [one for one in self._accesses[self._accesses.index(access) + 1 :] if one.seat is access.seat]
            register = access.register
            assert register is not None
            if not self._hurts(access, rest):
                continue
            where = f"register {register.name} of {access.seat.title} at ${access.address:04X}"
            if access.is_write:
                rule = "double-write"
                message = f"{name} writes {where} twice, first the byte it has read, ${access.value:02X}"
                effect = f"a write there {register.write_effect}"
            else:
                rule = "dummy-access"
                message = f"A spare cycle of {name} reads {where}, which changes what the card holds"
                effect = f"a read there {register.read_effect}"
            self._told[pc, access.seat.slot] += 1
            self._notes.add(
                rule,
                access.cycle,
                f"{message}; {effect}.",
                pc=pc,
                address=access.address,
                slot=access.seat.slot,
            )
        self.forget()

    def _hurts(self, spare: _Access, rest: list[_Access]) -> bool:
        """Whether the instruction would have ended otherwise without the spare access."""
        if not rest or spare.before is None:
            return True
        try:
            specimen = self._specimens.get(spare.seat.slot)
            if specimen is None:
                specimen = self._specimens[spare.seat.slot] = _Specimen(self._machine, spare.seat)
            if specimen.after(spare.before, [spare, *rest]) != specimen.after(spare.before, rest):
                return True
            return spare.is_write and specimen.starts_again(spare.before, rest[-1])
        except CardError:  # the register table has said that there is an effect
            return True


def _state(seat: Seat, cycle: int) -> _State | None:
    """State of a card within `cycle`; None for one that tells nothing."""
    try:
        saved = seat.save(cycle)
    except CardError as error:
        if not isinstance(error.__cause__, Exception):
            raise  # it meant to end the program
        saved = {}
    if not saved:
        return None
    return _State(pickle.dumps((saved, {name: pin.value for name, pin in seat.connector.pins.items()})))


class _Specimen:
    """Another card of the same kind and settings, on a bus of its own, where it can do no harm."""

    def __init__(self, machine: Machine, seat: Seat) -> None:
        original, description = seat.connector, machine.description
        self._findings = Findings()
        bus = Bus(self._findings, seed=description.seed)
        slot = Slot(seat.slot, description.clock_hz, description.seed, self._findings, bus)
        for name, pin in original.pins.items():
            slot.pins[name] = Pin(pin.spec, seat.slot)
        made: Card = seat.guard.ask(seat, BETWEEN, "__init__", seat.settings, slot, function=type(seat.card))
        strobes = seat.select, seat.output_enable, seat.write_enable
        self._seat = Seat(made, seat.slot, seat.kind, *strobes, connector=slot, settings=seat.settings)
        bus.seat(self._seat)
        self._seat.power_on()
        # An interrupt that is let go a cycle sooner is the same to the CPU: it looks after the instruction.
        requests = {name for name, pin in original.pins.items() if pin.line and pin.line.name in ("IRQ", "NMI")}
        self._shown = [pin for name, pin in slot.pins.items() if name not in requests]

    def after(self, state: _State, accesses: list[_Access]) -> _Outcome:
        """What comes of some accesses."""
        self._take(state)
        read: list[int] = []
        shown = [self._levels()]
        for access in accesses:
            if access.is_write:
                self._seat.write(access.offset, access.value, access.cycle)
            else:
                value = self._seat.read(access.offset, access.cycle)
                if not access.spare:
                    read.append(value)
            levels = self._levels()
            if levels != shown[-1]:
                shown.append(levels)
        return _Outcome(_state(self._seat, accesses[-1].cycle), read, shown, self._findings.counts())

    def starts_again(self, state: _State, access: _Access) -> bool:
        """Whether the write starts something, so that a second one of the same byte starts it again."""
        self._take(state)
        self._seat.write(access.offset, access.value, access.cycle)
        before = _state(self._seat, access.cycle + 1)
        self._seat.write(access.offset, access.value, access.cycle + 1)
        return _state(self._seat, access.cycle + 1) != before

    def _take(self, state: _State) -> None:
        saved, pins = state.value()
        self._seat.load(saved)
        for name, value in pins.items():
            self._seat.connector.pins[name].value = value
        self._findings.clear()

    def _levels(self) -> list[bool | None]:
        return [pin.value for pin in self._shown]
