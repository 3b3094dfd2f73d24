"""Faults that builders met with keyboards and pads, tried with a 6522 and with the keyboard card, on both engines.

Each test names the public report it follows; the programs are our own.
"""

from __future__ import annotations

import importlib.util
import itertools
from pathlib import Path

import pytest

from simkit import Machine

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo"
BUTTONS = ("a", "b", "select", "start", "up", "down", "left", "right")
PORTS, GUEST = 4, 6


@pytest.fixture(scope="module")
def assembled(tmp_path_factory):
    """Assembles a program for the bench machine's ROM; the names of roms/bench.inc are known."""
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    build = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(build)

    def make(program):
        folder = tmp_path_factory.mktemp("program")
        source = folder / "program.asm"
        source.write_text(
            f'.include "{(ROOT / "roms" / "bench.inc").as_posix()}"\n.org $8000\n{program}\n'
            ".advance $FFFA,$FF\n.word $8000, $8000, $8000\n"
        )
        return build.assemble(source, folder)["bin"].read_bytes()

    return make


@pytest.fixture(params=["exact", "auto"])
def load(request, tmp_path):
    """Loads a variant of a demo machine: load(name, TOML, image=..., ...)."""

    def make(name, extra="", image=None, **options):
        file = tmp_path / "machine.toml"
        file.write_text(f'base = "{(DEMO / name / "machine.toml").as_posix()}"\n{extra}')
        if image is not None:
            options["images"] = {2: image}
        return Machine.load(file, engine=request.param, **options)

    return make


def codes(machine):
    return machine.serial.received.decode()


# Keyboard on two pins of a 6522 ---------------------------------------------------------------------------------------


def test_a_keyboard_on_two_pins_is_read_by_interrupt(load):
    """Frame and parity: IBM, Technical Reference, Personal Computer AT (5170), 1984, p. 4-12; codes: Brouwer, 9.2."""
    m = load("keyboard-on-ports", settings={GUEST: {"self_test_ms": 10}})
    m.run(seconds=0.05)
    m.keys.press("left")
    m.keys.press("a", at=m.cycle + 20_000)
    m.keys.release("a", at=m.cycle + 40_000)
    m.keys.release("left", at=m.cycle + 60_000)
    m.run(seconds=0.1)
    assert codes(m) == "AA E0 6B 1C F0 1C E0 F0 6B "
    assert not list(m.findings)


@pytest.mark.parametrize("edge", ["falling", "rising"])
def test_either_edge_of_the_clock_reads_the_frame(load, edge):
    """ "6502 - PS/2 keyboard tips", a builders' forum, 2025: sampled at the other edge.

    By the rules of the line data are steady round the low clock (AT, p. 4-13), so both edges do; the order shows in the
    frame of 1C on the line: 0 00111000 0 1, low bit first. 12 kHz is a period of 83 us.
    """
    rom = bytearray((ROOT / "roms" / "keyboard-on-ports.bin").read_bytes())
    where = rom.index(bytes.fromhex("8D 0C 60"))
    if edge == "rising":
        rom[where : where + 3] = bytes.fromhex("EE 0C 60")  # inc: bit 0 becomes 1
    m = load("keyboard-on-ports", image=bytes(rom), settings={GUEST: {"self_test_ms": 10, "bit_us": 83}})
    m.run(seconds=0.05)
    seen = []
    probe = m.add_probe(lambda cycle: seen.append((cycle.lines["KEY_CLOCK"], int(cycle.lines["KEY_DATA"]))))
    m.keys.press("a")
    m.run(seconds=0.01)
    probe.remove()
    bits = [data for (before, _), (clock, data) in itertools.pairwise(seen) if clock is not before]
    assert "".join(map(str, bits[0::2])) == "00011100001", "at the falling edges"
    assert bits[0::2] == bits[1::2], "and at the rising ones"
    assert codes(m) == "AA 1C "


WINDOW = """
        lda #0
        sta PORTS_A
        tax
_hold:  lda #1                  ; CLOCK, on PA0, is held low; DATA is on PA1
        sta PORTS_A_OUT
        lda #13                 ; 16.5 milliseconds
        sta $22
        ldy #0
_out:   dey
        bne _out
        dec $22
        bne _out
        lda #0
        sta PORTS_A_OUT
        ldy $21                 ; rounds of 13 cycles in which a frame may begin
_open:  lda PORTS_A
        lsr
        bcc _bits
        dey
        bne _open
        beq _hold
_bits:  ldy $20                 ; bits to take before CLOCK is pulled low again
_low:   lda PORTS_A
        lsr
        bcs _low
        lsr
        ror $24
        ror $23
        dey
        beq _whole
_high:  lda PORTS_A
        lsr
        bcc _high
        bcs _low
_whole: lda PORTS_A             ; the last clock ends before it is pulled
        lsr
        bcc _whole
        lda $23
        sta $0200,x
        inx
        lda $24
        sta $0200,x
        inx
        jmp _hold
"""
ON_PORT_A = f"""[[card]]
slot = {GUEST}
kind = "ps2-keyboard"
lines = {{ CLOCK = "KEY_CLOCK", DATA = "KEY_DATA" }}
[[card]]
slot = {PORTS}
lines = {{ INT = "IRQ", PA0 = "KEY_CLOCK", PA1 = "KEY_DATA" }}
"""
WINDOW_CYCLES = 17_000  # one turn of the program, nearly


def windowed(load, assembled, delay_us, bits=11):
    """The window program with three codes waiting in the keyboard."""
    options = {"self_test_ms": 1, "start_delay_us": delay_us}
    m = load("bench", ON_PORT_A, assembled(WINDOW), settings={GUEST: options})
    m.poke(0x20, bits)
    m.poke(0x21, 15)  # 195 us
    for key in "asd":
        m.keys.press(key, at=10_000)
    return m


def taken(machine):
    """Codes in memory: eleven bits came in at the top of sixteen."""
    words = machine.peek(0x200, 32)
    found = [(words[n] | words[n + 1] << 8) >> 6 & 0xFF for n in range(0, 32, 2) if words[n] | words[n + 1]]
    return bytes(found).hex(" ").upper()


def test_a_keyboard_quicker_than_the_window_gives_a_code_each_time(load, assembled):
    """A ROM project's issue tracker, "Reliable PS/2 Keyboard", 2022: 0.2 ms open in 16.7 ms."""
    m = windowed(load, assembled, 100)
    counts = []
    for _ in range(7):
        m.run(cycles=WINDOW_CYCLES)
        counts.append(len(taken(m).split()))
    assert taken(m) == "AA 1C 1B 23"
    assert {later - earlier for earlier, later in itertools.pairwise(counts)} <= {0, 1}


@pytest.mark.parametrize("delay_us", [500, 2_000])
def test_a_keyboard_slower_than_the_window_is_never_heard_and_keeps_its_codes(load, assembled, delay_us):
    """As before; a longer wait is the reported cure."""
    m = windowed(load, assembled, delay_us)
    m.run(cycles=10 * WINDOW_CYCLES)
    assert taken(m) == ""
    m.poke(0x21, 250)  # 3.25 ms
    m.run(cycles=6 * WINDOW_CYCLES)
    assert taken(m) == "AA 1C 1B 23"


def test_a_frame_cut_in_the_middle_is_sent_again(load, assembled):
    """CLOCK pulled low before clock 10 ends: the keyboard keeps the code. AT, p. 4-13."""
    m = windowed(load, assembled, 100, bits=5)
    m.run(cycles=6 * WINDOW_CYCLES)
    pieces = m.peek(0x200, 4)
    assert any(pieces), "five bits of a frame came"
    taken_before = m.peek(0x200, 32)
    cut = sum(1 for n in range(0, 32, 2) if taken_before[n + 1])
    assert cut >= 3, "again and again"
    m.poke(0x20, 11)
    m.run(cycles=6 * WINDOW_CYCLES)
    assert taken(m).split()[-4:] == ["AA", "1C", "1B", "23"]


# Keyboard card --------------------------------------------------------------------------------------------------------

COUNTING = """
        ldx #$FF
        txs
        inx
        stx $10
        cli
_stay:  jmp _stay
        .advance $8040,$EA
        inc $10
        lda $7800
        lda $7801
        sta $0200,x
        inx
        ldy #10
_wait:  dey
        bne _wait
        rti
"""


@pytest.mark.parametrize("pulses", [1, 2, 3])
def test_an_end_of_frame_seen_several_times_makes_as_many_codes_and_interrupts_of_one_frame(load, assembled, pulses):
    """ "6502 - PS/2 keyboard tips", a builders' forum, 2025: a pulse with a notch latched several times."""
    rom = bytearray(assembled(COUNTING))
    rom[0x7FFE:] = b"\x40\x80"
    extra = f'[[card]]\nslot = {GUEST}\nkind = "keyboard"\nselect = "0111 1000 0000 000x"\nlines = {{ INT = "IRQ" }}\n'
    m = load("bench", extra, bytes(rom), settings={GUEST: {"self_test_ms": 1, "frame_pulses": pulses}})
    m.run(seconds=0.02)
    m.poke(0x10, 0)
    m.keys.press("a")
    m.run(seconds=0.02)
    assert m.peek(0x10) == pulses
    assert m.peek(0x200, 2 * pulses) == b"\xaa" * pulses + b"\x1c" * pulses
    assert f"frames 2, codes in {2 * pulses}, " in "\n".join(m.card(GUEST).words())


@pytest.mark.parametrize("driver", ["keyboard-test", "catalogue"])
def test_an_arrow_key_is_no_figure_and_no_release_is_a_press(load, driver):
    """From memory, common practice; AT keyboard driver page on 6502.org, 2001.

    E0 75 E0 F0 75, then 12 1C F0 1C F0 12: up pressed and released, shift pressed, A pressed and released, shift
    released; the text is "A" and nothing else.
    """
    m = load(driver, settings={3: {"self_test_ms": 20, "typematic": 127}})
    m.run(seconds=0.15)
    character, held = m.labels["KEY_CHARACTER"], m.labels["KEYS_HELD"]
    down = {}
    for action, key in (
        ("press", "up"),
        ("release", "up"),
        ("press", "left shift"),
        ("press", "a"),
        ("release", "a"),
        ("release", "left shift"),
    ):
        (m.keys.press if action == "press" else m.keys.release)(key)
        m.run(seconds=0.02)
        down[action, key] = int.from_bytes(m.peek(held, 32), "little").bit_count(), chr(m.peek(character))
    assert [number for number, _ in down.values()] == [1, 0, 1, 2, 1, 0]
    assert down["press", "a"][1] == "A"
    assert down["press", "up"][1] != "8"
    if driver == "keyboard-test":
        assert m.screen.text().splitlines()[17].strip() == "A"


# Pads on a 6522 -------------------------------------------------------------------------------------------------------

BY_HAND = """
_again: lda #%00000010          ; LATCH on PA1 and CLOCK on PA0 are outputs, DATA comes on PA7
        sta PORTS_A
        lda #%01111111
        sta PORTS_A_OUT
        lda #0
        sta PORTS_A
        ldx #8
_bit:   lda PORTS_A
        asl
        rol $10
        lda #1
        sta PORTS_A
        lda #0
        sta PORTS_A
        dex
        bne _bit
        lda $10
        sta $0200
        jmp _again
"""


@pytest.mark.parametrize("pressed", [(), ("a",), ("right",), ("b", "start", "left"), BUTTONS])
def test_a_pad_on_port_pins_is_clocked_by_the_program(load, assembled, pressed):
    """Order of the buttons: R. Price, blog post 3113; 0 is pressed, the first bit comes without a clock: CD4021B."""
    lines = 'INT = "IRQ", PA0 = "PAD_CLOCK", PA1 = "PAD_LATCH", PA7 = "PAD_DATA"'
    extra = f"""[[card]]
slot = {PORTS}
lines = {{ {lines} }}
[[card]]
slot = {GUEST}
kind = "pad-sockets"
lines = {{ CLOCK = "PAD_CLOCK", LATCH = "PAD_LATCH", DATA_1 = "PAD_DATA" }}
"""
    m = load("bench", extra, assembled(BY_HAND))
    for button in pressed:
        m.pads[1].press(button)
    m.run(cycles=2_000)
    assert m.peek(0x200) == sum(0x80 >> n for n, button in enumerate(BUTTONS) if button not in pressed)
    assert not list(m.findings)


BY_SHIFT_REGISTER = """
        lda #1                  ; LATCH on PA0
        sta PORTS_A_OUT
        lda #%00001100          ; shift in under CB1, which the pads' own clock drives; PB0 looks at it too
        sta PORTS_CONTROL
        ldx #0
_again: lda #1
        sta PORTS_A
_high:  lda PORTS_B
        lsr
        bcc _high
_low:   lda PORTS_B
        lsr
        bcs _low
        lda #0                  ; the clock has just fallen: half a period for the next three
        sta PORTS_A
        lda PORTS_SHIFT         ; count eight from here
        ldy #110                ; 770 cycles: the eighth rise comes after 750, the ninth after 850
_wait:  dey
        nop
        bne _wait
        lda PORTS_FLAGS
        sta $0300,x
        lda PORTS_SHIFT
        sta $0200,x
        inx
        cpx #64
        bne _again
_stay:  jmp _stay
"""


@pytest.mark.parametrize("resynchronised", [False, True])
def test_pad_bits_slip_when_the_shift_register_misses_a_clock(load, assembled, resynchronised):
    """ "Veronica Gets A Pair Of Gamepads And A Bugged Chip", Hackaday, 2013; cbm-hackers list, 2023-2024.

    Eight clocks are sent. When one is missed seven are taken: no flag, and the bits stand one place behind. The window
    is 20 ns of the 1000 ns cycle, so one clock in 50 is lost. With CB1 on a flip-flop none is.
    """
    extra = f"""[[card]]
slot = {PORTS}
lines = {{ INT = "IRQ", PA0 = "PAD_LATCH", CB1 = "PAD_CLOCK", PB0 = "PAD_CLOCK", CB2 = "PAD_DATA" }}
[[card]]
slot = {GUEST}
kind = "pad-sockets"
lines = {{ CLOCK = "PAD_CLOCK", LATCH = "PAD_LATCH", DATA_1 = "PAD_DATA" }}
[card.settings]
oscillator = "9.97 kHz"
"""
    settings = {PORTS: {"shift_defect_ns": 20, "cb1_resynchronised": resynchronised}}
    m = load("bench", extra, assembled(BY_SHIFT_REGISTER), settings=settings)
    for button in ("b", "start", "left"):
        m.pads[1].press(button)
    m.run(seconds=0.1)
    right = 0b10101101
    flags, bytes_taken = m.peek(0x300, 64), m.peek(0x200, 64)
    lost = m.findings.count("shift-clock-lost")
    assert (lost == 0) is resynchronised
    whole = [taken for flag, taken in zip(flags, bytes_taken, strict=True) if flag & 0x04]
    slipped = [taken for flag, taken in zip(flags, bytes_taken, strict=True) if not flag & 0x04]
    assert set(whole) == {right}
    wrong = [taken for taken in slipped if taken != right]
    assert 2 * len(wrong) >= len(slipped), "the first bit alone can be made up for by the one before the latch fell"
    assert len(slipped) <= lost < 40, "the clock runs between the bytes too"
    assert bool(slipped) is not resynchronised
