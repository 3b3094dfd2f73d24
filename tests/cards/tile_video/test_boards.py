"""Boards wired or fitted wrong round the tile-video chip: what a builder sees, and what names it.

Each test names who published the symptom.
"""

from pathlib import Path

import numpy as np
import pytest
from simkit_cards.tile_video.board import MemoryWires

from simkit import Machine

ROOT = Path(__file__).resolve().parents[3]


def rules(machine):
    return {finding.rule for finding in machine.findings}


def message(machine, rule):
    return next(finding.message for finding in machine.findings if finding.rule == rule)


def test_data_lines_the_wrong_way_round(rewired):
    """Readme of a test set-up for the chip; T. LeMense, SRAM replacement for TMS99x8 VRAM, 2010, page 6.

    The maker's CD0 is the most significant bit: $87 arrives as $E1, every pair means something else.
    """
    wires = ", ".join(f'D{n} = "D{7 - n}"' for n in range(8))
    machine = rewired(f"wires = {{ {wires} }}")
    told = [finding.message for finding in machine.findings if finding.rule == "video-odd-register-number"]
    assert any("second byte $E1" in line and "it would mean $87" in line for line in told)


def palette_of(machine):
    return next(seat.card for seat in machine.bus.seats if seat.slot == 5).slot.ports["screen"].palette


# Memory wires ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def text_page():
    """Colour numbers of the test card's text page with settings of the video card; letters from dot 6 on."""

    def show(**settings):
        machine = Machine.load(
            ROOT / "demo" / "marlpit", images={2: ROOT / "roms" / "video-test-card.bin"}, settings={5: settings}
        )
        machine.run(frames=12)
        assert rules(machine) == set()  # the CPU reads back what it wrote, or never looks: no rule is broken
        return machine.screen.pixels.copy()

    return show


@pytest.fixture(scope="module")
def sound_page(text_page):
    return text_page()


def cells(picture):
    """(24, 40, 8, 6): rows and columns of letters."""
    return picture[:, 6:246].reshape(24, 8, 40, 6).transpose(0, 2, 1, 3)


def test_ad0_to_ad6_wired_double_the_lines_of_letters(text_page, sound_page):
    """Rev-0 error list of the Ultim809 machine: AD0 to AD6 where AD1 to AD7 belong; AD0 carries no address.

    AD7 carries the lowest bit of row and column: bytes 0 and 1 are one cell, the later one written stays.
    """
    wrong = cells(text_page(memory_address="AD0 to AD6"))
    assert (wrong[:, :, 0::2] == wrong[:, :, 1::2]).all()
    assert (wrong[:, 0::2] == wrong[:, 1::2]).all()  # names too: letters come in pairs
    assert (wrong != cells(sound_page)).any()


def test_column_latched_early_leaves_blocks_of_128_bytes_alike(make_video):
    """T. LeMense, SRAM replacement for TMS99x8 VRAM, 2010, page 3: the column may come 10 ns after /CAS falls.

    Model: the worst case, the whole column is the row still.
    """
    video = make_video(memory_address="column latched early")
    video.register(1, 0x80)
    video.store(0x0800, [1, 2, 3])
    video.store(0x0880, [7])
    memory = video.card.look(video.bench.cycle)[0]
    assert set(memory[0x0800:0x0880]) == {3}
    assert set(memory[0x0880:0x0900]) == {7}


@pytest.mark.parametrize(("line", "repeats"), [(5, "columns"), (9, "rows")])
def test_an_open_address_line_shows_text_twice(make_video, line, repeats):
    """LM80C blog, 30 March 2019: text twice. A line that is open folds the memory on itself."""
    video = make_video(memory_open_line=line)
    video.register(1, 0x80)
    video.store(0x0000, range(32))
    video.store(0x0000 | 1 << line, range(100, 132))
    memory = video.card.look(video.bench.cycle)[0]
    assert list(memory[:32]) == list(range(100, 132))
    assert memory[:32] == memory[1 << line : (1 << line) + 32], repeats


@pytest.mark.parametrize(("wires", "f"), [("reversed", 0x2F), ("rotated", 0x7A)])
def test_read_lines_exchanged_turn_letters_round(text_page, sound_page, wires, f):
    """LM80C blog, 30 March 2019: rotated letters. The chip reads by RD0 to RD7, and writes by AD0 to AD7.

    Names are read the same way: $F4 comes back as $2F or $7A, another letter, itself turned round.
    """
    assert MemoryWires("right", -1, wires).read_back(0xF4) == f
    wrong = cells(text_page(memory_read_data=wires))
    assert (wrong != cells(sound_page)).mean() > 0.1


def test_cpu_reads_back_what_crossed_wires_made_of_its_byte(make_video):
    video = make_video(memory_read_data="reversed")
    video.register(1, 0x80)
    video.store(0x0123, [0x87])
    video.control(0x23, 0x01)
    assert video.read_data() == 0xE1


@pytest.mark.parametrize(
    "settings",
    [{"memory_address": "AD0 to AD6"}, {"memory_address": "column latched early"}, {"memory_open_line": 11}],
)
def test_power_up_noise_obeys_the_wires(make_video, settings):
    """Cells that are one cell hold one byte from the start, in sprites and status as well."""
    video = make_video(**settings)
    memory = np.frombuffer(video.card.save(0)["memory"], np.uint8)  # cells, before 4K addressing
    wires = video.card._wires
    for cell in range(0, 0x4000, 97):
        assert len(set(memory[wires.same(cell)])) == 1


# Strobes ---------------------------------------------------------------------------------------------------------


def test_read_and_write_strobe_exchanged(rewired):
    """Ultim809 rev-0 error list and issue 2: decoder inputs exchanged, reads act as writes."""
    machine = rewired('output_enable = "not RW and PHI2"\nwrite_enable = "RW and PHI2"')
    assert "drives the data lines while the CPU writes $7F31: its output enable 'not RW and PHI2' is true" in message(
        machine, "contention"
    )
    assert all(line.endswith("NEVER WRITTEN") for line in machine.card(5).words() if line.startswith("register"))


@pytest.mark.parametrize("lines", ['output_enable = "PHI2"', 'write_enable = "PHI2"'])
def test_strobes_that_ignore_read_and_write(rewired, lines):
    """Texas Instruments, Video Display Processors Programmer's Guide, 1984, table 3-1: one strobe a transfer."""
    machine = rewired(lines)
    assert machine.findings.count("video-both-strobes") == 1
    assert not any("0.00 us after" in finding.message for finding in machine.findings)


def test_write_strobe_without_phi2_is_told(rewired):
    """Forum 6502.org topic 6819: a write strobe that begins before data are valid."""
    assert "also true while PHI2 is low" in message(rewired('write_enable = "not RW"'), "strobe-without-phi2")


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_a_part_that_takes_data_at_the_start_of_phi2_sees_the_address_byte(video_mistakes, engine):
    """Forum 6502.org topic 6819: $C0 of STA $C000 was written. Here STA $7F30 and STA $7F31 write $7F."""
    machine = Machine.load(
        ROOT / "demo" / "marlpit",
        images={2: video_mistakes["too-fast-right"]},
        settings={5: {"write_data": "start of strobe"}},
        engine=engine,
    )
    machine.run(seconds=0.1)
    memory, registers = next(seat.card for seat in machine.bus.seats if seat.slot == 5).look(machine.cycle)
    assert memory.count(0x7F) > 1000
    assert registers[:2] == b"\0\0"  # $7F, $7F is an address: no register is ever reached
    assert rules(machine) == {"video-4k-addressing"}  # bit 7 of register 1 was never set


def test_push_pull_interrupt_output_fights_the_keyboard(rewired):
    """Schematic notes of an open 9918A card, 2018 to 2020: the output drives high; a diode or gate is needed."""
    machine = rewired(
        '[card.settings]\ninterrupt_output = "push-pull"', image="status-not-read-right", seconds=1
    )  # the self-test ends
    assert "output-fight" in rules(machine)


# Picture ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ("crystal_hz = 10_740_000", "off by +127 ppm"),
        ('part = "9928A"\nboard = "composite"', "pin 36 gives luminance alone"),
    ],
)
def test_grey_picture(rewired, settings, says):
    """Issue 13 of an open 9918A card: no colour from a wrong crystal, or from a relabelled 9928A."""
    machine = rewired(f"[card.settings]\n{settings}")
    assert says in message(machine, "video-colour-lost")
    assert all(len(set(colour)) == 1 for colour in palette_of(machine))
    assert len(set(palette_of(machine))) == 8  # public engineering notes count eight grey steps
    assert machine.card(5).words()[3] == message(machine, "video-colour-lost")


@pytest.mark.parametrize("settings", ["crystal_hz = 10_738_900", 'part = "9928A"', 'board = "composite"'])
def test_colour_on_boards_that_are_right(rewired, settings):
    """25 ppm are within tolerance; a 9928A drives colour differences on its own board."""
    machine = rewired(f"[card.settings]\n{settings}")
    assert not rules(machine)
    assert any(len(set(colour)) > 1 for colour in palette_of(machine))


def test_no_load_resistor_no_picture(rewired):
    """Data manual 3.4.2, quoted by issue 3 of an RGB adapter for the chip: the outputs are source followers."""
    machine = rewired("[card.settings]\nload_resistor = false")
    assert rules(machine) == {"video-no-load-resistor"}
    assert set(palette_of(machine)) == {(0, 0, 0)}
    assert machine.screen.pixels.any()  # the chip draws all the same
