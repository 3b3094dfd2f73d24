"""An output that moves by the clock alone, on a line that nobody listens to: whoever looks sees it as it is."""

import itertools
from pathlib import Path

import pytest

from simkit import Machine

BENCH = Path(__file__).resolve().parents[2] / "demo" / "bench" / "machine.toml"
LAMP = f"""base = "{BENCH.as_posix()}"
[[card]]
slot = 4
lines = {{ INT = "IRQ", PB7 = "TONE" }}
[[card]]
slot = 6
kind = "led-row"
lines = {{ L0 = "TONE" }}
[card.settings]
joined = "pins"
count = 1
"""
PROGRAM = bytes.fromhex("A9 C0 8D 0B 60 A9 04 8D 04 60 A9 00 8D 05 60 4C 0F 80")  # PB7, free run, latch 4
PERIOD = 4 + 2  # WDC W65C22S data sheet, section 1.7


@pytest.fixture(params=["exact", "auto"])
def machine(request, tmp_path):
    file = tmp_path / "machine.toml"
    file.write_text(LAMP)
    image = PROGRAM.ljust(0x7FFC, b"\xff") + b"\x00\x80\xff\xff"
    machine = Machine.load(file, images={2: image}, engine=request.param)
    machine.run(access=0x6005)
    return machine


def test_a_probe_begun_in_mid_run_sees_every_edge(machine):
    machine.run(cycles=1_000)
    seen = []
    machine.add_probe(lambda cycle: seen.append((cycle.cycle, cycle.lines["TONE"])))
    machine.run(cycles=300)
    edges = [cycle for (_, before), (cycle, level) in itertools.pairwise(seen) if level is not before]
    assert {later - earlier for earlier, later in itertools.pairwise(edges)} == {PERIOD}
    assert len(edges) >= 300 // PERIOD - 1


def test_the_line_and_the_lamp_on_it_show_the_level_of_this_very_moment(machine):
    levels = set()
    for cycles in range(1, 40):
        machine.run(cycles=cycles)
        level = machine.lines["TONE"].level
        assert machine.lamps.levels == (level,)
        assert ("PB7 high" in "".join(machine.card(4).words())) is level
        levels.add(level)
    assert levels == {True, False}


def test_a_look_at_the_line_changes_nothing(machine):
    before = machine.save_state()
    for _ in range(3):
        assert machine.lines["TONE"].level is machine.lines["TONE"].level
    assert machine.save_state() == before
