"""What a program sees that is faster than the keyboard's controller: every race of a ring, a port and a read latch.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.keyboard.card import Keyboard
from simkit_cards.keyboard.controller import ControllerTiming, KeyController
from simkit_cards.keyboard.ring_buffer import RingBuffer
from simkit_cards.ps2.scan_codes import KEYS

from simkit import Machine
from simkit.contract import Slot, to_data
from simkit.contract.findings import Findings

DEMO = Path(__file__).resolve().parents[3] / "demo"

STATUS, DATA = 0, 1
READY = 0x01
OVERFLOW = 0x02
LETTERS = "asdfghjkl"
CODES = [next(key.make[0] for key in KEYS if key.name == name) for name in LETTERS]
MS = 2_000  # cycles at 2 MHz
SLOW = 100  # cycles in which the controller does all it has to


class Typist:
    """A bench whose keyboard has passed its self-test and whose ring holds chosen codes."""

    def __init__(self, card_bench, hz=2_000_000, **options):
        options = {"jitter_percent": 0, "self_test_ms": 1, "spare_bits": "low", **options}
        self.bench = card_bench(Keyboard, hz=hz, lines={"INT": "IRQ"}, **options)
        self.ms = hz // 1000
        self.bench.to(4 * self.ms)
        self.take()  # AA
        self.waiting = 0

    def wait(self, cycles=SLOW):
        self.bench.to(self.bench.cycle + cycles)

    def press(self, *names):
        for name in names:
            self.bench.happens("press", name)
        self.wait(2 * self.ms * len(names))

    def status(self, after=3):
        return self.bench.read(STATUS, self.bench.cycle + after)

    def data(self, after=3):
        return self.bench.read(DATA, self.bench.cycle + after)

    def take(self):
        """Status, data, time for the controller, and a status read so long before the next that it sees the latch."""
        self.status()
        code = self.data()
        self.wait()
        self.status()
        self.wait()
        return code

    def rest(self):
        """All codes that a patient program gets."""
        codes = []
        while self.status() & READY:
            codes.append(self.take())
        return codes

    @property
    def ring(self):
        return self.bench.card.controller.ring


@pytest.fixture
def typist(card_bench):
    return lambda **options: Typist(card_bench, **options)


def test_a_patient_program_gets_each_code_once_in_order(typist):
    """Case 1: status, data, then longer than poll and advance."""
    person = typist()
    person.press(*LETTERS[:6])
    assert person.rest() == CODES[:6]


def test_data_read_twice_at_once_is_the_same_code_and_one_advance(typist):
    """Case 2: 4 cycles are 10 instructions; poll and advance take 18."""
    person = typist()
    person.press(*LETTERS[:3])
    person.status()
    assert [person.data(), person.data()] == [CODES[0]] * 2
    person.wait()
    assert person.rest() == CODES[1:3]


def test_data_read_twice_far_apart_shows_the_next_code_without_taking_it(typist):
    """Case 3: the second read pops nothing, as no status read came between."""
    person = typist()
    person.press(*LETTERS[:3])
    person.status()
    assert person.data() == CODES[0]
    person.wait()
    assert person.data() == CODES[1]
    person.wait()
    assert person.rest() == CODES[1:3]


def test_a_status_read_before_the_controller_polls_gives_the_code_again(typist):
    """Case 4: with a poll loop of 100 instructions (20 us) the latch goes 1, then 0 unseen."""
    person = typist(poll_cycles=100)
    person.press(*LETTERS[:2])
    seen = []
    for _ in range(5):
        person.status(2)
        seen.append(person.data(2))
    assert seen == [CODES[0]] * 5
    person.status(2)
    person.wait(1000)
    assert person.rest()[-1] == CODES[1]


@pytest.mark.parametrize(("poll", "expected"), [(3, 0.17), (12, 0.79)])
def test_chance_of_a_duplicate_at_8_mhz(card_bench, poll, expected):
    """Case 5: 1 - g/P for a gap g of 0.5 us (4 cycles at 8 MHz) and polls every 0.6 or 2.4 us, phases free.

    19.6608 MHz for the controller, so that the phases drift; the expectation is reckoned for 20 MHz (2 % off).
    """
    duplicates = trials = 0
    for seed in range(12):
        person = Typist(card_bench, hz=8_000_000, poll_cycles=poll, crystal="19.6608 MHz", seed=seed)
        person.press(*LETTERS[:9])
        while person.status() & READY:
            before = person.ring.popped
            for gap in (1, 3, 5, 7, 11, 13):
                person.wait(SLOW * 4 + gap)
                person.status()
                person.wait(SLOW)
                person.data()
                person.status(3)  # read in the fourth cycle after: g = 4 cycles
                person.wait(SLOW * 4)
                trials += 1
                duplicates += person.ring.popped == before
                before = person.ring.popped
                if not person.status() & READY:
                    break
    assert trials > 100
    assert duplicates / trials == pytest.approx(expected, abs=0.10)


def test_duplicates_cluster_while_a_frame_is_arriving(card_bench):
    """Case 6: the handler of a clock edge (here 150 of 400 instructions a bit) keeps the controller from polling."""

    def duplicates(frame_arriving):
        found = 0
        for seed in range(40):
            person = Typist(
                card_bench,
                hz=8_000_000,
                poll_cycles=3,
                bit_cycles=136,
                entry_cycles=14,
                crystal="19.6608 MHz",
                seed=seed,
            )
            person.press("a", "s")
            if frame_arriving:
                person.bench.happens("press", "d")
                person.wait(1000 + 131 * seed)  # somewhere inside the frame of 7040 cycles
            person.status()
            person.wait(SLOW)
            before = person.ring.popped
            person.data()
            person.status(5)
            person.wait(3000)
            found += person.ring.popped == before
        return found

    assert duplicates(frame_arriving=True) > duplicates(frame_arriving=False) + 5


def test_status_reads_alone_change_nothing(typist):
    """Case 7."""
    person = typist()
    person.press(*LETTERS[:2])
    before = to_data(person.ring)
    assert {person.status(gap) for gap in range(1, 60)} == {READY}
    assert to_data(person.ring) == before


def test_reading_an_empty_card_gives_the_old_code_and_takes_nothing(typist):
    """Case 8, a controller that checks."""
    person = typist()
    person.press("a")
    assert person.take() == CODES[0]
    assert [person.take() for _ in range(3)] == [CODES[0]] * 3
    person.press("s")
    assert person.rest() == CODES[1:2]


def test_reading_an_empty_card_gives_00_when_the_controller_clears_its_port(typist):
    """Case 8, the other port."""
    person = typist(clears_port=True)
    person.press("a")
    assert person.take() == CODES[0]
    assert person.take() == 0


def test_a_controller_that_does_not_check_plays_old_codes_back(typist):
    """Case 8: N stale codes come back, here 3 of a ring of 4."""
    person = typist(ring_slots=4, checks_empty=False)
    person.press("a", "s")
    assert [person.take(), person.take()] == CODES[:2]
    person.take()
    assert len(person.rest()) == 3


def test_a_code_that_comes_between_status_and_data_is_read_and_taken(typist):
    """Case 9: status said empty, data shows the new code, and it is not shown again."""
    person = typist()
    person.bench.happens("press", "a")
    assert not person.status() & READY
    person.wait(3 * MS)
    assert person.data() == CODES[0]
    person.wait()
    assert person.rest() == []


def test_a_code_arriving_while_an_advance_is_pending_is_not_lost(typist):
    """Case 10: the read is placed at every cycle round the arrival of the next code."""
    for offset in range(0, 60):
        person = typist()
        person.press("a")
        person.bench.happens("press", "s")
        person.wait(1850 + offset - 30)
        first = person.take()
        person.wait(MS)
        assert [first, *person.rest()] == CODES[:2]


def test_a_port_that_changes_as_phi2_falls_is_read_torn_bitwise(card_bench):
    """Case 11: each bit from the old or the new code. Without a window it is one of the two, and the wider the window
    the more often it is neither."""
    torn = dict.fromkeys((0, 20, 400), 0)
    for seed in range(60):
        for window in torn:
            person = Typist(card_bench, seed=seed, torn_window_ns=window)
            person.press("s", "h")  # 1B and 33 differ in two bits
            person.status()
            person.data()
            reads = [person.data(0) for _ in range(12)]
            old, new = 0x1B, 0x33
            assert all((value ^ old) & ~(old ^ new) == 0 for value in reads)
            mixed = [value for value in reads if value not in (old, new)]
            told = any(finding.rule == "torn-read" for finding in person.bench.findings)
            assert told or not mixed
            torn[window] += told
    assert torn[0] == 0
    assert torn[400] > 5 * torn[20]


def test_ready_falls_late_after_the_last_code(typist):
    """Case 12: with 100 instructions (40 cycles) to update it, ready stands once more, with the old code."""
    person = typist(update_cycles=100)
    person.press("a")
    person.status()
    assert person.data() == CODES[0]
    assert person.status(20) & READY
    person.wait(200)
    assert not person.status() & READY


def fill(person, keys=20):
    for key in [key for key in KEYS if len(key.make) == 1][:keys]:
        person.press(key.name)
    return [key.make[0] for key in KEYS if len(key.make) == 1][:keys]


def test_a_full_ring_drops_the_new_code_and_says_so(typist):
    """Case 13, drop-new: 15 places; 16 in the counted form."""
    for form, capacity in (("one-slot-empty", 15), ("counted", 16)):
        person = typist(ring_form=form)
        codes = fill(person)
        assert person.status() & OVERFLOW
        assert person.rest() == codes[:capacity]
        assert not person.status() & OVERFLOW


def test_a_full_ring_can_drop_the_oldest_code(typist):
    """Case 13, drop-oldest."""
    person = typist(overflow="drop-oldest")
    codes = fill(person)
    assert person.rest() == codes[5:]


def test_a_full_ring_can_put_00_last(typist):
    """Case 13, replace-last: exactly one 00 an episode, in the last place."""
    person = typist(overflow="replace-last")
    codes = fill(person)
    assert person.rest() == [*codes[:14], 0]


def test_a_full_ring_that_holds_the_clock_leaves_the_keyboard_to_buffer(typist):
    """Case 14: 15 in the ring, 16 in the keyboard, then 00 (IBM, Technical Reference, PC AT, 1984, p. 4-3)."""
    person = typist(overflow="hold-clock")
    names = [key.name for key in KEYS if len(key.make) == 1][:40]
    for name in names:
        person.press(name)
    codes = []
    for _ in range(40):
        codes += person.rest()
        person.wait(3 * MS)
    assert codes == [*[key.make[0] for key in KEYS if len(key.make) == 1][: 15 + 16], 0]
    assert not person.ring.overflowed


def test_a_level_interrupt_is_still_low_when_a_fast_handler_returns(typist):
    """Case 15: poll, advance and update take up to 22 instructions, 9 cycles at 2 MHz; an RTI right after the read is
    through after six."""
    person = typist()
    person.press("a")
    assert not person.bench.line("IRQ")
    person.status()
    person.data()
    person.wait(5)
    assert not person.bench.line("IRQ")
    person.wait(20)
    assert person.bench.line("IRQ")


def test_the_level_of_the_interrupt_line_follows_the_count(typist):
    """irq == (count > 0) outside the update window."""
    person = typist()
    for count in range(4):
        assert person.bench.line("IRQ") is (count == 0)
        person.press(LETTERS[count])
    for _ in range(4):
        assert not person.bench.line("IRQ")
        person.take()
    assert person.bench.line("IRQ")


class Falls:
    """Counts the falls of the interrupt line, cycle by cycle."""

    def __init__(self, person):
        self.person = person
        self.falls = []

    def watch(self, cycles):
        bench = self.person.bench
        high = bench.line("IRQ")
        for _ in range(cycles):
            bench.to(bench.cycle + 1)
            level = bench.line("IRQ")
            if high and not level:
                self.falls.append(bench.cycle)
            high = level
        return len(self.falls)


def test_a_pulse_interrupt_comes_once_for_each_code_and_ends_by_itself(typist):
    """Case 16: 10 instructions are 2 us, 4 cycles; a program that masks interrupts that long misses it."""
    person = typist(interrupt="pulse")
    falls = Falls(person)
    for name in LETTERS[:3]:
        person.bench.happens("press", name)
    assert falls.watch(10 * MS) == 3
    assert person.bench.line("IRQ")
    assert person.rest() == CODES[:3]


def test_one_code_a_pulse_falls_behind_when_two_pulses_merge(typist):
    """Case 17: a pulse longer than the time between two codes; each key then shows the one before."""
    person = typist(interrupt="pulse", pulse_cycles=7_000)
    falls = Falls(person)
    for name in LETTERS[:2]:
        person.bench.happens("press", name)
    assert falls.watch(8 * MS) == 1
    assert person.take() == CODES[0]
    person.bench.happens("press", LETTERS[2])
    assert falls.watch(8 * MS) == 2
    assert person.take() == CODES[1]


def test_a_decoder_spike_on_the_data_strobe_makes_codes_vanish(typist):
    """Case 18: a status read that also strobes data says "taken"; the same cycle's reset is too short for a poll."""
    person = typist()
    person.press(*LETTERS[:3])
    person.status()
    person.wait()
    person.bench.card.controller.strobe(True, person.bench.cycle)  # the spike by itself
    person.wait()
    assert person.take() == CODES[1]


def test_decoder_spikes_make_codes_vanish_or_come_twice(card_bench):
    """Cases 18 and 19: a spike after a status read takes a code unread, one after a data read undoes the taking."""
    seen = {}
    for percent in (0, 20):
        seen[percent] = []
        for seed in range(10):
            person = Typist(card_bench, glitch_percent=percent, seed=seed)
            for name in LETTERS:
                person.press(name)
                seen[percent] += [person.take() for _ in range(3) if person.status() & READY]
    assert seen[0] == CODES * 10
    assert any(before == after for before, after in zip(seen[20], seen[20][1:], strict=False))
    codes = iter(seen[20])
    assert not all(code in codes for code in CODES * 10)  # not even as a subsequence


def test_a_reset_of_the_cpu_leaves_the_queue(typist):
    """Case 21: RESET does not reach the controller."""
    person = typist()
    person.press(*LETTERS[:2])
    person.bench.reset()
    assert person.rest() == CODES[:2]


def test_a_reset_of_the_controller_inside_a_frame_garbles_codes_until_the_line_rests(typist):
    """Case 22: bits before the reset are lost, so frames are cut wrongly until an idle time."""
    person = typist(reset_reaches_controller=True)
    person.press("a")
    person.bench.happens("press", "s")
    person.wait(900)  # the fifth bit of eleven
    person.bench.reset()
    assert person.ring.count == 0
    for name in LETTERS[2:7]:
        person.bench.happens("press", name)
    person.wait(8 * MS)
    assert person.rest() != CODES[2:7]
    person.wait(10 * MS)
    person.press("k")
    assert person.rest() == [0x42]


def test_a_receiver_without_a_time_out_stays_garbled(typist):
    """Case 22 with idle_us = 0."""
    person = typist(reset_reaches_controller=True, idle_us=0)
    person.bench.happens("press", "s")
    person.wait(900)
    person.bench.reset()
    for name in LETTERS[2:7]:
        person.wait(30 * MS)
        person.press(name)
    assert person.rest() != CODES[2:7]


def test_a_latch_wired_backwards_gives_each_key_twice_to_a_waiting_program(typist):
    """Status sets, data resets: the code goes only when status is read again, and by then it is read again too."""
    person = typist(latch="status-sets")
    seen = []
    for name in LETTERS[:4]:
        for _ in range(10):
            assert not person.status() & READY
            person.wait()
        person.press(name)
        seen += [person.data() for _ in range(10) if person.status(20) & READY]
    assert seen == [code for code in CODES[:4] for _ in range(2)]


def test_a_controller_that_pops_at_every_poll_runs_through_the_queue(typist):
    """A design that does not wait for the status read: one data read takes codes until the latch is reset."""
    person = typist(advance="every-poll")
    person.status()
    person.press(*LETTERS[:6])
    assert person.data() == CODES[0]
    person.wait(2000)
    assert person.ring.count == 0


def test_a_controller_that_resets_the_latch_itself_needs_no_status_read(typist):
    """Each data read takes one code."""
    person = typist(advance="self-clearing")
    person.press(*LETTERS[:4])
    assert [person.data(SLOW) for _ in range(4)] == CODES[:4]


def test_a_faster_machine_clock_brings_duplicates(card_bench):
    """Status again 8 cycles after data: fine at 1 MHz, where that is 40 instructions; not at 8 MHz, where it is 5."""

    def received(mhz):
        person = Typist(card_bench, hz=mhz * 1_000_000, poll_cycles=12)
        person.press(*LETTERS)
        return [person.data() for _ in range(400) if person.status(7) & READY]

    assert received(1) == CODES
    assert len(received(8)) > len(CODES)


# Keys that send the same whatever else is held.
EASY_KEYS = [key.name for key in KEYS if not any(word in key.name for word in ("shift", "pause", "print"))]
GAPS = st.lists(st.tuples(st.booleans(), st.integers(0, 90)), min_size=20, max_size=120)


@settings(deadline=None, max_examples=40)
@given(gaps=GAPS, hz=st.sampled_from((1_000_000, 2_000_000, 8_000_000)), poll=st.sampled_from((3, 6, 40)))
def test_reads_at_any_time_see_the_pushed_codes_in_order(card_bench, gaps, hz, poll):
    """Arbitrary timing: codes repeat or are passed over by a read, never come out of order; no more of them are taken
    than data reads that follow a status read."""
    person = Typist(card_bench, hz=hz, poll_cycles=poll, jitter_percent=50, torn_window_ns=0)
    person.press(*LETTERS)
    seen, armed, allowed = [], True, person.ring.popped
    ring = person.ring
    for is_status, gap in gaps:
        if is_status:
            person.status(gap)
            armed = True
        else:
            seen.append(person.data(gap))
            allowed += armed
            armed = False
        assert ring.popped <= allowed
    assert ring.pushed == ring.popped + ring.dropped + ring.count
    places = [CODES.index(code) for code in seen]
    assert places == sorted(places)


@settings(deadline=None, max_examples=25)
@given(
    names=st.lists(st.sampled_from(EASY_KEYS), max_size=14),
    gaps=st.lists(st.integers(0, 400), min_size=1, max_size=10),
    hz=st.sampled_from((1_000_000, 2_000_000, 8_000_000)),
)
def test_a_program_that_keeps_the_rule_gets_every_code_once(card_bench, names, gaps, hz):
    """Data only after ready; poll, advance and handlers' time between data and status, and between that status and the
    next data: no loss, no duplicate."""
    person = Typist(card_bench, hz=hz, jitter_percent=20)
    quiet = 40 * hz // 1_000_000  # 40 us: two handlers and all the controller's work
    expected, at = [], person.bench.cycle + 1
    makes = {key.name: key.make for key in KEYS}
    for name in dict.fromkeys(names):
        person.bench.happens("press", name, at=at)
        expected += list(makes[name])
        at += 3 * person.ms
    received = []
    end = at + 20 * person.ms
    turn = 0
    while person.bench.cycle < end:
        if person.status() & READY:
            received.append(person.data())
            person.wait(quiet)
            person.status()
        person.wait(quiet + gaps[turn % len(gaps)])
        turn += 1
    assert received == expected


def test_a_one_byte_receiver_takes_the_second_byte_of_a_release_for_a_press(typist):
    """Reported: Escape acts twice when interrupts are off for longer than a frame: F0 is overwritten by 76."""
    person = typist(ring_slots=2, overflow="drop-oldest")
    person.press("escape")
    assert person.rest() == [0x76]
    person.bench.happens("release", "escape")
    person.wait(3 * MS)
    assert person.rest() == [0x76]


def test_a_one_byte_receiver_makes_extended_keys_keypad_keys(typist):
    """Reported: E0 is overwritten by the next byte when the program is slow."""
    person = typist(ring_slots=2, overflow="drop-oldest")
    person.bench.happens("press", "up")
    person.wait(3 * MS)
    assert person.rest() == [0x75]


def test_type_ahead_into_a_program_that_never_looks_keeps_the_first_codes(typist):
    """Reported: only the first characters arrive, a larger buffer moves the limit, a slow reader stays slow."""
    for slots in (4, 16):
        person = typist(ring_slots=slots)
        codes = fill(person)
        assert person.rest() == codes[: slots - 1]


def test_the_port_shows_the_head_of_the_ring_whenever_no_update_is_under_way(typist):
    """port == oldest code while codes wait; ready == (count > 0)."""
    person = typist()
    for name in LETTERS:
        person.bench.happens("press", name)
    controller = person.bench.card.controller
    for turn in range(400):
        person.wait(11 + turn % 37)
        if turn % 9 == 0:
            person.status()
            person.data()
            person.wait()
        if not any(person.bench.card.slot.armed(name) for name in controller.EVENTS):
            assert controller.ready is (controller.ring.count > 0)
            assert controller.ring.count == 0 or controller.port == controller.ring.oldest


@pytest.mark.parametrize(("part", "taken"), [("6502", 2), ("65C02", 1)])
def test_a_dummy_read_across_a_page_takes_a_code_on_the_nmos_part(tmp_path, part, taken):
    """Case 20. LDA $7FF1,X with X = $20 goes to $8011; the NMOS part reads $7F11 on the way (MOS MCS6500 Hardware
    Manual, appendix A), the CMOS part its own last byte again (WDC, W65C02S data sheet, table 7-1). The
    program takes the AA and, on the NMOS part, a code it never sees."""
    program = bytearray(b"\xff" * 0x8000)
    code = bytes.fromhex("AD107F A210 CAD0FD AD117F A240 CAD0FD AD107F A240 CAD0FD A220 BDF17F 4C1D80")
    program[: len(code)] = code
    program[0x7FFC:0x7FFE] = b"\x00\x80"
    (tmp_path / "program.bin").write_bytes(program)
    (tmp_path / "machine.toml").write_text(
        f'base = "{DEMO / "marlpit" / "machine.toml"}"\ncpu = "{part}"\n'
        '[[card]]\nslot = 2\nimage = "program.bin"\nlabels = "none.labels"\n'
    )
    (tmp_path / "none.labels").write_text("")
    machine = Machine.load(tmp_path, settings={3: {"self_test_ms": 1}})
    ring = machine.card(3)
    machine.run(cycles=20)
    machine.cpu.pc = 0x801D  # wait for the AA and a key first
    machine.run(seconds=0.004)
    machine.keys.press("a")
    machine.run(seconds=0.004)
    machine.cpu.pc = 0x8000
    machine.run(seconds=0.004)
    assert f"read {taken}, lost 0" in " ".join(ring.words())


@st.composite
def controllers(draw):
    """A controller's clock against the machine's, in ratios where edges meet and in odd ones, with an odd poll."""
    slot = Slot(
        3,
        Fraction(draw(st.sampled_from((1_000_000, 2_000_000, 1_789_773)))),
        draw(st.integers(0, 50)),
        Findings(),
        crystal_phases={"controller": Fraction(draw(st.integers(0, 7)), 8)},
    )
    poll = draw(st.integers(1, 40))
    timing = ControllerTiming(poll=poll, jitter=draw(st.integers(0, 90)) / 100)
    hz = Fraction(draw(st.sampled_from((4_000_000, 20_000_000, 32_000_000, 1_843_200))))
    controller = KeyController(
        slot, RingBuffer(8), timing, hz, advance="armed", clears_port=False, pulses=False, changed=lambda cycle: None
    )
    return controller, slot, timing


@given(controllers(), st.integers(0, 10**9))
def test_the_next_poll_is_the_first_whose_strayed_moment_has_not_passed(made, tick):
    """Poll n comes n lengths after the first one, plus its own stray; worked out for every poll that can count."""
    controller, slot, timing = made
    phase = int(slot.chance("poll phase", 0) * timing.poll)
    first = max(0, tick // timing.poll - 3)
    polls = [
        phase + n * timing.poll + int(slot.chance("poll", n) * timing.jitter * timing.poll)
        for n in range(first - 3, first + 8)
    ]
    assert controller.next_poll(tick) == next(poll for poll in polls if poll >= tick)


@given(controllers(), st.integers(0, 10**6), st.integers(-2, 2), st.booleans())
def test_a_poll_sees_a_strobe_exactly_from_the_end_of_its_cycle_on(made, cycle, near, taken):
    """In fractions of a cycle, also where an edge of the controller's clock meets one of the machine's."""
    controller, _, _ = made
    controller.latch.taken, controller.latch.since = taken, cycle
    tick = controller.instructions.ticks_at(cycle) + near
    after = controller.instructions.moment_of(tick) >= cycle
    assert controller.latch_seen_in(tick) is (taken if after else not taken)
