"""Findings in words: one of each rule and place, with a count; the same lines headless and in `simkit show`."""

import pytest

from simkit import Machine
from simkit.commands.main import main
from simkit.machine.found import by_place, findings_lines

# LDX #0; loop: STX $8000; STX $9000; DEX; BNE loop; then STX $A000 to STX $A004, and a jump to itself
CODE = "A200 8E0080 8E0090 CA D0F7 8E00A0 8E01A0 8E02A0 8E03A0 8E04A0 4C1A80"
FILE = """\
name = "Found"
clock = "1 MHz"
[[card]]
slot = 2
kind = "rom"
select = "A15"
image = "rom.bin"
"""


def writing(tmp_path):
    content = bytearray(b"\xff" * 0x8000)
    content[: len(bytes.fromhex(CODE))] = bytes.fromhex(CODE)
    content[-6:] = b"\x00\x80" * 3
    (tmp_path / "rom.bin").write_bytes(content)
    (tmp_path / "machine.toml").write_text(FILE)
    return tmp_path


def test_findings_of_one_place_are_one_and_other_places_are_told(tmp_path, capsys):
    machine = Machine.load(writing(tmp_path))
    machine.run(cycles=40)
    assert [(one.pc, count) for one, count in by_place(machine)] == [(0x8002, 3), (0x8005, 3)]
    machine.run(cycles=10_000)
    assert [one.pc for one, _ in by_place(machine)] == [0x8002, 0x8005], "the first 200 are kept"
    lines = findings_lines(machine)
    assert lines[0] == "Findings:"
    assert lines[1].startswith("  write-to-rom, ROM (slot 2), 517 times; first in cycle ")
    assert lines[1].endswith(" at $8002: A write of $00 to $8000 went to ROM, which cannot take it.")
    assert lines[2:] == ["    also at $8005: A write of $00 to $9000 went to ROM, which cannot take it."]
    for command in (["run", str(tmp_path), "--headless", "--for"], ["show", str(tmp_path), "--at"]):
        with pytest.raises(SystemExit):
            main([*command, f"{machine.cycle}c"])
        assert "\n".join(lines) in capsys.readouterr().out


def test_many_other_places_are_counted(tmp_path):
    machine = Machine.load(writing(tmp_path))
    machine.step()  # RESET
    machine.cpu.pc = 0x800B
    machine.run(cycles=60)
    lines = findings_lines(machine)
    assert [line.strip().split(":")[0] for line in lines[2:]] == [
        *("also at $800E", "also at $8011", "also at $8014"),
        "and in 1 more",
    ]


def test_findings_that_no_access_brought_about_are_one(tmp_path):
    machine = Machine.load(writing(tmp_path))
    for cycle in range(5):
        machine.findings.add("serial-overrun", cycle, f"Byte {cycle} was lost.", slot=3)
    assert findings_lines(machine) == [
        "Findings:",
        "  serial-overrun, slot 3, 5 times; first in cycle 0: Byte 0 was lost.",
    ]
