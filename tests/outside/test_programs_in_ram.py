"""Recordings of machines with programs in RAM, also where another one is loaded."""

import json

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.outside.journal import record
from simkit.outside.player import replay
from simkit.rom.images import write_image

MACHINE = """\
name = "Bare"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
"""
COUNTS = bytes.fromhex("A2FF9AE6104C0302")  # at $0200: ldx #$ff, txs, loop: inc $10, jmp loop
COUNTS_DOWN = bytes.fromhex("A2FF9AC6104C0303")  # at $0300, dec


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "up.bin").write_bytes(COUNTS)
    (tmp_path / "down.hex").write_bytes(write_image(COUNTS_DOWN, ".hex", address=0x300))
    return tmp_path


UP = {"programs": ["up.bin@$0200"], "start": 0x200}
DOWN = {"programs": ["down.hex"], "start": 0x300}
ENGINES = ("exact", "auto")


def played(engine, words=UP, path="a.rec"):
    return replay(Machine.load(".", engine=engine, **words), path)


def test_a_recording_of_a_program_in_ram_is_played_on_either_engine(folder):
    m = Machine.load(".", engine="exact", **UP)
    with record(m, "a.rec") as journal:
        m.run(cycles=1000)
        m.reset()
        m.run(cycles=1000)
        m.power_cycle()
        m.run(cycles=500)
    assert journal.problem is None
    for engine in ENGINES:
        player = played(engine)
        assert (player.notes, player.compared > 1) == ([], True)
        assert player.machine.state_hashes() == m.state_hashes()


@pytest.mark.parametrize(
    ("first", "second"),
    [(UP, DOWN), (DOWN, UP), (UP, {}), ({}, UP), (UP, {"programs": ["up.bin@$0200"]}), (UP, UP),
     ("up.bin", DOWN), (UP, "up.bin"), ("up.bin", "down.hex")],
)  # fmt: skip
def test_another_program_loaded_while_it_runs_is_recorded_and_played(first, second, folder):
    def load(what, engine="auto"):
        """A text is the image of the machine file."""
        (folder / "machine.toml").write_text(MACHINE + (f'image = "{what}"\n' if isinstance(what, str) else ""))
        return Machine.load(".", engine=engine, **({} if isinstance(what, str) else what))

    one, two, three = load(first), load(second), load(first)
    with record(one, "a.rec") as journal:
        for before, machine in ((None, one), (one, two), (two, three)):
            if before is not None:
                journal.go_on_with(machine)
            machine.run(cycles=300)
            machine.poke(0x10, 7)
            machine.run(cycles=300)
    assert journal.problem is None
    for engine in ENGINES:
        player = replay(load(first, engine), "a.rec")
        assert (player.notes, player.compared >= 3) == ([], True)
        assert player.machine.state_hashes() == three.state_hashes()
        assert player.machine.identity == three.identity


def test_a_program_that_has_changed_since_is_told_as_a_rom_is(folder):
    m = Machine.load(".", **UP)
    with record(m, "a.rec"):
        m.run(cycles=300)
    (folder / "up.bin").write_bytes(COUNTS[:-1] + b"\x05")
    (note,) = played("auto").notes
    assert "These differ: program 1; the input is the same" in note
    (note,) = played("auto", {"programs": UP["programs"]}).notes
    assert "These differ: program 1, start;" in note


def test_a_recorded_recording_holds_the_programs_too(folder):
    one, two = Machine.load(".", **UP), Machine.load(".", **DOWN)
    with record(one, "a.rec") as journal:
        one.run(cycles=300)
        journal.go_on_with(two)
        two.run(cycles=300)
    again = Machine.load(".", **UP)
    from simkit.outside.player import Player
    from simkit.outside.recording import read_recording

    player = Player(again, read_recording("a.rec"))
    with record(again, "b.rec"):
        while player.step() is not None:
            pass
    assert played("exact", path="b.rec").machine.state_hashes() == two.state_hashes()


def changed(text, change):
    lines = [json.loads(line) for line in text.splitlines()]
    for line in lines:
        if line.get("kind") == "reload":
            change(line)
    return "".join(json.dumps(line, separators=(",", ":")) + "\n" for line in lines)


@pytest.fixture
def reloaded(folder):
    one, two = Machine.load(".", **UP), Machine.load(".", **UP)
    with record(one, "a.rec") as journal:
        one.run(cycles=300)
        journal.go_on_with(two)
        two.run(cycles=300)
    return folder / "a.rec"


def test_a_recording_from_before_there_were_programs_keeps_those_of_the_machine(reloaded):
    reloaded.write_text(changed(reloaded.read_text(), lambda line: (line.pop("programs"), line.pop("start"))))
    assert played("auto").notes == []


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (7, "not a list of programs"),
        ([7], "damaged"),
        ([{"slot": None, "by_offset": False, "pieces": []}], "not the pieces"),
        ([{"slot": None, "by_offset": False, "pieces": [[1]]}], "not a piece of a program"),
        ([{"slot": None, "by_offset": False, "pieces": [[1, ""]]}], r"holds 0 bytes for \$0001"),
        ([{"slot": None, "by_offset": False, "pieces": [[1, "?"]]}], "is not base64"),
        ([{"slot": None, "by_offset": False, "pieces": [[65535, "AAAA"]]}], r"holds 3 bytes for \$FFFF"),
        ([{"slot": None, "by_offset": False, "pieces": [[-1, "AAAA"]]}], "damaged"),
        ([{"slot": None, "by_offset": True, "pieces": [[0, "AAAA"]]}], "does not begin with a card's memory"),
        ([{"slot": 1, "by_offset": True, "pieces": [[1, "AAAA"]]}], "does not begin with a card's memory"),
        ([{"slot": 7, "by_offset": True, "pieces": [[0, "AAAA"]]}], "cannot be played beyond.*the card takes no image"),
        ([{"slot": None, "by_offset": False, "pieces": [[36864, "AAAA"]]}], r"cannot be played.*\$9000 is not in RAM"),
        ([{"slot": None, "by_offset": False}], "damaged"),
    ],
)
def test_programs_of_a_damaged_recording_are_told(value, message, reloaded):
    reloaded.write_text(changed(reloaded.read_text(), lambda line: line.update(programs=value)))
    with pytest.raises(SimkitError, match=message):
        played("auto")
