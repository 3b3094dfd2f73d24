"""Faults that builders met and reported, tried on the bench machine: wiring, decoding and the bus.

Each test names the public report it follows; the byte programs are our own. "From memory" and "common practice" mark
cases without one published report.
"""

from __future__ import annotations

import pytest
from field_bench import GUEST, PORTS, RAM, ROM, VECTORS, VIDEO, card, fetches, image, machine_file

from simkit import Machine

BLINK = """8000: A9 FF 8D 02 60 A9 55 8D 00 60 4C 0A 80
FFFA: 0A 80 00 80 0A 80"""
OVERLAP = {"overlaps": "run"}
MEANT = "slot 4: selected by A13 and not (A15 or not A14)"
EXCHANGED = "slot 4: selected by (A15 or not A14) and not A13"
NO_VIDEO = card(VIDEO, remove="true")


def test_a_port_card_selected_by_its_pins_answers(bench):
    """ "Problem with addressing VIA", a builders' forum, 2025: as meant; 7 reset cycles and 12 of program."""
    m = bench(BLINK, NO_VIDEO, wiring=[MEANT])
    m.run(cycles=19)
    assert m.cycle == 19
    assert (m.card(PORTS).peek(2), m.card(PORTS).peek(0)) == (0xFF, 0x55)
    assert not list(m.findings)


def test_exchanged_chip_selects_fight_the_rom_from_the_first_fetch(bench):
    """ "Problem with addressing VIA", a builders' forum, 2025: CS1 and CS2B on each other's signal."""
    m = bench(BLINK, NO_VIDEO, wiring=[EXCHANGED], backplane=OVERLAP)
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
    m = bench(listing, wiring=["slot 2: pin A14 stuck low"], fill=fill)
    assert fetches(m, 8)[0] == pc
    m.run(cycles=2_000)
    assert m.peek(0x10) != 0x42


def test_exchanged_data_lines_at_the_rom_make_other_instructions(bench):
    """Forum 6502.org post 65053: data lines transposed between ROM and CPU; here D3 and D4."""
    listing = "8000: A9 03 85 10 4C 04 80\n" + VECTORS
    m = bench(listing, wiring=["slot 2: D3 exchanged with D4"])
    assert m.peek(0x8000, 7) == bytes.fromhex("B1 03 85 08 54 04 80")
    written = []
    m.add_probe(lambda c: written.append(c.address) if c.is_write else None)
    m.run(cycles=19)
    assert 0x10 not in written
    assert 0x08 in written


def test_reversed_register_selects_reach_other_registers(bench):
    """rosco_m68k issues 7 and 11, 2020: address lines joined in reverse order, the same slip on a 6522."""
    m = bench(BLINK, wiring=["slot 4: pin A0 exchanged with A3", "slot 4: pin A1 exchanged with A2"])
    m.run(cycles=30)
    ports = m.card(PORTS)
    assert (ports.peek(6), ports.peek(0x2)) == (0xFF, 0x00), "T1 low latch written, direction untouched"
    assert "output register $55, no outputs" in ports.words()[1]


@pytest.mark.parametrize(("open_bus", "return_address"), [("last", 0xEAEB), ("pull-up", 0x0000)])
def test_without_ram_the_first_rts_goes_astray(bench, open_bus, return_address):
    """ "Breadboard SID player, part deux", blog jmp.no: no RAM on page 1."""
    listing = "8000: A2 FF 9A 20 10 80 A9 AA 8D 00 60 4C 0B 80\n8010: 60 EA\n" + VECTORS
    m = bench(listing, card(RAM, remove="true"), backplane={"open_bus": open_bus})
    seen = fetches(m, 30)
    assert seen[seen.index(0x8010) + 1] == return_address
    assert "output register $AA" not in m.card(PORTS).words()[1]


def latch(select, part="74HC574"):
    keys = card(GUEST, kind='"bank-latch"', select=f'"{select}"', write_enable='"PHI2"')
    return f'{keys}[card.settings]\npart = "{part}"\n'


def test_a_bank_latch_clocked_by_its_select_alone_loads_on_reads(bench):
    """ "Update on MKHBC-8-R2 6502 computer ... revision 2", blog 6502cpu.blogspot.com, 2016."""
    listing = "8000: A9 3C 8D 00 78 AD 00 78 8D 00 02 4C 0B 80\n" + VECTORS
    m = bench(listing, latch("0111 1xxx xxxx xxxx"))
    m.run(cycles=13)
    assert m.card(GUEST).peek(0) == 0x3C
    m.run(cycles=12)
    assert m.card(GUEST).peek(0) == 0x78
    assert m.peek(0x200) == 0x78


@pytest.mark.parametrize(("cpu", "held"), [("6502", 0x78), ("65C02", 0x3C)])
def test_a_dummy_read_reloads_such_a_latch_on_the_nmos_part_alone(bench, cpu, held):
    """As before; LDA $78F9,X with X = $10 touches $7809 on its way to $7909 on an NMOS 6502."""
    listing = "8000: A9 3C 8D 00 78 A2 10 BD F9 78 4C 0A 80\n" + VECTORS
    m = bench(listing, latch("0111 1000 xxxx xxxx"), cpu=cpu)
    m.run(cycles=60)
    assert m.card(GUEST).peek(0) == held


def test_a_latch_with_a_proper_strobe_keeps_its_byte(bench):
    """The cure of the report: select, R/W low and PHI2."""
    listing = "8000: A9 3C 8D 00 78 AD 00 78 8D 00 02 4C 0B 80\n" + VECTORS
    m = bench(listing, card(GUEST, kind='"bank-latch"', select='"0111 1xxx xxxx xxxx"'))
    m.run(cycles=60)
    assert m.card(GUEST).peek(0) == 0x3C


# Supplies, sockets and probes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sentence", "words"),
    [
        ("CPU: VSS not connected", "the CPU: the supply pin VSS is open"),
        ("slot 4: VSS open", "slot 4 (ports-6522): the supply pin VSS is open"),
        ("slot 4: ground missing", "slot 4 (ports-6522): the supply pin GND is open"),
        ("slot 1: VCC open", "slot 1 (sram): the supply pin VCC is open"),
    ],
)
def test_a_chip_without_its_ground_is_told_before_the_first_cycle(bench, sentence, words):
    """ "RAM issues", a builders' forum, 2025; "Ok, getting frustrated...", realcheftom.com: it almost works."""
    m = bench(BLINK, wiring=[sentence])
    (finding,) = m.findings
    assert m.cycle == 0
    assert (finding.rule, finding.message.startswith(words)) == ("supply-not-joined", True)


LOGGER = card(GUEST, kind='"bus-logger"', select='"xxxx xxxx xxxx xxxx"', output_enable='"GND"', write_enable='"PHI2"')


def test_a_bus_monitor_with_its_probes_in_reverse_shows_57_for_ea_while_the_machine_runs_well(bench):
    """ "AT28C256 reading 57 after loading bin file with ea", a builders' forum, 2025: $FFFC becomes $3FFF."""
    listing = "8000: EA EA EA 4C 00 80\n" + VECTORS
    m = bench(listing, LOGGER, wiring=["slot 6: data bus reversed", "slot 6: address pins reversed"])
    m.run(cycles=12)
    noted = m.card(GUEST).words()
    assert any(line.endswith(" at $3FFF") for line in noted)
    assert any(line.endswith(" at $BFFF") for line in noted)
    assert any("read $57 at $0001" in line for line in noted)
    assert 0x8000 <= m.cpu.pc <= 0x8003
    assert not list(m.findings)


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_a_cmos_part_in_a_socket_for_the_nmos_part_is_told_what_its_pins_meet(bench, cpu):
    """A hardware project's issue tracker, issue 3, 2022: pin 1 on ground, pin 36 open, and RDY hard on the supply.

    W65C02S data sheet, WDC, pin functions: VPB is an output, BE an input, and WAI pulls RDY low.
    """
    m = bench(BLINK, cpu=cpu, wiring=["CPU: pin 1 to ground", "CPU: pin 36 not connected", "CPU: RDY tied to VCC"])
    told = {finding.rule: finding.message for finding in m.findings}
    if cpu == "6502":
        assert not told, "ground and no connection there"
        return
    assert set(told) == {"output-fight", "input-open", "ready-tied"}
    assert "VPB (pin 1)" in told["output-fight"]
    assert "BE" in told["input-open"]
    assert "WAI" in told["ready-tied"]


def test_file_option_and_program_say_a_wiring_in_the_same_words(tmp_path):
    """The cases above say theirs in the file; --wire is given on as `wiring` is."""
    said = ["slot 2: pin A14 stuck low", "slot 2: D3 and D4 swapped"]
    file = tmp_path / "machine.toml"
    file.write_text(machine_file(wiring=said))
    by_file = Machine.load(file, images={ROM: image(VECTORS)}).description
    file.write_text(machine_file())
    by_call = Machine.load(file, images={ROM: image(VECTORS)}, wiring=said).description
    assert by_file.sentences() == by_call.sentences()
    assert "slot 2: pin D3 exchanged with D4" in by_file.sentences()
