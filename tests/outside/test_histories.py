"""A random history that was recorded is gone through again: the state is the same, on either engine."""

from fractions import Fraction
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.machine.views import Buttons, Keys, Pads, Serial
from simkit.machinefile.read import read_description
from simkit.outside import journal as journal_module
from simkit.outside.journal import record
from simkit.outside.player import replay
from simkit.outside.recording import read_recording
from tests.examples import examples

DEMOS = ("marlpit", "bench", "lamps-and-buttons", "keyboard-test")


@cache
def described(demo):
    return read_description(f"demo:{demo}")


def machine_of(demo, engine="auto", images=None):
    return Machine(described(demo), images, engine=engine)


_byte = st.integers(0, 255)
_some = st.integers(0, 10_000)
ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("run"), st.integers(1, 60_000)),
        st.tuples(st.just("run"), st.integers(1, 300)),
        st.tuples(st.just("step"), st.integers(1, 3)),
        st.tuples(st.just("input"), _some),
        st.tuples(st.just("input"), _some),
        st.tuples(st.just("later"), _some),
        st.tuples(st.just("reset"), st.just(0)),
        st.tuples(st.just("power"), st.just(0)),
        st.tuples(st.just("poke"), st.integers(0, 0x3FF)),
        st.tuples(st.just("poke rom"), _byte),
        st.tuples(st.just("register"), _byte),
        st.tuples(st.just("save"), st.just(0)),
        st.tuples(st.just("load"), st.just(0)),
        st.tuples(st.just("reload"), _byte),
        st.tuples(st.just("chapter"), st.just(0)),
        st.tuples(st.just("engine"), st.integers(0, 1)),
    ),
    min_size=1,
    max_size=25,
)


class Hands:
    """Does what a history says, to a machine that a journal records."""

    def __init__(self, machine, journal):
        self.machine, self.journal = machine, journal
        self._saved = None
        self._rom_changed = False

    def do(self, action, number):
        machine = self.machine
        match action:
            case "run":
                machine.run(cycles=number)
            case "step":
                for _ in range(number):
                    machine.step()
            case "input":
                press(machine, number, None)
            case "later":
                press(machine, number, machine.cycle + number % 5000)
            case "reset":
                machine.reset()
            case "power":
                machine.power_cycle()
                if self._rom_changed:  # a state is of the ROM that was there
                    self._saved, self._rom_changed = None, False
            case "poke":
                machine.poke(number, number & 0xFF)
            case "poke rom":
                machine.poke(0xFF00 + number, number)
                self._saved, self._rom_changed = None, True
            case "register":
                name = ("a", "x", "y", "p", "sp")[number % 5]
                setattr(machine.cpu, name, number)
            case "save":
                self._saved = machine.save_state()
            case "load" if self._saved is not None:
                machine.load_state(self._saved)
            case "reload":
                images = {slot: image[:-1] + bytes([number]) for slot, image in machine.images().items()}
                self.machine = Machine(machine.description, images, engine=machine.engine)
                self.journal.go_on_with(self.machine)
                self._saved, self._rom_changed = None, False
            case "chapter":
                self.journal.chapter()
            case "engine":
                machine.engine = ("exact", "auto")[number]


def press(machine, number, at):
    """One of the things that can come to a machine from outside."""
    action = ("press", "release")[number % 2]
    ways = [(getattr(keys, action), keys.port.keys[number % len(keys.port.keys)]) for keys in machine.ports(Keys)]
    for pads in machine.ports(Pads):
        pad = pads[1 + number % len(pads)]
        ways.append((getattr(pad, action), pads.port.buttons[number % len(pads.port.buttons)]))
        ways.append(((pad.plug, pad.unplug)[number % 2],))
    ways += [(serial.send, bytes([number & 0xFF])) for serial in machine.ports(Serial)]
    ways += [(getattr(row, action), row.port.labels[number % len(row.port.labels)]) for row in machine.ports(Buttons)]
    if ways:
        way, *what = ways[number // 7 % len(ways)]
        way(*what, at=at)


@pytest.fixture(autouse=True)
def many_hashes(monkeypatch):
    monkeypatch.setattr(journal_module, "HASH_SECONDS", Fraction(1, 100))


def gone_through(path, demo, engine, actions):
    """A machine that went through a history, and how it stands at its end."""
    path.unlink(missing_ok=True)
    machine = machine_of(demo, engine)
    with record(machine, path) as journal:
        hands = Hands(machine, journal)
        for action in actions:
            hands.do(*action)
    return hands.machine


@given(demo=st.sampled_from(DEMOS), engines=st.permutations(["exact", "auto"]), actions=ACTIONS)
@settings(max_examples=examples(40), deadline=None)
def test_a_random_history_is_replayed_to_the_same_state(tmp_path_factory, demo, engines, actions):
    path = tmp_path_factory.getbasetemp() / "random.rec"
    then = gone_through(path, demo, engines[0], actions)
    player = replay(machine_of(demo, engines[1]), path)
    assert player.machine.cycle == then.cycle
    assert player.machine.state_hashes() == then.state_hashes()
    assert player.machine.fingerprint == then.fingerprint
    assert player.compared >= 1
    assert player.played == read_recording(path).cycles


@pytest.mark.slow
@given(demo=st.sampled_from(DEMOS), engines=st.permutations(["exact", "auto"]), actions=ACTIONS)
@settings(max_examples=1500, deadline=None)
def test_many_random_histories_are_replayed_to_the_same_state(tmp_path_factory, demo, engines, actions):
    path = tmp_path_factory.getbasetemp() / "random.rec"
    then = gone_through(path, demo, engines[0], actions)
    player = replay(machine_of(demo, engines[1]), path)
    assert player.machine.state_hashes() == then.state_hashes()
