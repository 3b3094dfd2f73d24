"""The lockstep job in small: its episodes and batches, and that it tells a difference."""

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from simkit.cpu.core.engine import CoreCpu
from simkit.machinefile.shipped import demo_folder
from tests.examples import examples

PARTS = ("6502", "65C02")
DEMOS = sorted(file.parent.relative_to(demo_folder()).as_posix() for file in demo_folder().rglob("machine.toml"))


def test_the_job_knows_every_demo(lockstep):
    assert lockstep.demos() == DEMOS


@pytest.mark.parametrize("demo", DEMOS)
def test_a_demo_with_random_fingers_cannot_tell_the_engines_apart(lockstep, demo):
    counted = lockstep.episode(demo, f"small/demo:{demo}", cycles=50_000, watched=2000)
    assert counted["cycles"] >= 50_000
    assert counted["watched"] >= 2000


@pytest.mark.parametrize("part", PARTS)
@settings(
    deadline=None,
    max_examples=examples(4),
    phases=(Phase.reuse, Phase.generate),  # a seed cannot be made simpler
    suppress_health_check=[HealthCheck.too_slow],
)
@given(seed=st.integers(0, 1 << 48))
def test_interrupts_in_random_cycles_of_random_programs_come_alike(lockstep, part, seed):
    assert lockstep.batch(part, f"small/{part}/{seed}")["pairs"] == lockstep.BATCH


@pytest.mark.slow  # 40 million cycles
@pytest.mark.parametrize("demo", DEMOS)
def test_demos_with_random_fingers_cannot_tell_the_engines_apart_for_long(lockstep, demo):
    lockstep.episode(demo, f"long/demo:{demo}")


@pytest.mark.slow  # 20,000 pairs of a program and an interrupt
@pytest.mark.parametrize("part", PARTS)
def test_interrupts_in_very_many_random_cycles_come_alike(lockstep, part):
    counted = sum((lockstep.batch(part, f"long/{part}/{n}") for n in range(200)), start=lockstep.Counter())
    assert counted["pairs"] == 200 * lockstep.BATCH
    for what in ("raised", "rounds skipped", "watched pairs"):
        assert counted[what], what


def test_the_job_names_what_repeats_a_difference(lockstep, monkeypatch, capsys):
    """An engine that overlooks what an access moved."""
    monkeypatch.setattr(CoreCpu, "_look", lambda cpu, cycle: None)
    shown = []
    assert lockstep.job(["--cycles", "0", "--pairs", "100", "--seed", "3"], shown.append) == 1
    told = capsys.readouterr().out
    assert not told.startswith("0 of 4 units differ")
    unit = shown[0].partition(":")[0]
    assert f"--again {unit}" in shown[0]
    shown.clear()
    assert lockstep.job(["--again", unit], shown.append) == 1
    assert shown[0].startswith(f"{unit}: ")
    monkeypatch.undo()
    assert lockstep.job(["--again", unit], shown.append) == 0
    assert capsys.readouterr().out.splitlines()[-1].startswith("0 of 1 units differ; 1 batches")
