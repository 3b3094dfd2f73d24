"""A CPU led by a capture: nothing false on sound ones, the very cycle on faulted ones, words that help at the bench."""

import json
from functools import partial

import attrs
import numpy as np
import pytest

from simkit import Machine
from simkit.capture.captured import Captured
from simkit.commands.main import main
from simkit.compare.guessed import EXCHANGED, HIGH, INVERTED, LOW, NOT_TAKEN, SHORTED
from simkit.compare.judged import LINES, Verdict, led
from simkit.compare.lines import diagnose
from simkit.compare.told import as_dict, report
from simkit.contract.errors import SimkitError
from simkit.measure import compares
from simkit.measure.compare_table import table
from simkit.measure.compares import Compared
from simkit.records.observed import observe
from tests.compare.takes import ALL_LINES, MACHINES, SOUND_SEED, exact, misread, noise, observed, taken


@pytest.fixture(scope="module")
def sound():
    return {name: Machine.load(name, seed=SOUND_SEED) for name in MACHINES}


@pytest.mark.parametrize("seed", range(4))
def test_a_noisy_capture_of_a_sound_machine_raises_no_alarm(sound, seed):
    name = MACHINES[seed]
    machine, seen = observed(name, seed, skip=0 if seed == 0 else 9_999 * seed, cycles=3000)
    captured, _ = taken(machine, seen, noise(seed), seed)
    found = led(sound[name], captured)
    assert found.first is None, found.first
    assert found.parts
    assert (found.verdict == Verdict.FITS).mean() > 0.97
    assert (found.verdict == Verdict.NOISE).any()


@pytest.mark.slow
def test_no_alarm_on_200_captures_of_sound_machines(sound):
    false = [seed for seed in range(8300, 8500) if compares.sound(sound, seed).told is not None]
    assert false == []


@pytest.mark.parametrize("seed", [1, 4, 5, 8561, 8569, 8590, 9922, 9969])
def test_the_first_disagreement_is_the_very_cycle(sound, seed):
    """Also where the CPU is not in step yet, in an operand, beside a misread address, and in a few cycles."""
    found = compares.faulty(sound, seed, cycles=3000)
    assert found.shown is not None
    assert found.told == found.shown, found.fault


@pytest.mark.slow
def test_the_first_disagreement_is_the_very_cycle_in_nearly_all_of_50_faulted_captures(sound):
    shown = [each for each in (compares.faulty(sound, seed) for seed in range(8500, 8580)) if each.shown is not None]
    assert len(shown) >= 50
    wrong = [each for each in shown if each.told != each.shown]
    assert len(wrong) <= 0.1 * len(shown), wrong


def test_a_register_told_by_one_misread_address_is_not_held_for_it(sound):
    """An address bit was misread where the capture alone told an index register, a pointer, or a return address."""
    seeds = {5019: "video-test-card", 5198: "pad-test", 7061: "keyboard-test", 8102: "pad-test"}
    assert [compares.sound(sound, seed, name=f"demo:{name}").told for seed, name in seeds.items()] == [None] * 4


def test_banks_are_as_they_are_where_a_write_to_them_was_misread(sound):
    """Else all that is read afterwards would be another bank's."""
    machine = sound["demo:banks-test"]
    _, seen = observed("demo:banks-test", 3, cycles=6000)
    whole, registers = exact(seen), {seat.slot for seat in machine.bus.seats if seat.registers}
    address, _ = whole.address
    writes = [
        row
        for row in np.flatnonzero(whole.is_write[0]).tolist()
        if any(seat.slot in registers for seat, _ in machine.bus.where(int(address[row]), is_write=True))
    ]
    assert len(writes) > 2
    for row in writes[:3]:
        found = led(machine, misread(whole, row, "D0"))
        assert found.first is None, (row, found.first)


def test_where_banks_stand_nobody_knows_of_a_capture_from_the_middle(sound):
    for seed in range(3):
        _, seen = observed("demo:banks-test", seed, skip=90_001 * (seed + 1), cycles=3000)
        assert led(sound["demo:banks-test"], exact(seen)).differences == []


def test_reset_is_known_though_a_line_is_misread_and_another_at_fault(sound):
    _, seen = observed("demo:marlpit", 5, cycles=400, wiring=["A5 stuck low"])
    whole = exact(seen)
    vector = int(np.flatnonzero(whole.address[0] == 0xFFDC)[0])
    for row, line in ((vector + 2, "SYNC"), (vector - 1, "A1")):
        found = led(sound["demo:marlpit"], misread(whole, row, line))
        assert found.from_reset
        assert found.first.row == vector


def test_a_misread_byte_that_is_pushed_is_not_held_for_what_the_stack_holds(sound):
    """PLA, PHA: what was pulled comes of the capture alone, so one misread write must not tell it."""
    machine = sound["demo:keyboard-test"]
    _, seen = observed("demo:keyboard-test", 731, skip=42_000, cycles=3000)
    whole = exact(seen)
    data, opcode = whole.data[0], seen.level("SYNC")
    pushes = [row + 2 for row in np.flatnonzero(opcode & (data == 0x48)).tolist() if data[row - 4] == 0x68]
    assert len(pushes) > 2
    for row in pushes[:3]:
        assert led(machine, misread(whole, row, "D2")).first is None


def test_a_round_of_a_loop_that_is_missing_in_the_capture_is_no_disagreement(sound):
    _, seen = observed("demo:marlpit", 5, cycles=2000)
    whole = exact(seen)
    keep = np.ones(len(whole), bool)
    first, behind = np.flatnonzero(whole.address[0] == 0x8009)[20:22]
    keep[first:behind] = False
    lost = np.zeros(len(whole), bool)
    lost[behind] = True
    captured = Captured(whole.names, whole.levels, whole.known, whole.time, lost)[keep]
    found = led(sound["demo:marlpit"], captured)
    assert found.first is None, found.first
    assert (found.verdict == Verdict.UNTOLD).mean() < 0.05


def test_memory_that_takes_no_writes_is_told_as_that(sound):
    machine = sound["demo:marlpit"]
    real = Machine.load("demo:marlpit", seed=6, faults=["slot 1: write enable never"])
    found = led(machine, exact(observe(real, 4000)))
    faults = diagnose(machine, found)
    assert (faults[0].how, faults[0].slot) == (NOT_TAKEN, 1)
    text = "\n".join(report(machine, found, faults))
    assert "RAM (slot 1) does not take what is written" in text
    assert "write enable" in text


def test_a_wrong_byte_that_was_misread_besides_is_the_first_disagreement(sound):
    """The CPU took neither what was captured nor what the ROM holds: what it did tells the byte."""
    _, seen = observed("demo:marlpit", 5, cycles=600, wiring=["slot 2: A3 stuck high"])
    whole = exact(seen)
    row = int(np.flatnonzero(whole.address[0] == 0xFFFC)[0]) + 2
    assert whole.data[0][row] == 0x00  # BRK
    found = led(sound["demo:marlpit"], misread(whole, row, "D1"))
    assert found.first.row == row


@pytest.mark.parametrize("seed", [3, 8])
def test_captures_read_from_files_come_to_the_same(sound, seed):
    assert compares.sound(sound, seed, cycles=1500).told is None


def test_the_command_measures_both_by_an_analyser_with_wrong_bits_and_by_one_without(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["bench", "--compare", "--pairs", "1", "--seed", "4", "--json"])
    told = json.loads(capsys.readouterr().out)
    assert ended.value.code in (0, None)
    assert [each["bit_errors"] for each in told["analysers"]] == [0, 0.01]
    for each in told["analysers"]:
        assert (each["sound"], each["alarms"], each["exact"]) == (1, [], each["shown"])


def test_the_table_tells_alarms_and_misses_by_analyser():
    usual = Compared(seed=1, machine="demo:marlpit", fault="", bit_errors=0.0, shown=None, told=None)
    one = partial(attrs.evolve, usual)
    found = [
        one(),
        one(seed=2, told=31),
        one(seed=3, fault="A3 high", shown=5, told=5),
        one(seed=4, fault="A4 high", shown=5, told=None),
        one(seed=5, fault="A5 high", told=7),
        one(seed=6, bit_errors=0.01, told=9),
    ]
    lines = table(found)
    without, wrong = "\n".join(lines[: lines.index("", 2)]), "\n".join(lines[lines.index("", 2) :])
    assert "1 alarms in 2 captures" in without
    assert "the very cycle in 1 of 2" in without
    assert "1, of which 1 were told all the same" in without
    assert "seed 2, demo:marlpit: an alarm at cycle 31" in without
    assert "seed 4, A4 high: shows at cycle 5, nothing told" in without
    assert "seed 6, demo:marlpit: an alarm at cycle 9" in wrong
    assert "1 alarms in 1 captures" in wrong


def test_nothing_is_told_of_a_perfect_capture_from_anywhere(sound):
    for name in MACHINES:
        _, seen = observed(name, 77, skip=50_001, cycles=3000)
        found = led(sound[name], exact(seen))
        assert found.differences == []
        assert [end for _, end in found.parts] == [len(seen)]


@pytest.mark.parametrize(
    ("fault", "line", "how", "other", "pin"),
    [
        ("slot 2: D3 stuck low", "D3", LOW, "", False),
        ("slot 2: D4 inverted", "D4", INVERTED, "", False),
        ("slot 2: D1 exchanged with D2", "D1", EXCHANGED, "D2", False),
        ("slot 2: A0 exchanged with A1", "A0", EXCHANGED, "A1", True),
        ("slot 2: A3 stuck high", "A3", HIGH, "", True),
        ("A5 stuck high", "A5", HIGH, "", False),
        ("A5 shorted to A6", "A5", SHORTED, "A6", False),
    ],
)
def test_the_line_and_what_is_wrong_with_it_are_told(sound, fault, line, how, other, pin):
    _, seen = observed("demo:marlpit", 5, cycles=8000, wiring=[fault])
    machine = sound["demo:marlpit"]
    found = led(machine, exact(seen))
    first, *rest = diagnose(machine, found)
    told = [(each.line, each.how, each.other, each.pin) for each in (first, *rest)]
    assert (line, how, other, pin) in told[:2]


def test_the_report_says_what_to_do_at_the_bench(sound):
    _, seen = observed("demo:marlpit", 5, cycles=6000, wiring=["slot 2: D3 stuck low"])
    machine = sound["demo:marlpit"]
    found = led(machine, exact(seen))
    faults = diagnose(machine, found)
    text = "\n".join(report(machine, found, faults))
    assert "D3, when ROM (slot 2) is read: always low" in text
    assert "Look at D3 between contact 15 of ROM (slot 2) and contact 30 of the CPU: it was low in all of" in text
    assert "First disagreement: cycle 0 of the capture." in text
    plain = as_dict(machine, found, faults)
    assert plain["first"]["cycle"] == 0
    assert plain["lines"][0]["line"] == "D3"
    assert plain["agree"] + plain["card_wrong"] + plain["cpu_wrong"] + plain["noise"] + plain["untold"] == len(seen)


def test_a_contact_that_comes_and_goes_is_told_as_one(sound):
    machine = sound["demo:marlpit"]
    shaky = Machine.load("demo:marlpit", seed=33, faults=["slot 2: D3 open, 1 in 300"])
    shaky.run(cycles=25)
    found = led(machine, exact(observe(shaky, 9000)))
    faults = diagnose(machine, found)
    assert [(each.line, each.slot) for each in faults] == [("D3", 2)]
    assert "A contact that comes and goes" in "\n".join(report(machine, found, faults))


def test_a_bit_of_a_rom_is_told_by_its_address(sound):
    image = bytearray(sound["demo:marlpit"].images()[2])
    image[0x000F] ^= 0x04  # an operand of the loop that clears memory
    machine = Machine.load("demo:marlpit", seed=3, images={2: bytes(image)})
    found = led(sound["demo:marlpit"], exact(observe(machine, 6000)))
    assert {each.address for each in found.disagreements} == {0x800F}
    (fault,) = diagnose(sound["demo:marlpit"], found)
    assert fault.addresses == (0x800F,)
    assert "programmer" in "\n".join(report(sound["demo:marlpit"], found, [fault]))


def test_a_capture_that_lacks_lines_is_refused_with_what_to_do(sound):
    _, seen = observed("demo:marlpit", 5, cycles=200)
    whole = exact(seen)
    names = ALL_LINES[1:20]
    levels, known = whole.gathered(names)
    with pytest.raises(SimkitError, match="A0 to A15, D0 to D7 and RW must all be in it"):
        led(sound["demo:marlpit"], Captured(names, levels, known, whole.time, whole.lost))


def test_a_capture_of_another_machine_is_not_followed(sound):
    _, seen = observed("demo:monitor", 5, cycles=3000)
    found = led(sound["demo:marlpit"], exact(seen))
    assert found.first is not None


def test_columns_are_as_long_as_the_capture_also_where_cycles_are_missing(sound):
    _, seen = observed("demo:marlpit", 5, cycles=2000)
    whole = exact(seen)
    keep = np.ones(len(whole), bool)
    keep[[500, 501, 900]] = False
    lost = np.zeros(len(whole), bool)
    lost[[502, 901]] = True
    captured = Captured(whole.names, whole.levels, whole.known, whole.time, lost)[keep]
    found = led(sound["demo:marlpit"], captured)
    assert found.first is None
    assert len(found) == len(found.levels) == len(found.slot) == len(captured)
    assert len(found.parts) == 1
    assert found.pc(600) is not None
    assert len(LINES) == 26


def test_breaking_off_tells_where(sound):
    _, seen = observed("demo:marlpit", 5, cycles=40_000)
    asked = []
    found = led(sound["demo:marlpit"], exact(seen), lambda row: asked.append(row) or False)
    assert found.stopped == asked[0] < len(seen)
