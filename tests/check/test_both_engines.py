"""The check finds the same, to the cycle and the count, whether it sees each bus cycle or reads the core's records."""

import importlib.util
import random
import shutil
from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import check

ROOT = Path(__file__).resolve().parents[2]
ROMS = ROOT / "roms" / "rules"
BENCH = Path(__file__).parent / "bench"
DEMOS = ("marlpit", "bench", "monitor", "banks-test", "ports-test", "traps", "serial-test", "keyboard-test", "pad-test")
CPUS = ("6502", "65C02")
NMOS = ("decimal-", "opcode-missing", "undefined-opcode", "cpu-jammed")
"""What rules of the NMOS part alone begin with."""
ROM_NAMES = {
    path.stem: CPUS[0 if path.stem.startswith(NMOS) else number % 2]
    for number, path in enumerate(sorted(ROMS.glob("*.asm")))
}
"""The ROMs of the rules, each with the CPU it is tried on by default; the other one is for the slow tests."""


def found(machine, seconds):
    result = check(machine, seconds=seconds)
    shown = [(f.rule.name, f.pc, f.cycle, f.address, f.slot, f.count, f.message) for f in result.findings]
    return sorted(shown, key=str), result.cycles, result.halted, result.remarks


@pytest.fixture(scope="module")
def assembled(tmp_path_factory):
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder = tmp_path_factory.mktemp("assembled")
    return lambda source: module.assemble(source, folder)["bin"].read_bytes()


@pytest.mark.parametrize(
    ("name", "cpu", "seconds"),
    [  # in 1/100 s each has broken its rule
        pytest.param(name, cpu, Fraction(1, 100 if cpu == own else 50), marks=() if cpu == own else pytest.mark.slow)
        for name, own in ROM_NAMES.items()
        for cpu in CPUS
    ],
)
def test_of_a_rom_that_breaks_a_rule(name, cpu, seconds, assembled, tmp_path):
    shutil.copy(BENCH / "bench_card.py", tmp_path)
    shutil.copy(BENCH / f"machine-{cpu}.toml", tmp_path / "machine.toml")
    image = assembled(ROMS / f"{name}.asm")
    told = [found(Machine.load(tmp_path, images={2: image}, engine=engine), seconds) for engine in ("exact", "auto")]
    assert told[0] == told[1]


@pytest.mark.parametrize("seconds", [Fraction(1, 40), pytest.param(Fraction(1, 10), marks=pytest.mark.slow)], ids=str)
@pytest.mark.parametrize("demo", DEMOS)
def test_of_a_demo_machine(demo, seconds):
    told = [found(Machine.load(f"demo:{demo}", engine=engine), seconds) for engine in ("exact", "auto")]
    assert told[0] == told[1]


@pytest.mark.parametrize("programs", [20, pytest.param(120, marks=pytest.mark.slow)])
def test_of_random_programs(programs):
    """Whatever bytes they are made of: most leave their code soon, and in the same cycle."""
    lost = 0
    for seed in range(programs):
        chance = random.Random(seed)
        image = bytearray(
            chance.choices((0xA9, 0xA5, 0x85, 0x48, 0x68, 0x20, 0x60, 0x78, 0x58, 0xE6, 0xD0, 0xEA), k=0x8000)
        )
        for at in range(1, 0x7F00, 2):
            if chance.random() < 0.4:
                image[at] = chance.randrange(256)
        image[0x7FFA:] = bytes((0x00, 0x90, 0x00, 0x80, 0x00, 0x90))
        told = [
            found(Machine.load("demo:bench", images={2: bytes(image)}, engine=engine), Fraction(1, 200))
            for engine in ("exact", "auto")
        ]
        assert told[0] == told[1], seed
        lost += any(rule == "ran-away" for rule, *_ in told[0][0])
    assert 0 < lost < programs
