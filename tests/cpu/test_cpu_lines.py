"""SYNC, VPB, MLB, BE, and RDY under WAI, where a card hears them; on both engines.

[WDC] Western Design Center, W65C02S data sheet, section 3: BE, MLB, RDY, SYNC, VPB.
"""

import pytest

from simkit import Machine

LISTENER = '''
"""A card that notes what it hears, and one that pulls what it is told."""

from typing import ClassVar

import attrs

from simkit.contract import Card, Drive, PinSpec, setting


@attrs.frozen(kw_only=True)
class EarSettings:
    """None."""


class Ear(Card):
    """Notes levels of its pins."""

    kind: ClassVar[str] = "ear"
    Settings: ClassVar[type] = EarSettings

    @classmethod
    def pins(cls, settings):
        return tuple(PinSpec(name=f"I{n}", drive=Drive.INPUT, listens=True) for n in range(4))

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.heard = []

    def pin_changed(self, name, level, cycle):
        self.heard.append((cycle, name, level))

    def save(self, cycle):
        return {}

    def load(self, state):
        pass


class Slow(Card):
    """Gives $82, and takes two cycles more for it."""

    kind: ClassVar[str] = "slow"
    Settings: ClassVar[type] = EarSettings

    @classmethod
    def address_pins(cls, settings):
        return 8

    def peek(self, offset, cycle):
        return 0x82

    def holds_program(self, offset):
        return True

    def wait_cycles(self, offset, is_write):
        return 2


@attrs.frozen(kw_only=True)
class HandSettings:
    """When it pulls."""

    start: int = setting(0, low=0, high=10_000, help="cycle in which it pulls low")
    length: int = setting(1, low=1, high=10_000, help="cycles for which it does")
    stiff: bool = setting(False, help="drives high at other times")


class Hand(Card):
    """Pulls Q low for a while."""

    kind: ClassVar[str] = "hand"
    Settings: ClassVar[type] = HandSettings

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="Q", drive=Drive.PUSH_PULL if settings.stiff else Drive.OPEN_DRAIN),)

    def power_on(self, cycle):
        self.slot.pin("Q").drive(True, cycle)
        if self.settings.start:
            self.slot.at(self.settings.start, "pull")

    def event(self, name, cycle):
        self.slot.pin("Q").drive(name != "pull", cycle)
        if name == "pull":
            self.slot.at(cycle + self.settings.length, "go")
'''
BOARD = """
name = "Listening post"
clock = "1 MHz"
cpu = "{cpu}"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
settings = {{ fill = 0 }}
[[card]]
slot = 2
kind = "rom"
select = "{select}"
image = "rom.bin"
"""
EAR = '[[card]]\nslot = 3\nkind = "file:ears.py:Ear"\nlines = {{ {} }}\n'
HAND = '[[card]]\nslot = 4\nkind = "file:ears.py:Hand"\nlines = {{ Q = "{}" }}\nsettings = {{ {} }}\n'
HANDLER = 0x8100


@pytest.fixture(params=["exact", "core"])
def post(tmp_path, request):
    """Makes a machine from a program in hex at $8000; the handler at $8100 is INC $20, RTI."""

    def make(program, cards, cpu="65C02", select="A15"):
        image = bytearray(b"\xea" * 0x8000)
        code = bytes.fromhex(program)
        image[: len(code)] = code
        back = bytes.fromhex("E6 20 40")
        image[0x100 : 0x100 + len(back)] = back
        image[0x7FFA:] = bytes.fromhex("00 81 00 80 00 81")
        (tmp_path / "rom.bin").write_bytes(image)
        (tmp_path / "ears.py").write_text(LISTENER)
        (tmp_path / "machine.toml").write_text(BOARD.format(cpu=cpu, select=select) + cards)
        return Machine.load(tmp_path, engine=request.param)

    return make


def cycles_of(m, cycles):
    """(address, is_write, lines) by cycle."""
    seen = []
    watch = m.add_probe(lambda one: seen.append((one.address, one.is_write, one.is_fetch, dict(one.lines))))
    m.run_to(cycles)
    watch.remove()
    return seen


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_sync_is_high_in_opcode_fetches_alone(post, cpu):
    """[WDC] SYNC; the NMOS part has it, too."""
    m = post("E6 10 AD 00 02 00 EA 4C 00 80", EAR.format('I0 = "SYNC"'), cpu)
    seen = cycles_of(m, 60)
    assert {one[2] for one in seen} == {True, False}
    assert all(lines["SYNC"] is fetch for _, _, fetch, lines in seen)
    assert len(m.bus.seats[2].card.heard) > 10


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize(("line", "vector"), [("IRQ", 0xFFFE), ("NMI", 0xFFFA)])
def test_sync_is_high_in_the_first_cycle_of_an_interrupt_and_not_in_its_other_six(post, cpu, line, vector):
    """[WDC] SYNC; VisualChips wiki, 6502 Timing of Interrupt Handling: the opcode fetched there is thrown away."""
    hand = HAND.format(line, "start = 40, length = 4")
    m = post("A2 FF 9A 58 EA 4C 04 80", EAR.format('I0 = "SYNC"') + hand, cpu)
    seen = cycles_of(m, 70)
    (at,) = (n for n, one in enumerate(seen) if one[0] == vector)
    assert [lines["SYNC"] for *_, lines in seen[at - 5 : at + 3]] == [True] + [False] * 6 + [True]
    assert [address for address, *_ in seen[at - 5 : at - 1]] == [seen[at - 5][0]] * 2 + [0x1FF, 0x1FE]
    assert seen[at + 2][0] == HANDLER


def test_vpb_is_low_in_the_two_vector_fetches_of_each_sequence(post):
    """[WDC] VPB: RESET and BRK here; a read of the vectors by a program is none."""
    m = post("A2 FF 9A AD FE FF AD FC FF 00 EA 4C 03 80", EAR.format('I0 = "VPB"'))
    low = [address for address, _, _, lines in cycles_of(m, 70) if not lines["VPB"]]
    assert low[:4] == [0xFFFC, 0xFFFD, 0xFFFE, 0xFFFF]
    assert low[2:4] * (len(low) // 2 - 1) == low[2:]


def test_vpb_is_low_in_the_vector_fetches_of_irq_and_nmi(post):
    """[WDC] VPB."""
    for line, vector in (("IRQ", 0xFFFE), ("NMI", 0xFFFA)):
        m = post("A2 FF 9A 58 EA 4C 04 80", EAR.format('I0 = "VPB"') + HAND.format(line, "start = 40, length = 4"))
        low = [address for address, _, _, lines in cycles_of(m, 70) if not lines["VPB"]]
        assert low == [0xFFFC, 0xFFFD, vector, vector + 1]


@pytest.mark.parametrize(
    ("code", "length", "name"),
    [
        ("E6 10", 5, "INC zp"), ("D6 10", 6, "DEC zp,X"), ("0E 00 02", 6, "ASL abs"), ("1E 00 02", 6, "ASL abs,X"),
        ("1E FF 02", 7, "ASL abs,X over a page"), ("FE 00 02", 7, "INC abs,X"), ("14 10", 5, "TRB zp"),
        ("0C 00 02", 6, "TSB abs"),
    ],
)  # fmt: skip
def test_mlb_is_low_in_the_last_three_cycles_of_what_changes_memory(post, code, length, name):
    """[WDC] MLB: ASL, DEC, INC, LSR, ROL, ROR, TRB, TSB, memory forms."""
    m = post(f"A2 01 {code} EA A5 10 4C 00 80", EAR.format('I0 = "MLB"'))
    seen = cycles_of(m, 9 + length + 4)[9 : 9 + length + 4]
    assert [not lines["MLB"] for *_, lines in seen] == [False] * (length - 3) + [True] * 3 + [False] * 4


def test_mlb_stays_high_for_everything_else(post):
    """[WDC] MLB: RMB is not among those named, nor a shift of the accumulator."""
    m = post("A9 01 0A 85 10 9D 00 02 07 10 48 68 4C 00 80", EAR.format('I0 = "MLB"'))
    assert all(lines["MLB"] for *_, lines in cycles_of(m, 80))


@pytest.mark.parametrize(("line", "address"), [("VPB", 0x8282), ("SYNC", 0x8000)])
def test_a_line_of_the_cpu_may_stand_in_a_select(post, line, address):
    """A memory full of $82 that answers instead of the ROM: while VPB is low, or while SYNC is high."""
    other = f"not {line}" if line == "VPB" else line
    overlay = (
        f'[[card]]\nslot = 5\nkind = "sram"\nselect = "A15 and {other}"\nsettings = {{ fill = 0x82, size = 256 }}\n'
    )
    m = post("EA", overlay, select=f"A15 and not ({other})")
    seen = []
    m.add_probe(lambda one: seen.append((one.address, one.is_fetch, one.data, one.drivers)))
    m.run_to(12)
    fetches = [one for one in seen if one[1]]
    assert fetches[0][0] == address
    assert {one[2:] for one in fetches} == {(0xEA, (2,)) if line == "VPB" else (0x82, (5,))}
    assert not m.findings


def test_wait_states_are_asked_of_the_card_that_the_line_selects(post):
    """Two waits in each of the two vector fetches: the first opcode comes in cycle 7 + 4."""
    slow = '[[card]]\nslot = 5\nkind = "file:ears.py:Slow"\nselect = "A15 and not VPB"\n'
    m = post("EA", slow, select="A15 and VPB")
    seen = []
    m.add_probe(lambda one: seen.append((one.cycle, one.address, one.is_fetch)))
    m.run_to(14)
    assert next(one for one in seen if one[2]) == (11, 0x8282, True)


def test_the_nmos_sockets_ground_on_pin_1_fights_vpb(post):
    """VPB of the W65C02S is pin 1, which is ground in a socket for the NMOS part (pin lists, from memory)."""
    m = post("EA 4C 00 80", HAND.format("VPB", "start = 1, length = 10_000"))
    m.run_to(20)
    assert {one.rule for one in m.findings} == {"output-fight"}
    assert "VPB" in next(iter(m.findings)).message


def test_low_be_leaves_reads_to_the_bus_and_writes_to_nobody(post):
    """[WDC] BE: address, data and R/W float at once; the CPU runs on."""
    m = post("A2 FF A9 55 85 10 85 11 4C 04 80", HAND.format("BE", "start = 14, length = 3"))
    m.run_to(40)
    assert [one.rule for one in m.findings] == ["bus-released"]
    assert m.findings.count("bus-released") == 1
    other = post("A2 FF A9 55 85 10 85 11 4C 04 80", HAND.format("BE", "start = 13, length = 1"))
    other.run_to(14)
    assert other.peek(0x10) == 0  # its write came in cycle 13


def test_a_bus_taken_with_rdy_and_be_together_is_no_mistake(post):
    """[WDC] RDY holds any cycle of this part: the CPU stands still while BE is low."""
    hands = HAND.format("BE", "start = 14, length = 9") + HAND.format("RDY", "start = 14, length = 9").replace(
        "4", "6", 1
    )
    m = post("A2 FF A9 55 85 10 85 11 4C 04 80", hands)
    m.run_to(60)
    assert not m.findings
    assert (m.peek(0x10), m.peek(0x11)) == (0x55, 0x55)


def test_wai_holds_rdy_low_until_an_interrupt_comes(post):
    """[WDC] RDY: bidirectional; low from the cycle behind WAI's three."""
    m = post(
        "A2 FF 9A 58 CB EA 4C 04 80",
        EAR.format('I0 = "RDY"') + HAND.format("IRQ", "start = 40, length = 8"),
    )
    m.run_to(90)
    assert m.peek(0x20) == 1
    heard = [(cycle, level) for cycle, _, level in m.bus.seats[2].card.heard]
    assert heard[:2] == [(7 + 6 + 3, False), (41, True)]
    assert not m.findings


def test_a_push_pull_driver_on_rdy_fights_wai(post):
    """[WDC] RDY: an output that always drives needs a resistor in between."""
    m = post("A2 FF 9A 58 CB EA 4C 04 80", HAND.format("RDY", "stiff = true"))
    m.run_to(60)
    assert [one.rule for one in m.findings] == ["output-fight"]
    free = post("A2 FF 9A 58 CB EA 4C 04 80", HAND.format("RDY", "stiff = false"))
    free.run_to(60)
    assert not free.findings


def test_the_nmos_part_has_no_such_outputs(post):
    """MOS Technology, MCS6500 Hardware Manual, 1976, 1.4: pins of the part."""
    m = post("E6 10 4C 00 80", EAR.format('I0 = "VPB"'), "6502")
    assert {one.rule for one in m.findings} == {"line-undriven"}


def test_nobody_who_hears_a_line_costs_nothing(post):
    m = post("E6 10 4C 00 80", EAR.format('I0 = "X"'))
    assert m.bus.accesses.cpu_lines is None
    assert m.cpu.pulls_ready is None
    assert not m.bus.reach.slow


def test_a_state_goes_on_with_the_lines_as_they_were(post):
    m = post("A2 FF 9A 58 CB EA 4C 04 80", EAR.format('I0 = "RDY", I1 = "SYNC", I2 = "MLB", I3 = "VPB"'))
    m.run_to(30)
    state = m.save_state()
    m.run_to(60)
    after = m.state_hashes()
    other = post("A2 FF 9A 58 CB EA 4C 04 80", EAR.format('I0 = "RDY", I1 = "SYNC", I2 = "MLB", I3 = "VPB"'))
    other.load_state(state)
    other.run_to(60)
    assert other.state_hashes() == after
