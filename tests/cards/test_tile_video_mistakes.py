"""Small ROMs with the classic mistakes of drivers: the symptom shows, the finding names it, the right twin is silent.

Sources: builders' reports as named in simkit_cards/tile_video_rules.py; each test names the rule's own source there.
"""

import importlib.util
from pathlib import Path

import pytest

from simkit import Machine

ROOT = Path(__file__).resolve().parents[2]
MISTAKES = ROOT / "roms" / "video-mistakes"


@pytest.fixture(scope="module")
def images(tmp_path_factory):
    """Images of the ROMs by name, assembled once."""
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder = tmp_path_factory.mktemp("mistakes")
    return {path.stem: module.assemble(path, folder)["bin"].read_bytes() for path in MISTAKES.glob("*.asm")}


@pytest.fixture
def after(images):
    """Marlpit with a ROM, after some machine time."""

    def run(name, seconds=0.35, **options):
        machine = Machine.load(ROOT / "demo" / "marlpit", images={2: images[name]}, **options)
        machine.run(seconds=seconds)
        return machine

    return run


def rules(machine):
    return {finding.rule for finding in machine.findings}


def video(machine):
    return next(seat.card for seat in machine.bus.seats if seat.slot == 5)


def vram(machine, start, count):
    return list(video(machine).look(machine.cycle)[0][start : start + count])


@pytest.mark.parametrize("name", sorted(path.stem for path in MISTAKES.glob("*-right.asm")))
def test_right_twin_breaks_no_rule(name, after):
    assert rules(after(name)) == set()


def test_interrupt_between_the_bytes_of_a_pair(after):
    machine = after("pair-broken", 1)
    assert "video-pair-broken" in rules(machine)
    assert video(machine).look(machine.cycle)[1][6] == 0x87
    right = video(after("pair-broken-right", 1))
    assert right.look(0)[1][6:] == bytes([0x00, 0xF6])
    assert "first" in next(f for f in machine.findings if f.rule == "video-pair-broken").message


def test_status_not_read_in_the_handler(after):
    machine = after("status-not-read")
    assert "video-interrupt-unanswered" in rules(machine)
    before = machine.peek(0x10, 1)
    machine.run(seconds=0.1)
    assert machine.peek(0x10, 1) == before  # the main program stands still
    assert not machine.lines["IRQ"].level
    right = after("status-not-read-right")
    assert right.peek(0x12) in range(14, 20)  # handler entries in what is left of 0.35 s after the set-up


def test_names_written_too_fast(after):
    machine = after("too-fast")
    assert rules(machine) == {"video-access-too-soon"}
    names = vram(machine, 5 * 1024, 256)
    assert names != list(range(256))
    assert sorted(set(names) - {0}) == [n for n in names if n]  # what is left keeps its order, moved down
    finding = next(iter(machine.findings))
    assert finding.address == 0x7F30
    assert "graphics I" in finding.message
    assert "4.50 us after the one before, which may take 8.0 us: 3.50 us too soon" in finding.message
    assert vram(after("too-fast-right"), 5 * 1024, 256) == list(range(256))


def test_too_fast_names_with_other_settings(after):
    kept = after("too-fast", settings={5: {"too_soon": "both kept"}})
    assert vram(kept, 5 * 1024, 256) == list(range(256))
    assert "video-access-too-soon" in rules(kept)
    newer = after("too-fast", settings={5: {"too_soon": "newer lost"}})
    assert vram(newer, 5 * 1024, 1) == [0]
    assert vram(newer, 5 * 1024, 256) != list(range(256))
    worst, window = after("too-fast"), after("too-fast", settings={5: {"pacing": "window"}})
    assert 0 < window.findings.count("video-access-too-soon") < worst.findings.count("video-access-too-soon")
    assert vram(worst, 5 * 1024, 256) == vram(window, 5 * 1024, 256)


def test_sprite_list_without_an_end(after):
    machine = after("no-end-of-sprites")
    assert rules(machine) == {"video-sprites-never-written"}
    assert "from 4 on" in next(iter(machine.findings)).message
    right = after("no-end-of-sprites-right")
    assert (machine.screen.pixels != right.screen.pixels).any()


def test_first_byte_read_at_once_is_stale(after):
    machine = after("first-byte-stale")
    assert rules(machine) == {"video-access-too-soon"}
    assert machine.peek(0x10) != 0x5A
    assert "the byte read is the old one" in next(iter(machine.findings)).message


def test_register_write_destroys_the_address(after):
    machine = after("address-lost")
    assert rules(machine) == {"video-address-lost"}
    assert vram(machine, 0x1400, 2) == [0x41, 0]
    assert vram(machine, 0x0704, 1) == [0x42]


def test_indexed_store_reads_first(after):
    machine = after("indexed-store")
    assert {"video-dummy-read", "video-pair-broken"} <= rules(machine)
    assert video(machine).look(machine.cycle)[1][7] == 0x04


def test_memory_loaded_in_4k_addressing(after):
    machine = after("loaded-in-4k")
    assert rules(machine) == {"video-4k-addressing"}
    assert vram(machine, 0x0040, 1) == [0]
    assert vram(machine, 0x0080, 1) == [0x5A]


def test_sprite_moved_to_the_end_of_the_list(after):
    """No rule is broken; the words of the card tell."""
    machine = after("list-ends-early")
    words = machine.card(5).words()
    assert "sprite 1: Y = $D0 ends the list; 30 entries after it unused" in words


def test_interrupt_enabled_with_the_flag_still_up(after):
    assert "video-stale-interrupt" in rules(after("enabled-too-late"))


def test_reversed_data_lines(images, tmp_path):
    """The maker's CD0 is the most significant bit; wired the other way round every pair means something else."""
    wires = ", ".join(f'D{n} = "D{7 - n}"' for n in range(8))
    (tmp_path / "machine.toml").write_text(
        f'name = "Reversed"\nbase = "{ROOT / "demo/marlpit/machine.toml"}"\n[[card]]\nslot = 5\nwires = {{ {wires} }}\n'
    )
    machine = Machine.load(tmp_path, images={2: images["too-fast-right"]})
    machine.run(seconds=0.1)
    finding = next(f for f in machine.findings if f.rule == "video-odd-register-number")
    assert "it would mean $8" in finding.message


def test_memory_never_written(images):
    """A picture of memory nobody wrote: random dots at power-up."""
    rom = bytearray(images["no-end-of-sprites-right"])
    fill = rom.find(bytes.fromhex("A0 00 A9 FF 8D 30 7F"))
    assert fill > 0
    rom[fill] = 0x60  # the filling routine returns at once
    machine = Machine.load(ROOT / "demo" / "marlpit", images={2: bytes(rom)})
    machine.run(seconds=0.1)
    assert "video-table-never-written" in rules(machine)


@pytest.mark.parametrize(
    ("clock", "mode", "too_soon"),
    [
        ("1 MHz", 0xC0, False), ("2 MHz", 0xC0, True), ("4 MHz", 0xC0, True),
        ("1 MHz", 0x80, False), ("2 MHz", 0x80, False), ("4 MHz", 0x80, False),
        ("1 MHz", 0xD0, False), ("2 MHz", 0xD0, False), ("4 MHz", 0xD0, True),
    ],
)  # fmt: skip
def test_stores_nine_cycles_apart_on_the_bench_machine(clock, mode, too_soon):
    """Two hardware projects' trackers, 2020 and 2024: missing rows in letters above about 1 MHz.

    Stores 9 us, 4.5 us, 2.25 us apart against 8 us (graphics), 3.1 us (text), 2 us (display off): Texas Instruments,
    Video Display Processors Programmer's Guide, 1984, appendix B.
    """
    rom = bytearray(b"\xea" * 0x8000)
    rom[:11] = bytes.fromhex("A2 00 8E 00 70 E8 D0 FA 4C 08 80")
    rom[0x7FFA:] = bytes.fromhex("00 80 00 80 00 80")
    machine = Machine.load(ROOT / "demo" / "bench", clock=clock, images={2: bytes(rom)})
    card = video(machine)
    state = card.save(0)
    registers = [0, mode, 5, 0x80, 1, 0x20, 0, 1]
    memory = bytes(0x1000) + b"\xd0" + bytes(0x2FFF)
    card.load({**state, "registers": registers, "frame_registers": registers, "memory": memory, "frame_memory": memory})
    machine.run(cycles=6000)
    assert (machine.findings.count("video-access-too-soon") > 0) is too_soon
    narrow = machine.findings.count("video-write-strobe-too-narrow")
    assert narrow == (1 if clock == "4 MHz" else 0)  # PHI2 is high for 125 ns at 4 MHz; the chip wants 200
