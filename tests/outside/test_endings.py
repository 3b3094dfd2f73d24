"""However a recording ends before its run does, the file can be read, and the run goes on as if unwatched."""

import contextlib
import os
from fractions import Fraction

import pytest

from simkit import Machine
from simkit.contract.errors import CardError, SimkitError
from simkit.outside import entries as entries_module
from simkit.outside import journal as journal_module
from simkit.outside import recording as recording_module
from simkit.outside.entries import OPENS_POWER_ON, SHAPES
from simkit.outside.journal import Journal, record
from simkit.outside.player import Player, replay
from simkit.outside.recording import read_recording


def load(seed=3, **options):
    return Machine.load("demo:marlpit", seed=seed, **options)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a.rec"


@pytest.fixture(autouse=True)
def many_hashes(monkeypatch):
    monkeypatch.setattr(journal_module, "HASH_SECONDS", Fraction(1, 50))


@pytest.fixture
def told():
    return []


def power(machine, journal):
    machine.power_cycle()
    return machine


def state(machine, journal):
    machine.load_state(machine.save_state())
    return machine


def anew(machine, journal):
    fresh = load()
    journal.go_on_with(fresh)
    return fresh


def poked(machine, journal):
    machine.poke(0x300, 5)
    return machine


def set_by_hand(machine, journal):
    machine.cpu.x ^= 1
    return machine


def pressed(machine, journal):
    machine.pads[1].press("a")
    return machine


def button(machine, journal):
    machine.reset()
    return machine


def marked(machine, journal):
    journal.chapter("here")
    return machine


def waited(machine, journal):
    machine.run(cycles=41_000)
    return machine


ACTS = {
    "power": power,
    "state loaded": state,
    "reload": anew,
    "state poke": poked,
    "state registers": set_by_hand,
    "input": pressed,
    "reset": button,
    "chapter": marked,
    "hash": waited,
}


def test_each_kind_of_entry_is_tried_here():
    assert set(ACTS) == set(SHAPES) - {"end"}
    assert set(ACTS) > OPENS_POWER_ON


def ended_at(kind, path, told, close_in):
    """Record up to a limit that `close_in` sets around the act, which writes an entry of the kind, and read it."""
    machine = load()
    journal = Journal(machine, path, tell=told.append)
    machine.run(cycles=1000)
    with close_in(journal):
        now = ACTS[kind](machine, journal)
        now.run(cycles=100_000)
        now.poke(0x301, 6)
        now.run(cycles=100_000)
        journal.close()
    assert journal.ended
    assert told == [journal.problem]
    for one in (machine, now):
        assert one.histories == one.bus.watchers.runs == one.bus.watchers.outside == []
    recording = read_recording(path)
    player = replay(load(), path)
    assert player.difference is None
    assert player.played == recording.cycles
    return recording


@pytest.mark.parametrize("kind", ACTS)
@pytest.mark.parametrize("room", [0, 1])
def test_the_limit_of_entries_may_be_met_at_any_kind_of_entry(path, told, monkeypatch, kind, room):
    @contextlib.contextmanager
    def few(journal):
        monkeypatch.setattr(journal_module, "MAX_ENTRIES", journal._entries + 1 + room)
        yield

    recording = ended_at(kind, path, told, few)
    assert "are the most" in recording.why


@pytest.mark.parametrize("kind", ACTS)
@pytest.mark.parametrize("room", [0, 600])
def test_the_limit_of_bytes_may_be_met_at_any_kind_of_entry(path, told, monkeypatch, kind, room):
    @contextlib.contextmanager
    def small(journal):
        monkeypatch.setattr(journal_module, "MAX_FILE_BYTES", journal._size + journal_module.END_BYTES + room)
        yield

    recording = ended_at(kind, path, told, small)
    assert "are the most" in recording.why


@pytest.mark.parametrize("kind", ["reload", "state loaded"])
def test_a_line_too_long_ends_the_recording(path, told, monkeypatch, kind):
    @contextlib.contextmanager
    def short(journal):
        monkeypatch.setattr(entries_module, "MAX_LINE_BYTES", 5000)
        yield

    recording = ended_at(kind, path, told, short)
    assert f"no recording can hold what came then ({kind}, makes a line of" in recording.why
    assert recording.end.power_on == 1


@pytest.mark.parametrize("kind", ACTS)
@pytest.mark.parametrize("left", [0, 40])
def test_the_disk_may_be_full_at_any_kind_of_entry(path, told, monkeypatch, kind, left):
    @contextlib.contextmanager
    def full(journal):
        room, write = [left], os.write

        def some(handle, data):
            if not room[0]:
                raise OSError(28, "No space left on device")
            taken = bytes(data)[: room[0]]
            room[0] -= len(taken)
            return write(handle, taken)

        monkeypatch.setattr(os, "write", some)
        yield
        monkeypatch.undo()

    recording = ended_at(kind, path, told, full)
    assert recording.cut
    assert "No space left on device" in told[0]


@pytest.mark.parametrize("kind", ACTS)
@pytest.mark.parametrize("when", ["before", "in", "behind"])
def test_ctrl_c_while_a_line_is_written_leaves_whole_lines(path, monkeypatch, kind, when):
    """A second Ctrl-C comes at any place; what is written afterwards would stand behind half a line."""
    machine = load()
    journal = Journal(machine, path)
    machine.run(cycles=1000)
    write = os.write

    def pressed(handle, data):
        monkeypatch.undo()
        if when != "before":
            write(handle, data if when == "behind" else bytes(data)[:20])
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "write", pressed)
    with contextlib.suppress(KeyboardInterrupt):
        ACTS[kind](machine, journal)
        machine.run(cycles=100_000)
    monkeypatch.undo()
    journal.close()
    assert "ends at its last whole line" in journal.problem
    assert machine.histories == machine.bus.watchers.runs == []
    assert read_recording(path).cut
    assert replay(load(), path).difference is None


@pytest.mark.parametrize("cycles", [5, 3_000_000, -500])
def test_a_cycle_number_set_by_hand_ends_the_recording_where_the_machine_stood(path, monkeypatch, cycles):
    monkeypatch.setattr(recording_module, "MAX_GAP_SECONDS", 1)
    machine = load()
    journal = Journal(machine, path)
    machine.run(cycles=1000)
    here = machine.cycle
    machine.cpu.cycle += cycles
    with contextlib.suppress(SimkitError):
        machine.run(cycles=10)
    journal.close()
    recording = read_recording(path)
    assert (recording.end.cycle, recording.why) == (here, "the cycle number was set by hand")
    replay(load(), path)


def test_a_place_too_far_behind_the_last_ends_the_recording_there(path, monkeypatch):
    """As where the CPU is held in one instruction for hours."""
    monkeypatch.setattr(journal_module, "HASH_SECONDS", 20)
    monkeypatch.setattr(recording_module, "MAX_GAP_SECONDS", 1)
    machine = load()
    journal = Journal(machine, path)
    machine.run(cycles=1000)
    journal.chapter("one")
    machine.outside(-1, "machine", "reset", True)
    machine.run(seconds=1.1)
    machine.poke(0x300, 1)
    journal.close()
    recording = read_recording(path)
    assert "hours behind" in recording.why
    assert recording.end.cycle < 2000


def test_a_machine_loaded_anew_that_cannot_be_recorded_ends_the_recording_with_a_word(path, told, monkeypatch):
    machine = load()
    journal = Journal(machine, path, tell=told.append)
    machine.run(cycles=1000)
    fresh = load()

    def save():
        raise CardError("slot 4: the board has no memory of itself")

    monkeypatch.setattr(fresh, "save_state", save)
    journal.go_on_with(fresh)
    assert told == [journal.problem]
    assert "the machine loaded anew cannot be recorded: slot 4: the board has no memory of itself" in told[0]
    fresh.run(cycles=100_000)
    assert fresh.histories == machine.histories == []
    assert read_recording(path).end.cycle == machine.cycle


# what is played may be recorded ---------------------------------------------------------------------------------------


def test_a_recording_that_is_played_and_recorded_gives_the_same_history(path, tmp_path):
    machine = load()
    with record(machine, path) as journal:
        machine.run(cycles=1000)
        machine.pads[1].press("a")
        machine.run(cycles=1000)
        machine.power_cycle()
        machine.run(cycles=1000)
        fresh = load(images={2: bytes([0xEA]) + machine.images()[2][1:]})
        journal.go_on_with(fresh)
        fresh.run(cycles=1000)
        fresh.poke(0x300, 7)
        fresh.load_state(fresh.save_state())
        fresh.pads[1].press("b")
        fresh.run(cycles=1000)
    again = tmp_path / "b.rec"
    machine = load()
    player = Player(machine, read_recording(path))
    with record(machine, again) as journal:
        while not player.ended:
            player.run(700)
        assert journal.machine is player.machine
        player.machine.run(cycles=500)
        end = player.machine
    first, second = (list(read_recording(file).entries()) for file in (path, again))
    assert second[: len(first) - 2] == first[:-2]  # but for the last hash and the end
    assert replay(load(engine="exact"), again).machine.state_hashes() == end.state_hashes()
