"""Replays are true, or say where they are not, or are refused before anything happens."""

import json

import pytest

from simkit import Machine
from simkit.commands.new import write_machine
from simkit.contract.errors import CardError, SimkitError
from simkit.outside.journal import record
from simkit.outside.player import Player, ReplayError, replay
from simkit.outside.recording import read_recording


def load(seed=3, **options):
    return Machine.load("demo:marlpit", seed=seed, **options)


def spoiled(path, kind, **fields):
    """Put other fields into the first entry of a kind (a state's: of that change)."""
    lines = path.read_text().splitlines()
    for number, line in enumerate(lines):
        entry = json.loads(line)
        if kind in (entry.get("kind"), entry.get("what")):
            lines[number] = json.dumps({**entry, **fields})
            break
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a.rec"


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """A short game with pad, keyboard, reset, a pulled plug, a power cycle: the machine at its end, the recording."""
    m = load()
    path = tmp_path_factory.mktemp("played") / "a.rec"
    with record(m, path) as journal:
        m.run(seconds=0.6)
        m.pads[1].press("start")
        m.run(frames=7)
        m.pads[1].release("start")
        m.keys.type("ab")
        m.pads[1].press("right", "a")
        m.run(frames=30)
        journal.chapter("Level 2")
        m.pads[2].unplug()
        m.reset()
        m.run(frames=40)
        m.power_cycle()
        m.run(seconds=0.3)
        m.pads[1].press("left")
        m.run(seconds=0.2)
    return m, path.read_bytes()


@pytest.fixture
def game(played, path):
    """The machine at the end of the game, which lies recorded at `path`."""
    machine, recorded = played
    path.write_bytes(recorded)
    return machine


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_a_replay_ends_in_the_same_state(game, path, engine):
    player = replay(load(engine=engine), path)
    assert player.machine.save_state() == game.save_state()
    assert (player.difference, player.notes, player.ended) == (None, [], True)
    assert player.compared == 2


def test_a_replay_stops_at_a_chapter_and_nothing_more_comes_from_the_recording(game, path):
    player = replay(load(), path, chapter="Level 2")
    chapter = read_recording(path).chapters[0]
    assert player.machine.cycle == chapter.at.cycle
    assert player.machine.bus.agenda.pending_outside() == []
    assert player.chapter == "Level 2"
    with pytest.raises(SimkitError, match="has no chapter 'Level 3'") as told:
        replay(load(), path, chapter="Level 3")
    assert "Level 2" in told.value.remedy


def test_the_size_of_the_pieces_it_is_played_in_does_not_matter(game, path):
    player = Player(load(), read_recording(path))
    pieces = 0
    while not player.ended:
        player.run(1009 + pieces % 5000)
        pieces += 1
    assert pieces > 100
    assert player.difference is None
    assert player.machine.save_state() == game.save_state()
    assert player.played == player.recording.cycles


def test_a_replay_that_is_another_run_says_where_that_first_showed(path):
    m = load()
    with record(m, path):
        m.run(seconds=10.2)
        m.pads[1].press("start")
        m.run(seconds=10.2)
        m.pads[1].press("left")
        m.run(seconds=10.2)
    spoiled(path, "input", arguments=[1, "b"])  # nobody presses start, so no game begins
    with pytest.raises(ReplayError) as told:
        replay(load(), path)
    assert "at cycle 40 000 00" in told.value.message
    assert "these differ: " in told.value.message
    assert "slot 4" in told.value.message
    assert "It was the same up to cycle 20 000 00" in told.value.message
    player = Player(load(), read_recording(path))
    while not player.ended:
        player.run(1_000_000)
    difference = player.difference.as_dict()
    assert difference["at"]["power_on"] == 1
    assert "slot 4" in difference["parts"]
    assert difference["since"]["cycle"] < difference["at"]["cycle"]


@pytest.mark.parametrize("what", ["poke", "registers"])
def test_each_change_by_hand_counts(path, what):
    m = load()
    with record(m, path):
        m.run(cycles=3000)
        if what == "poke":
            m.poke(0x7000, m.peek(0x7000) ^ 1)
        else:
            m.cpu.sp ^= 1
        m.run(cycles=3000)
    lines = path.read_text().splitlines()
    path.write_text("\n".join(line for line in lines if f'"{what}"' not in line) + "\n")
    with pytest.raises(ReplayError, match="these differ"):
        replay(load(), path)


def test_a_place_at_which_no_instruction_ends_is_a_difference(path):
    m = load()
    with record(m, path) as journal:
        m.run(cycles=1000)
        journal.chapter("one")
        here = m.cycle
        m.run(cycles=1000)
    found = set()
    for cycle in range(here - 6, here):
        spoiled(path, "chapter", at=[1, cycle])
        player = Player(load(), read_recording(path))
        player.run(10_000)
        if player.difference is not None:
            found.add(player.difference.words())
    assert any("the machine stands in cycle" in words for words in found)


# another machine ------------------------------------------------------------------------------------------------------


def test_another_build_or_seed_is_played_with_a_note_and_not_compared(game, path):
    player = replay(load(seed=4), path)
    (note,) = player.notes
    assert "taken of 'Marlpit'. These differ: seed; the input is the same" in note
    assert (player.difference, player.compared) == (None, 0)
    image = bytearray(load().images()[2])
    image[0x100] ^= 1
    player = replay(load(images={2: bytes(image)}), path)
    assert "These differ: image of slot 2" in player.notes[0]


def test_behind_a_reload_the_images_are_the_recorded_ones_and_the_replay_is_compared_again(path, tmp_path):
    """What an evening with --watch writes: it began with one build, and went on with the next."""
    first = load()
    build = bytearray(first.images()[2])
    build[0x7000:0x7008] = b"builders"
    with record(first, path) as journal:
        first.run(cycles=100_000)
        second = load(images={2: bytes(build)})
        journal.go_on_with(second)
        second.pads[1].press("start")
        second.run(cycles=100_000)
    player = replay(load(images={2: bytes(build)}), path)  # on the disk lies the second build
    assert len(player.notes) == 1
    assert player.compared == 1
    assert player.machine.state_hashes() == second.state_hashes()
    assert player.machine.labels == {}
    player = replay(load(), path)
    assert player.notes == []
    assert player.compared == 2
    spoiled(path, "input", arguments=[1, "a"])
    with pytest.raises(ReplayError, match="of power-on 2 these differ"):
        replay(load(images={2: bytes(build)}), path)


def test_a_card_of_another_model_is_told_and_nothing_compared(game, path, monkeypatch):
    from simkit_cards.keyboard.card import Keyboard

    monkeypatch.setattr(Keyboard, "model", 99)
    player = replay(load(), path)
    assert "keyboard was model 2 of the card and is model 99 now" in player.notes[0]
    assert player.compared == 0


def test_hashes_of_another_version_of_states_are_not_compared(game, path):
    lines = path.read_text().splitlines()
    path.write_text("\n".join([json.dumps({**json.loads(lines[0]), "state_version": 2}), *lines[1:]]) + "\n")
    player = replay(load(), path)
    assert player.compared == 0
    assert "states of version 2" in player.notes[0]


def test_input_for_what_is_not_there_is_refused_before_anything_is_queued(game, path):
    m = Machine.load("demo:traps")
    with pytest.raises(SimkitError, match="'press' at the port 'pads' of slot 4"):
        replay(m, path)
    assert m.bus.agenda.pending_outside() == []


@pytest.mark.parametrize("arguments", [[1, "jump"], [9, "a"], [1], ["1", "a"], [True, "a"]])
def test_an_event_that_cannot_happen_is_no_fault_of_the_card(game, path, arguments):
    spoiled(path, "input", arguments=arguments)
    with pytest.raises(SimkitError, match="which nothing on this machine takes"):
        replay(load(), path)


def test_a_loaded_state_is_refused_by_another_machine_before_anything_runs(path):
    m = load()
    with record(m, path):
        m.run(cycles=1000)
        m.load_state(m.save_state())
    other = load(seed=4)
    with pytest.raises(SimkitError, match=r"loads a state, which only the recorded machine takes .*: seed") as told:
        replay(other, path)
    assert "cycle 1 00" in told.value.message
    assert other.cycle == 0
    replay(load(), path)


def test_images_for_other_sockets_are_refused_before_anything_runs(path, tmp_path):
    m = load()
    with record(m, path) as journal:
        journal.go_on_with(load())
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    for line in lines:
        if line.get("kind") == "reload":
            line["images"] = {"3": line["images"]["2"]}
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    with pytest.raises(SimkitError, match="loads images into other sockets than this machine has"):
        replay(load(), path)


@pytest.mark.parametrize(
    ("kind", "fields", "message"),
    [
        ("poke", {"address": 0x7F20}, r"cannot be played beyond cycle 1 00.: There is no memory at \$7F20"),
        ("loaded", {"data": "UEsFBg=="}, "The state is damaged or truncated"),
        ("loaded", {"cycle": 999}, "its state is of cycle 1[0-9]{3} and not 999"),
        ("reload", {"images": {"2": ""}}, "the image is empty"),
    ],
)
def test_what_the_machine_cannot_do_is_told_with_its_place(path, kind, fields, message):
    m = load()
    with record(m, path) as journal:
        m.run(cycles=1000)
        m.poke(0x300, 1)
        m.load_state(m.save_state())
        journal.go_on_with(load())
    spoiled(path, kind, **fields)
    with pytest.raises(SimkitError, match=message):
        replay(load(), path)


def test_a_machine_that_has_run_is_refused(game, path):
    with pytest.raises(SimkitError, match="played from power-on; the machine stands in cycle"):
        replay(game, path)


def test_input_besides_is_let_in_and_nothing_compared_from_there_on(path):
    m = load()
    with record(m, path):
        m.run(cycles=100_000)
        m.power_cycle()
        m.run(cycles=100_000)
    again = load()
    again.pads[1].press("start", at=50_000)
    player = replay(again, path)
    assert "comes from cycle 50000 on" in player.notes[0]
    assert player.difference is None
    assert player.compared == 1  # behind the power cycle, which drops it
    again = load()
    again.pads[1].press("start", at=150_000)  # which never comes
    assert replay(again, path).compared == 2


def test_what_the_recording_left_pressed_can_be_let_go(game, path):
    player = replay(load(), path)
    player.let_go()
    pending = [event[2:] for event in player.machine.bus.agenda.pending_outside()]
    assert pending == [(4, "pads", "release", (1, "left"))]
    player.let_go()
    assert len(player.machine.bus.agenda.pending_outside()) == 1


# cards that fail ------------------------------------------------------------------------------------------------------

FAILS = '''"""Fails when it is read."""
from typing import ClassVar
import attrs
from simkit.contract import Card, Register, setting

@attrs.frozen(kw_only=True)
class NoSettings:
    pass

class Fails(Card):
    kind: ClassVar[str] = "fails"
    Settings: ClassVar[type] = NoSettings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "trap", "r"),)

    def peek(self, offset, cycle):
        return 0

    def read(self, offset, cycle):
        raise RuntimeError("a hole in the board")

    def save(self, cycle):
        return {}

    def load(self, state):
        pass
'''


def test_a_card_that_failed_fails_again_and_a_power_cycle_behind_it_is_played(tmp_path, path):
    folder, _ = write_machine(tmp_path / "hello")
    (folder / "fails.py").write_text(FAILS)
    file = folder / "machine.toml"
    file.write_text(
        file.read_text() + '\n[[card]]\nslot = 9\nkind = "file:fails.py:Fails"\nselect = "0111 1111 1111 1111"\n'
    )
    m = Machine.load(folder)
    with record(m, path):
        m.run(cycles=1000)
        m.poke(0x300, 0xAD)
        m.poke(0x301, 0xFF)
        m.poke(0x302, 0x7F)
        m.cpu.pc = 0x300
        with pytest.raises(CardError):
            m.run(cycles=1000)
        m.power_cycle()
        m.run(cycles=1000)
    player = replay(Machine.load(folder), path)
    assert player.machine.state_hashes() == m.state_hashes()
    lines = path.read_text().splitlines()
    cut = next(number for number, line in enumerate(lines) if '"power"' in line)
    path.write_text(
        "\n".join(lines[:cut]) + "\n" + json.dumps({**json.loads(lines[cut]), "kind": "end", "why": "it failed"})
    )
    path.write_text(path.read_text() + "\n")
    with pytest.raises(CardError, match="a hole in the board"):
        replay(Machine.load(folder), path)


# long runs ------------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_20_machine_minutes_with_input_are_replayed_equal(path):
    m = load()
    with record(m, path) as journal:
        for second in range(20 * 60):
            pad = m.pads[1 + second % 2]
            button = ("start", "left", "right", "up", "down", "a")[second * 7 % 6]
            pad.press(button)
            m.run(cycles=300_000 + second * 997 % 50_000)
            pad.release(button)
            if second % 61 == 7:
                m.keys.type("LIST")
            if second % 300 == 299:
                m.reset()
                journal.chapter()
            m.run(cycles=2_000_000 - 325_000)
    player = replay(load(), path)
    assert player.compared > 110
    assert player.machine.save_state() == m.save_state()
