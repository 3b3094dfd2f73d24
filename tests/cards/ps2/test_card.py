"""The keyboard's two wires, seen and pulled by a host written here edge by edge.

Sources:
    [AT] IBM, Technical Reference, Personal Computer AT (5170), 1984, pp. 4-12, 4-13.
    [AC] A. Chapweske, The PS/2 Mouse/Keyboard Protocol, Computer-Engineering.org, 2003.
    [EMC] EMC, EKK8011 product specification V1.0, 2003, p. 9.
    [SMSC] SMSC, LPC47M102S data sheet, figure 33.
    [HP] Hewlett-Packard, Technical Reference Guide (dx7300), C.2.1.
"""

from __future__ import annotations

import itertools

import pytest
from simkit_cards.ps2.card import Ps2Keyboard

from simkit.testing.contract import check_contract

US = 2  # cycles at 2 MHz
MS = 1000 * US


class Host:
    """Watches CLOCK and DATA every cycle, pulls them, keeps every edge."""

    def __init__(self, card_bench, **options):
        self.bench = card_bench(Ps2Keyboard, **{"self_test_ms": 1, **options})
        self.edges: list[tuple[int, str, bool]] = []
        self.levels = {"CLOCK": True, "DATA": True}

    def step(self):
        self.bench.begin()
        for name in ("DATA", "CLOCK"):
            level = self.bench.level(name)
            if level is not self.levels[name]:
                self.levels[name] = level
                self.edges.append((self.bench.cycle, name, level))
        self.bench.run(1)

    def run(self, cycles):
        for _ in range(cycles):
            self.step()

    def until(self, clock, timeout=30 * MS):
        for _ in range(timeout):
            before = self.levels["CLOCK"]
            self.step()
            if before is not clock and self.levels["CLOCK"] is clock:
                return
        pytest.fail(f"CLOCK does not go {'high' if clock else 'low'}")

    def pull(self, name, level):
        self.bench.pull(name, level)

    def receive(self):
        """Eleven bits at the falling clock. [AT] p. 4-13."""
        bits = []
        for _ in range(11):
            self.until(clock=False)
            bits.append(int(self.levels["DATA"]))
        assert (bits[0], bits[10]) == (0, 1)
        assert sum(bits[1:10]) % 2 == 1
        return sum(bit << place for place, bit in enumerate(bits[1:9]))

    def send(self, byte, parity=None, stop=1):
        """Request, then a bit at each low clock; whether the keyboard acknowledged on the line. [AT] p. 4-13."""
        self.pull("CLOCK", False)
        self.run(100 * US)
        self.pull("DATA", False)
        self.pull("CLOCK", None)
        parity = 1 - byte.bit_count() % 2 if parity is None else parity
        for bit in (*(byte >> place & 1 for place in range(8)), parity, stop):
            self.until(clock=False)
            self.run(10 * US)
            self.pull("DATA", None if bit else False)
        self.until(clock=False)
        return not self.levels["DATA"]


@pytest.fixture
def host(card_bench):
    def make(**options):
        host = Host(card_bench, **options)
        host.run(900 * US)
        assert host.receive() == 0xAA
        host.run(MS)
        host.edges.clear()
        return host

    return make


def falls(host):
    return [cycle for cycle, name, level in host.edges if name == "CLOCK" and not level]


def test_frames_arrive_bit_by_bit(host):
    """Make and break of Left, as in [AT] p. 4-12's frame."""
    keyboard = host()
    keyboard.bench.happens("press", "left")
    keyboard.bench.happens("release", "left")
    assert [keyboard.receive() for _ in range(5)] == [0xE0, 0x6B, 0xE0, 0xF0, 0x6B]


@pytest.mark.parametrize("bit_us", [60, 80, 100])
def test_times_on_the_wires_keep_the_published_limits(host, bit_us):
    """Clock low and high 30 to 50 us, period 60 to 100 us: [HP] C.2.1; data 5 to 25 us before the fall: [SMSC] t1."""
    keyboard = host(bit_us=bit_us)
    keyboard.bench.happens("press", "s")  # 1B: many changes of DATA
    keyboard.receive()
    keyboard.run(60 * US)
    clock = [(cycle, level) for cycle, name, level in keyboard.edges if name == "CLOCK"]
    for (start, level), (end, _) in itertools.pairwise(clock):
        assert 30 * US - 2 <= end - start <= 50 * US + 2, level
    fall = falls(keyboard)
    assert len(fall) == 11
    assert all(abs(later - earlier - bit_us * US) <= 1 for earlier, later in itertools.pairwise(fall))
    for cycle, name, _ in keyboard.edges[:-1]:
        if name == "DATA":
            next_fall = min((f for f in fall if f > cycle), default=None)
            assert next_fall is None or 5 * US <= next_fall - cycle <= 25 * US


@pytest.mark.parametrize(("clock", "again"), [(1, True), (5, True), (9, True), (10, True), (11, False)])
def test_a_host_that_pulls_clock_low_inside_a_frame_gets_it_again(host, clock, again):
    """[AT] p. 4-13: before the rising edge of clock 10 the keyboard stops and keeps the code; later it finishes."""
    keyboard = host()
    keyboard.bench.happens("press", "a")
    for _ in range(clock):
        keyboard.until(clock=False)
    keyboard.pull("CLOCK", False)
    keyboard.run(3 * MS)
    assert keyboard.levels["DATA"]
    keyboard.pull("CLOCK", None)
    keyboard.bench.happens("press", "s")
    assert keyboard.receive() == (0x1C if again else 0x1B)


@pytest.mark.parametrize(("limit", "again"), [(10, False), (11, True)])
def test_sources_differ_by_a_clock_about_the_last_moment(host, limit, again):
    """[AT]: rising edge of clock 10; [AC]: before clock 11. Pulled low between the two."""
    keyboard = host(contention_clock=limit)
    keyboard.bench.happens("press", "a")
    for _ in range(10):
        keyboard.until(clock=False)
    keyboard.until(clock=True)
    keyboard.run(5 * US)
    keyboard.pull("CLOCK", False)
    keyboard.run(3 * MS)
    keyboard.pull("CLOCK", None)
    keyboard.bench.happens("press", "s")
    assert keyboard.receive() == (0x1C if again else 0x1B)


@pytest.mark.parametrize(("again", "codes"), [("byte", [0xF0, 0x75, 0x1C]), ("sequence", [0xE0, 0xF0, 0x75, 0x1C])])
def test_sources_differ_about_what_comes_again_of_a_code_of_several_bytes(host, again, codes):
    """[AT] p. 4-13: the byte is kept and sent again; [AC]: the code from its first byte. Release of Up: E0 F0 75."""
    keyboard = host(broken_code=again)
    keyboard.bench.happens("press", "up")
    assert [keyboard.receive() for _ in range(2)] == [0xE0, 0x75]
    keyboard.bench.happens("release", "up")
    keyboard.bench.happens("press", "a")
    assert keyboard.receive() == 0xE0
    for _ in range(4):
        keyboard.until(clock=False)
    keyboard.pull("CLOCK", False)
    keyboard.run(MS)
    keyboard.pull("CLOCK", None)
    assert [keyboard.receive() for _ in codes] == codes


def test_a_sequence_under_way_keeps_its_places_while_it_may_come_again(host):
    """Sixteen places, [AT] p. 4-3: nothing is stored in those of bytes sent that may be needed once more."""
    keyboard = host(broken_code="sequence")
    keyboard.bench.happens("press", "up")
    assert keyboard.receive() == 0xE0
    keyboard.until(clock=False)
    keyboard.pull("CLOCK", False)
    for name in "qwertyuiopasdfgh":
        keyboard.bench.happens("press", name)
    keyboard.run(MS)
    keyboard.pull("CLOCK", None)
    codes = [keyboard.receive() for _ in range(17)]
    assert codes[:3] == [0xE0, 0x75, 0x15]
    assert codes[16] == 0


def test_while_inhibited_codes_wait_in_the_keyboard_and_then_come_in_order(host):
    """[AT] p. 4-13: CLOCK low: codes go into its own buffer."""
    keyboard = host()
    keyboard.pull("CLOCK", False)
    for name in "asd":
        keyboard.bench.happens("press", name)
    keyboard.run(20 * MS)
    assert len(keyboard.edges) == 1
    keyboard.pull("CLOCK", None)
    assert [keyboard.receive() for _ in range(3)] == [0x1C, 0x1B, 0x23]


def test_long_inhibition_overruns_the_keyboards_own_buffer(host):
    """Reported: 00 arrives when the host holds the keyboard off while somebody types; 16 bytes: [AT] p. 4-3."""
    keyboard = host()
    keyboard.pull("CLOCK", False)
    for name in "qwertyuiopasdfghjkl":
        keyboard.bench.happens("press", name)
    keyboard.run(2 * MS)
    keyboard.pull("CLOCK", None)
    codes = [keyboard.receive() for _ in range(17)]
    assert codes.count(0) == 1
    assert codes[16] == 0


@pytest.mark.parametrize(("delay_us", "received"), [(100, True), (500, False), (2000, False)])
def test_a_listening_window_shorter_than_the_start_delay_hears_nothing(host, delay_us, received):
    """Reported: a host that lets CLOCK go for 0.2 ms in every 16.7 ms; a frame begun is waited for."""
    keyboard = host(start_delay_us=delay_us)
    keyboard.pull("CLOCK", False)
    keyboard.bench.happens("press", "a")
    keyboard.bench.happens("press", "s")
    codes = []
    for _ in range(4):
        keyboard.run(16 * MS)
        keyboard.pull("CLOCK", None)
        bits = []
        keyboard.run(1)
        for _ in range(200 * US):
            before = keyboard.levels["CLOCK"]
            keyboard.step()
            if before and not keyboard.levels["CLOCK"]:
                bits.append(int(keyboard.levels["DATA"]))
                while len(bits) < 11:
                    keyboard.until(clock=False)
                    bits.append(int(keyboard.levels["DATA"]))
                codes.append(sum(bit << place for place, bit in enumerate(bits[1:9])))
                break
        keyboard.pull("CLOCK", False)
    assert codes == ([0x1C, 0x1B] if received else [])


def test_a_command_is_acknowledged_on_the_line_and_answered(host):
    """[AT] p. 4-13: DATA low for one more clock; FA, then after the argument FA: HelpPC 2.10, 1991."""
    keyboard = host()
    assert keyboard.send(0xED)
    keyboard.until(clock=True)
    assert keyboard.receive() == 0xFA
    keyboard.run(MS)
    assert keyboard.send(0x05)
    keyboard.until(clock=True)
    assert keyboard.receive() == 0xFA
    assert keyboard.bench.card.device.lamps == 5


def test_the_keyboard_makes_eleven_clocks_for_a_command(host):
    """[AT] p. 4-13: ten bits and the acknowledge."""
    keyboard = host()
    keyboard.send(0xEE)
    keyboard.run(100 * US)
    assert len(falls(keyboard)) == 11 + 1  # the first fall is the host's own request
    assert keyboard.receive() == 0xEE


@pytest.mark.parametrize("bit_us", [60, 80, 100])
def test_the_clocks_of_a_command_keep_the_published_limits(host, bit_us):
    """Low and high 30 to 50 us, period 60 to 100 us: [HP] C.2.1."""
    keyboard = host(bit_us=bit_us)
    keyboard.send(0xEE)
    keyboard.until(clock=True)
    clock = [cycle for cycle, name, _ in keyboard.edges if name == "CLOCK"][2:]  # without the host's own request
    assert len(clock) == 22
    assert all(abs(later - earlier - bit_us * US // 2) <= 1 for earlier, later in itertools.pairwise(clock))


@pytest.mark.parametrize(("after", "reply"), [(15 * US - 1, 0xFE), (15 * US + 1, 0xEE)])
def test_a_bit_of_a_command_is_taken_15_us_after_the_clock_rises(host, after, reply):
    """The middle of the 5 to 25 us of [SMSC] t6: what is put on DATA before is taken, what comes later is not."""
    keyboard = host()
    keyboard.pull("CLOCK", False)
    keyboard.run(100 * US)
    keyboard.pull("DATA", False)
    keyboard.pull("CLOCK", None)
    for bit in (*(0xEE >> place & 1 for place in range(8)), 1, 1):
        keyboard.until(clock=False)
        keyboard.pull("DATA", None if bit else False)
        keyboard.until(clock=True)
        keyboard.run(after - 1)
        if len(falls(keyboard)) == 2:  # the first fall is the host's own: the first bit, a 0, becomes a 1
            keyboard.pull("DATA", None)
    keyboard.until(clock=False)
    keyboard.until(clock=True)
    assert keyboard.receive() == reply


def test_a_command_with_wrong_parity_is_asked_for_again(host):
    """FE, resend. [EMC] p. 9."""
    keyboard = host()
    keyboard.send(0xED, parity=0)
    keyboard.until(clock=True)
    assert keyboard.receive() == 0xFE


def test_a_command_without_stop_bit_is_clocked_until_data_is_high(host):
    """[EMC] p. 9: framing error: keeps clocking until DATA is high, then FE."""
    keyboard = host()
    assert keyboard.send(0xED, stop=0)
    for _ in range(3):
        keyboard.until(clock=False)
    keyboard.pull("DATA", None)
    keyboard.run(200 * US)
    keyboard.edges.clear()
    assert keyboard.receive() == 0xFE


def test_a_wrong_parity_keyboard_nags_with_fa_until_a_command(card_bench):
    """Reported on the classiccmp cctech list, 8 June 2010."""
    keyboard = Host(card_bench, acknowledges=True)
    assert keyboard.receive() == 0xAA
    bits = []
    for _ in range(11):
        keyboard.until(clock=False)
        bits.append(int(keyboard.levels["DATA"]))
    assert sum(bits[1:10]) % 2 == 0


def test_typed_characters_are_paced_by_the_line(host):
    """Three bytes of 11 x 80 us and 200 us gap."""
    keyboard = host()
    assert keyboard.bench.port.gap_cycles == 3 * 1080 * US
    assert keyboard.bench.port.ready_at(keyboard.bench.cycle) == keyboard.bench.cycle


@pytest.mark.parametrize(
    "options", [{"contention_clock": 11, "acknowledges": True}, {"start_delay_us": 2000, "broken_code": "sequence"}]
)
@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2))])
def test_the_card_keeps_the_contract(options, seed):
    report = check_contract(Ps2Keyboard, {"self_test_ms": 1, **options}, seed=seed, steps=25, damaged=False)
    assert report.problems == ()
