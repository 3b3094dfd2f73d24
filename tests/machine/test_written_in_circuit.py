"""A program that writes the ROM's part in circuit, on both engines; and what becomes of what it wrote."""

import time

import pytest

from simkit import Machine, record, replay
from tests.shed import SHED

BOARD = 'cpu = "65C02"\n' + SHED + 'image = "rom.bin"\n'
EEPROM = 'settings = { part = "28C256" }\n'
FLASH = 'wires = { A15 = "low" }\nsettings = { part = "39SF010A" }\n'
COPY = bytes.fromhex("A2 7F BD 20 80 9D 00 02 CA 10 F7 4C 00 02")  # $8020 on, to $0200, and there
STORE = bytes.fromhex("A9 5A 8D 00 90")  # LDA #$5A, STA $9000
TOGGLE = bytes.fromhex("AD 00 90 CD 00 90 D0 F8 85 10")  # LDA $9000, CMP $9000, BNE *-6, STA $10
COUNT = bytes.fromhex("EE 11 00 80 FB")  # INC $0011, BRA: for ever
UNLOCK = bytes.fromhex("A9 AA 8D 55 D5 A9 55 8D AA AA A9 A0 8D 55 D5")


def image(program, *, in_ram=True):
    found = bytearray(b"\xff" * 0x8000)
    start = COPY if in_ram else b"\x4c\x20\x80"
    found[: len(start)] = start
    found[0x20 : 0x20 + len(program)] = program
    found[0x4000:0x4200] = found[:0x200]
    found[0x7FFA:] = bytes.fromhex("00 80 00 80 00 80")
    return bytes(found)


@pytest.fixture
def board(tmp_path):
    """Makes the machine; its folder stays the same."""

    def make(socket, program, engine="exact", *, in_ram=True, cpu="65C02"):
        (tmp_path / "rom.bin").write_bytes(image(program, in_ram=in_ram))
        (tmp_path / "machine.toml").write_text(BOARD.replace("65C02", cpu) + socket)
        return Machine.load(tmp_path, engine=engine)

    return make


PROGRAMS = {
    "EEPROM, toggle bit": (EEPROM, STORE + TOGGLE + COUNT, 10_300),
    "flash, byte program": (FLASH, UNLOCK + STORE + TOGGLE + COUNT, 3_000),
}


@pytest.mark.parametrize("name", PROGRAMS)
def test_both_engines_write_the_part_in_the_same_cycles(board, name):
    """AT28C256 data sheet 0006, Toggle Bit: the loop ends when two reads agree, after t_BLC and t_WC."""
    socket, program, cycles = PROGRAMS[name]
    both = [board(socket, program, engine) for engine in ("exact", "core")]
    for until in (1_400, 1_430, 1_500, cycles, 13_000):
        states = []
        for m in both:
            m.run_to(until)
            states.append((m.cycle, m.state_hashes(), m.peek(0x9000)))
        assert states[0] == states[1]
    assert both[0].peek(0x9000) == both[0].peek(0x10) == 0x5A
    assert not both[0].findings


ENGINES = ("exact", "core")
STAY = bytes.fromhex("18 90 FE")  # CLC, BCC *: on both parts


def doing(m):
    return m.card(2).words()[-1]


@pytest.mark.parametrize("engine", ENGINES)
def test_64_stores_12_cycles_apart_are_one_page_written_together(board, engine):
    """AT28C256 data sheet 0006, Page Write; STA abs,Y, INY, CPY #, BNE are 12 cycles, 768 for a page (arithmetic)."""
    fill = bytes.fromhex("A9 5A A0 00 99 00 90 C8 C0 40 D0 F8")
    m = board(EEPROM, fill + TOGGLE + STAY, engine)
    m.run(until=lambda m: "64 byte(s)" in doing(m), timeout=0.01)
    last = m.cycle
    m.run_to(last + 150 + 9_990)
    assert "64 byte(s)" in doing(m)
    m.run(cycles=60)
    assert m.peek(0x9000, 65) == b"\x5a" * 64 + b"\xff"
    assert m.peek(0x10) == 0x5A
    assert not m.findings


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_a_decrement_of_a_cell_is_one_load_and_the_new_byte_is_stored(board, engine, cpu):
    """MCS6500 Hardware Manual, 1976, A.4.2: the old byte is written, then the new; W65C02S: the new one alone."""
    m = board(EEPROM, bytes.fromhex("CE 00 90") + TOGGLE + STAY, engine, cpu=cpu)
    m.run_to(12_000)
    assert m.peek(0x9000) == m.peek(0x10) == 0xFE
    assert not m.findings


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("byte", "ends"), [(0x5A, False), (0xDA, True)])
def test_polling_bit_7_of_a_protected_part_ends_only_where_the_old_byte_has_that_bit_too(board, engine, byte, ends):
    """AT28C256 data sheet 0006, Software Data Protection: it takes its time and stores nothing; the cell holds $FF."""
    poll = bytes((0xA2, 0x00, 0x86, 0x10, 0xA9, byte, 0x8D, 0x00, 0x90, 0xAD, 0x00, 0x90, 0x49, byte, 0x30, 0xF9))
    m = board(EEPROM.replace(" }", ", protected = true }"), poll + bytes.fromhex("E6 10") + STAY, engine)
    m.run_to(10_000)
    assert m.peek(0x10) == 0
    m.run_to(12_000)
    assert m.peek(0x10) == ends
    assert m.peek(0x9000) == 0xFF
    assert [finding.rule for finding in m.findings] == ["write-to-protected"]


@pytest.mark.parametrize("engine", ENGINES)
def test_code_fetched_from_the_part_it_writes_is_the_status_and_crashes(board, engine):
    m = board(EEPROM, STORE + TOGGLE + COUNT, engine, in_ram=False)
    m.run(cycles=200)
    first = next(iter(m.findings))
    assert first.rule == "fetch-from-busy-part"
    assert "$8025" in first.message
    assert m.peek(0x10) != 0x5A


def test_two_crashes_of_two_engines_are_the_same_one(board):
    states = []
    for engine in ("exact", "core"):
        m = board(EEPROM, STORE + TOGGLE + COUNT, engine, in_ram=False)
        m.run_to(15_000)
        states.append((m.cycle, m.state_hashes()))
    assert states[0] == states[1]


def test_a_state_holds_what_was_written_and_a_write_under_way(board):
    m = board(EEPROM, STORE + TOGGLE + COUNT)
    m.run_to(5_000)
    state = m.save_state()
    other = board(EEPROM, STORE + TOGGLE + COUNT, "core")
    other.load_state(state)
    for one in (m, other):
        one.run_to(12_500)
    assert m.state_hashes() == other.state_hashes()
    assert other.peek(0x9000) == 0x5A
    other.load_state(board(EEPROM, STORE + TOGGLE + COUNT).save_state())
    assert other.peek(0x9000) == 0xFF


def test_power_goes_and_what_was_written_stays_and_the_recording_knows(board, tmp_path):
    """EEPROM keeps its content without power; the image file never changes."""
    before = (board(EEPROM, STORE + TOGGLE + COUNT), (tmp_path / "rom.bin").read_bytes())
    m = before[0]
    with record(m, tmp_path / "a.rec"):
        m.run_to(12_000)
        m.poke(0x9100, 0x21)
        m.power_cycle()
        assert (m.cycle, m.peek(0x9000), m.peek(0x9100)) == (0, 0x5A, 0x21)
        m.run_to(100)
    assert (tmp_path / "rom.bin").read_bytes() == before[1]
    player = replay(board(EEPROM, STORE + TOGGLE + COUNT, "core"), tmp_path / "a.rec")
    assert player.machine.state_hashes() == m.state_hashes()
    assert board(EEPROM, STORE + TOGGLE + COUNT).peek(0x9000) == 0xFF


def test_a_write_that_power_interrupts_is_not_stored(board):
    m = board(EEPROM, STORE + TOGGLE + COUNT)
    m.run_to(5_000)
    m.power_cycle()
    assert m.peek(0x9000) == 0xFF


def test_what_a_machine_is_does_not_depend_on_what_its_program_wrote(board):
    m = board(EEPROM, STORE + TOGGLE + COUNT)
    before = m.fingerprint
    m.run_to(12_000)
    assert m.fingerprint == before


@pytest.mark.parametrize("engine", ENGINES)
def test_hidden_memory_is_asked_for_through_banks_too(board, engine):
    """A part whose upper address pin is a bank line: both banks give the status, and the memory again afterwards."""
    socket = 'wires = { A14 = "BANK" }\n' + EEPROM
    m = board(socket, STORE + TOGGLE + COUNT, engine)
    m.run_to(12_000)
    assert m.peek(0x9000) == m.peek(0xD000) == 0x5A  # BANK is high: A14 does not reach the part


def test_a_part_at_rest_runs_as_fast_as_one_that_nothing_writes(board):
    """Pages of memory again, as soon as the write is over; a ratio, side by side."""
    ways = []
    for socket in (EEPROM, ""):
        m = board(socket, STORE + COUNT, "auto")
        m.run_to(20_000)
        ways.append(m)
    best = [1e9, 1e9]
    for _ in range(3):
        for place, m in enumerate(ways):
            start = time.perf_counter()
            m.run(cycles=300_000)
            best[place] = min(best[place], time.perf_counter() - start)
    assert best[0] < 2 * best[1]
