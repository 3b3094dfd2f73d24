"""The check finds the same, to the cycle and the count, whether it sees each bus cycle or reads the core's records."""

import importlib.util
import random
import shutil
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from simkit import Machine
from simkit.check.run import check
from simkit.check.watches.stretch import FEW, _first_and_last, _without_waiting

ROOT = Path(__file__).resolve().parents[2]
ROMS = ROOT / "roms" / "rules"
BENCH = Path(__file__).parent / "bench"
DEMOS = ("marlpit", "bench", "monitor", "banks-test", "ports-test", "traps", "serial-test", "keyboard-test", "pad-test")


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


@pytest.mark.parametrize("name", sorted(path.stem for path in ROMS.glob("*.asm")))
def test_of_a_rom_that_breaks_a_rule(name, assembled, tmp_path):
    shutil.copy(BENCH / "bench_card.py", tmp_path)
    image = assembled(ROMS / f"{name}.asm")
    for cpu in ("6502", "65C02"):
        shutil.copy(BENCH / f"machine-{cpu}.toml", tmp_path / "machine.toml")
        told = [
            found(Machine.load(tmp_path, images={2: image}, engine=engine), Fraction(1, 50))
            for engine in ("exact", "auto")
        ]
        assert told[0] == told[1], cpu


@pytest.mark.parametrize("demo", DEMOS)
def test_of_a_demo_machine(demo):
    told = [found(Machine.load(f"demo:{demo}", engine=engine), Fraction(1, 10)) for engine in ("exact", "auto")]
    assert told[0] == told[1]


def test_of_random_programs():
    """Whatever bytes they are made of: most leave their code soon, and in the same cycle."""
    lost = 0
    for seed in range(60):
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
    assert 0 < lost < 60


def one_by_one(what, by):
    """Of equal neighbours at the distance of a round those that must be kept: at least the first three and the last."""
    kept = {}
    stores = 0
    for number, (one, who) in enumerate(zip(what.tolist(), by.tolist(), strict=True)):
        stores += one >> 24 != 1
        kept.setdefault((one, who, stores), []).append(number)
    return [{*places[:3], places[-1]} for places in kept.values()]


@pytest.mark.parametrize("lengths", [(1,), (2,), (3, 1), (4, 2, 1), (5, 7)])
def test_of_a_loop_that_waits_the_first_three_rounds_and_the_last_are_kept(lengths):
    chance = random.Random(str(lengths))
    reads = []
    while len(reads) < 4 * FEW:
        round_ = [
            (chance.randrange(3) | chance.randrange(4) << 16 | 1 << 24, chance.randrange(3))
            for _ in range(chance.choice(lengths))
        ]
        reads += round_ * chance.randrange(1, 60)
        if chance.random() < 0.3:
            reads.append((5 | 9 << 24, 7))
    what, by = np.array([one for one, _ in reads], np.uint32), np.array([who for _, who in reads], np.int64)
    kept = set(_first_and_last(what, by).tolist())
    for needed in one_by_one(what, by):
        assert needed <= kept
    if max(lengths) <= 4:
        assert len(kept) < len(reads) // 2


def test_loops_of_one_read_are_shortened_before_anything_else_is_known_of_them():
    """Opcode, operand, data and the branch behind them, again and again; SEI in the middle parts the rounds."""
    words, changes = [], []
    for number in range(600):
        words += [0x00A5_8000, 0x0110_8001, 0x0101_0010, 0x00D0_8002, 0x01FC_8003]
        if number == 300:
            changes.append(len(words))
            words += [0x0078_9000, *[0x00EA_9001] * 4]
    places = [n for n, word in enumerate(words) if word == 0x0101_0010]
    low = np.array(words, np.uint32)
    kept = _without_waiting(low, np.array(places), np.array(changes)).tolist()
    assert set(places[:3]) | {places[-1]} <= set(kept)
    behind = places[301:304]
    assert set(behind) | {places[300]} <= set(kept)
    assert len(kept) < 20
