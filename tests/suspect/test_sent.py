"""What is sent to whoever runs candidates is all that they need: no file of the machine, no module of its cards."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from simkit.machine.machine import Machine
from simkit.suspect.sent import packed, unpacked
from simkit.suspect.trial import Trial

DEMOS = Path(__file__).parents[2] / "demo"
ROMS = Path(__file__).parents[2] / "roms"
ELSEWHERE = """
import sys
from simkit.suspect.sent import unpacked
trial = unpacked(sys.stdin.buffer.read())
machine = trial.machine(7, "slot 2: pin D3 low" if sys.argv[1:] else "")
machine.run_to(trial.cycles)
print(machine.cycle, machine.cpu.pc, [card.kind for card in machine.cards.values()])
"""


@pytest.mark.parametrize("demo", ["traps", "keyboard-test", "monitor"])
def test_a_machine_runs_alike_in_a_process_that_has_none_of_its_files(demo, tmp_path):
    for name in ("demo", "roms"):
        shutil.copytree({"demo": DEMOS, "roms": ROMS}[name], tmp_path / name)
    trial = Trial.of(Machine.load(tmp_path / "demo" / demo), 2000)
    here = trial.machine(7)
    here.run_to(trial.cycles)
    sent = packed(trial)
    for name in ("demo", "roms"):
        shutil.rmtree(tmp_path / name)
    done = subprocess.run([sys.executable, "-c", ELSEWHERE], input=sent, capture_output=True, check=True, cwd=tmp_path)
    assert done.stdout.decode().split(" ", 2)[:2] == [str(here.cycle), str(here.cpu.pc)]


def test_a_card_of_a_file_is_sent_as_its_text_with_its_settings():
    Machine.load("demo:traps")
    trial = Trial.of(Machine.load("demo:traps"), 100)  # the module of the first is no longer the one that is known
    there = unpacked(packed(trial))
    card = there.description.cards[2]
    assert type(card.settings) is card.card.Settings
    assert card.card is not trial.description.cards[2].card
    assert there.machine(1, "slot 3: line A0 low").cards[3].kind == trial.machine(1).cards[3].kind
