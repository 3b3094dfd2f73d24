"""The 6522 card against a second model that ticks every cycle, written from the data sheet and sharing no code with it.

The second model knows nothing of laziness: it has counters that count and lines that are looked at once a cycle.
"""

import random

import pytest
from simkit_cards.ports_6522 import Ports6522

from simkit.contract_test import Bench

PULLED = ("CA1", "CA2", "CB1", "CB2", "PB6", "PB0", "PA0", "PA7")


class TickingVia:
    """A 6522 that is stepped cycle by cycle. Sources: Rockwell R6522 and WDC W65C22S data sheets, register tables,
    timer figures, shift register modes; what is from memory in the card is from memory here."""

    def __init__(self, bench, reload):
        n = bench.card.slot.noise("power-up", 8)
        self.reload = reload
        self.ora = self.orb = self.ddra = self.ddrb = self.acr = self.pcr = self.ifr = self.ier = 0
        self.t1_latch, self.t1 = n[0] | n[1] << 8, n[2] | n[3] << 8
        self.t1_expired = self.t1_armed = False
        self.t1_fresh = False
        self.pb7 = True
        self.t2_low, self.t2 = n[4], n[5] | n[6] << 8
        self.t2_armed = self.t2_fresh = False
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

    def half(self):
        return 1 if self.mode in (2, 6) else self.t2_low + 2

    def outputs(self):
        out = {}
        for n in range(8):
            out[f"PA{n}"] = bool(self.ora >> n & 1) if self.ddra >> n & 1 else None
            out[f"PB{n}"] = bool(self.orb >> n & 1) if self.ddrb >> n & 1 else None
        if self.acr & 0x80:
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
        if self.t2_fresh:
            self.t2_fresh = False
        elif not self.acr & 0x20:
            self.count_t2()
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

    def sr_edge(self, rises):
        if rises:
            if self.mode < 4:
                self.sr = self.sr << 1 & 0xFE | self.seen["CB2"]
            if self.mode != 4:
                self.sr_bits -= 1
                if not self.sr_bits:
                    self.ifr |= 4
        elif self.mode >= 4:
            self.sr_data = self.sr >= 0x80
            self.sr = self.sr << 1 & 0xFE | self.sr >> 7

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
            self.count_t2()
        self.seen = self.lines()

    @staticmethod
    def port(name, lines):
        return sum(lines[f"{name}{n}"] << n for n in range(8))

    # accesses

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
            self.sr_wait = self.half()

    def read(self, r):
        lines = self.lines()
        if r == 0:
            pins = self.latch_b if self.acr & 2 and self.ifr & 0x10 else self.port("PB", lines)
            value = self.orb & self.ddrb | pins & ~self.ddrb & 0xFF
            if self.acr & 0x80:
                value = value & 0x7F | self.pb7 << 7
            self.clear_b()
            return value
        if r in (1, 15):
            value = self.latch_a if self.acr & 1 and self.ifr & 2 else self.port("PA", lines)
            if r == 1:
                self.touch_a()
            return value
        if r == 4:
            self.ifr &= ~0x40
            return self.t1 & 0xFF
        if r == 8:
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


def random_value(rng, register):
    if register in (5, 7, 9):
        return rng.choice((0, 0, 0, 1, 255))
    if register in (4, 6, 8):
        return rng.choice((0, 1, 2, 5, 9, 30, rng.randrange(256)))
    return rng.choice((0, 0xFF, rng.randrange(256), 1 << rng.randrange(8)))


@pytest.mark.parametrize("one_shot", ["reload", "run-on"])
@pytest.mark.parametrize("watched", [True, False])
@pytest.mark.parametrize("seed", range(6))
def test_every_cycle_is_that_of_the_ticking_model(seed, watched, one_shot):
    """Registers, pins and interrupt line in every cycle of a random program; R6522 and W65C22S data sheets."""
    rng = random.Random(f"{seed} {watched} {one_shot}")
    bench = Bench(Ports6522, {"one_shot": one_shot}, seed=seed, watched=watched)
    model = TickingVia(bench, one_shot == "reload")
    trail = []
    shifting = rng.random() < 0.6
    for cycle in range(1, 1_500):
        bench.run_to(cycle)
        bench.begin()
        model.tick()
        model.look()
        if rng.random() < 0.15:
            name, level = rng.choice(PULLED), rng.choice((True, False, None))
            bench.pull(name, level)
            model.hands[name] = level
            model.look()
            trail.append((cycle, name, level))
        levels = model.lines()
        expected = {name: levels[name] for name in bench.pin_levels()}
        assert bench.pin_levels() == expected, (cycle, trail[-12:])
        action = rng.random()
        register = rng.choice((4, 5, 8, 9, 10, 11, 13, 13, 14, 10, 12, 0, 1, rng.randrange(16)))
        if not shifting and register == 11:
            register = 4
        if action < 0.15:
            trail.append((cycle, "read", register))
            assert bench.read(register) == model.read(register), (cycle, trail[-12:])
        elif action < 0.3:
            value = random_value(rng, register)
            trail.append((cycle, "write", register, value))
            bench.write(register, value)
            model.write(register, value)
