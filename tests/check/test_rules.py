"""Each rule has a small ROM that breaks it and a twin that does not; the check tells them apart."""

import importlib.util
import shutil
from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import check

ROOT = Path(__file__).resolve().parents[2]
RULES = ROOT / "roms" / "rules"
BENCH = Path(__file__).parent / "bench"
SECONDS = Fraction(1, 20)
NMOS = {"decimal-at-interrupt", "decimal-undefined", "opcode-missing", "undefined-opcode", "cpu-jammed"}
ALSO = {  # what follows from the mistake besides its own rule
    "handler-stack": {"ran-away"},
    "stack-underflow": {"never-written", "ran-away"},
    "vector-astray": {"ran-away"},
    "image-size": {"vector-astray", "labels-stale", "ran-away"},
    "opcode-missing": {"wait-without-end"},
    "cpu-jammed": {"undefined-opcode", "opcode-missing"},
    "undefined-opcode": {"opcode-missing"},
    "brk-executed": {"ran-away"},
    "constant-differs": {"undriven-read"},
    "stack-wrap": {"stack-underflow"},
}
NAMES = sorted(path.stem for path in RULES.glob("*.asm") if "-right" not in path.stem)
TWINS = sorted(path.stem for path in RULES.glob("*-right*.asm"))


def test_every_rule_rom_has_a_twin():
    assert {twin.split("-right")[0] for twin in TWINS} == set(NAMES)


@pytest.fixture(scope="module")
def assemble():
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.assemble


@pytest.fixture
def checked(assemble, tmp_path):
    """Assemble a rule ROM, put it into the bench machine, check it."""

    def run(name, cpu="65C02", seconds=SECONDS):
        shutil.copy(BENCH / "bench_card.py", tmp_path)
        shutil.copy(BENCH / f"machine-{cpu}.toml", tmp_path / "machine.toml")
        written = assemble(RULES / f"{name}.asm", tmp_path)
        for kind, path in written.items():
            path.replace(tmp_path / f"rule.{kind}")
        return check(Machine.load(tmp_path), seconds=seconds)

    return run


def _rules(result):
    return {finding.rule.name for finding in result.findings if finding.rule.name != "wait-without-end"}


@pytest.mark.parametrize("name", NAMES)
def test_the_rom_breaks_its_rule_and_no_other(name, checked):
    result = checked(name, "6502" if name in NMOS else "65C02")
    if name == "wait-without-end":
        assert {f.rule.name for f in result.findings} == {name}
        return
    found = _rules(result)
    assert name in found
    assert found - {name} <= ALSO.get(name, set())


@pytest.mark.parametrize("twin", TWINS)
def test_its_twin_gives_no_finding(twin, checked):
    name = twin.split("-right")[0]
    result = checked(twin, "6502" if name in NMOS else "65C02")
    found = {f.rule.name for f in result.findings} if name == "wait-without-end" else _rules(result)
    assert found == set(), [f.message for f in result.findings]
