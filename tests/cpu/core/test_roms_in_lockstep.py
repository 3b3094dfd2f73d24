"""The demo machine's ROMs with scripted input on both engines: state, card accesses, findings and pictures agree."""

from pathlib import Path
from types import MethodType

import pytest

from simkit import Machine
from simkit.contract import Card
from simkit.cpu.core.engine import _CYCLE

ROMS = Path(__file__).parents[3] / "roms"
NAMES = ("slug-watch", "catalogue", "keyboard-test", "pad-test", "video-test-card", "hello")
KEYS = ("a", "enter", "b", "up", "1", "space")
BUTTONS = ("start", "right", "down", "left", "up", "a", "b", "select")


class Recorded:
    """A machine whose card accesses are logged: (cycle, slot, what, offset, value)."""

    def __init__(self, name: str, engine: str, clock: str, *, skipping: bool = True) -> None:
        image = ROMS / f"{name}.bin"
        self.machine = Machine.load("demo:marlpit", images={2: image}, engine=engine, clock=clock)
        self.log: list[tuple[int, int, str, int, int]] = []
        for seat in self.machine.bus.seats:
            if seat.plain is None:
                self._wrap(seat)
        self.skips: list[tuple[int, int, int]] = []
        self._watch_skips(skipping)

    def _watch_skips(self, skipping: bool) -> None:
        cpu = self.machine.cpu
        skip = cpu._skip_rounds

        def noted(cycle: int, period: int) -> None:
            if skipping:
                skip(cycle, period)
                skipped = cpu._longs[_CYCLE] - cycle - 1
                if skipped:
                    self.skips.append((cycle, period, skipped))

        cpu._skip_rounds = noted

    def _wrap(self, seat) -> None:
        read, write, slot, log = seat.card.read, seat.card.write, seat.slot, self.log

        def logged_read(offset, cycle):
            value = read(offset, cycle)
            log.append((cycle, slot, "read", offset, value))
            return value

        def logged_write(offset, value, cycle):
            log.append((cycle, slot, "write", offset, value))
            write(offset, value, cycle)

        seat.card.read, seat.card.write = logged_read, logged_write
        seat.card.write_late = MethodType(Card.write_late, seat.card)  # one after the other, so that each is logged

    def accesses(self) -> list[tuple[int, int, str, int, int]]:
        """The log with the polls that were counted instead of run."""
        log = list(self.log)
        for cycle, period, skipped in self.skips:
            round_ = [entry for entry in self.log if cycle - period < entry[0] <= cycle]
            log += [(at + n, *rest) for at, *rest in round_ for n in range(period, skipped + 1, period)]
        return sorted(log)

    def play(self, turn: int) -> None:
        """Fingers: the same on every machine."""
        machine = self.machine
        if turn % 3 == 1:
            machine.keys.press(KEYS[turn // 3 % len(KEYS)])
            machine.keys.release(KEYS[turn // 3 % len(KEYS)], at=machine.cycle + 60_000)
        if turn % 2 == 1:
            pad = machine.pads[1 + turn // 2 % 2]
            pad.press(BUTTONS[turn // 2 % len(BUTTONS)])
            pad.release(BUTTONS[turn // 2 % len(BUTTONS)], at=machine.cycle + 50_000)


def _compare(name: str, cycles: int, clock: str, stretch: int) -> None:
    machines = [
        Recorded(name, "exact", clock),
        Recorded(name, "auto", clock),
        Recorded(name, "auto", clock, skipping=False),
    ]
    turn = 0
    while machines[0].machine.cycle < cycles:
        for recorded in machines:
            recorded.play(turn)
            recorded.machine.run(cycles=stretch)
        turn += 1
        exact = machines[0]
        for recorded in machines[1:]:
            assert recorded.machine.cycle == exact.machine.cycle
            assert recorded.accesses() == exact.accesses()
            assert list(recorded.machine.findings) == list(exact.machine.findings)
            assert recorded.machine.save_state() == exact.machine.save_state()
            assert bytes(recorded.machine.screen.pixels) == bytes(exact.machine.screen.pixels)
        for recorded in machines:
            recorded.log.clear()
            recorded.skips.clear()


@pytest.mark.parametrize(("name", "cycles"), [(name, 900_000 if name == "slug-watch" else 220_000) for name in NAMES])
def test_a_rom_with_scripted_input_cannot_tell_the_engines_apart(name, cycles):
    """2 million cycles in all."""
    _compare(name, cycles, "2 MHz", 73_337)


@pytest.mark.slow  # 22 million cycles, with the clock at which the cards leave their limits too
@pytest.mark.parametrize("clock", ["2 MHz", "4 MHz"])
@pytest.mark.parametrize(
    ("name", "cycles"), [(name, 5_000_000 if name == "slug-watch" else 1_200_000) for name in NAMES]
)
def test_roms_cannot_tell_the_engines_apart_for_long(name, cycles, clock):
    _compare(name, cycles, clock, 111_111)
