"""What a journal writes down, when it ends, and what it tells."""

import contextlib
import json
import os
import re
import signal
from pathlib import Path

import pytest
from simkit_cards.tile_video.card import TileVideo

from simkit import Machine
from simkit.contract.errors import FileError, SimkitError
from simkit.outside import journal as journal_module
from simkit.outside.journal import Journal, record
from simkit.outside.player import replay
from simkit.outside.recording import read_recording


@pytest.fixture
def machine():
    return Machine.load("demo:marlpit", seed=3)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a.rec"


def kinds(path):
    return [entry.kind for entry in read_recording(path).entries()]


def as_replayed(path, machine):
    """The machine that a replay ends with is this one."""
    player = replay(Machine.load("demo:marlpit", seed=3), path)
    assert player.machine.cycle == machine.cycle
    assert player.machine.state_hashes() == machine.state_hashes()
    return player


def test_each_line_is_in_the_file_as_soon_as_it_has_happened(machine, path):
    with record(machine, path) as journal:
        assert path.read_bytes().count(b"\n") == 1
        machine.pads[1].press("a")
        machine.run(cycles=100)
        assert kinds(path) == ["input"]
        journal.chapter("one")
        assert kinds(path) == ["input", "chapter"]
        assert read_recording(path).cut
    assert kinds(path) == ["input", "chapter", "hash", "end"]
    assert not read_recording(path).cut


def test_every_change_by_hand_is_written_down_at_its_place(machine, path):
    with record(machine, path):
        machine.run(cycles=1000)
        here = machine.cycle
        machine.poke(0x300, 0x41)
        machine.cpu.a = 7
        machine.cpu.pc = 0x9000
        machine.run(cycles=500)
        state = machine.save_state()
        machine.power_cycle()
        machine.load_state(state)
    entries = list(read_recording(path).entries())
    found = {entry.kind: (entry.at.power_on, entry.at.cycle, entry.fields) for entry in entries}
    assert found["state poke"] == (1, here, {"address": 0x300, "value": 0x41})
    assert found["state registers"] == (1, here, {"registers": {"a": 7, "pc": 0x9000}})
    assert found["power"][:2] == (1, machine.cycle)
    assert found["state loaded"][:2] == (2, 0)
    assert found["end"][:2] == (3, machine.cycle)
    as_replayed(path, machine)


def test_calling_a_routine_is_a_history_like_any_other(path):
    machine = Machine.load("demo:bench")
    with record(machine, path):
        machine.run(seconds=0.05)
        label = next(iter(machine.labels))
        with contextlib.suppress(SimkitError):
            machine.call(label, a=5, carry=True, timeout=0.001)
        machine.run(cycles=2000)
    player = replay(Machine.load("demo:bench", engine="exact"), path)
    assert player.machine.state_hashes() == machine.state_hashes()


def test_input_that_a_loaded_state_brings_comes_once(machine, path):
    with record(machine, path):
        machine.pads[1].press("a", at=50_000)
        state = machine.save_state()
        machine.run(cycles=60_000)
        machine.load_state(state)
        machine.run(cycles=60_000)
    assert kinds(path).count("input") == 2
    as_replayed(path, machine)


def test_bytes_that_a_loaded_state_brings_come_once(path):
    """Unlike a key, which may be pressed twice, a byte that came twice would show."""
    machine = Machine.load("demo:bench")
    with record(machine, path):
        machine.run(seconds=0.1)
        machine.serial.send(b"slug", at=machine.cycle + 3000)
        state = machine.save_state()
        machine.run(seconds=0.1)
        machine.load_state(state)
        machine.run(seconds=0.1)
    player = replay(Machine.load("demo:bench"), path)
    assert player.machine.state_hashes() == machine.state_hashes()
    assert player.machine.serial.received == machine.serial.received
    assert machine.serial.received.endswith(b"\nslug")


def test_a_machine_in_the_middle_of_its_work_begins_with_its_state(machine, path):
    machine.run(seconds=0.4)
    machine.poke(0x300, 7)
    with record(machine, path):
        machine.run(cycles=5000)
    assert kinds(path) == ["state loaded", "hash", "end"]
    player = as_replayed(path, machine)
    assert 5000 <= player.played < 5010


def test_a_byte_poked_before_the_first_cycle_is_not_forgotten(machine, path):
    machine.poke(0x300, 7)
    with record(machine, path):
        machine.run(cycles=500)
    as_replayed(path, machine)
    assert kinds(path)[0] == "state loaded"


def test_a_rom_changed_before_is_refused_as_no_state_could_tell_it(machine, path):
    machine.poke(0x8100, 7)
    with pytest.raises(SimkitError, match=r"cannot be recorded from here on.*another image is in the socket"):
        record(machine, path)
    assert not path.exists()


def test_a_rom_changed_while_recording_is_played_and_gone_after_a_power_cycle(machine, path):
    with record(machine, path):
        before = machine.peek(0x8100)
        machine.poke(0x8100, before ^ 0xFF)
        machine.run(cycles=500)
        machine.power_cycle()
        assert machine.peek(0x8100) == before
        machine.run(cycles=500)
    as_replayed(path, machine)


def test_a_machine_loaded_anew_goes_on_in_the_same_recording(machine, path):
    with record(machine, path) as journal:
        machine.run(cycles=1000)
        images = {2: bytes([0xEA]) + machine.images()[2][1:]}
        fresh = Machine(machine.description, images)
        journal.go_on_with(fresh)
        machine.run(cycles=77)  # nobody looks at the one before any more
        machine.poke(0x300, 1)
        fresh.pads[1].press("a")
        fresh.run(cycles=2000)
        fresh.poke(0x300, 2)
    assert kinds(path) == ["hash", "reload", "input", "state poke", "hash", "end"]
    player = as_replayed(path, fresh)
    assert player.machine.images() == images
    assert player.notes == []


def test_hashes_are_taken_about_every_ten_seconds_also_in_one_long_run(machine, path):
    with record(machine, path):
        machine.run(seconds=35)
    hashes = [entry for entry in read_recording(path).entries() if entry.kind == "hash"]
    assert [round(entry.at.cycle / 2_000_000, 3) for entry in hashes] == [10, 20, 30, 35]
    assert list(hashes[0].fields["parts"]) == sorted(machine.state_hashes())


def test_being_recorded_changes_nothing_of_a_run(path):
    machines = [Machine.load("demo:marlpit", seed=3) for _ in range(2)]
    with record(machines[0], path):
        ends = []
        for machine in machines:
            machine.run(seconds=10.5)
            machine.run(access=0x7F22, timeout=5)
            machine.run(frames=3)
            ends.append((machine.cycle, machine.state_hashes()))
        assert ends[0] == ends[1]


def test_a_cpu_that_halts_ends_the_run_in_the_same_cycle_while_it_is_recorded(tmp_path, path):
    ends = []
    for recorded in (True, False):
        machine = Machine.load("demo:marlpit")
        machine.run(cycles=1000)
        machine.poke(0x300, 0xDB)  # STP; W65C02S data sheet, section 4
        machine.cpu.pc = 0x300
        with record(machine, path) if recorded else contextlib.nullcontext():
            machine.run(seconds=1)
            ends.append((machine.cycle, machine.cpu.halted))
            machine.run(seconds=25)  # time passes
            ends.append(machine.cycle)
    assert ends[:2] == ends[2:]
    assert ends[0][0] < 2000


def test_chapters_are_named_and_counted(machine, path):
    with record(machine, path) as journal:
        assert journal.chapter() == "Chapter 1"
        assert journal.chapter("Level 2") == "Level 2"
        assert journal.chapter() == "Chapter 3"
        for name in (" ", "a\nb", "x" * 1001, "\u202e"):
            with pytest.raises(SimkitError, match="is no name for a chapter"):
                journal.chapter(name)
    assert [chapter.name for chapter in read_recording(path).chapters] == ["Chapter 1", "Level 2", "Chapter 3"]


# what ends a recording ---------------------------------------------------------------------------------------------


def test_what_is_recorded_so_far_is_a_recording_that_ends_and_the_journal_goes_on(machine, path, tmp_path):
    with record(machine, path) as journal:
        machine.pads[1].press("a")
        machine.run(cycles=100_000)
        early = tmp_path / "early.rec"
        early.write_bytes(journal.so_far())
        player = as_replayed(early, machine)
        assert (player.compared, player.ended) == (1, True)
        machine.run(cycles=100_000)
        late = tmp_path / "late.rec"
        late.write_bytes(journal.so_far())
        as_replayed(late, machine)
    assert not read_recording(late).cut
    assert journal.so_far() == path.read_bytes()


def test_a_bad_path_is_told_at_once_and_nothing_is_watched(machine, tmp_path):
    for bad in (tmp_path, tmp_path / "no" / "a.rec"):
        with pytest.raises(SimkitError, match=r"The recording .* cannot be written"):
            record(machine, bad)
    (tmp_path / "notes").write_text("keep me")
    with pytest.raises(SimkitError, match="exists; it stays as it is"):
        record(machine, tmp_path / "notes")
    assert (tmp_path / "notes").read_text() == "keep me"
    assert machine.histories == []
    assert machine.bus.watchers.outside == machine.bus.watchers.runs == []


def test_a_recording_is_written_over_by_force_alone(machine, path):
    with record(machine, path):
        machine.run(cycles=100)
    before = path.read_bytes()
    with pytest.raises(SimkitError, match="exists"):
        record(Machine.load("demo:marlpit"), path)
    assert path.read_bytes() == before
    with record(Machine.load("demo:marlpit", seed=9), path, force=True):
        pass
    assert read_recording(path).header.seed == 9


@pytest.mark.parametrize(("limit", "value"), [("MAX_ENTRIES", 30), ("MAX_FILE_BYTES", 12_000)])
def test_at_the_limit_the_recording_ends_with_a_word_and_the_run_goes_on(machine, path, monkeypatch, limit, value):
    monkeypatch.setattr(journal_module, limit, value)
    told = []
    journal = Journal(machine, path, tell=told.append)
    for number in range(100):
        machine.pads[1].press("a" if number % 2 else "b")
        machine.run(cycles=100)
    journal.close()
    assert machine.cycle >= 10_000
    (problem,) = told
    assert problem == journal.problem
    assert "before the run does: it " in problem
    assert journal.failure is None
    recording = read_recording(path)
    assert not recording.cut
    assert f"{value} " in recording.why
    assert path.stat().st_size <= 12_000 or limit == "MAX_ENTRIES"
    count = sum(1 for _ in recording.entries())
    assert count <= 30 or limit != "MAX_ENTRIES"
    player = replay(Machine.load("demo:marlpit", seed=3), path)
    assert player.machine.cycle >= recording.end.cycle
    assert "before the run did: it " in player.notes[-1]


def test_a_recording_that_had_to_end_is_told_at_the_end_of_the_with_statement(machine, path, monkeypatch):
    monkeypatch.setattr(journal_module, "MAX_ENTRIES", 5)

    def long_run():
        with record(machine, path):
            for _ in range(10):
                machine.pads[1].press("a")
                machine.run(cycles=100)

    with pytest.raises(SimkitError, match=r"ends at cycle .*, before the run does: it holds"):
        long_run()
    with pytest.raises(ZeroDivisionError), record(Machine.load("demo:marlpit"), path, force=True):
        raise ZeroDivisionError


def test_a_full_disk_ends_the_recording_and_not_the_run(machine, path, monkeypatch):
    told = []
    journal = Journal(machine, path, tell=told.append)
    machine.run(cycles=100)
    journal.chapter("one")
    left = 20

    def full(handle, data):
        nonlocal left
        if left <= 0:
            raise OSError(28, "No space left on device")
        taken, left = bytes(data)[:left], 0
        return write(handle, taken)

    write = os.write
    monkeypatch.setattr(os, "write", full)
    machine.pads[1].press("a")
    machine.run(cycles=1000)
    monkeypatch.undo()
    machine.run(cycles=1000)
    journal.close()
    assert isinstance(journal.failure, FileError)
    assert told == [journal.problem]
    assert "No space left on device" in journal.problem
    recording = read_recording(path)
    assert recording.cut
    assert recording.chapters[-1].name == "one"
    assert machine.histories == machine.bus.watchers.runs == []


def test_a_device_that_is_full_is_told_before_anything_runs(machine):
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with pytest.raises(FileError, match="No space left"):
        record(machine, "/dev/full")
    assert machine.histories == []


def test_what_no_recording_can_hold_ends_it_with_a_word(machine, path):
    def in_the_middle(m):
        m.step_cycle()
        m.step_cycle()
        m.poke(0x300, 5)

    def register_in_the_middle(m):
        m.step_cycle()
        m.step_cycle()
        m.cpu.x ^= 1
        m.step()

    def from_a_probe(m):
        handle = m.add_probe(lambda seen: m.poke(0x300, seen.data))
        m.run(cycles=5)
        handle.remove()

    def time_itself(m):
        m.cpu.cycle += 5
        m.run(cycles=5)

    def a_fraction(m):
        m.outside(4, "pads", "press", 1, 0.5)
        m.run(cycles=5)

    for number, (act, why) in enumerate(
        {
            in_the_middle: "memory was changed in the middle of an instruction",
            register_in_the_middle: "a register was set in the middle of an instruction",
            from_a_probe: "memory was changed in the middle of an instruction",
            time_itself: "the cycle number was set by hand",
            a_fraction: r"no recording can hold what came then \(input, arguments: 0\.5 is neither",
        }.items()
    ):
        if number < 2:
            pytest.importorskip("greenlet", reason="nothing steps by cycles here")
        one = Machine.load("demo:marlpit", seed=3)
        one.run(cycles=1000)
        journal = Journal(one, path, force=True)
        with contextlib.suppress(Exception):  # a card may choke on the fraction
            act(one)
        one.run(cycles=100)
        journal.close()
        assert re.search(why, journal.problem)
        player = replay(Machine.load("demo:marlpit", seed=3), path)
        assert player.difference is None
        assert "before the run did: " in player.notes[-1]


def test_an_instruction_that_was_broken_off_ends_the_recording_only_if_the_machine_goes_on(path):
    def broken(m):
        def look(cycle):
            if cycle.cycle > 2000:
                raise KeyboardInterrupt

        handle = m.add_probe(look)
        with pytest.raises(KeyboardInterrupt):
            m.run(cycles=5000)
        handle.remove()

    machine = Machine.load("demo:marlpit", seed=3)
    with record(machine, path):
        broken(machine)
        machine.power_cycle()  # as good as new
        machine.run(cycles=1000)
    as_replayed(path, machine)
    machine = Machine.load("demo:marlpit", seed=3)
    journal = Journal(machine, path, force=True)
    broken(machine)
    assert journal.problem is None
    machine.run(cycles=1000)
    assert "an instruction was broken off there: KeyboardInterrupt" in journal.problem
    assert read_recording(path).end.cycle < 2010


def test_ctrl_c_leaves_a_recording_that_ends_where_it_came(machine, path):
    def look(cycle):
        if cycle.cycle == 2000:
            signal.raise_signal(signal.SIGINT)

    machine.add_probe(look)
    with pytest.raises(KeyboardInterrupt), record(machine, path):
        machine.run(cycles=100_000)
    recording = read_recording(path)
    assert not recording.cut
    assert 2000 <= recording.end.cycle < 2010
    assert "broken off" in recording.why


def test_two_journals_may_record_one_machine(machine, tmp_path):
    with record(machine, tmp_path / "a.rec") as first:
        machine.run(cycles=100)
        with record(machine, tmp_path / "b.rec"):
            machine.poke(0x300, 1)
            machine.run(cycles=100)
        first.chapter("one")
        machine.run(cycles=100)
    assert kinds(tmp_path / "a.rec") == ["state poke", "chapter", "hash", "end"]
    assert kinds(tmp_path / "b.rec") == ["state loaded", "state poke", "hash", "end"]
    for name in ("a.rec", "b.rec"):
        replay(Machine.load("demo:marlpit", seed=3), tmp_path / name)


def test_a_header_holds_what_the_machine_is(machine, path):
    with record(machine, path):
        pass
    head = json.loads(path.read_text().splitlines()[0])
    assert head == {
        "format": "simkit-recording",
        "version": 4,
        "machine": "Marlpit",
        "seed": 3,
        "clock": "2 MHz",
        "fingerprint": machine.fingerprint.to_data(),
        "state_version": head["state_version"],
    }
    assert head["fingerprint"]["models"]["5"] == ["tile-video", TileVideo.model]
