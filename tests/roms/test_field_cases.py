"""Faults that builders of 6502-class machines met and reported, tried on the bench machine: what the real parts do.

Each test names the public report it follows; the byte programs are our own. Every case runs on the exact and on the
translated engine. "From memory" and "common practice" mark cases without one published report.
"""

import itertools
from pathlib import Path

import pytest

from simkit import Machine

BENCH = Path(__file__).resolve().parents[2] / "demo" / "bench" / "machine.toml"
RAM, ROM, SERIAL, PORTS, VIDEO = 1, 2, 3, 4, 5

BLINK = """8000: A9 FF 8D 02 60 A9 55 8D 00 60 4C 0A 80
FFFA: 0A 80 00 80 0A 80"""
VECTORS = "FFFA: 00 80 00 80 00 80"


def image(listing, fill=0xFF):
    """32 KB for $8000 to $FFFF from lines "ADDRESS: BYTES"."""
    content = bytearray([fill]) * 0x8000
    for line in listing.strip().splitlines():
        address, data = line.split(":")
        data = bytes.fromhex(data)
        start = int(address, 16) - 0x8000
        content[start : start + len(data)] = data
    return bytes(content)


@pytest.fixture(params=["exact", "auto"])
def bench(request, tmp_path):
    """Builds a variant of the bench machine: bench(listing, extra TOML, ...)."""

    def build(listing, extra="", *, fill=0xFF, cpu=None, **options):
        head = f'base = "{BENCH.as_posix()}"\n' + (f'cpu = "{cpu}"\n' if cpu else "")
        file = tmp_path / "machine.toml"
        file.write_text(head + extra)
        images = {ROM: image(listing, fill) if isinstance(listing, str) else listing}
        return Machine.load(file, images=images, engine=request.param, **options)

    return build


def card(slot, **keys):
    """A [[card]] table; values are TOML."""
    return f"[[card]]\nslot = {slot}\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())


def fetches(machine, cycles):
    """Addresses of the opcode fetches of a run."""
    seen = []
    probe = machine.add_probe(lambda c: seen.append(c.address) if c.is_fetch and c.kind == "instruction" else None)
    machine.run(cycles=cycles)
    probe.remove()
    return seen


# --- Wiring, decoding and bus --------------------------------------------------------------------------------------

OVERLAP = '[backplane]\noverlaps = "run"\n'
GOOD_SELECT = '"A13 and not (A15 or not A14)"'
EXCHANGED_SELECT = '"(A15 or not A14) and not A13"'


def test_a_port_card_selected_by_its_pins_answers(bench):
    """ "Problem with addressing VIA", a builders' forum, 2025: as meant; 7 reset cycles and 12 of program."""
    m = bench(BLINK, OVERLAP + card(PORTS, select=GOOD_SELECT) + card(VIDEO, remove="true"))
    m.run(cycles=19)
    assert m.cycle == 19
    assert (m.card(PORTS).peek(2), m.card(PORTS).peek(0)) == (0xFF, 0x55)
    assert not list(m.findings)


def test_exchanged_chip_selects_fight_the_rom_from_the_first_fetch(bench):
    """ "Problem with addressing VIA", a builders' forum, 2025: CS1 and CS2B on each other's signal."""
    m = bench(BLINK, OVERLAP + card(PORTS, select=EXCHANGED_SELECT) + card(VIDEO, remove="true"))
    m.run(cycles=8)
    first = next(f for f in m.findings if f.rule == "contention" and "rom" in f.message)
    assert (first.cycle, first.address) == (7, 0x8000)
    assert "slot 2 (rom)" in first.message
    assert "slot 4 (ports-6522)" in first.message
    picked = [a for a in range(0, 0x10000, 0x100) if PORTS in [s.slot for s, _ in m.bus.where(a, is_write=True)]]
    assert {a >> 13 for a in picked} == {0, 4, 6}, "$0000-1FFF, $8000-9FFF, $C000-DFFF"


@pytest.mark.parametrize(("fill", "pc"), [(0x77, 0x7777), (0xEA, 0xEAEA), (0xFF, 0xFFFF)])
def test_with_a14_of_the_rom_stuck_low_the_fill_byte_becomes_the_start_address(bench, fill, pc):
    """A builders' forum thread on an image that never starts, 2025."""
    listing = "8000: A9 42 85 10 4C 04 80\n" + VECTORS
    m = bench(listing, card(ROM, wires='{ A14 = "low" }'), fill=fill)
    assert fetches(m, 8)[0] == pc
    m.run(cycles=2_000)
    assert m.peek(0x10) != 0x42


def test_exchanged_data_lines_at_the_rom_make_other_instructions(bench):
    """Forum 6502.org post 65053: data lines transposed between ROM and CPU; here D3 and D4."""
    listing = "8000: A9 03 85 10 4C 04 80\n" + VECTORS
    m = bench(listing, card(ROM, wires='{ D3 = "D4", D4 = "D3" }'))
    assert m.peek(0x8000, 7) == bytes.fromhex("B1 03 85 08 54 04 80")
    written = []
    m.add_probe(lambda c: written.append(c.address) if c.is_write else None)
    m.run(cycles=19)
    assert 0x10 not in written
    assert 0x08 in written


def test_reversed_register_selects_reach_other_registers(bench):
    """rosco_m68k issues 7 and 11, 2020: address lines joined in reverse order, the same slip on a 6522."""
    wires = '{ A0 = "A3", A1 = "A2", A2 = "A1", A3 = "A0" }'
    m = bench(BLINK, card(PORTS, wires=wires))
    m.run(cycles=30)
    ports = m.card(PORTS)
    assert (ports.peek(6), ports.peek(0x2)) == (0xFF, 0x00), "T1 low latch written, direction untouched"
    assert "output register $55, no outputs" in ports.words()[1]


@pytest.mark.parametrize(("open_bus", "return_address"), [("last", 0xEAEB), ("pull-up", 0x0000)])
def test_without_ram_the_first_rts_goes_astray(bench, open_bus, return_address):
    """ "Breadboard SID player, part deux", blog jmp.no: no RAM on page 1."""
    listing = "8000: A2 FF 9A 20 10 80 A9 AA 8D 00 60 4C 0B 80\n8010: 60 EA\n" + VECTORS
    m = bench(listing, f'[backplane]\nopen_bus = "{open_bus}"\n' + card(RAM, remove="true"))
    seen = fetches(m, 30)
    assert seen[seen.index(0x8010) + 1] == return_address
    assert "output register $AA" not in m.card(PORTS).words()[1]


def latch(select, part="74HC574"):
    keys = card(6, kind='"bank-latch"', select=f'"{select}"', write_enable='"PHI2"')
    return f'{keys}[card.settings]\npart = "{part}"\n'


def test_a_bank_latch_clocked_by_its_select_alone_loads_on_reads(bench):
    """ "Update on MKHBC-8-R2 6502 computer ... revision 2", blog 6502cpu.blogspot.com, 2016."""
    listing = "8000: A9 3C 8D 00 78 AD 00 78 8D 00 02 4C 0B 80\n" + VECTORS
    m = bench(listing, latch("0111 1xxx xxxx xxxx"))
    m.run(cycles=13)
    assert m.card(6).peek(0) == 0x3C
    m.run(cycles=12)
    assert m.card(6).peek(0) == 0x78
    assert m.peek(0x200) == 0x78


@pytest.mark.parametrize(("cpu", "held"), [("6502", 0x78), ("65C02", 0x3C)])
def test_a_dummy_read_reloads_such_a_latch_on_the_nmos_part_alone(bench, cpu, held):
    """As before; LDA $78F9,X with X = $10 touches $7809 on its way to $7909 on an NMOS 6502."""
    listing = "8000: A9 3C 8D 00 78 A2 10 BD F9 78 4C 0A 80\n" + VECTORS
    m = bench(listing, latch("0111 1000 xxxx xxxx"), cpu=cpu)
    m.run(cycles=60)
    assert m.card(6).peek(0) == held


def test_a_latch_with_a_proper_strobe_keeps_its_byte(bench):
    """The cure of the report: select, R/W low and PHI2."""
    listing = "8000: A9 3C 8D 00 78 AD 00 78 8D 00 02 4C 0B 80\n" + VECTORS
    m = bench(listing, card(6, kind='"bank-latch"', select='"0111 1xxx xxxx xxxx"'))
    m.run(cycles=60)
    assert m.card(6).peek(0) == 0x3C


# --- ROM image and vectors -----------------------------------------------------------------------------------------

TIMER_COUNT = """8000: A2 FF 9A A9 00 85 10 85 11 A9 40 8D 0B 60 A9 E8
8010: 8D 04 60 A9 03 8D 05 60 A9 C0 8D 0E 60 58 E6 10
8020: 4C 1E 80
8040: 2C 04 60 E6 11 40
8050: 40
"""


def test_exchanged_vectors_leave_the_interrupt_line_low_for_ever(bench):
    """Forum 6502.org post 77522: the words at $FFFA and $FFFE in the wrong order."""
    m = bench(TIMER_COUNT + "FFFA: 40 80 00 80 50 80")
    m.run(cycles=3_000)
    frozen = m.peek(0x10)
    assert abs(frozen - 0x7D) <= 2
    m.run(cycles=20_000)
    assert (m.peek(0x10), m.peek(0x11)) == (frozen, 0)
    assert m.lines["IRQ"].asserted
    assert m.lines["IRQ"].since < 1_100
    assert set(fetches(m, 100)) <= {0x8050}, "interrupt entry, RTI, and no main instruction between"


def test_with_the_vectors_right_the_count_rises_once_per_1002_cycles(bench):
    """WDC W65C22S data sheet, section 1.7: latch $03E8 and two cycles."""
    m = bench(TIMER_COUNT + "FFFA: 50 80 00 80 40 80")
    m.run(cycles=1002 * 50 + 500)
    assert m.peek(0x11) == 50


def test_an_8k_image_at_the_bottom_of_a_32k_part_starts_at_ffff(bench):
    """From memory, common practice: the vectors lie at offset $1FFC, the CPU reads offset $7FFC."""
    small = image("E000: A9 42 85 10 4C 04 E0\nFFFA: 00 E0 00 E0 00 E0")[0x6000:]
    m = bench(small)
    assert fetches(m, 8)[0] == 0xFFFF
    (warning,) = m.warnings
    assert (warning.rule, "8192" in warning.message) == ("image-size", True)


@pytest.mark.parametrize(("mask", "found"), [(0x50, (0x01, 3)), (0x80, (0x3F, 2))])
def test_a_decimal_80_hid_a_bad_answer(bench, mask, found):
    """ "Weird bug in SD card code", steckschwein.de blog: BIT #80 for BIT #$80."""
    listing = f"""8000: A2 00 E8 BD 40 80 89 {mask:02X} D0 F8 8D 00 02 8E 01 02
8010: 4C 10 80
8040: FF FF 3F 01 FF
{VECTORS}"""
    m = bench(listing, cpu="65C02")
    m.run(cycles=200)
    assert (m.peek(0x200), m.peek(0x201)) == found


def test_a_65c02_opcode_on_the_nmos_part_never_ends_the_delay(bench):
    """ "Do I have the NMOS 6502?", a builders' forum, 2025: $3A is DEC A on CMOS only."""
    listing = "8000: A9 05 3A D0 FD 8D 00 02 EE 01 02 4C 0B 80\n" + VECTORS
    cmos = bench(listing, cpu="65C02")
    cmos.run(cycles=200)
    assert (cmos.peek(0x200), cmos.peek(0x201)) == (0, 1)
    nmos = bench(listing)
    nmos.run(cycles=5_000)
    assert nmos.peek(0x201) == 0
    assert 0x8002 <= nmos.cpu.pc <= 0x8004


@pytest.mark.parametrize(("cpu", "a"), [("6502", 2), ("65C02", 1)])
def test_an_indirect_jump_from_the_end_of_a_page(bench, cpu, a):
    """From memory, common practice; CPU comparison notes on 6502.org."""
    listing = (
        """8000: A9 40 8D FF 02 A9 81 8D 00 03 A9 82 8D 00 02 6C
8010: FF 02
8140: A9 01 4C 42 81
8240: A9 02 4C 42 82
"""
        + VECTORS
    )
    m = bench(listing, cpu=cpu)
    m.run(cycles=200)
    assert m.cpu.a == a


# --- Interrupts and shared state -----------------------------------------------------------------------------------

WRONG_BIT = (
    """8000: A9 18 8D 0B 60 A9 A5 8D 0A 60 AD 0D 60 29 {mask} F0
8010: F9 A9 01 8D 00 02 4C 16 80
"""
    + VECTORS
)


def test_waiting_for_the_wrong_flag_never_ends_while_ca1_is_quiet(bench):
    """ "Sudden instability issues", a builders' forum, 2025: mask $02 for $04."""
    m = bench(WRONG_BIT.format(mask="02"))
    m.run(cycles=50_000)
    assert m.peek(0x200) == 0
    assert any(line.startswith("flag SR: set") for line in m.card(PORTS).words())


def test_waiting_for_the_wrong_flag_ends_at_a_random_time_when_ca1_floats(bench):
    """As before: different after every start."""
    ends = set()
    for seed in range(5):
        m = bench(WRONG_BIT.format(mask="02"), seed=seed, settings={PORTS: {"open_inputs": "noise"}})
        m.run(until=lambda m: m.peek(0x200) == 1, timeout=1)
        ends.add(m.cycle)
    assert len(ends) == 5


def test_waiting_for_the_right_flag_ends_within_35_cycles(bench):
    """WDC W65C22 data sheet, Figure 2-11: 17 cycles a byte under PHI2, and the loop round it."""
    m = bench(WRONG_BIT.format(mask="04"))
    m.run(access=0x600A)
    stored = m.cycle
    m.run(until=lambda m: m.cpu.pc == 0x8011, timeout=0.01)
    assert m.cycle - stored <= 35


@pytest.mark.parametrize(("pulse_flag", "cycles"), [("at-zero", 80), ("past-zero", 120)])
def test_timer_2_has_counted_when_the_last_pulse_falls(bench, pulse_flag, cycles):
    """WDC W65C22 data sheet, section 2.10 and Figure 2-5: N pulses. PB7 falls at the start and every 2 x 20 cycles."""
    listing = """8000: A9 80 8D 02 60 A9 E0 8D 0B 60 A9 03 8D 08 60 A9
8010: 00 8D 09 60 A9 12 8D 04 60 A9 00 8D 05 60 AD 0D
8020: 60 29 20 F0 F9 A9 01 8D 00 02 4C 2A 80
"""
    wired = card(PORTS, lines='{ INT = "IRQ", PB7 = "PULSES", PB6 = "PULSES" }')
    m = bench(listing + VECTORS, wired, settings={PORTS: {"pulse_flag": pulse_flag}})
    m.run(access=0x6005)
    started = m.cycle
    m.run(until=lambda m: m.peek(0x200) == 1, timeout=0.01)
    assert cycles <= m.cycle - started <= cycles + 22, "a look takes nine cycles, the store eight"
    assert not list(m.findings)


TWO_TIMERS = """8000: A2 FF 9A A9 00 85 10 85 11 8D 0B 60 A9 E0 8D 0E
8010: 60 A9 64 8D 08 60 A9 64 8D 04 60 A9 00 8D 09 60
8020: 8D 05 60 58 4C 24 80
FFFA: 40 80 00 80 40 80
"""


def test_a_handler_that_clears_all_flags_loses_the_second_interrupt(bench):
    """A ROM project's issue tracker, issue 17, 2023 (suspicion there; this form is ours)."""
    m = bench(TWO_TIMERS + "8040: 48 AD 0D 60 0A 10 05 E6 10 4C 4E 80 E6 11 A9 7F\n8050: 8D 0D 60 68 40")
    m.run(cycles=1_000)
    assert (m.peek(0x10), m.peek(0x11)) == (1, 0)
    assert m.card(PORTS).peek(0xD) == 0
    assert ("flags-cleared-together", PORTS) in m.findings.counts()


def test_a_handler_that_clears_what_it_serves_counts_both(bench):
    """The healthy handler of the same case."""
    m = bench(TWO_TIMERS + "8040: 48 AD 0D 60 0A 10 08 E6 10 AD 04 60 4C 54 80 E6\n8050: 11 AD 08 60 68 40")
    m.run(cycles=1_000)
    assert (m.peek(0x10), m.peek(0x11)) == (1, 1)
    assert not list(m.findings)


SHARED = """8000: A2 FF 9A A9 00 85 10 A9 40 8D 0B 60 A9 F3 8D 04
8010: 60 A9 01 8D 05 60 A9 C0 8D 0E 60 58 A9 12 {main}
FFFA: 60 80 00 80 60 80
"""


@pytest.mark.parametrize(
    ("listing", "about"),
    [
        (SHARED.format(main="85 AC\n8020: EA A5 AC C9 12 F0 F5 E6 10 4C 1C 80\n8060: 2C 04 60 E6 AC 40"), 12),
        (SHARED.format(main="EA EA\n8020: C9 12 EA EA F0 F6 E6 10 4C 1C 80\n8060: 2C 04 60 A9 99 40"), 28),
    ],
)
def test_an_interrupt_that_spoils_what_main_uses(bench, listing, about):
    """A BASIC ROM project's issue tracker, issue 5, 2022 (a cell shared); A not kept: from memory, common practice.

    The numbers in 50 000 cycles were counted by hand from a model of their own; they depend on the phase.
    """
    m = bench(listing)
    m.run(cycles=50_000)
    assert abs(m.peek(0x10) - about) <= 3


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_brk_swallows_the_byte_behind_it(bench, cpu):
    """From memory, common practice: the stacked address is that of BRK and two."""
    listing = """8000: A2 FF 9A A9 00 8D 00 02 00 EE 00 02 EE 01 02 4C
8010: 0F 80
8040: 40
FFFA: 40 80 00 80 40 80"""
    m = bench(listing, cpu=cpu)
    entered = fetches(m, 200).count(0x8040)
    assert (m.peek(0x200), m.peek(0x201), entered) == (0, 1, 2)


STORM = """8000: A2 FF 9A A9 00 85 10 85 11 A9 82 8D 0E 60 58 4C 0F 80
8040: 48 AD 01 60 E6 10 D0 02 E6 11 68 40
FFFA: 40 80 00 80 40 80"""


@pytest.mark.parametrize(("wired", "low", "high"), [("noise", 500, 5_000), ("low", 0, 0)])
def test_an_open_control_line_storms_and_a_grounded_one_is_calm(bench, wired, low, high):
    """ "6522 weirdity", classiccmp cctalk list, 2002: flags a second with CA1 open, none with it grounded."""
    m = bench(STORM, settings={PORTS: {"open_inputs": wired}})
    m.run(seconds=1)
    assert low <= m.peek(0x10) + 256 * m.peek(0x11) <= high


@pytest.mark.parametrize(("level", "started"), [("high", 0), ("low", 1)])
def test_the_start_waits_for_a_busy_flag_that_floats(bench, level, started):
    """A ROM project's issue tracker, issues 6 and 7, 2023: display and keyboard not plugged in."""
    listing = "8000: A9 00 8D 02 60 AD 00 60 30 FB A9 01 8D 00 02 4C\n8010: 0F 80\n" + VECTORS
    m = bench(listing, settings={PORTS: {"open_inputs": level}})
    m.run(cycles=20_000)
    assert m.peek(0x200) == started
    (finding,) = [f for f in m.findings if f.rule == "open-input-read"]
    assert "PB7" in finding.message
    assert finding.address == 0x6000


CLOCK_SOURCE = """
from fractions import Fraction
from typing import ClassVar
import attrs
from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.settings import setting

@attrs.frozen(kw_only=True)
class Settings:
    hz: int = setting(99_700, unit="Hz", help="clock")

class ClockSource(Card):
    kind: ClassVar[str] = "clock-source"
    Settings: ClassVar[type] = Settings

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="CLK", drive=Drive.PUSH_PULL),)

    def power_on(self, cycle):
        self.crystal = self.slot.crystal(Fraction(2 * self.settings.hz))
        self.edges = 0
        self.slot.pin("CLK").drive(True, cycle)
        self.first = self.crystal.ticks_at(200) + 1
        self.slot.at(self.crystal.first_cycle_at(self.first), "edge")

    def event(self, name, cycle):
        self.slot.pin("CLK").drive(bool(self.edges & 1), cycle)
        self.edges += 1
        if self.edges < 16:
            self.slot.at(self.crystal.first_cycle_at(self.first + self.edges), "edge")
"""
SHIFT_IN = "8000: A9 0C 8D 0B 60 4C 05 80\n" + VECTORS


@pytest.mark.parametrize("resynchronised", [False, True])
def test_a_clock_of_its_own_loses_bits_in_the_shift_register_unless_resynchronised(bench, tmp_path, resynchronised):
    """ "Veronica Gets A Pair Of Gamepads And A Bugged Chip", Hackaday, 2013; cbm-hackers list, 2023-2024.

    Ten starts of eight clocks; the window is 100 ns of the 1000 ns cycle, so eight losses in 80 are expected.
    """
    (tmp_path / "clock_source.py").write_text(CLOCK_SOURCE)
    extra = card(PORTS, lines='{ INT = "IRQ", CB1 = "PAD_CLOCK" }') + card(
        6, kind='"file:clock_source.py:ClockSource"', lines='{ CLK = "PAD_CLOCK" }'
    )
    slipped = 0
    for seed in range(10):
        settings = {PORTS: {"shift_defect_ns": 100, "cb1_resynchronised": resynchronised}}
        m = bench(SHIFT_IN, extra, seed=seed, settings=settings)
        m.run(cycles=400)
        lost = m.findings.count("shift-clock-lost")
        assert bool(m.card(PORTS).peek(0xD) & 0x04) is (lost == 0), "all 8 clocks taken, or the flag is not set"
        slipped += lost > 0
    assert (slipped == 0) is resynchronised


# --- Serial --------------------------------------------------------------------------------------------------------

ABC = (
    """8000: A2 FF 9A 8D 01 50 A9 0B 8D 02 50 A9 1F 8D 03 50
8010: A9 41 20 27 80 A9 42 20 27 80 A9 43 20 27 80 A9
8020: 01 8D 00 02 4C 24 80 48 AD 01 50 29 10 F0 F9 68
8030: 8D 00 50 60
"""
    + VECTORS
)


def stores(machine, address, cycles):
    seen = []
    probe = machine.add_probe(lambda c: seen.append(c.cycle) if c.is_write and c.address == address else None)
    machine.run(cycles=cycles)
    probe.remove()
    return seen


def test_polled_output_waits_for_the_older_part(bench):
    """SY6551 data sheet: the third store waits about one frame, 521 cycles, after the first."""
    m = bench(ABC)
    first, second, third = stores(m, 0x5000, 3_000)
    assert second - first < 70
    assert 500 <= third - first <= 540
    assert m.serial.received == b"ABC"


def test_polled_output_runs_over_the_later_part(bench):
    """Forum 6502.org posts 29784 and 52022; the maker's note on the W65C51N: status bit 4 is always 1."""
    m = bench(ABC, settings={SERIAL: {"part": "W65C51N"}})
    first, _, third = stores(m, 0x5000, 3_000)
    assert third - first <= 70
    assert m.serial.received != b"ABC"
    assert m.findings.count("serial-store-while-shifting") == 2


def test_a_delay_of_one_frame_is_the_later_parts_work_around(bench):
    """Forum 6502.org post 29784: wait one character time after each store."""
    listing = """8000: A9 0B 8D 02 50 A9 1F 8D 03 50 A2 00 BD 40 80 F0
8010: 0C 8D 00 50 A0 6B 88 D0 FD E8 D0 F0 EA 4C 1D 80
8040: 41 42 43 0D 44 00
"""
    m = bench(listing + VECTORS, settings={SERIAL: {"part": "W65C51N"}})
    m.run(cycles=6_000)
    assert m.serial.received == b"ABC\rD"
    assert not list(m.findings)


@pytest.mark.parametrize(
    ("command", "part", "sent"), [("03", "SY6551", b""), ("0A", "R6551", b""), ("0B", "SY6551", b"A")]
)
def test_a_monitor_that_waits_for_a_transmitter_it_has_turned_off_is_told(bench, command, part, sent):
    """A builders' monitor stopped for ever in its output loop. Harris CDP65C51 data sheet, page 5-16: DTR too."""
    listing = """8000: A9 {command} 8D 02 50 A9 1F 8D 03 50 A9 41 8D 00 50 AD
8010: 01 50 29 10 F0 F9 A9 01 8D 00 02 4C 1B 80
"""
    m = bench(listing.format(command=command) + VECTORS, settings={SERIAL: {"part": part}})
    m.run(seconds=0.03)
    assert m.peek(0x200) == bool(sent)
    assert m.serial.received == sent
    told = [f.cycle for f in m.findings if f.rule == "serial-byte-waits"]
    assert told == ([] if sent else [20_024]), "20 ms after the store in cycle 24, seven of reset before it"


@pytest.mark.parametrize(("part", "count"), [("CDP65C51", range(11, 12)), ("W65C51N", range(50, 255))])
def test_transmit_interrupts_with_nothing_to_send_come_a_byte_time_apart_on_the_older_part(bench, part, count):
    """Harris CDP65C51 data sheet, Figure 9; WDC W65C51N data sheet, page 13: there they are not to be used."""
    listing = """8000: A2 FF 9A A9 00 85 10 A9 1F 8D 03 50 A9 07 8D 02
8010: 50 58 4C 12 80
8040: 2C 01 50 E6 10 40
FFFA: 40 80 00 80 40 80
"""
    m = bench(listing, settings={SERIAL: {"part": part}})
    m.run(cycles=5_500)
    assert m.peek(0x10) in count
    assert m.findings.count("serial-part-lacks") == (part == "W65C51N")


@pytest.mark.parametrize(("cr_adds_lf", "shown"), [(False, "DBC"), (True, "ABC\nD")])
def test_a_rom_that_sends_carriage_returns_alone_overwrites_its_line(bench, cr_adds_lf, shown):
    """A builders' forum thread on a small ROM monitor, 2024: no line feed is sent; a terminal may add it."""
    listing = (
        """8000: A9 0B 8D 02 50 A9 1F 8D 03 50 4C 20 80
8020: A2 00 BD 40 80 F0 0C 8D 00 50 A0 80 88 EA D0 FC
8030: E8 D0 EF 4C 33 80
8040: 41 42 43 0D 44 00
"""
        + VECTORS
    )
    m = bench(listing)
    m.run(cycles=6_000)
    assert m.serial.received == b"ABC\rD"
    assert m.serial.text(cr_adds_lf=cr_adds_lf) == shown


# --- Video ---------------------------------------------------------------------------------------------------------


GRAPHICS_1, TEXT, DARK = "C0", "D0", "80"  # register 1: 16K, display on or off, M1


@pytest.mark.parametrize(
    ("register_1", "clock", "clean"),
    [
        (GRAPHICS_1, "1 MHz", True),
        (GRAPHICS_1, "2 MHz", False),
        (GRAPHICS_1, "4 MHz", False),
        (TEXT, "1 MHz", True),
        (TEXT, "2 MHz", True),
        (TEXT, "4 MHz", False),
        (DARK, "1 MHz", True),
        (DARK, "2 MHz", True),
        (DARK, "4 MHz", True),
    ],
)
def test_video_memory_written_too_fast_while_the_picture_is_on(bench, register_1, clock, clean):
    """Two hardware projects' issue trackers, 2020 and 2024: a store every 9 cycles, 9, 4.5 or 2.25 us.

    TMS9918A data manual, Texas Instruments, 1982, access times: up to 8 us in graphics 1, 3.1 us in text mode (from
    memory), 2 us with the display off.
    """
    listing = f"""8000: A9 {register_1} 8D 01 70 A9 81 8D 01 70 A2 00 4C 20 80
8020: 8E 00 70 E8 D0 FA 4C 26 80
"""
    m = bench(listing + VECTORS, clock=clock)
    m.run(cycles=3_000)
    assert (m.findings.count("video-access-too-soon") == 0) is clean


# --- Reads that do something ---------------------------------------------------------------------------------------

MODE_CARD = """
from typing import ClassVar
import attrs
from simkit.contract.card import Card
from simkit.contract.registers import Register

@attrs.frozen(kw_only=True)
class Settings:
    pass

class ModeCard(Card):
    kind: ClassVar[str] = "mode-card"
    Settings: ClassVar[type] = Settings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "mode", "rw", read_effect="steps from MR1 to MR2", write_effect="steps from MR1 to MR2"),)

    def power_on(self, cycle):
        self.modes = [0, 0]
        self.at = 0
        self.trail = []

    def peek(self, offset, cycle):
        return self.modes[self.at]

    def read(self, offset, cycle):
        value = self.modes[self.at]
        self.trail.append(f"r{self.at + 1}")
        self.at = 1
        return value

    def write(self, offset, value, cycle):
        self.modes[self.at] = value
        self.trail.append(f"w{self.at + 1}")
        self.at = 1

    def words(self, cycle):
        return [" ".join(self.trail), f"{self.modes}"]

    def save(self, cycle):
        return {"modes": self.modes, "at": self.at}
"""


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize(
    ("listing", "trail"),
    [
        ("8000: A2 00 A9 13 9D 00 78 A9 07 9D 00 78 4C 0C 80", ["r1 w2 r2 w2", "[0, 7]"]),
        ("8000: A2 01 A9 13 9D FF 77 A9 07 9D FF 77 4C 0C 80", ["w1 w2", "[19, 7]"]),
    ],
)
def test_an_indexed_store_reads_its_target_first_unless_a_page_is_crossed(bench, tmp_path, cpu, listing, trail):
    """Forum 6502.org topic 4992 and post 57508, 2017: a UART whose register pointer steps on any access."""
    (tmp_path / "mode_card.py").write_text(MODE_CARD)
    extra = card(6, kind='"file:mode_card.py:ModeCard"', select='"0111 1xxx xxxx xxxx"')
    m = bench(listing + "\n" + VECTORS, extra, cpu=cpu)
    reads = []
    m.add_probe(lambda c: reads.append(c.address) if c.kind == "dummy" else None)
    m.run(cycles=30)
    assert m.card(6).words() == trail
    crossed = trail[0] == "w1 w2"
    assert (0x7700 in reads) is (crossed and cpu == "6502"), "NMOS reads the video card on the way"


@pytest.mark.parametrize(("register", "flag"), [(0x01, 0x00), (0x0F, 0x02)])
def test_looking_at_port_a_eats_the_key_strobe(bench, register, flag):
    """6522 data sheet, port A handshake (from memory): register 1 clears the CA1 flag, register 15 does not."""
    listing = f"8000: AD {register:02X} 60 AD 0D 60 8D 00 02 4C 09 80\n" + VECTORS
    extra = card(PORTS, lines='{ INT = "IRQ", CA1 = "STROBE" }')
    keys = card(6, kind='"button-row"', lines='{ B0 = "STROBE" }') + '[card.settings]\njoined = "pins"\ncount = 1\n'
    m = bench(listing, extra + keys)
    m.buttons.press("B0", at=5)
    m.run(cycles=30)
    assert m.peek(0x200) == flag


SIZING = (
    """8000: A9 00 85 10 A9 3F 85 11 A0 00 A9 55 91 10 D1 10
8010: D0 0F 0A 91 10 D1 10 D0 08 E6 10 D0 ED E6 11 D0
8020: E9 4C 21 80
"""
    + VECTORS
)


@pytest.mark.parametrize("ports_at_4000", [False, True])
def test_memory_sizing_pokes_the_first_card_behind_ram(bench, ports_at_4000):
    """From memory, common practice; a start-up prompt of this kind is seen in forum 6502.org post 3409."""
    m = bench(SIZING, card(PORTS, select='"0100 0000 0000 xxxx"') if ports_at_4000 else "")
    m.run(cycles=20_000)
    assert m.peek(0x10, 2) == b"\x00\x40"
    assert m.card(PORTS).peek(0) == 0xFF, "no output: the pins read 1"
    assert ("output register $55" in m.card(PORTS).words()[1]) is ports_at_4000


def test_with_outputs_left_from_a_warm_start_sizing_runs_on_into_the_registers(bench):
    """As before, DDRB still $FF because only the program, not RESET, was started again."""
    warm = "9000: A9 FF 8D 02 40 4C 00 80\n"
    m = bench(
        warm + SIZING.replace("00 80 00 80 00 80", "00 80 00 90 00 80"), card(PORTS, select='"0100 0000 0000 xxxx"')
    )
    m.run(cycles=20_000)
    assert int.from_bytes(m.peek(0x10, 2), "little") > 0x4000
    assert "output register $AA" in m.card(PORTS).words()[1]


# --- Time ----------------------------------------------------------------------------------------------------------


def test_timer_1_repeats_every_latch_and_two_cycles(bench):
    """ "What did I forget?", forum 6502.org topic 8518, 2025: 36 862 for 36 864, 50 a second at 1.8432 MHz."""
    listing = """8000: A2 FF 9A A9 00 85 10 85 11 A9 40 8D 0B 60 A9 FE
8010: 8D 04 60 A9 8F 8D 05 60 A9 C0 8D 0E 60 58 4C 1E
8020: 80
8040: 2C 04 60 E6 10 D0 02 E6 11 40
FFFA: 40 80 00 80 40 80"""
    m = bench(listing, clock="1.8432 MHz")
    m.run(access=0x6005)
    m.run(cycles=1_843_200 + 60)
    assert m.peek(0x10) == 50
    falls = []
    for _ in range(3):
        m.run(until=lambda m: m.lines["IRQ"].asserted and m.lines["IRQ"].since not in falls, timeout=0.1)
        falls.append(m.lines["IRQ"].since)
    assert [later - earlier for earlier, later in itertools.pairwise(falls)] == [36_864, 36_864]


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize(("start", "cycles"), [("8010", 1001), ("80FC", 1200)])
def test_a_delay_loop_across_a_page_takes_longer(bench, cpu, start, cycles):
    """From memory, common practice: a taken branch into another page costs a cycle more."""
    at = int(start, 16)
    low, high = at & 0xFF, at >> 8
    end = at + 6
    listing = f"""8000: 4C {low:02X} {high:02X}
{start}: A2 C8 CA D0 FD EA 4C {end & 0xFF:02X} {end >> 8:02X}
{VECTORS}"""
    m = bench(listing, cpu=cpu)
    m.run(until=lambda m: m.cpu.pc == at, timeout=0.1)
    begun = m.cycle
    m.run(until=lambda m: m.cpu.pc == at + 5, timeout=0.1)
    assert m.cycle - begun == cycles


@pytest.mark.parametrize(("calls", "returned"), [(0x80, 1), (0x81, 0)])
def test_the_129th_nested_call_overwrites_the_first_return(bench, calls, returned):
    """From memory, common practice: the stack is 256 bytes and wraps without a sign."""
    listing = f"""8000: A2 FF 9A A0 {calls:02X} 20 10 80 A9 01 8D 00 02 4C 0D 80
8010: 88 F0 03 20 10 80 60
{VECTORS}"""
    m = bench(listing)
    m.run(cycles=20_000)
    assert m.peek(0x200) == returned
