"""Timer 1 on PB7 while somebody records the line, and afterwards."""

import pytest

from simkit import Machine
from simkit.records.recorder import Recorder

MACHINE = """
name = "Tone"
clock = "1 MHz"
cpu = "65C02"
seed = 1
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
not_select = ["0110 xxxx xxxx xxxx"]
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "tone.bin"
[[card]]
slot = 4
kind = "ports-6522"
select = "0110 xxxx xxxx xxxx"
[card.lines]
PB7 = "TONE"
"""
# PB7 an output, timer 1 free-running on it every 18 cycles; loop: inc $40, jmp
PROGRAM = "A9808D0260 A9C08D0B60 A9108D0460 A9008D0560 E640 4C1480"


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_edges_of_pb7_are_armed_as_long_as_its_line_is_recorded_and_no_longer(tmp_path, engine):
    image = bytearray(0x8000)
    code = bytes.fromhex(PROGRAM)
    image[: len(code)] = code
    image[0x7FFC:0x7FFE] = bytes((0x00, 0x80))
    (tmp_path / "tone.bin").write_bytes(image)
    (tmp_path / "machine.toml").write_text(MACHINE)
    plain, recorded = (Machine.load(tmp_path, engine=engine) for _ in range(2))
    for machine in (plain, recorded):
        machine.run(cycles=3000)
    with Recorder(recorded, None, lines=("TONE",)) as recorder:
        recorded.run(cycles=5000)
    plain.run(cycles=recorded.cycle - plain.cycle)
    assert len(recorder.lines.cycle) > 250
    assert set((recorder.lines.cycle[1:] - recorder.lines.cycle[:-1]).tolist()) == {18}
    assert recorded.bus.agenda.events.save() == plain.bus.agenda.events.save() == []
    assert recorded.lines["TONE"].level == plain.lines["TONE"].level
    for machine in (plain, recorded):
        machine.run(cycles=1001)
    assert recorded.lines["TONE"].level == plain.lines["TONE"].level
