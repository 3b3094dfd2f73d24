"""Memory that asks for wait states: a ROM too slow for the clock. Each access takes them, whoever looks."""

import pytest

from simkit import Machine

CARD = '''
import attrs
from simkit_cards.memory.rom import Rom

class SlowRom(Rom):
    """A ROM with a wait state."""

    kind = "slow-rom"

    def wait_cycles(self, offset, is_write):
        return 1
'''
MACHINE = """
name = "Slow"
clock = "4 MHz"
cpu = "65C02"
seed = 1
[backplane]
wait_states = "{wait_states}"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "file:slow_rom.py:SlowRom"
select = "1xxx xxxx xxxx xxxx"
image = "slow.bin"
{wires}
"""


@pytest.mark.parametrize("wires", ["", 'wires = {{ D0 = "D1", D1 = "D0" }}'.format()])
@pytest.mark.parametrize("wait_states", ["ready", "stretch"])
@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_every_access_of_slow_memory_takes_its_wait_states(tmp_path, engine, wait_states, wires):
    """`inc $40` is two fetches from ROM and three accesses of RAM, `jmp` three fetches: 5 + 3 cycles and 5 waits."""
    image = bytearray(0x8000)
    code = bytes.fromhex("E640 4C0080")
    if wires:
        exchange = bytes(n & 0xFC | (n & 1) << 1 | n >> 1 & 1 for n in range(256))
        code = code.translate(exchange)
    image[: len(code)] = code
    image[0x7FFC:0x7FFE] = b"\x00\x80"
    (tmp_path / "slow.bin").write_bytes(image)
    (tmp_path / "slow_rom.py").write_text(CARD)
    (tmp_path / "machine.toml").write_text(MACHINE.format(wait_states=wait_states, wires=wires))
    machine = Machine.load(tmp_path, engine=engine)
    machine.run(cycles=7 + 2)  # RESET fetches its vector from ROM
    begun, count = machine.cycle, machine.peek(0x40)
    machine.run(cycles=13 * 100)
    assert machine.cycle == begun + 13 * 100
    assert machine.peek(0x40) == (count + 100) % 256
    handle = machine.add_probe(lambda cycle: None)
    machine.run(cycles=13 * 100)
    handle.remove()
    assert machine.peek(0x40) == (count + 200) % 256
