"""The 6522 card against a second model that ticks every cycle, written from the data sheet and sharing no code with it.

The second model knows nothing of laziness: it has counters that count and lines that are looked at once a cycle.
`hypothesis` makes up board and traffic and cuts a failing one down to the shortest that still fails.
"""

import random

import hypothesis.strategies as st
from hypothesis import example, given, settings
from simkit_cards.ports_6522.card import Ports6522

from simkit.testing.bench import Bench
from tests.examples import examples

CONTROL = ("CA1", "CA2", "CB1", "CB2")
PULLED = (*CONTROL, *(f"P{port}{n}" for port in "AB" for n in range(8)))


class TickingVia:
    """A 6522 that is stepped cycle by cycle. Sources: Rockwell R6522 and WDC W65C22S data sheets, register tables,
    timer figures, shift register modes and figures; what is from memory in the card is from memory here."""

    def __init__(self, noise, board):
        n = noise
        self.reload = board["one_shot"] == "reload"
        self.flag_kept = board["timeout_during_read"] == "flag-kept"
        self.pb7_needs_ddr = board["pb7_needs_ddr"]
        self.pulses_flag_at = 0 if board["pulse_flag"] == "at-zero" else 0xFFFF
        self.ora = self.orb = self.ddra = self.ddrb = self.acr = self.pcr = self.ifr = self.ier = 0
        self.t1_latch, self.t1 = n[0] | n[1] << 8, n[2] | n[3] << 8
        self.t1_expired = self.t1_armed = False
        self.t1_fresh = False
        self.pb7 = True
        self.t2_low, self.t2 = n[4], n[5] | n[6] << 8
        self.t2_armed = self.t2_fresh = self.t2_expired = False
        self.sr = n[7]
        self.sr_wait = 0  # cycles to the next edge, 0: rests
        self.sr_bits = 0  # rises still to come
        self.sr_clock = self.sr_data = True
        self.ca2 = self.cb2 = True
        self.ca2_pulse = self.cb2_pulse = 0
        self.hands = dict.fromkeys(PULLED)
        self.seen = self.lines()
        self.latch_a = self.latch_b = 0xFF

    # lines

    @property
    def mode(self):
        return self.acr >> 2 & 7

    def timer_on_pb7(self):
        return bool(self.acr & 0x80) and (not self.pb7_needs_ddr or bool(self.ddrb & 0x80))

    def half(self):
        return 1 if self.mode in (2, 6) else self.t2_low + 2

    def outputs(self):
        out = {}
        for n in range(8):
            out[f"PA{n}"] = bool(self.ora >> n & 1) if self.ddra >> n & 1 else None
            out[f"PB{n}"] = bool(self.orb >> n & 1) if self.ddrb >> n & 1 else None
        if self.timer_on_pb7():
            out["PB7"] = self.pb7
        out["CA1"] = None
        out["CA2"] = self.ca2 if self.pcr & 8 else None
        out["CB1"] = self.sr_clock if self.mode in (1, 2, 4, 5, 6) else None
        if self.mode:
            out["CB2"] = self.sr_data if self.mode >= 4 else None
        else:
            out["CB2"] = self.cb2 if self.pcr & 0x80 else None
        out["INT"] = False if self.ifr & self.ier else None
        return out

    def lines(self):
        levels = {}
        for name, value in self.outputs().items():
            drivers = [value, self.hands.get(name)]
            levels[name] = False not in drivers
        return levels

    # time

    def tick(self):
        """The cycle starts: counters step, the shift clock moves, pulses end."""
        if self.t1_fresh or (self.t1_expired and (self.acr & 0x40 or self.reload)):
            self.t1, self.t1_expired, self.t1_fresh = self.t1_latch, False, False
        else:
            self.t1 -= 1
            self.t1_expired = self.t1 < 0
            if self.t1 < 0:
                self.t1 = 0xFFFF
                if self.acr & 0x40 or self.t1_armed:
                    self.ifr |= 0x40
                if self.acr & 0xC0 == 0xC0:
                    self.pb7 = not self.pb7
                elif self.t1_armed:
                    self.pb7 = True
                self.t1_armed = False
        self.t2_expired = False
        if self.t2_fresh:
            self.t2_fresh = False
        elif not self.acr & 0x20:
            self.count_t2()
            self.t2_expired = self.t2 == 0xFFFF
        if self.ca2_pulse:
            self.ca2_pulse -= 1
            self.ca2 = self.ca2 or not self.ca2_pulse
        if self.cb2_pulse:
            self.cb2_pulse -= 1
            self.cb2 = self.cb2 or not self.cb2_pulse
        if self.sr_wait:
            self.sr_wait -= 1
            if not self.sr_wait:
                self.sr_clock = not self.sr_clock
                self.sr_edge(self.sr_clock)
                self.sr_wait = self.half() if self.mode == 4 or self.sr_bits else 0

    def count_t2(self):
        self.t2 -= 1
        if self.t2 < 0:
            self.t2 = 0xFFFF
            if self.t2_armed:
                self.ifr |= 0x20
                self.t2_armed = False

    def count_pulse(self):
        self.t2 = (self.t2 - 1) & 0xFFFF
        if self.t2_armed and self.t2 == self.pulses_flag_at:
            self.ifr |= 0x20
            self.t2_armed = False

    def sr_edge(self, rises):
        if rises and self.mode < 4:
            self.sr = self.sr << 1 & 0xFE | self.seen["CB2"]
        if not rises and self.mode >= 4:
            self.sr_data = self.sr >= 0x80
            self.sr = self.sr << 1 & 0xFE | self.sr >> 7
        if self.mode != 4 and rises is (self.mode != 7):  # 111: the falls count, Figure 2-12
            self.sr_bits -= 1
            if not self.sr_bits:
                self.ifr |= 4

    def look(self):
        """Compare the lines with what they were."""
        was, now = self.seen, self.lines()
        self.seen = now
        moved = {name: now[name] for name in was if was[name] is not now[name]}
        if "CA1" in moved and moved["CA1"] is bool(self.pcr & 1):
            if not self.ifr & 2:
                self.latch_a = self.port("PA", now)
            self.ifr |= 2
            if self.pcr >> 1 & 7 == 4:
                self.ca2 = True
        if "CA2" in moved and not self.pcr & 8 and moved["CA2"] is bool(self.pcr & 4):
            self.ifr |= 1
        if "CB1" in moved and self.mode not in (1, 2, 4, 5, 6):
            if self.mode in (3, 7):
                if not self.sr_bits:
                    self.sr_bits = 8
                self.seen = was if self.mode == 3 else now  # data are taken as they stood before
                self.sr_edge(moved["CB1"])
                self.seen = now
            if moved["CB1"] is bool(self.pcr & 0x10):
                if not self.ifr & 0x10:
                    self.latch_b = self.port("PB", now)
                self.ifr |= 0x10
                if self.pcr >> 5 == 4:
                    self.cb2 = True
        if "CB2" in moved and not self.mode and not self.pcr & 0x80 and moved["CB2"] is bool(self.pcr & 0x40):
            self.ifr |= 8
        if moved.get("PB6") is False and self.acr & 0x20:
            self.count_pulse()
        self.seen = self.lines()

    @staticmethod
    def port(name, lines):
        return sum(lines[f"{name}{n}"] << n for n in range(8))

    # accesses

    def reset(self):
        """RESET low: every register to 0 but timers, latches and shift register."""
        if self.acr & 0x20:
            self.t2_fresh = True
        self.ora = self.orb = self.ddra = self.ddrb = self.acr = self.pcr = self.ifr = self.ier = 0
        self.latch_a = self.latch_b = 0xFF
        self.t1_armed = self.t2_armed = False
        self.pb7 = True
        self.sr_wait = self.sr_bits = 0
        self.sr_clock = self.sr_data = True
        self.ca2 = self.cb2 = True
        self.ca2_pulse = self.cb2_pulse = 0

    def clear_b(self):
        self.ifr &= ~(0x10 if self.pcr >> 5 in (1, 3) else 0x18)

    def touch_a(self):
        self.ifr &= ~(2 if self.pcr >> 1 & 7 in (1, 3) else 3)
        if self.pcr >> 1 & 7 in (4, 5):
            self.ca2 = False
            self.ca2_pulse = 2 if self.pcr >> 1 & 7 == 5 else 0

    def touch_sr(self):
        self.ifr &= ~4
        if self.mode in (0, 4):
            return
        self.sr_bits = 8
        if self.mode not in (3, 7):
            self.sr_clock = True
            self.sr_wait = 1 + self.half()  # Figures 2-10 and 2-11

    def read(self, r):
        lines = self.lines()
        if r == 0:
            pins = self.latch_b if self.acr & 2 and self.ifr & 0x10 else self.port("PB", lines)
            value = self.orb & self.ddrb | pins & ~self.ddrb & 0xFF
            if self.timer_on_pb7():
                value = value & 0x7F | self.pb7 << 7
            self.clear_b()
            return value
        if r in (1, 15):
            value = self.latch_a if self.acr & 1 and self.ifr & 2 else self.port("PA", lines)
            if r == 1:
                self.touch_a()
            return value
        if r == 4:
            if not (self.flag_kept and self.t1_expired):
                self.ifr &= ~0x40
            return self.t1 & 0xFF
        if r == 8:
            if not (self.flag_kept and self.t2_expired):
                self.ifr &= ~0x20
            return self.t2 & 0xFF
        if r == 10:
            value = self.sr
            self.touch_sr()
            return value
        if r == 13:
            return self.ifr | (0x80 if self.ifr & self.ier else 0)
        return {
            2: self.ddrb,
            3: self.ddra,
            5: self.t1 >> 8,
            6: self.t1_latch & 0xFF,
            7: self.t1_latch >> 8,
            9: self.t2 >> 8,
            11: self.acr,
            12: self.pcr,
            14: self.ier | 0x80,
        }[r]

    def write(self, r, v):
        if r == 0:
            self.orb = v
            self.clear_b()
            if self.pcr >> 5 in (4, 5):
                self.cb2 = False
                self.cb2_pulse = 2 if self.pcr >> 5 == 5 else 0
        elif r == 1:
            self.ora = v
            self.touch_a()
        elif r == 2:
            self.ddrb = v
        elif r == 3:
            self.ddra = v
        elif r in (4, 6):
            self.t1_latch = self.t1_latch & 0xFF00 | v
        elif r in (5, 7):
            self.t1_latch = self.t1_latch & 0xFF | v << 8
            self.ifr &= ~0x40
            if r == 5:
                self.t1_fresh = self.t1_armed = True
                self.pb7 = not self.acr & 0x80
        elif r == 8:
            self.t2_low = v
        elif r == 9:
            self.t2 = v << 8 | self.t2_low
            self.ifr &= ~0x20
            self.t2_armed = True
            self.t2_fresh = not self.acr & 0x20
        elif r == 10:
            self.sr = v
            self.touch_sr()
        elif r == 11:
            if self.acr & 0x20 and not v & 0x20:
                self.t2_fresh = True  # the count is read once more before the clock steps it
            if not v & 0x80:
                self.pb7 = True
            if (self.acr ^ v) & 0x1C:
                self.sr_bits = 0
                self.sr_clock = True
                self.sr_wait = self.t2_low + 2 if v >> 2 & 7 == 4 else 0
            self.acr = v
            if not v & 0x1C:
                self.ifr &= ~4
        elif r == 12:
            if (self.pcr ^ v) & 0x0E:
                self.ca2, self.ca2_pulse = v & 0x0E != 0x0C, 0
            if (self.pcr ^ v) & 0xE0:
                self.cb2, self.cb2_pulse = v & 0xE0 != 0xC0, 0
            self.pcr = v
        elif r == 13:
            self.ifr &= ~v & 0x7F
        elif r == 14:
            self.ier = (self.ier | v if v & 0x80 else self.ier & ~v) & 0x7F
        elif r == 15:
            self.ora = v


THEMES = (  # what a program does for a while with one part of the chip: registers, and pins that move
    ((4, 5, 6, 7, 4, 5, 13, 0), ("PB7",)),
    ((8, 9, 8, 9, 13), ("PB6",)),
    ((10, 10, 13, 8), ("CB1", "CB1", "CB2")),
    ((1, 1, 15, 13, 3), ("CA1", "CA1", "CA2", "PA0", "PA7")),
    ((0, 0, 13, 2), ("CB1", "CB1", "CB2", "PB0", "PB6")),
    (range(16), PULLED),
)


def value_for(rng, register):
    if register in (5, 7, 9):
        return rng.choice((0, 0, 0, 0, 1, 255))
    if register in (4, 6, 8):
        return rng.choice((0, 1, 2, 5, 9, 30, rng.randrange(256)))
    return rng.choice((0, 0xFF, 0x55, rng.randrange(256), 1 << rng.randrange(8)))


def traffic(rng, length):
    """Chapters of some twenty steps: a theme, control registers set for it, flags enabled or not."""
    theme = THEMES[-1]
    for step in range(length):
        if step % 25 == 0:
            theme = rng.choice(THEMES)
            yield "write", 11, rng.choice((0, *rng.choices(range(256), k=3)))
            yield "write", 12, rng.choice((0x88, 0x89, 0x98, 0xAA, rng.randrange(256), rng.randrange(256)))
            yield "write", 14, rng.choice((0xFF, 0xFF, 0x7F, rng.randrange(256)))
        registers, pins = theme
        register = rng.choice(registers)
        kind = rng.choices(("read", "write", "pull", "wait", "far", "reset"), (5, 6, 7, 5, 1, 0.1))[0]
        if kind == "read":
            yield "read", register
        elif kind == "write":
            yield "write", register, value_for(rng, register)
        elif kind == "pull":
            yield "pull", rng.choice(pins), rng.choice((False, None, None, True))
        elif kind == "reset":
            yield "reset", rng.randrange(1, 4)
        else:
            yield "wait", rng.randrange(1, 12) if kind == "wait" else rng.randrange(12, 500)


BOARDS = st.fixed_dictionaries(
    {
        "one_shot": st.sampled_from(("reload", "run-on")),
        "timeout_during_read": st.sampled_from(("flag-cleared", "flag-kept")),
        "pb7_needs_ddr": st.booleans(),
        "pulse_flag": st.sampled_from(("at-zero", "past-zero")),
    }
)


class Pair:
    """The card and the ticking model, given the same traffic and compared at the start of a cycle."""

    def __init__(self, board, seed, watched):
        self.bench = Bench(Ports6522, board, seed=seed, watched=watched)
        self.model = TickingVia(self.bench.card.slot.noise("power-up", 8), board)
        self.ticked = 0

    def catch_up(self):
        """Tick the model up to and with the card's cycle."""
        while self.ticked < self.bench.cycle:
            self.ticked += 1
            self.model.tick()
            self.model.look()

    def compare(self):
        self.bench.begin()
        self.catch_up()
        levels = self.model.lines()
        pins = self.bench.pin_levels()
        assert pins == {name: levels[name] for name in pins}, self.bench.cycle

    def do(self, action, where, *value):
        """One access or other happening in the current cycle, which then ends."""
        self.bench.begin()
        self.catch_up()
        if action == "read":
            assert self.bench.read(where) == self.model.read(where), (self.bench.cycle - 1, where)
        elif action == "write":
            self.bench.write(where, *value)
            self.model.write(where, *value)
        elif action == "pull":
            self.bench.pull(where, *value)
            self.model.hands[where] = value[0]
            self.model.look()
        else:
            self.bench.reset(where)
            self.model.reset()
            for _ in range(where):
                self.ticked += 1
                self.model.tick()
                self.model.seen = self.model.lines()  # what moves while RESET is low is no edge


@given(
    board=BOARDS,
    watched=st.booleans(),
    asked=st.booleans(),
    seed=st.integers(0, 1 << 32),
    length=st.sampled_from((20, 120, 700, 700)),
)
@example(  # a write to DDRB alone gives PB7 to a timer that runs, and the line is followed
    board={"one_shot": "reload", "timeout_during_read": "flag-cleared", "pb7_needs_ddr": True, "pulse_flag": "at-zero"},
    watched=True,
    asked=False,
    seed=900531195,
    length=700,
)
@example(  # PB7, which nobody follows, is taken from the timer while a hand has it high: it is high
    board={
        "one_shot": "reload",
        "timeout_during_read": "flag-cleared",
        "pb7_needs_ddr": False,
        "pulse_flag": "past-zero",
    },
    watched=False,
    asked=False,
    seed=13226,
    length=700,
)
@settings(max_examples=examples(15), deadline=None)
def test_every_cycle_is_that_of_the_ticking_model(board, watched, asked, seed, length):
    """Registers, pins and interrupt line; R6522 and W65C22S data sheets. `asked`: pins in every cycle of a wait too."""
    pair = Pair(board, seed % 100, watched)
    pair.bench.run(1)
    for action, where, *value in traffic(random.Random(seed), length):
        if action != "wait":
            pair.compare()
            pair.do(action, where, *value)
            continue
        for _ in range(where if asked else 1):
            pair.bench.run(1 if asked else where)
            pair.compare()
    for register in (0xD, 0x4, 0x5, 0x8, 0x9, 0xA, 0x0, 0xF, 0xD):
        pair.do("read", register)
