"""Somebody at a keyboard card on the bench, and the program that reads it.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from simkit_cards.keyboard.card import Keyboard
from simkit_cards.ps2.scan_codes import KEYS

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
