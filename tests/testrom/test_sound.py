"""On a sound machine a test ROM shows exactly the text it promises; its source assembles to its bytes."""

import importlib.util
import shutil
import subprocess
from pathlib import Path

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.testrom.build import PASS, build
from simkit.testrom.survey import Survey
from simkit.testrom.trial import try_out

ROMS = Path(__file__).resolve().parents[2] / "roms"

FEW = (("bench", 1), ("bench", 2), ("bench", 4), ("bench", 5), ("monitor", 5))
DEARER = (
    ("bench", 3),
    ("lamps-and-buttons", 6),
    ("lamps-and-buttons", 7),
    ("marlpit", 3),
    ("marlpit", 4),
    ("marlpit", 5),
    ("monitor", 3),
    ("monitor", 7),
    ("monitor", 8),
    ("traps", 3),
)
"""With FEW each kind of card."""
MORE = (
    *(("marlpit", slot) for slot in (1, 2)),
    *(("monitor", slot) for slot in (1, 2, 4, 6)),
    *(("ports-test", slot) for slot in (1, 2, 3, 4, 5, 6, 7)),
    *(("keyboard-on-ports", slot) for slot in (1, 2, 3, 4, 5)),
    *(("serial-test", slot) for slot in (1, 2, 3, 4, 5)),
    *(("lamps-and-buttons", slot) for slot in (1, 2, 3, 4, 5)),
    *(("traps", slot) for slot in (1, 2)),
    *((name, slot) for name in ("catalogue", "keyboard-test", "pad-test", "video-test-card") for slot in range(1, 6)),
)
PAIRS = [*FEW, *(pytest.param(*pair, marks=pytest.mark.slow) for pair in (*DEARER, *MORE))]


@pytest.mark.parametrize(("name", "slot"), PAIRS)
def test_a_sound_machine_passes_and_shows_exactly_the_text(bench, name, slot):
    made = bench(name, slot)
    trial = try_out(made.rom, made.load())
    assert trial.ends == PASS
    assert list(trial.texts.values()) == [made.rom.expected.rstrip("\n")] * len(trial.texts)


@pytest.mark.slow
def test_nothing_of_what_ships_is_left_to_the_model_but_a_card_whose_table_says_that_accesses_do_more(bench):
    """A known kind of card is never given up in silence: each has at least a data check and one of neighbours."""
    for name, slot in (*FEW, *DEARER):
        titles = [check.title for check in bench(name, slot).rom.plan.checks]
        assert titles, (name, slot)
        assert ("AS THE MODEL ANSWERS" in titles) == (name == "traps")


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_it_runs_on_both_parts(bench, tmp_path, cpu):
    made = bench("bench", 4)
    file = tmp_path / "machine.toml"
    base = (Path(__file__).resolve().parents[2] / "demo/bench/machine.toml").as_posix()
    file.write_text(f'base = "{base}"\nname = "Both"\ncpu = "{cpu}"\n')
    machine = Machine.load(file, images={2: made.rom.image})
    assert try_out(made.rom, machine).ends == PASS


def test_it_passes_whatever_memory_powers_up_with(bench):
    made = bench("bench", 5)
    for seed in range(20, 24):
        machine = Machine.load("demo:bench", seed=seed, images={2: made.rom.image})
        assert try_out(made.rom, machine).ends == PASS


def _assembled_by(tool, source, folder):
    if tool == "ophis":
        spec = importlib.util.spec_from_file_location("rom_build", ROMS / "build.py")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module.assemble(source, folder)["bin"].read_bytes()
    out = folder / "out.bin"
    if tool == "64tass":
        commands = [["64tass", "--nostart", source, "-o", out, "-q"]]
    else:
        config = folder / "flat.cfg"
        config.write_text("MEMORY { R: start = 0, size = $10000; }\nSEGMENTS { CODE: load = R, type = rw; }\n")
        commands = [["ca65", source, "-o", folder / "x.o"], ["ld65", "-C", config, folder / "x.o", "-o", out]]
    for command in commands:
        done = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
    return out.read_bytes()


@pytest.mark.parametrize("tool", ["ophis", "ca65", "64tass"])
@pytest.mark.parametrize(
    ("name", "slot"),
    [("bench", 2), *(pytest.param(*pair, marks=pytest.mark.slow) for pair in (("marlpit", 4), ("traps", 3)))],
)
def test_the_source_assembles_to_the_same_bytes(bench, tmp_path, tool, name, slot):
    if tool != "ophis" and shutil.which(tool) is None:
        pytest.skip(f"{tool} is not installed")
    code = bench(name, slot).rom.code
    source = tmp_path / "rom.asm"
    source.write_text(code.source(tool, "a test"))
    assert _assembled_by(tool, source, tmp_path) == code.image()


@pytest.mark.slow
def test_no_memory_is_written_by_the_test_of_a_card_without_memory(bench):
    """Nothing that could be broken is used to tell: RAM keeps what it powered up with, but where neighbours are."""
    made = bench("lamps-and-buttons", 7)
    machine = made.load()
    before = machine.memory(0, 0x4000)
    assert try_out(made.rom, machine).ends == PASS
    after = machine.memory(0, 0x4000)
    changed = {address for address in range(0x4000) if before[address] != after[address]}
    assert changed <= {made_at ^ 1 << 14 for made_at in range(0x7900, 0x7A00)} | {0x3900}


def test_where_the_cpu_stays_all_lines_but_two_stand_still(bench):
    rom = bench("bench", 4).rom
    loops = [address for label, address in rom.labels.items() if label.startswith(("PASS", "FAIL_", "STRAY"))]
    assert len(loops) == len(rom.plan.checks) + 2
    assert all(address % 4 <= 1 for address in loops)
    assert len({address >> 2 for address in loops}) == len(loops)


ERRORS = (
    ("bench", 9, "no card in slot 9"),
    ("keyboard-on-ports", 6, "answers at no address"),
)


@pytest.mark.parametrize(("name", "slot", "message"), ERRORS)
def test_what_cannot_be_tried_is_said(bench, name, slot, message):
    with pytest.raises(SimkitError, match=message):
        bench(name, slot)


def _variant(tmp_path, text):
    file = tmp_path / "machine.toml"
    file.write_text(text)
    return file


def test_a_machine_without_a_rom_at_the_vector_is_refused(tmp_path):
    file = _variant(
        tmp_path,
        'name = "None"\nclock = "1 MHz"\ncpu = "6502"\nstart = "$0200"\n'
        '[[card]]\nslot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"\n',
    )
    with pytest.raises(SimkitError, match="after RESET"):
        Survey(Machine.load(file), 1)


def test_a_rom_that_is_too_small_is_refused_with_both_sizes(tmp_path):
    file = _variant(
        tmp_path,
        'name = "Small"\nclock = "1 MHz"\ncpu = "6502"\n'
        '[[card]]\nslot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"\n'
        '[[card]]\nslot = 2\nkind = "rom"\nselect = "1111 1111 xxxx xxxx"\nimage = "x.bin"\n',
    )
    (tmp_path / "x.bin").write_bytes(bytes(256))
    survey = Survey(Machine.load(file), 1)
    with pytest.raises(SimkitError, match=r"needs \d+ bytes; the ROM in slot 2 has 250 "):
        build(survey, lambda image, seed: Machine.load(file, seed=seed, images={2: image}))
