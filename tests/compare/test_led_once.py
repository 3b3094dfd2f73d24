"""What shows once only: a single wrong byte of a ROM, two misreadings in one place, what a late line kept."""

import numpy as np
import pytest

from simkit import Machine
from simkit.capture.captured import Captured
from simkit.compare.judged import Verdict, led
from simkit.compare.led import Follower
from simkit.compare.lines import diagnose
from simkit.records.observed import observe
from tests.compare.takes import SOUND_SEED, exact, misread, noise, observed, taken

RESET, COPIED = 0x7FFC, 0x0200
COPY = bytes(
    (0xA2, 0x00, 0xBD, 0x00, 0x81, 0x9D, 0x00, 0x02, 0xE8, 0xD0, 0xF7, 0xA9, 0x01, 0xA2, 0x05, 0x4C, 0x00, 0x02)
)
"""Copies a page to RAM, has A 1 and X 5, and goes there."""
PIN = 0x20
"""A5, stuck high at the ROM: whatever stands twice, a line apart, is right all the same."""
POINTER = 0x0240


def rom_with_a_stuck_pin(code, fault="slot 2: A5 stuck high"):
    """Images, and a capture of code in RAM that begins with it: no register has been shown there."""
    image = bytearray(b"\xea" * 0x8000)
    image[0:PIN] = image[PIN : 2 * PIN] = COPY.ljust(PIN, b"\xea")
    image[0x100 : 0x100 + 2 * PIN] = code.ljust(PIN, b"\xea") * 2
    image[POINTER - 1], image[POINTER], image[POINTER | PIN - 1], image[POINTER | PIN] = 0x00, 0x03, 0x00, 0x84
    image[RESET : RESET + 2] = image[RESET & ~PIN : (RESET & ~PIN) + 2] = bytes((0x00, 0x80))
    images = {2: bytes(image)}
    whole = exact(observe(Machine.load("demo:marlpit", seed=5, images=images, faults=[fault]), 4600))
    begin = int(np.flatnonzero(whole.address[0] == COPIED)[-1])
    return images, whole[begin : begin + 160]


@pytest.mark.parametrize(
    "code",
    [
        bytes(
            (0xEA, 0x6D, 0x40, 0x82, 0x4C, 0x40, 0x02)
        ),  # ADC, which uses an A that nothing has shown yet: no address comes of it
        bytes((0xEA, 0x7C, 0x3A, 0x82)),  # JMP (address,X): both bytes of the pointer show X
    ],
)
def test_one_byte_of_another_address_is_the_first_disagreement_whatever_registers_are_unknown(code):
    images, captured = rom_with_a_stuck_pin(code)
    row = int(np.flatnonzero(captured.address[0] == 0x8000 | POINTER)[0])
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), captured)
    assert found.first is not None
    assert (found.first.row, found.first.expected, found.first.captured) == (row, 0x03, 0x84)


def test_an_index_that_one_misread_address_tells_proves_nothing():
    """The byte is that of the CPU's own address, one line from the one that was captured."""
    images, captured = rom_with_a_stuck_pin(bytes((0xEA, 0xBD, 0x3B, 0x82)), "slot 5: D0 stuck low")  # LDA address,X
    row = int(np.flatnonzero(captured.address[0] == 0x8000 | POINTER)[0])
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), misread(captured, row, "A5"))
    assert found.first is None, found.first


def test_the_cpu_is_in_step_though_two_rows_near_the_beginning_are_misread():
    images, captured = rom_with_a_stuck_pin(bytes((0xE8, 0x65, 0x10, 0xAD, 0x00, 0x82) * 3))
    captured = misread(misread(captured, 13, "A1"), 16, "SYNC")
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), captured)
    assert found.parts[0][0] == 0


def test_a_byte_that_an_instruction_wrote_is_what_it_made_where_opcode_and_write_were_misread():
    """DEC taken for a shorter instruction: the rows behind it are its own, too."""
    code = bytes((0xA9, 0x07, 0x85, 0x12, 0xC6, 0x12)) + bytes((0xA5, 0x12, 0x85, 0x13)) * 3 + bytes((0x4C, 0, 0x80))
    image = bytearray(0x8000)
    image[: len(code)], image[RESET : RESET + 2] = code, bytes((0x00, 0x80))
    images = {2: bytes(image)}
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 400))[100:]
    fetch = int(np.flatnonzero(captured.address[0] == 0x8004)[4])
    captured = misread(misread(captured, fetch, "D2"), fetch + 4, "D0")
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), captured)
    assert found.first is None, found.first


@pytest.mark.parametrize(("row", "line"), [(6, "D0"), (5, "D7"), (6, "D5")])
def test_a_line_at_fault_is_told_in_the_vector_though_a_line_and_a_byte_of_it_are_misread(row, line):
    _, seen = observed("demo:marlpit", 9919, cycles=600, wiring=["A13 stuck low"])
    captured = misread(misread(exact(seen), 5, "A5"), row, line)
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED), captured)
    assert found.first.row == 5
    assert found.first.control & 0x2000


@pytest.mark.parametrize("from_middle", [False, True])
def test_what_a_late_line_kept_is_told_by_what_comes_behind_a_gap(from_middle):
    """The CPU wrote another level in it; a read leaves the line as it was."""
    real = Machine.load("demo:marlpit", seed=7, faults=["D0 late"])
    captured = exact(observe(real, 2000))
    writes = np.flatnonzero(captured.gathered(["RW"])[0] == 0)
    level = captured.gathered(["D0"])[0][writes]
    turns = writes[1:][level[1:] != level[:-1]]
    row = int(turns[turns > 700][0])
    keep = np.r_[0 if not from_middle else row - 300 : row - 3, row + 4 : len(captured)]
    lost = captured.lost.copy()
    lost[row + 4] = True
    columns = captured.levels, captured.known, captured.time, lost
    captured = Captured(captured.names, *(column[keep] for column in columns))
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, faults=["D0 late"]), captured)
    assert found.first is None, found.first
    assert (found.verdict == Verdict.UNTOLD).mean() < 0.05


@pytest.mark.parametrize("fault", ["D6 inverted", "A3 inverted"])
def test_a_level_that_is_not_known_hides_no_other_line_of_a_machine_that_is_wired_oddly(fault):
    captured = exact(observe(Machine.load("demo:marlpit", seed=7, faults=[fault]), 1500))
    known = captured.known.copy()
    for row in range(10, len(known), 7):
        known[row] &= ~(np.uint64(1) << np.uint64(captured.names.index(f"{'A' if row % 2 else 'D'}{row % 5}")))
    captured = Captured(captured.names, captured.levels, known, captured.time, captured.lost)
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, faults=[fault]), captured)
    assert found.first is None, found.first
    assert (found.verdict == Verdict.UNTOLD).mean() < 0.05
    bits = np.bitwise_count(found.seen_known[20:] & np.uint64(0xFF << 18)).mean()
    assert bits > 7.5, bits


def test_lines_that_touch_are_told_from_the_vector_on_though_another_is_misread():
    _, seen = observed("demo:marlpit", 10136, cycles=600, wiring=["A0 shorted to A1"])
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED), misread(exact(seen), 7, "A11"))
    assert found.first.row == 6
    assert (found.verdict == Verdict.UNTOLD).mean() < 0.05


@pytest.mark.parametrize(("wrong", "told"), [((0, 1, 2), True), ((0, 2), False)])
def test_a_data_line_of_a_rom_that_is_wrong_each_time_it_could_be_is_no_noise(wrong, told):
    """At three addresses, and no cycle shows it right; one that does, and it may be noise."""
    reads = bytes((0xAE, 0x02, 0x80, 0xAE, 0x05, 0x80, 0xAE, 0x0A, 0x80, 0x4C, 0x40, 0x02))  # LDX of bytes with D2 high
    images, captured = rom_with_a_stuck_pin(reads)
    rows = [int(np.flatnonzero(captured.address[0] == address)[0]) for address in (0x8002, 0x8005, 0x800A)]
    for which in wrong:
        captured = misread(captured, rows[which], "D2")
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), captured)
    assert (found.first is not None) == told
    assert found.first is None or found.first.row == rows[0]


def test_noise_shortly_before_an_address_pin_shows_is_not_of_it():
    machine = Machine.load("demo:marlpit", seed=SOUND_SEED)
    _, seen = observed("demo:marlpit", 10141, cycles=1500, wiring=["slot 2: A5 stuck high"])
    captured = exact(seen)
    wrong = np.array([each.row for each in led(machine, captured).differences])
    address = captured.address[0].astype(int)
    dummies = np.flatnonzero((address[:-1] == address[1:]) & (address[1:] >= 0x8000))  # nobody takes what is read
    noisy = next(at for at in dummies if not ((wrong > at - 8) & (wrong <= at + 2)).any() and (wrong > at).any())
    first = int(wrong[wrong > noisy][0])
    begin = noisy - 7
    found = led(machine, misread(captured, int(noisy), "D1")[begin:])
    assert found.first.row == first - begin


@pytest.mark.parametrize(
    ("wiring", "how"),
    [
        ("A13 stuck high", "always high"),
        ("A10 stuck high", "always high"),
        ("A4 stuck low", "always low"),
        ("A0 stuck high", "always high"),
    ],
)
def test_an_address_line_at_fault_is_told_of_a_capture_from_the_middle(wiring, how):
    """No captured address is the CPU's: which it is shows by how it goes on."""
    machine = Machine.load("demo:marlpit", seed=SOUND_SEED)
    _, seen = observed("demo:marlpit", 10202, skip=1500, cycles=2000, wiring=[wiring])
    found = led(machine, exact(seen))
    first, *_ = diagnose(machine, found)
    assert (first.line, first.how, first.slot) == (wiring.split()[0], how, None)
    assert found.first.row < 300


def test_a_first_address_that_is_misread_is_that_which_comes_before_the_next_one():
    _, seen = observed("demo:marlpit", 7, skip=900, cycles=1200)
    whole = exact(seen)
    fetches = np.flatnonzero((whole.address[0] >= 0x8000) & (whole.gathered(["SYNC"])[0] != 0))
    for begin in fetches[2:8].tolist():
        found = led(Machine.load("demo:marlpit", seed=SOUND_SEED), misread(whole[begin : begin + 200], 0, "A14"))
        assert found.first is None, found.first
        assert not found.levels[0] >> np.uint64(14) & np.uint64(1)


def test_behind_the_last_row_of_a_capture_nothing_differs():
    """A difference in its last instruction may turn out to be noise, and then what comes behind it is compared anew."""
    real = Machine.load("demo:pad-test", seed=7)
    follower = Follower(real, taken(real, observe(real, 200), noise(7, start_within=1), 7)[0])
    follower.follow()
    end = len(follower.rows)
    follower._track.earlier = frozenset({"a"})
    assert follower._heard.check(end, end, 0x8000) == []


@pytest.mark.parametrize(("second", "lines", "told"), [(7, "D3 D4", 2), (7, "D3 D5", 0), (0, "D3 D4", 0)])
def test_the_same_two_lines_of_a_rom_wrong_at_two_places_are_no_noise_though_nothing_hangs_on_them(second, lines, told):
    """LDA $8100, LDA $8107 and back: what was read is not used. At one place alone they may be one misread address."""
    image = bytearray(b"\xea" * 0x8000)
    image[0:9] = bytes((0xAD, 0x00, 0x81, 0xAD, 0x07, 0x81, 0x4C, 0x00, 0x80))
    image[RESET : RESET + 2] = bytes((0x00, 0x80))
    images = {2: bytes(image)}
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 900))
    for row, names in ((40, "D3 D4"), (60, lines)):
        place = 0x8100 if row == 40 else 0x8100 + second
        at = next(at for at in range(row * 10, 900) if captured.address[0][at] == place)
        for name in names.split():
            captured = misread(captured, at, name)
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), captured)
    assert len(found.disagreements) == told
