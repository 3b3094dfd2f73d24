"""Serial pads: check vectors, and a clocked model of '161, CD4021B and 74HC595 against the card's arithmetic.

Sources:
    [CD4021BC] Fairchild, CD4021BC data sheet DS005954, description and truth table.
    [74HC595] Philips, 74HC595; 74HCT595 data sheet, 2003, function table.
    [DM161] Fairchild, DM74LS161A data sheet.
"""

from __future__ import annotations

import itertools
import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.pads.serial_pads import SerialPads

from simkit.contract.errors import SimkitError
from simkit.contract.events import NEVER
from tests.examples import examples

BUTTONS = ("a", "b", "select", "start", "up", "down", "left", "right")
STORES = ("carry-rise", "carry-rise-early", "carry-fall", "shift-clock", "unlatched")
PORT_1, PORT_2 = 2, 3


class Hc161:
    """Four-bit counter; outputs Q0 to Q3 and carry."""

    def __init__(self, count: int) -> None:
        self.count = count

    def clock(self) -> None:
        self.count = (self.count + 1) % 16

    @property
    def q(self) -> tuple[bool, ...]:
        return tuple(bool(self.count >> n & 1) for n in range(4))

    @property
    def carry(self) -> bool:
        return self.count == 15


class Cd4021:
    """Eight stages, stage 8 is the output; levels are 0, 1 or None for unknown."""

    def __init__(self, serial_in: int) -> None:
        self.stages: list[int | None] = [None] * 8
        self.serial_in = serial_in

    def load(self, inputs: list[int]) -> None:
        self.stages = list(inputs)

    def shift(self) -> None:
        self.stages = [self.serial_in, *self.stages[:7]]

    @property
    def q8(self) -> int | None:
        return self.stages[7]


class Hc595:
    def __init__(self) -> None:
        self.shifted: list[int | None] = [None] * 8  # QA first
        self.stored: list[int | None] = [None] * 8

    def shift_clock(self, serial: int | None) -> None:
        self.shifted = [serial, *self.shifted[:7]]

    def store_clock(self) -> None:
        self.stored = list(self.shifted)


class Board:
    """The card as a netlist clocked edge by edge; nothing of the model under test is used."""

    def __init__(self, wiring, *, start: int) -> None:
        self.w = wiring
        self.counter = Hc161(start)
        self.pads = {1: Cd4021(wiring.after_last_bit), 2: Cd4021(wiring.after_last_bit)}
        self.collectors = {1: Hc595(), 2: Hc595()}
        self.held: dict[int, set[str]] = {1: set(), 2: set()}
        self.plugged = {1: True, 2: True}

    def inputs(self, number: int) -> list[int]:
        # Button A is wired to PI-8, so that it comes first.
        return [0 if button in self.held[number] else 1 for button in reversed(BUTTONS)]

    def strobe(self) -> bool:
        carry = self.counter.carry
        return {"carry": carry, "carry-inverted": not carry, "high": True, "low": False}[self.w.latch]

    def tap(self) -> bool:
        return self.counter.q[(2, 4, 8, 16).index(self.w.divide)]

    def follow(self) -> None:
        """While P/S is high the stages follow the inputs."""
        if self.strobe():
            for number, pad in self.pads.items():
                if self.plugged[number]:
                    pad.load(self.inputs(number))

    def clock(self) -> None:
        self.follow()
        tap, carry, strobe = self.tap(), self.counter.carry, self.strobe()
        self.counter.clock()
        rise, fall = self.tap() and not tap, tap and not self.tap()
        shift_now = rise if self.w.shift_edge == "rise" else fall
        carry_rise, carry_fall = self.counter.carry and not carry, carry and not self.counter.carry
        for number, collector in self.collectors.items():
            pad = self.pads[number]
            serial = pad.q8 if self.plugged[number] else 1  # pull-up
            if self.w.store == "carry-rise-early" and carry_rise:
                collector.store_clock()
            if self.w.store == "carry-fall" and carry_fall:
                collector.store_clock()
            if shift_now:
                if self.w.store == "shift-clock":
                    collector.store_clock()
                collector.shift_clock(serial)
            if self.w.store == "carry-rise" and carry_rise:
                collector.store_clock()  # late enough to pass the newest bit
            if rise and not strobe and not self.strobe():
                pad.shift()  # after the '595 took the bit: the part is ten times slower
        self.follow()

    def bits(self, number: int) -> list[int | None]:
        """What the data bus gets, bit 0 first."""
        collector = self.collectors[number]
        bits = list(collector.shifted if self.w.store == "unlatched" else collector.stored)
        if self.w.bit_order == "first-bit-low":
            bits.reverse()
        if self.w.sense == "inverted":
            bits = [None if bit is None else 1 - bit for bit in bits]
        return bits

    def event(self, number: int, action: str, button: str) -> None:
        if action == "press":
            self.held[number].add(button)
        elif action == "release":
            self.held[number].discard(button)
        else:
            self.plugged[number] = action == "plug"
            self.held[number].clear()
            self.pads[number].stages = [None] * 8
        self.follow()


def some_event(rng: random.Random, plugs: bool) -> tuple[int, str, str]:
    action = rng.choice(["press", "release"] * 4 + (["plug", "unplug"] if plugs else []))
    return rng.choice((1, 2)), action, rng.choice(BUTTONS)


def agree(card: SerialPads, board: Board, cycle: int, known_wanted: bool) -> None:
    for number, offset in ((1, PORT_1), (2, PORT_2)):
        value = card.peek(offset, cycle)
        for bit, expected in enumerate(board.bits(number)):
            if expected is None:
                assert not known_wanted
            else:
                assert value >> bit & 1 == expected, (cycle, number, bit, f"{value:08b}", board.bits(number))


@pytest.mark.parametrize(
    ("divide", "bit_order", "shift_edge", "store"),
    list(itertools.product((2, 4, 8, 16), ("first-bit-high", "first-bit-low"), ("rise", "fall"), STORES)),
)
def test_the_card_agrees_with_a_clocked_model_at_every_cycle(card_bench, divide, bit_order, shift_edge, store):
    """64 pad frames with random buttons; parts by their data sheets ([CD4021BC], [74HC595], [DM161])."""
    rng = random.Random(f"{divide}{bit_order}{shift_edge}{store}")
    prescale, start = rng.choice((1, 1, 1, 2, 3)), rng.randrange(16)
    bench = card_bench(
        SerialPads, divide=divide, bit_order=bit_order, shift_edge=shift_edge, store=store, prescale=prescale,
        start_count=start, sense=rng.choice(("active-low", "inverted")), after_last_bit=rng.randrange(2),
    )  # fmt: skip
    card, board = bench.card, Board(bench.settings, start=start)
    warm_up = 10 * 16 * prescale  # the slowest tap needs eight frames for eight bits
    busy = rng.choice((0.3, 0.05, 0.01))
    for cycle in range(1, warm_up + 64 * 16 * prescale):
        if cycle % prescale == 0:
            board.clock()
        if rng.random() < busy:
            number, action, button = some_event(rng, plugs=False)
            card.outside("pads", action, (number, button), cycle)
            board.event(number, action, button)
        if cycle > warm_up:
            agree(card, board, cycle, known_wanted=True)


@pytest.mark.parametrize("latch", ["carry-inverted", "high", "low"])
def test_a_latch_wired_wrongly_agrees_with_the_clocked_model(card_bench, latch):
    """[CD4021BC]: while P/S is high stage 8 follows its input; while it stays low the serial input fills the stages."""
    rng = random.Random(latch)
    bench = card_bench(SerialPads, latch=latch, start_count=5)
    card, board = bench.card, Board(bench.settings, start=5)
    for cycle in range(1, 40 * 16):
        board.clock()
        if rng.random() < 0.1:
            number, action, button = some_event(rng, plugs=False)
            card.outside("pads", action, (number, button), cycle)
            board.event(number, action, button)
        if cycle > 48:
            agree(card, board, cycle, known_wanted=True)


@pytest.mark.parametrize("seed", range(6))
def test_plugging_during_a_run_agrees_with_the_clocked_model(card_bench, seed):
    """An empty socket reads as the pull-up says; a pad plugged in shows its buttons from the next latch on."""
    rng = random.Random(seed)
    bench = card_bench(SerialPads, start_count=9)
    card, board = bench.card, Board(bench.settings, start=9)
    for cycle in range(1, 64 * 16):
        board.clock()
        if rng.random() < 0.05:
            number, action, button = some_event(rng, plugs=True)
            arguments = (number,) if action in ("plug", "unplug") else (number, button)
            if action in ("plug", "unplug") or board.plugged[number]:
                card.outside("pads", action, arguments, cycle)
                board.event(number, action, button)
        agree(card, board, cycle, known_wanted=False)


def test_a_counter_with_its_own_oscillator_agrees_with_the_clocked_model(card_bench):
    """Edges at exact moments of a 1.8432 MHz oscillator against a 2 MHz machine clock."""
    bench = card_bench(SerialPads, oscillator="1.8432 MHz", start_count=0, torn_window_ns=0)
    phase = Fraction(int(bench.card.slot.chance("phase of oscillator", 0) * 4096), 4096)
    card, board = bench.card, Board(bench.settings, start=0)
    rng = random.Random(7)
    period = Fraction(2_000_000, 1_843_200)
    edge = (1 - phase) * period
    for cycle in range(1, 64 * 18):
        while edge <= cycle:
            board.clock()
            edge += period
        if rng.random() < 0.05:
            number, action, button = some_event(rng, plugs=False)
            card.outside("pads", action, (number, button), cycle)
            board.event(number, action, button)
        if cycle > 60:
            agree(card, board, cycle, known_wanted=True)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, (0xFF, 0x7F, 0xEF, 0xFE)),
        ({"shift_edge": "fall"}, (0xFF, 0x7F, 0xEF, 0xFE)),
        ({"bit_order": "first-bit-low"}, (0xFF, 0xFE, 0xF7, 0x7F)),
        ({"store": "carry-rise-early"}, (0xFF, 0xBF, 0xF7, 0x7F)),
        ({"divide": 4}, (0xFF, 0x77, 0xEE, 0xFF)),
        ({"sense": "inverted"}, (0x00, 0x80, 0x10, 0x01)),
    ],
)
def test_check_vectors_for_none_a_start_right(card_bench, options, expected):
    """Bytes at QH..QA with none, A, Start, Right held: worked out by hand from the function tables of [CD4021BC]
    (first bit at Q8 without a clock) and [74HC595] (first bit ends at QH; clocks tied: one behind)."""
    for button, value in zip((None, "a", "start", "right"), expected, strict=True):
        bench = card_bench(SerialPads, **options)
        if button:
            bench.happens("press", 1, button)
        assert bench.read(PORT_1, 500) == value
        assert bench.read(PORT_2) == expected[0]


def test_a_tied_shift_and_storage_clock_is_one_bit_behind_at_the_end_of_a_frame(card_bench):
    """[74HC595] function table: with both clocks joined the outputs are one clock behind."""
    bench = card_bench(SerialPads, store="shift-clock", start_count=0)
    bench.happens("press", 1, "a", at=100)
    end_of_frame = 512 + 15  # count 15: all eight edges of the frame have passed
    assert bench.read(PORT_1, end_of_frame) == 0xBF


def test_every_button_of_both_pads_has_its_own_bit(card_bench):
    """Order A, B, Select, Start, Up, Down, Left, Right: R. Price, blog post 3113; first bit at QH: [74HC595]."""
    for number, offset in ((1, PORT_1), (2, PORT_2)):
        for place, button in enumerate(BUTTONS):
            bench = card_bench(SerialPads)
            bench.happens("press", number, button)
            assert bench.read(offset, 300) == 0xFF ^ 0x80 >> place
            assert bench.read(PORT_1 + PORT_2 - offset) == 0xFF


def test_the_register_table_names_the_bits_as_the_board_puts_them():
    """Derived from the wiring, so that the map follows a moved wire."""

    def bits(**options):
        return SerialPads.registers(SerialPads.Settings(**options))[0].bits

    assert bits() == tuple(reversed(BUTTONS))
    assert bits(bit_order="first-bit-low") == BUTTONS
    assert bits(divide=4) == ("start", "select", "b", "a") * 2
    assert bits(store="carry-rise-early") == ("left", "down", "up", "start", "select", "b", "a", "right")
    assert bits(latch="high") == ("a",) * 8
    assert bits(latch="low") == ("",) * 8


def test_registers_stand_at_the_outputs_of_the_demultiplexer():
    """Ports exchanged: pad 1 is read where pad 2 was."""
    table = SerialPads.registers(SerialPads.Settings(port_1=3, port_2=2))
    assert [(register.offset, register.name) for register in table] == [(3, "port_1"), (2, "port_2")]


def test_the_table_of_registers_is_what_the_board_does(card_bench):
    """For every wiring that stores whole frames: a button alone changes exactly the bits that carry its name."""
    for divide, order, edge, store in itertools.product(
        (2, 4, 8, 16), ("first-bit-high", "first-bit-low"), ("rise", "fall"), STORES[:3]
    ):
        for button in BUTTONS:
            bench = card_bench(SerialPads, divide=divide, bit_order=order, shift_edge=edge, store=store)
            bench.happens("press", 1, button)
            value = bench.read(PORT_1, 800)
            names = bench.card.registers(bench.settings)[0].bits
            assert [not value >> bit & 1 for bit in range(8)] == [name == button for name in names]


EVENTS = st.lists(
    st.tuples(
        st.integers(1, 40), st.sampled_from((1, 2)), st.sampled_from(("press", "release")), st.sampled_from(BUTTONS)
    ),
    max_size=30,
)
WIRINGS = st.fixed_dictionaries(
    {},
    optional={
        "divide": st.sampled_from((2, 4, 8, 16)),
        "store": st.sampled_from(STORES),
        "shift_edge": st.sampled_from(("rise", "fall")),
        "latch": st.sampled_from(("carry", "carry-inverted", "high", "low")),
        "oscillator": st.sampled_from(("", "1.8432 MHz", "99.7 kHz")),
        "open_line": st.sampled_from(("pull-up", "pull-down", "floating")),
        "plugged_2": st.booleans(),
        "slow_part": st.booleans(),
        "cable_pf": st.sampled_from((50, 2000)),
        "double_clocks_per_mille": st.sampled_from((0, 100)),
        "phantom_1": st.sampled_from(("", "up a")),
        "prescale": st.sampled_from((1, 2, 5)),
    },
)


@settings(deadline=None, max_examples=examples(60))
@given(wiring=WIRINGS, events=EVENTS, hz=st.sampled_from((1_000_000, 2_000_000, 8_000_000)), cut=st.integers(0, 600))
def test_save_and_steady_until_keep_their_promises(card_bench, wiring, events, hz, cut):
    """A copy loaded at any cycle goes on alike, peeks in between change nothing, and promised bytes stay."""
    asked = card_bench(SerialPads, hz=hz, **wiring).card
    silent = card_bench(SerialPads, hz=hz, **wiring).card
    copy = card_bench(SerialPads, hz=hz, **wiring).card
    cycle, schedule = 0, {}
    for gap, number, action, button in events:
        cycle += gap
        schedule[cycle] = (action, (number, button))
    promised: dict[int, tuple[int, int]] = {}
    for cycle in range(1, 700):
        if cycle in schedule:
            for card in (asked, silent) if cycle < cut else (asked, silent, copy):
                card.outside("pads", *schedule[cycle], cycle)
            promised.clear()
        if cycle == max(cut, 1):
            state = asked.save(cycle)
            assert state == silent.save(cycle)
            copy.load(state)
        for offset in (PORT_1, PORT_2):
            value = asked.read(offset, cycle)
            until, byte = promised.get(offset, (0, 0))
            if cycle < until:
                assert value == byte, (cycle, until)
            promised[offset] = (max(until if cycle < until else 0, asked.steady_until(offset, cycle)), value)
            if cycle > cut:
                assert copy.peek(offset, cycle) == value
    assert silent.save(700) == asked.save(700)
    assert silent.peek(PORT_1, 700) == asked.peek(PORT_1, 700)


def test_a_read_is_steady_for_ever_once_the_buttons_have_rested(card_bench):
    card = card_bench(SerialPads).card
    card.outside("pads", "press", (1, "a"), 1_000)
    assert card.steady_until(PORT_1, 1_010) <= 1_010 + 16
    assert card.steady_until(PORT_1, 2_000) == NEVER
    assert card.steady_until(PORT_2, 1_010) == NEVER


def test_history_is_bounded(card_bench):
    """A pad hammered for a million cycles keeps only what its registers can still show."""
    card = card_bench(SerialPads).card
    for cycle in range(0, 1_000_000, 50):
        card.outside("pads", "press" if cycle % 100 else "release", (1, "a"), cycle)
        assert len(card._changes[1]) <= 18 * 16 / 50 + 2  # nobody has saved it, which forgets too


def rules(bench) -> set[str]:
    return {finding.rule for finding in bench.findings}


@pytest.mark.parametrize(
    ("mhz", "options", "expected"),
    [
        (1, {}, set()),
        (2, {}, set()),
        (4, {}, {"pad-clock-after-latch"}),
        (4, {"limits": "typical"}, set()),
        (8, {}, {"pad-clock-after-latch", "pad-latch-too-short", "pad-clock-too-fast", "pad-data-late"}),
        (8, {"limits": "typical"}, {"pad-clock-after-latch"}),
        (4, {"shift_edge": "fall"}, {"pad-clock-after-latch", "pad-data-late"}),
        (8, {"prescale": 4}, set()),
    ],
)
def test_limits_of_the_pad_part_by_machine_clock(card_bench, mhz, options, expected):
    """Latch 160 (80) ns, removal 280 (140) ns, 3 (6) MHz, delay 320 (160) ns: CD4021B at 5 V, limit (typical): Texas
    Instruments SCHS024C, page 3-40. One counter clock is latch and removal time, two the pad clock's period."""
    bench = card_bench(SerialPads, hz=mhz * 1_000_000, **options)
    assert rules(bench) == expected


def test_a_slow_part_at_4_mhz_loses_the_first_shift_of_each_frame(card_bench):
    """Removal 250 ns against 280 ns: the first bit is seen twice, the last never."""
    bench = card_bench(SerialPads, hz=4_000_000, slow_part=True)
    bench.happens("press", 1, "a")
    assert bench.read(PORT_1, 400) == 0x3F
    bench.happens("release", 1, "a")
    bench.happens("press", 1, "right")
    assert bench.read(PORT_1, 800) == 0xFF


def test_a_sound_part_at_4_mhz_is_reported_and_still_right(card_bench):
    """By setting: the finding comes either way, the wrong bits only with slow_part."""
    bench = card_bench(SerialPads, hz=4_000_000)
    bench.happens("press", 1, "a")
    assert bench.read(PORT_1, 400) == 0x7F
    assert "250 ns" in bench.findings[0].message


def test_far_too_fast_a_clock_loses_shifts_at_random(card_bench):
    """8 MHz: a 4 MHz pad clock against 3 MHz. Bits come from the right button or an earlier one, differing by frame."""
    bench = card_bench(SerialPads, hz=8_000_000, slow_part=True)
    bench.happens("press", 1, "start")
    seen = {bench.read(PORT_1, 400 + 16 * frame) for frame in range(200)}
    assert len(seen) > 3


@pytest.mark.parametrize(("pull", "expected"), [("pull-up", {0xFF}), ("pull-down", {0x00})])
def test_an_empty_socket_reads_as_its_pull_says(card_bench, pull, expected):
    """Common practice: with active-low buttons a pull-down makes all pressed."""
    bench = card_bench(SerialPads, open_line=pull, plugged_2=False)
    assert {bench.read(PORT_2, 300 + 16 * frame) for frame in range(20)} == expected


def test_an_empty_socket_without_a_pull_reads_anything(card_bench):
    bench = card_bench(SerialPads, open_line="floating", plugged_1=False)
    assert len({bench.read(PORT_1, 300 + 16 * frame) for frame in range(50)}) > 10


def test_the_first_frame_after_power_on_is_anything(card_bench):
    """Power-up state of the registers is unknown; after one latch and eight clocks it is not."""
    assert len({card_bench(SerialPads, seed=seed).read(PORT_1, 1) for seed in range(40)}) > 10
    assert {card_bench(SerialPads, seed=seed).read(PORT_1, 48) for seed in range(40)} == {0xFF}


def test_the_counter_comes_up_at_any_count_or_at_the_one_set(card_bench):
    """[DM161]: no state is defined at power-up. Told by what is saved of the counter, modulo sixteen."""

    def count(**options):
        return card_bench(SerialPads, **options).save()["card"]["first"] % 16

    assert {count(seed=seed) for seed in range(100)} == set(range(16))
    assert [count(start_count=start) for start in range(16)] == list(range(16))


def test_an_own_oscillator_tears_reads_bitwise_between_old_and_new(card_bench):
    """A torn byte holds only bits that stand in the old or the new byte; here every button changes at once."""
    torn = 0
    for seed in range(60):
        bench = card_bench(SerialPads, oscillator="3 MHz", torn_window_ns=400, seed=seed)
        for button in BUTTONS:
            bench.happens("press", 1, button, at=200)
        values = [bench.read(PORT_1, 195 + n) for n in range(40)]
        torn += any(value not in (0x00, 0xFF) for value in values)
        assert values[0] == 0xFF
        assert values[-1] == 0x00
    assert torn


def test_both_pads_at_one_output_is_refused(card_bench):
    with pytest.raises(SimkitError, match="Both pads are read at output 2") as caught:
        card_bench(SerialPads, port_1=2, port_2=2)
    assert caught.value.field == "port_2"


def test_a_bad_oscillator_is_refused_with_its_field(card_bench):
    with pytest.raises(SimkitError, match="is not a clock") as caught:
        card_bench(SerialPads, oscillator="fast")
    assert caught.value.field == "oscillator"


def test_a_write_is_reported(card_bench):
    bench = card_bench(SerialPads)
    bench.write(PORT_1, 0x55)
    assert bench.findings[0].rule == "write-to-pads"
    assert bench.findings[0].address == PORT_1


def test_clock_edges_that_count_twice_skip_buttons(card_bench):
    """Slow edges or reflections on a long cable: bits skip, and the serial input fills the end with 0 (pressed)."""
    bench = card_bench(SerialPads, double_clocks_per_mille=1000)
    assert bench.read(PORT_1, 400) == 0b1111_0000  # A, Select, Up, Left, then four times the serial input
    bench.happens("press", 1, "select")
    assert bench.read(PORT_1, 800) == 0b1011_0000
    bench = card_bench(SerialPads, double_clocks_per_mille=100)
    assert len({bench.read(PORT_1, 400 + 16 * frame) for frame in range(60)}) > 2


def test_phantom_buttons_seem_held_whatever_is_pressed(card_bench):
    """Reported: "up" held when a second pad chip is wired in parallel without common ground."""
    bench = card_bench(SerialPads, phantom_1="up")
    assert bench.read(PORT_1, 400) == 0xF7
    bench.happens("press", 1, "up")
    bench.happens("release", 1, "up", at=500)
    assert bench.read(PORT_1, 800) == 0xF7
    with pytest.raises(SimkitError, match="'upp' is not a button"):
        card_bench(SerialPads, phantom_2="upp")


def test_a_press_is_seen_after_at_most_two_rounds_of_the_counter(card_bench):
    """Stale by design: up to 16 clocks to the next latch and 15 more until the frame is stored."""
    ages = []
    for start in range(16):
        bench = card_bench(SerialPads, start_count=start)
        bench.happens("press", 1, "a", at=200)
        ages.append(next(age for age in range(100) if bench.read(PORT_1, 200 + age) != 0xFF))
    assert sorted(ages) == list(range(16, 32))
