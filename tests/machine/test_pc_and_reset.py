"""A PC set by hand counts, or is refused: RESET never takes it away without a word."""

import pytest

from simkit import Machine
from simkit.contract.errors import CardError, SimkitError
from simkit.outside.journal import record
from simkit.outside.player import replay

MACHINE = """\
name = "Bare"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
not_select = ["0111 1111 1111 1111"]
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "rom.bin"
[card.settings]
size = 32768
[[card]]
slot = 3
kind = "file:supervisor.py:Supervisor"
select = "0111 1111 1111 1111"
lines = { RES = "RESET" }
"""
SUPERVISOR = '''\
"""Pulls RESET low in cycles 101 to 149; a write of 1 pulls it at once, for good."""
from simkit.contract import Card, Drive, PinSpec, Register, setting
import attrs

@attrs.frozen(kw_only=True)
class Settings:
    fails: bool = setting(False, help="raises in cycle 101")

class Supervisor(Card):
    kind = "supervisor"
    Settings = Settings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "pull", "w"),)

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="RES", drive=Drive.OPEN_DRAIN, help="reset of the supervisor"),)

    def __init__(self, settings, slot):
        self.slot = slot
        self.settings = settings

    def power_on(self, cycle):
        self.slot.at(101, "low")

    def event(self, name, cycle):
        if self.settings.fails:
            raise ValueError("out of order")
        self.slot.pins["RES"].drive(False if name == "low" else None, cycle)
        if name == "low":
            self.slot.at(cycle + 49, "high")

    def peek(self, offset, cycle):
        return 0

    def read(self, offset, cycle):
        return 0

    def write(self, offset, value, cycle):
        self.slot.pins["RES"].drive(False, cycle)

    def save(self, cycle):
        return {}

    def load(self, state):
        pass

    def advance(self, cycle):
        pass

    def reset(self, asserted, cycle):
        pass
'''
NOP, VECTOR = 0xEA, 0x8000


@pytest.fixture(params=["exact", "auto"])
def load(request, tmp_path):
    rom = bytearray([NOP]) * 0x8000
    rom[0x7FFC:0x7FFE] = VECTOR.to_bytes(2, "little")
    (tmp_path / "rom.bin").write_bytes(rom)
    (tmp_path / "supervisor.py").write_text(SUPERVISOR)
    (tmp_path / "machine.toml").write_text(MACHINE)

    def made(**words):
        return Machine.load(tmp_path, engine=request.param, **words)

    return made


def button(m, low, at=None):
    m.outside(-1, "machine", "reset", low, at=at)


def at_power_on(m):
    pass


def in_the_middle_of_the_sequence(m):
    for _ in range(3):
        m.step_cycle()


def button_pressed_just_now(m):
    m.run(cycles=20)
    m.reset()


def button_to_come_in_the_cycle_at_which_it_stands(m):
    m.run(cycles=20)
    button(m, True, at=31)
    button(m, False, at=60)
    m.run(cycles=31 - m.cycle)


def button_held(m):
    m.run(cycles=20)
    button(m, True)
    m.run(cycles=5)
    button(m, False, at=m.cycle + 20)


def button_just_let_go(m):
    m.run(cycles=20)
    button(m, True)
    m.run(cycles=5)
    button(m, False)


def card_that_pulls_reset_in_the_cycle_that_comes(m):
    m.run(cycles=101)


def card_that_holds_reset(m):
    m.run(cycles=120)


def card_that_was_told_to_pull_reset(m):
    for number, byte in enumerate(bytes.fromhex("8DFF7F")):  # sta $7fff
        m.poke(0x200 + number, byte)
    m.run(cycles=7)
    m.cpu.pc = 0x200
    m.step()


def power_switched_off_and_on(m):
    m.run(cycles=30)
    m.power_cycle()


def state_taken_while_reset_was_low(m):
    button_held(m)
    state = m.save_state()
    m.run(cycles=60)
    m.load_state(state)


COMING = [
    at_power_on, in_the_middle_of_the_sequence, button_pressed_just_now,
    button_to_come_in_the_cycle_at_which_it_stands, button_held, button_just_let_go,
    card_that_pulls_reset_in_the_cycle_that_comes, card_that_holds_reset, card_that_was_told_to_pull_reset,
    power_switched_off_and_on, state_taken_while_reset_was_low,
]  # fmt: skip
GOING = [
    lambda m: m.run(cycles=1),
    lambda m: m.step(),
    lambda m: m.step_cycle(),
    lambda m: m.run(until=lambda m: False, timeout=0.001),
]


@pytest.mark.parametrize("coming", COMING, ids=lambda one: one.__name__)
def test_a_pc_that_reset_would_take_away_is_refused_and_nothing_has_changed(coming, load):
    for go in GOING:
        m = load()
        coming(m)
        before = m.cpu.pc
        m.cpu.pc = 0x9000
        with pytest.raises(SimkitError, match=r"m.cpu.pc was set to \$9000, which would be lost.*RESET") as told:
            go(m)
        assert "Set it" in told.value.remedy
        assert m.cpu.pc == before
    m.run(cycles=1)  # the machine goes on as if it had never been set
    untouched = load()
    coming(untouched)
    untouched.run(cycles=1)
    assert m.state_hashes() == untouched.state_hashes()


@pytest.mark.parametrize("coming", [button_pressed_just_now, card_that_holds_reset, at_power_on])
def test_the_remedy_that_is_told_works(coming, load):
    m = load()
    coming(m)
    m.step()
    m.run(until=lambda m: not m.cpu.reset_due)
    m.cpu.pc = 0x9000
    m.step()
    assert m.cpu.pc == 0x9001


def test_a_pc_counts_when_reset_comes_later(load):
    m = load()
    m.run(cycles=20)
    m.cpu.pc = 0x9000
    button(m, True, at=m.cycle + 1)
    m.step_cycle()
    assert m.last(1)[0].address == 0x9000


def test_a_pc_set_while_the_cpu_is_halted_is_refused_unless_it_is_freed(load):
    m = load()
    m.run(cycles=7)
    m.poke(0x200, 0xDB)  # STP; W65C02S data sheet, section 4
    m.cpu.pc = 0x200
    m.step()
    m.cpu.pc = 0x9000
    with pytest.raises(SimkitError, match=r"would be lost: the CPU is stopped by STP at \$0200") as told:
        m.run(cycles=10)
    assert "m.cpu.halted = None" in told.value.remedy
    m.cpu.pc, m.cpu.halted = 0x9000, None
    m.step()
    assert m.cpu.pc == 0x9001


def test_a_start_of_the_machine_is_told_where_a_pc_is_refused(load):
    m = load(start=0x8100)
    m.cpu.pc = 0x9000
    with pytest.raises(SimkitError, match=r"its start says, \$8100"):
        m.step()
    for _ in range(3):
        m.run(until=lambda m: not m.cpu.reset_due)
        assert m.cpu.pc == 0x8100
        m.reset()
        m.step()


def test_a_card_that_fails_in_the_cycle_that_is_looked_at_is_told(load):
    m = load(settings={3: {"fails": True}})
    m.run(cycles=100)
    m.cpu.pc = 0x9000
    with pytest.raises(CardError, match="out of order"):
        m.run(cycles=10)
    assert not m.cpu.running


@pytest.mark.parametrize("coming", [button_pressed_just_now, card_that_pulls_reset_in_the_cycle_that_comes])
def test_a_refused_pc_stands_in_no_recording_and_the_rest_is_played_as_it_was(coming, load, tmp_path):
    m = load()
    with record(m, tmp_path / "a.rec"):
        coming(m)
        m.cpu.pc = 0x9000
        with pytest.raises(SimkitError, match="would be lost"):
            m.run(cycles=10)
        m.run(cycles=150)
        m.cpu.pc = 0x9000
        m.run(cycles=100)
    for engine in ("exact", "auto"):
        player = replay(Machine.load(tmp_path, engine=engine), tmp_path / "a.rec")
        assert player.compared
        assert player.machine.state_hashes() == m.state_hashes()
