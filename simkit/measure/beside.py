"""What costs the core speed, measured beside the same machine without it: each row is a ratio within one run.

Code that runs once, exchanged data lines and wait states are measured with one mixture of instructions, beside a loop
of it on a straight machine; a run that is recorded, checked, counted or timed beside one that nobody watches.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import ClassVar

import attrs

from simkit.backplane.wiring import of_pins
from simkit.check.watches.watch import Watch
from simkit.machine.machine import Machine
from simkit.machinefile.description import Description
from simkit.machinefile.read import read_description
from simkit.measure.cards import (
    YARDSTICK_ADDRESS,
    YARDSTICK_SLOT,
    EmptyCard,
    EmptySettings,
    card_description,
    with_cards,
)
from simkit.measure.engines import DEMO, TURNS, WARM_UP_CYCLES, WORKLOADS, turn
from simkit.spent.watch import SpentWatch
from simkit.testing.coverage import CoverageWatch

RUN_CYCLES = 1_000_000

_MIX = bytes.fromhex("18A510691785 10A2074511 8511E612 B51895 28")
"""clc, lda $10, adc #$17, sta $10, ldx #7, eor $11, sta $11, inc $12, lda $18,x, sta $28,x: 29 cycles."""


class WaitingCard(EmptyCard):
    """A register that asks for a cycle more."""

    kind: ClassVar[str] = "waiting"

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        """One."""
        return 1


@attrs.frozen
class Beside:
    """What came out, in millions of machine cycles a second.

    Attributes:
        name: what is measured.
        to: beside what.
        mhz: its speed.
        other_mhz: the speed of the other.
    """

    name: str
    to: str
    mhz: float
    other_mhz: float

    @property
    def ratio(self) -> float:
        """To the other."""
        return self.mhz / self.other_mhz


def measure_beside(report: Callable[[str], None] = lambda name: None) -> list[Beside]:
    """Measure all rows; `report` is called with the name of each before it is measured."""
    rows: list[tuple[str, str, Callable[[], Callable[[], int]], Callable[[], Callable[[], int]]]] = [
        ("cold code", "the same in a loop", lambda: _coded(_cold()), lambda: _coded(_hot())),
        ("exchanged data lines", "straight RAM", lambda: _crossed(exchanged=True), lambda: _crossed(exchanged=False)),
        ("4 MHz, wait states", "no wait states", lambda: _waiting(WaitingCard), lambda: _waiting(EmptyCard)),
        ("recorded", "plain Marlpit", lambda: _watched(_recorded), lambda: _watched(_plain)),
        ("check", "recorded Marlpit", lambda: _watched(_checked), lambda: _watched(_recorded)),
        ("coverage", "plain Marlpit", lambda: _watched(_counted), lambda: _watched(_plain)),
        ("time", "recorded Marlpit", lambda: _watched(_timed), lambda: _watched(_recorded)),
        ("time of many calls", "the same unmeasured", lambda: _calling(_timed), lambda: _calling(_plain)),
        ("check with time", "check", lambda: _watched(_checked_and_timed), lambda: _watched(_checked)),
    ]
    found = []
    for name, to, one, other in rows:
        report(name)
        runners, best = (one(), other()), [0.0, 0.0]
        for _ in range(TURNS):
            for number, run in enumerate(runners):
                best[number] = max(best[number], turn(run))
        found.append(Beside(name, to, *best))
    return found


# machines -----------------------------------------------------------------------------------------------------------


def _runs(machine: Machine) -> Callable[[], int]:
    def run() -> int:
        before = machine.cycle
        machine.run(cycles=RUN_CYCLES)
        return machine.cycle - before

    while machine.cycle < WARM_UP_CYCLES:
        run()
    return run


def _image(code: bytes) -> bytes:
    image = bytearray(code.ljust(0x8000, b"\xea"))
    image[0x7FFA:0x8000] = bytes.fromhex("008000800080")
    return bytes(image)


def _coded(code: bytes) -> Callable[[], int]:
    return _runs(Machine(read_description(DEMO), {2: _image(code)}))


def _cold() -> bytes:
    """Straight on through the whole ROM: each instruction once a round."""
    times = (0x7F00 - 3) // len(_MIX)
    return _MIX * times + bytes.fromhex("4C0080")


def _hot() -> bytes:
    return _MIX * 8 + bytes.fromhex("4C0080")


def _crossed(*, exchanged: bool) -> Callable[[], int]:
    description = read_description(DEMO)
    (ram,) = (card for card in description.cards if card.slot == 1)
    exchanged_pins = of_pins({"D0": "D7", "D7": "D0"}, 1)
    if exchanged:
        description = with_cards(description, attrs.evolve(ram, wiring=ram.wiring + exchanged_pins))
    return _runs(Machine(description, {2: _image(_hot())}))


def _waiting(card: type[EmptyCard]) -> Callable[[], int]:
    """A look at the I/O page in 470 cycles: about as often as the game on Marlpit reaches for its cards."""
    at = f"{YARDSTICK_ADDRESS:016b}"
    guest = card_description(card.kind, card, YARDSTICK_SLOT, at, settings=EmptySettings())
    description: Description = attrs.evolve(read_description(DEMO), clock_hz=Fraction(4_000_000))
    low, high = YARDSTICK_ADDRESS & 0xFF, YARDSTICK_ADDRESS >> 8
    code = _MIX * 16 + bytes((0xAD, low, high)) + bytes.fromhex("4C0080")
    return _runs(Machine(with_cards(description, guest), {2: _image(code)}))


# who watches --------------------------------------------------------------------------------------------------------


def _watched(watch: Callable[[Machine], object]) -> Callable[[], int]:
    machine = Machine.load(DEMO)
    kept = watch(machine)

    go = _runs(machine)

    def run(_kept: object = kept) -> int:
        return go()

    return run


def _plain(machine: Machine) -> object:
    return None


def _recorded(machine: Machine) -> object:
    return machine.bus.record(lambda records: None)


def _checked(machine: Machine) -> object:
    return Watch(machine)


def _counted(machine: Machine) -> object:
    return CoverageWatch(machine)


def _timed(machine: Machine) -> object:
    return SpentWatch(machine)


def _checked_and_timed(machine: Machine) -> object:
    return Watch(machine), SpentWatch(machine)


def _calling(watch: Callable[[Machine], object]) -> Callable[[], int]:
    """Small routines that call each other: a call or a return in some nine cycles."""
    (workload,) = (one for one in WORKLOADS if one.name == "subroutines")
    machine = Machine(read_description(DEMO), {2: _image(workload.code or b"")})
    kept = watch(machine)
    go = _runs(machine)

    def run(_kept: object = kept) -> int:
        return go()

    return run
