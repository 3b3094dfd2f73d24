"""The traps machine of the demo, through the public surface: both parts, both engines, a card from a file."""

import pytest

from simkit import Machine
from simkit.machinefile.shipped import demo_folder

RESULTS = ("LATCH_LEFT", "INC_READS", "INC_WRITES", "ENTRIES", "STEPS_BETWEEN", "DECIMAL_INSIDE", "SUM_INSIDE")


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize(("part", "results"), [("6502", (0, 1, 2, 3, 1, 8, 0x10)), ("65C02", (1, 2, 1, 3, 1, 0, 0x0A))])
def test_each_part_springs_the_traps_in_its_own_way(tmp_path, load_machine, part, results, engine):
    """MCS6500 Hardware Manual 1976, A.2.5, A.4.2; Rockwell R65C00 data 1984, list of differences, items 1, 4 and 5."""
    path = tmp_path / "machine.toml"
    base = demo_folder() / "traps" / "machine.toml"
    path.write_text(f'base = "{base.as_posix()}"\ncpu = "{part}"\n')
    m = load_machine(path, engine=engine)
    m.run(label="stop", timeout=0.1)
    assert m.peek(m.labels["DONE"]) == 0xA5
    assert tuple(m.peek(m.labels[name]) for name in RESULTS) == results
    assert [f.rule for f in m.findings] == []


def test_an_option_of_the_cpu_settles_what_sources_leave_open(tmp_path):
    """Spare read of a CMOS indexed store without page crossing: 6502.org forum, post 57508, and vectors differ."""
    reads = {}
    for choice in ("target", "operand"):
        path = tmp_path / f"{choice}.toml"
        path.write_text(
            f'clock = "1 MHz"\n[cpu_options]\nindexed_store_spare = "{choice}"\n[[card]]\nslot = 1\nkind = "sram"\n'
            'select = "xxxx xxxx xxxx xxxx"\n[card.settings]\nsize = 65536\n'
        )
        m = Machine.load(path)
        for address, byte in {0xFFFC: 0x00, 0xFFFD: 0x03, 0x0300: 0x9D, 0x0301: 0x10, 0x0302: 0x02}.items():
            m.poke(address, byte)
        m.step()
        m.cpu.x = 1
        seen = []
        m.add_probe(seen.append)
        m.step()
        reads[choice] = seen[3].address
    assert reads == {"target": 0x0211, "operand": 0x0302}
