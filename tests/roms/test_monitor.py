"""The workshop machine and its monitor, driven through the serial line; code in banks on both engines."""

import re

import bincopy
import pytest

MONITOR = "demo/monitor"
QUESTION = b"Do: "
HELD = re.compile(r"([0-9a-f]{4}) holds((?: [0-9a-f]{2})+)")


class Talk:
    """Types lines and reads what comes back."""

    def __init__(self, machine):
        self.machine = machine

    def wait(self, text, start=0):
        limit = self.machine.cycle + 10_000_000
        while self.machine.serial.received.find(text, start) < 0:
            assert self.machine.cycle < limit, self.machine.serial.received[start:]
            self.machine.run(cycles=1_000)

    def line(self, text, ends=QUESTION):
        """What the machine says to a line, without the echo."""
        start = len(self.machine.serial.received)
        self.machine.serial.send(text.encode() + b"\r")
        self.wait(ends, start)
        said = self.machine.serial.received[start:].decode()
        assert said.startswith(text + "\r\n")
        return said[len(text) + 2 :].removesuffix(QUESTION.decode())

    def bytes(self, text):
        """Bytes shown by look."""
        return b"".join(bytes.fromhex(row[1]) for row in HELD.findall(self.line(text)))


def asked(machine):
    """Where most tests begin: the monitor has asked its first question."""
    Talk(machine).wait(QUESTION)


@pytest.fixture(params=[pytest.param("exact", marks=pytest.mark.slow), "auto"])
def talk(request, load_machine):
    return Talk(load_machine(MONITOR, engine=request.param, boot=asked))


def test_help_names_every_word(talk):
    said = talk.line("help")
    assert [row.split()[0] for row in said.splitlines()[:-1]] == ["look", "put", "go", "load", "bank", "lamps"]


def test_look_shows_memory_and_put_changes_it(talk):
    assert talk.line("put 0400 01 02 a9") == ""
    assert talk.line("look 0400 to 0402") == "0400 holds 01 02 a9\r\n"
    assert talk.machine.peek(0x400, 3) == b"\x01\x02\xa9"
    assert talk.bytes("look c000 to c01f") == talk.machine.peek(0xC000, 32)
    assert len(talk.bytes("look fffc")) == 4, "memory ends at FFFF"


def test_letters_may_be_capitals_and_mistakes_are_rubbed_out(talk):
    assert talk.line("PUT 0400 AB") == ""
    start = len(talk.machine.serial.received)
    talk.machine.serial.send(b"lu\x08ook 0401\x7f0\r")
    talk.wait(QUESTION, start)
    assert b"0400 holds ab" in talk.machine.serial.received[start:]


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("nix", "Not in the list of words"),
        ("looks", "Not in the list of words"),
        ("look", "Write look"),
        ("look 12345", "Write look"),
        ("look 0400 tx", "Write look"),
        ("put 0400", "Write put"),
        ("put 0400 100", "Write put"),
        ("put 0400 zz", "Write put"),
        ("go", "Write go"),
        ("bank 8", "Banks are 0 to 7"),
        ("lamps", "Write lamps"),
        ("put c000 00", "There is no memory to write to at c000"),
    ],
)
@pytest.mark.machine(MONITOR, boot=asked)
def test_wrong_lines_are_answered(line, answer, machine):
    assert Talk(machine).line(line).startswith(answer)


def test_go_runs_a_program_until_its_rts_or_brk(talk):
    talk.line("put 0400 a9 81 8d 60 7f 60")
    assert talk.line("go 0400") == "The program came back.\r\n"
    assert talk.machine.lamps.levels == (True, False, False, False, False, False, False, True)
    talk.line("put 0405 00")
    assert talk.line("go 0400") == "The program stopped at a BRK at 0405\r\n"


def test_lamps_and_buttons_hang_on_the_ports(talk):
    talk.line("lamps 0f")
    assert talk.machine.lamps.levels == (False,) * 4 + (True,) * 4
    talk.machine.buttons.press("right")
    assert talk.bytes("look 7f6f")[0] & 0x03 == 0x02
    talk.machine.buttons.release("right")
    assert talk.bytes("look 7f6f")[0] & 0x03 == 0x03


def test_intel_hex_is_loaded_and_faults_are_counted(talk):
    """Intel, Hexadecimal Object File Format Specification, rev. A, 1988: records by a library, and damaged ones."""
    program = bytes(range(256)) * 3
    file = bincopy.BinFile()
    file.add_binary(program, address=0x1000)
    records = file.as_ihex(16)
    assert talk.line("load", b"gives up.\r\n").endswith("gives up.\r\n")
    start = len(talk.machine.serial.received)
    talk.machine.serial.send(records.encode())
    talk.wait(QUESTION, start)
    assert b"Bytes stored: 0300, records not taken: 00" in talk.machine.serial.received[start:]
    assert talk.machine.peek(0x1000, len(program)) == program
    damaged = records.replace(":10101000", ":10101100", 1).replace("\n:10102000", "\n:1010200g", 1)
    talk.line("", QUESTION)
    talk.line("load", b"gives up.\r\n")
    start = len(talk.machine.serial.received)
    talk.machine.serial.send(damaged.encode())
    talk.wait(QUESTION, start)
    assert b"Bytes stored: 02e0, records not taken: 02" in talk.machine.serial.received[start:]
    assert not list(talk.machine.findings)


def test_escape_ends_a_load(talk):
    talk.line("load", b"gives up.\r\n")
    start = len(talk.machine.serial.received)
    talk.machine.serial.send(b"\x1b")
    talk.wait(QUESTION, start)
    assert b"Given up." in talk.machine.serial.received[start:]


def test_each_bank_keeps_its_own_bytes(talk):
    for bank in range(8):
        assert talk.line(f"bank {bank}") == f"Bank at 8000 to bfff: 0{bank}\r\n"
        talk.line(f"put 8000 {bank:02x} {255 - bank:02x}")
    for bank in (5, 0, 7, 2):
        talk.line(f"bank {bank}")
        assert talk.bytes("look 8000 to 8001") == bytes([bank, 255 - bank])


def test_the_later_part_is_paced_so_that_nothing_is_lost(talk):
    """Forum 6502.org post 29784: wait one character time after each store, here by timer 2."""
    assert talk.machine.card(3).settings.part == "W65C51N"
    talk.line("help")
    assert not list(talk.machine.findings)


# --- Code in banks ---------------------------------------------------------------------------------------------------

CALLER = bytes.fromhex(
    "A0 07"  # $0400 ldy #7
    "8C 70 7F"  # $0402 sty BANK_LATCH
    "20 00 80"  # $0405 jsr $8000, in the bank
    "88"  # $0408 dey
    "10 F7"  # $0409 bpl $0402
    "C6 20"  # $040B dec $20
    "D0 F1"  # $040D bne $0400
    "4C 0F 04"  # $040F jmp *
)


def poke(machine, address, data):
    for n, byte in enumerate(data):
        machine.poke(address + n, byte)


def banked(machine, code):
    """Put `code(bank)` at $8000 of each bank; the machine is past its start."""
    for bank in range(8):
        poke(machine, 0x0400, bytes([0xA9, bank, 0x8D, 0x70, 0x7F]))  # lda #bank; sta BANK_LATCH
        machine.cpu.pc = 0x0400
        machine.run(cycles=6)
        poke(machine, 0x8000, code(bank))
    poke(machine, 0x0600, bytes(8))
    return machine


def run_from(machine, address, end, step=9_973):
    """Run a program to the jump to itself at its end; what the machine was like every `step` cycles."""
    machine.cpu.pc = address
    seen = []
    while machine.cpu.pc != end:
        assert len(seen) < 100
        machine.run(cycles=step)
        seen.append((machine.cycle, machine.cpu.pc, machine.cpu.a, machine.cpu.x, machine.peek(0x600, 8)))
    return seen


def test_code_called_in_banks_runs_alike_on_both_engines(load_machine):
    """A loop in common RAM calls every bank 200 times."""

    def code(bank):
        # clc; lda $0600,y; adc #bank + 1; sta $0600,y; as many nops as the number of the bank; rts
        add = bytes.fromhex("18 B9 00 06 69") + bytes([bank + 1]) + bytes.fromhex("99 00 06")
        return add + b"\xea" * bank + b"\x60"

    results = []
    for engine in ("exact", "auto"):
        machine = banked(load_machine(MONITOR, engine=engine, boot="5000c"), code)
        poke(machine, 0x0400, CALLER)
        machine.poke(0x20, 200)
        results.append(run_from(machine, 0x0400, 0x0400 + len(CALLER) - 3))
    assert results[0] == results[1]
    assert results[0][-1][-1] == bytes((200 * (bank + 1)) & 0xFF for bank in range(8))


def test_code_that_switches_the_bank_under_itself_goes_on_in_the_other(load_machine):
    """Common practice, and the latch's function table: the new bank counts from the next fetch."""

    def code(bank):
        # ldx $21, the next bank; stx BANK_LATCH; and in that one: inc $0600 + own number; $21 = $21 + 1 modulo 8;
        # dec $22; bne $8000; jmp *
        count = bytes.fromhex("A6 21 8E 70 7F EE") + bytes([bank, 0x06])
        return count + bytes.fromhex("8A 1A 29 07 85 21 C6 22 D0 EE 4C 12 80")

    results = []
    for engine in ("exact", "auto"):
        machine = banked(load_machine(MONITOR, engine=engine, boot="5000c"), code)
        machine.poke(0x21, 3)
        machine.poke(0x22, 250)
        results.append(run_from(machine, 0x8000, 0x8012, 997))
    assert results[0] == results[1]
    counts = results[0][-1][-1]
    assert sum(counts) == 250
    assert (counts[3], counts[4], counts[5]) == (32, 32, 31), "250 rounds over eight banks, from the third on"


def test_the_latch_is_unknown_until_the_rom_writes_it(load_machine):
    """A 74HC574 has no clear pin: the ROM must be reachable with any bank."""
    for seed in range(4):
        machine = load_machine(MONITOR, seed=seed)
        asked(machine)
        assert machine.card(5).words()[0].startswith("74HC574 holds $00")


@pytest.mark.parametrize("demo", ["monitor", "bench"])
def test_both_engines_and_a_loaded_snapshot_end_in_the_same_state(demo, load_machine):
    """Timers, serial line, interrupts and banks: the whole saved state, byte for byte."""
    states = []
    for engine in ("exact", "auto"):
        machine = load_machine(f"demo/{demo}", engine=engine)
        machine.serial.send(b"bank 5\rput 8000 01 02\rlook 8000\r", at=400_000)
        machine.run(cycles=433_333)
        middle = machine.save_state()
        machine.run(cycles=566_667)
        states.append(machine.save_state())
        again = load_machine(f"demo/{demo}", engine=engine)
        again.load_state(middle)
        again.run(cycles=566_667)
        states.append(again.save_state())
    assert states[0] == states[1] == states[2] == states[3]
