"""Random programs on a whole machine: with a probe every cycle goes the careful way, without one most do not.

The programs live in ROM, work on RAM, and touch keyboard, pads and video often; pads move, buttons pull IRQ and NMI,
RESET is pressed. What both machines save at the end must be the same: memory, cards, lines, findings, CPU.
"""

import io
import random
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from tests.examples import examples

REGISTERS = (0x7F10, 0x7F11, 0x7F20, 0x7F22, 0x7F23, 0x7F30, 0x7F31)
ON_ADDRESSES = bytes.fromhex("AD8D2CCDEECEBD9D0D6D1D0E4E9C0CFE")  # LDA STA BIT CMP INC DEC ..., absolute and ,X
ON_REGISTERS = bytes.fromhex("E8CAC888AA8AA898180838D8F8587828684840EA")  # INX ... CLI SEI PLP PLA PHA RTI NOP
SHORT = bytes.fromhex("A9A2A0C9690529C6E6A585959125E5B18165")  # two bytes
BRANCHES = bytes.fromhex("10305070B0D0F0")


def program(chance: random.Random, cpu: str) -> bytes:
    """A ROM image of instructions that mostly do something; now and then of any bytes at all."""
    code = bytearray()
    while len(code) < 0x7F00:
        kind = chance.randrange(100)
        if kind < 34:
            near = chance.randrange(0x20)  # indexing may then reach a register, or pass a page on the way
            place = chance.choice(REGISTERS) - (near if chance.random() < 0.4 else 0)
            if chance.random() < 0.4:
                place = chance.randrange(0x7F00)
            code += bytes((chance.choice(ON_ADDRESSES), place & 0xFF, place >> 8))
        elif kind < 60:
            code.append(chance.choice(ON_REGISTERS))
        elif kind < 84:
            code += bytes((chance.choice(SHORT), chance.randrange(256)))
        elif kind < 92:
            code += bytes((chance.choice(BRANCHES), chance.choice((0, 1, 2, 3, 4, 0x20, 0xFA, 0xF0))))
        elif kind < 96:
            target = 0x8000 + chance.randrange(0x7E00)
            code += bytes((chance.choice((0x20, 0x4C)), target & 0xFF, target >> 8))
        elif kind < 98:
            code += bytes((0x60, 0x00, 0x60)[: chance.randrange(1, 4)])
        else:
            code.append(chance.choice(bytes(n for n in range(256) if cpu == "65C02" or n & 0x1F not in (0x02, 0x12))))
    vectors = b"".join((0x8000 + chance.randrange(0x7000)).to_bytes(2, "little") for _ in range(3))
    return bytes(code[:0x7F00]).ljust(0x7FFA, b"\xea") + vectors


BUTTONS = """
[[card]]
slot = 9
kind = "button-row"
lines = { B0 = "IRQ", B1 = "NMI" }
[card.settings]
joined = "pins"
count = 2
"""


def built(folder, cpu: str, image: bytes, seed: int, engine: str) -> Machine:
    path = folder / f"{cpu}.toml"
    if not path.exists():
        base = Machine.load("demo:marlpit").description.path.as_posix()
        path.write_text(f'base = "{base}"\ncpu = "{cpu}"\n{BUTTONS}')
    m = Machine.load(path, seed=seed, images={2: image}, engine=engine)
    chance = random.Random(seed)
    for _ in range(16):
        at = chance.randrange(40_000)
        what = chance.randrange(4)
        if what < 2:
            line = ("B0", "B1")[what]
            m.buttons.press(line, at=at)
            m.buttons.release(line, at=at + chance.randrange(1, 4_000))
        elif what == 2:
            m.pads[1].press("left", "a", at=at)
        else:
            m.pads[2].unplug(at=at)
    for pressed, at in zip((True, False), sorted(chance.sample(range(1000, 30_000), 2)), strict=True):
        m.outside(-1, "machine", "reset", pressed, at=at)
    return m


def saved(machine: Machine) -> dict[str, bytes]:
    """Entries of a saved state."""
    with zipfile.ZipFile(io.BytesIO(machine.save_state())) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.mark.parametrize("cpu", ["65C02", "6502"])
@pytest.mark.parametrize("engine", ["exact", "auto"])
@given(seed=st.integers(0, 2**32))
@settings(max_examples=2, deadline=None)
def test_a_probe_on_every_cycle_never_changes_how_a_machine_runs(tmp_path_factory, cpu, engine, seed):
    chance = random.Random(seed)
    folder = tmp_path_factory.getbasetemp()
    image = program(chance, cpu)
    plain, probed = (built(folder, cpu, image, seed % 1000, engine) for _ in range(2))
    cycles = 0

    def count(_):
        nonlocal cycles
        cycles += 1

    probed.add_probe(count)
    while plain.cycle < 30_000:
        plain.run(cycles=chance.randrange(1, 6_000))
        while probed.cycle < plain.cycle:
            probed.run(cycles=min(chance.randrange(1, 9_000), plain.cycle - probed.cycle))
        assert probed.cycle == plain.cycle
    assert saved(plain) == saved(probed)
    assert cycles == probed.cycle  # every cycle is one bus access, seen once


def test_the_random_programs_reach_what_they_are_meant_to(tmp_path):
    """Otherwise the comparison above would compare machines that do nothing."""
    reads, writes, handlers = set(), set(), 0
    for seed in range(4):
        m = built(tmp_path, "65C02", program(random.Random(seed), "65C02"), seed, "exact")

        def look(cycle):
            nonlocal handlers
            (writes if cycle.is_write else reads).add(cycle.address)
            handlers += cycle.kind == "interrupt"

        m.add_probe(look)
        m.run(cycles=40_000)
    assert set(REGISTERS) <= reads
    assert set(REGISTERS) & writes
    assert len(writes) > 100
    assert handlers


@pytest.mark.parametrize("engine", ["exact", "auto"])
@given(seed=st.integers(0, 2**32))
@settings(max_examples=examples(4), deadline=None)
def test_saved_at_any_moment_and_loaded_into_another_machine_it_goes_on_the_same(tmp_path_factory, engine, seed):
    """Moments with IRQ or RESET low, in WAI, with input queued and events armed; saved again at once it is the same."""
    chance = random.Random(seed)
    cpu = chance.choice(("65C02", "6502"))
    image = program(chance, cpu).replace(b"\x28", b"\xcb" if cpu == "65C02" else b"\x28")  # PLP becomes WAI
    folder = tmp_path_factory.getbasetemp()
    through, halting, other = (built(folder, cpu, image, seed % 1000, engine) for _ in range(3))
    end = 40_000
    while halting.cycle < end:
        halting.run(cycles=min(chance.choice((1, 30, 700, 3000, 5000)), end - halting.cycle))
        if chance.random() < 0.2:
            state = halting.save_state()
            other.run(cycles=chance.randrange(200))  # whatever it did before must not matter
            other.load_state(state)
            assert other.save_state() == state
            halting, other = other, halting
    while through.cycle < end:  # a CPU that stops ends a run early
        through.run(cycles=end - through.cycle)
    assert saved(through) == saved(halting)


@pytest.mark.parametrize("cpu", ["65C02", "6502"])
@given(seed=st.integers(0, 2**32))
@settings(max_examples=examples(6), deadline=None)
def test_what_is_saved_does_not_tell_which_engine_ran(tmp_path_factory, cpu, seed):
    """Byte for byte, with RESET held for thousands of cycles and CPUs that stop."""
    chance = random.Random(seed)
    folder = tmp_path_factory.getbasetemp()
    image = program(chance, cpu)
    machines = [built(folder, cpu, image, seed % 1000, engine) for engine in ("exact", "auto")]
    for _ in range(6):
        stretch = chance.randrange(1, 15_000)
        for machine in machines:
            machine.run(cycles=stretch)
        assert saved(machines[0]) == saved(machines[1])
