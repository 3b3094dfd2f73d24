"""What programs owe to luck is named, and nothing of their mended twins; what is found is found by experiment."""

import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit import Machine
from simkit.check.run import check
from simkit.luck.executed import executed
from simkit.luck.finding import owed_to_luck
from simkit.luck.narrow import Piece, mixed, narrowed, pieces
from simkit.luck.sight import MOVES, NEAR, PIN, Sight, difference
from simkit.luck.unknown import MEMORY, REGISTER, Maker, Unknown
from simkit.machine.again import Again
from simkit.machinefile.shipped import shipped_folder

PROGRAMS = tomllib.loads((Path(__file__).parent / "programs.toml").read_text())["program"]
LAMPS = '[[card]]\nslot = 6\nkind = "led-row"\nselect = "0100 0000 0000 0000"\n'
SOURCE = """\
.alias LAMPS $4000
.alias PADS $4100
.org $8000
start:
{code}
stop:   jmp stop
.advance $FFFA, $FF
.word stop, start, stop
"""


@pytest.fixture
def machine_of(assemble, tmp_path):
    def make(program, side):
        source = tmp_path / "lucky.asm"
        source.write_text(SOURCE.format(code=program[side]))
        written = assemble(source, tmp_path)
        bench = Machine.load("demo:bench").description.path
        (tmp_path / "machine.toml").write_text(
            f'base = "{bench}"\ncpu = "{program.get("cpu", "6502")}"\n{LAMPS}{program.get("machine", "")}'
        )
        machine = Machine.load(tmp_path, images={2: written["bin"]})
        machine.read_labels(written["labels"])
        if "press" in program:
            button, at = program["press"]
            machine.pads[1].press(button, at=at)
        return machine

    return make


def looked(machine, *, parts=False, power_ups=32, seconds=Fraction(3, 10)):
    again = Again(machine)
    machine.run_to(int(machine.clock_hz * seconds))
    return owed_to_luck(again, machine.cycle, power_ups=power_ups, parts=parts)


def test_there_are_ten_and_some_that_came_after():
    assert sum("after" not in one for one in PROGRAMS) == 10
    assert sum("after" in one for one in PROGRAMS) >= 3


@pytest.mark.parametrize("program", PROGRAMS, ids=[one["name"].replace(" ", "-") for one in PROGRAMS])
def test_what_it_hangs_on_is_named_and_of_its_twin_nothing(machine_of, program):
    found, remark = looked(machine_of(program, "wrong"), parts=program.get("parts", False))
    assert found, remark
    assert all(one.rule == "works-by-luck" for one in found)
    assert [words for words in program["says"] if words not in found[0].message] == [], found[0].message
    found, remark = looked(machine_of(program, "right"), parts=program.get("parts", False))
    assert [one.message for one in found] == []
    assert "all show the same" in remark


def test_of_two_bytes_either_is_named_by_itself(machine_of):
    (program,) = [one for one in PROGRAMS if one["name"].startswith("two bytes")]
    found, remark = looked(machine_of(program, "wrong"))
    assert sorted(one.address for one in found) == [0x0301, 0x0377]
    assert "hangs on 2 things" in remark


@pytest.mark.parametrize("name", ["marlpit", "pad-test", "catalogue", "bench", "monitor", "lamps-and-buttons"])
def test_the_projects_own_roms_owe_nothing_to_luck(name):
    found, remark = looked(Machine.load(f"demo:{name}"), power_ups=10, seconds=Fraction(1, 2), parts=True)
    assert [one.message for one in found] == [], remark


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(p.parent.name for p in (shipped_folder() / "demo").glob("*/machine.toml")))
def test_no_rom_of_the_project_owes_anything_to_luck_that_is_not_accepted(name):
    """A second each, 32 power-ups and all parts."""
    machine = Machine.load(f"demo:{name}")

    def besides(again):
        return owed_to_luck(again, again.cycle, power_ups=32, parts=True)

    found = check(machine, seconds=Fraction(1), besides=besides).open
    assert [one.message for one in found if one.rule.name == "works-by-luck"] == []


# its parts ------------------------------------------------------------------------------------------------------------


@given(st.binary(min_size=200, max_size=200), st.sets(st.integers(0, 199), min_size=1, max_size=3))
def test_the_bytes_on_which_something_hangs_are_found_whichever_they_are(content, wanted):
    """Something that shows when all of these bytes are the other's: the fewest pieces are just these."""
    memory, register = Unknown(MEMORY, 1), Unknown(REGISTER, 0, "a")
    one = {memory: content, register: 1}
    other = {memory: bytes(byte ^ 0xFF for byte in content), register: 2}

    def differs(some):
        values = mixed(one, other, some)
        return all(values[memory][place] == other[memory][place] for place in wanted)

    found = narrowed(pieces(one, other), differs)
    assert {place for piece in found for place in piece.places} == wanted
    assert all(len(piece.places) == 1 for piece in found)


@given(st.lists(st.integers(0, 3), min_size=60, max_size=60), st.integers(-NEAR + 1, NEAR - 1))
def test_a_run_that_is_a_little_ahead_shows_the_same(shown, ahead):
    later = [shown[min(max(n + ahead, 0), 59)] for n in range(60)]
    first, second = (Sight(1, faces={("lamps", 1): list(one)}, used=frozenset({1})) for one in (shown, later))
    assert difference(first, second) is None


def test_a_picture_that_only_one_shows_for_a_while_is_a_difference_at_its_first_look():
    shown = [1] * 30 + [2] * 30
    first, second = (Sight(1, faces={("screen", 5): one}, used=frozenset({5})) for one in (shown, [1] * 30 + [3] * 30))
    assert difference(first, second).look == 30
    first.used = second.used = frozenset()
    assert difference(first, second) is None  # the program never touches the card


@pytest.mark.parametrize(
    ("one", "other", "differs"),
    [
        ([True] * 60, [False] * 60, True),
        ([True] * 60, [MOVES] * 60, True),
        ([True] * 60, [True, MOVES] * 30, False),  # pulses that the looks may miss
        ([True, False] * 30, [False, True] * 30, False),
        ([True] * 60, [True] * 30 + [False] * 30, True),
        ([True] * 60, [True] * 30 + [False] * 3 + [True] * 27, False),  # too short to be seen
        ([MOVES] * 60, [MOVES] * 30 + [False] * 30, True),
    ],
)
def test_an_output_that_moves_shows_both_levels(one, other, differs):
    first, second = (Sight(1, faces={(f"{PIN}PB3", 4): list(shown)}, used=frozenset({4})) for shown in (one, other))
    found = difference(first, second)
    assert (found is not None) == differs
    assert found is None or (found.what, found.slot) == ("pin PB3", 4)


@pytest.mark.parametrize(
    ("one", "other", "differs"),
    [(b"abc", b"abd", True), (b"abc", b"abc", False), (b"abc", b"ab", True), (b"", b"", False)],
)
def test_what_is_sent_counts_in_its_order(one, other, differs):
    def sight(sent):
        return Sight(1, sent={3: sent}, sent_by={3: [min(n, len(sent)) for n in range(40)]})

    found = difference(sight(one), sight(other))
    assert (found is not None) == differs


def test_a_machine_comes_up_as_it_is_told(machine_of):
    machine = machine_of(PROGRAMS[0], "wrong")
    again = Again(machine)
    machine.run(cycles=1_000)
    maker = Maker(again)
    for power_up in maker.power_ups(6):
        made = maker.machine(power_up.values)
        assert made.cycle == 0
        for unknown, value in power_up.values.items():
            if unknown.kind == MEMORY:
                assert bytes(made.bus.by_slot[unknown.slot].plain.write) == value
            elif unknown.kind == REGISTER and unknown.name in ("a", "x", "y", "sp"):
                assert getattr(made.cpu, unknown.name) == value
    assert maker.machine(maker.usual.values).state_hashes() == again.machine().state_hashes()


def test_programs_in_memory_stay_there(tmp_path):
    (tmp_path / "part.bin").write_bytes(b"\x01\x02\x03")
    machine = Machine.load("demo:bench", programs=[f"{tmp_path}/part.bin@$0200"])
    again = Again(machine)
    machine.run(cycles=1_000)
    maker = Maker(again)
    assert all(maker.machine(one.values).peek(0x200, 3) == b"\x01\x02\x03" for one in maker.power_ups(5))


def test_one_that_is_stopped_gives_what_it_knows(machine_of):
    machine = machine_of(PROGRAMS[0], "wrong")
    again = Again(machine)
    machine.run(cycles=100_000)
    parts = []

    def goes_on(part):
        parts.append(part)
        return part < 0.5

    found, remark = owed_to_luck(again, machine.cycle, power_ups=32, goes_on=goes_on)
    assert len(found) == 1
    assert "stopped there" in remark
    assert parts == sorted(parts)


def test_pieces_leave_out_what_is_alike():
    memory = Unknown(MEMORY, 1)
    assert pieces({memory: b"ab"}, {memory: b"aX"}) == [Piece(memory, (1,))]


def test_of_what_a_program_compares_with_all_is_tried(machine_of):
    """No noise: of 256 values one byte holds the right one seldom."""
    machine = machine_of({"x": "lda #1\ncmp #$17\ncpx #$44\ncpy #$17\neor #$99\n.byte $C9, $00\n"}, "x")
    again = Again(machine)
    machine.run(cycles=100)
    done = executed(again.machine(), machine.cycle)
    assert done.compared == (0x00, 0x17, 0x44, 0x99)
    memories = [
        set(value)
        for one in Maker(again, compared=done.compared).power_ups(20)[1:]
        for unknown, value in one.values.items()
        if unknown == Unknown(MEMORY, 1)
    ]
    assert [one.pop() for one in memories if len(one) == 1] == [0x00, 0xFF, 0x17, 0x44, 0x99]
    assert sum(len(one) > 200 for one in memories) == 13
