"""Test ROMs as the command makes them, and what is seen of them on a machine with a fault."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.testrom.build import TestRom, build
from simkit.testrom.survey import Survey
from simkit.testrom.trial import press_as_asked, shown

DEMO = Path(__file__).resolve().parents[2] / "demo"
SEED = 5


@dataclass
class Bench:
    """A machine with the test ROM for one of its slots."""

    machine: str
    slot: int
    rom: TestRom

    def load(self, wiring=(), **more):
        images = {self.rom.survey.rom.seat.slot: self.rom.image}
        return Machine.load(DEMO / self.machine, seed=SEED, images=images, wiring=wiring, **more)

    def seen(self, seconds, wiring=()):
        """Texts, lamps at each step that people watch, lamps at the end, and where the CPU is."""
        machine = self.load(wiring)
        press_as_asked(self.rom, machine)
        rows = [card.ports["lamps"] for card in machine.cards.values() if "lamps" in card.ports]
        labels = self.rom.labels
        lamps = []
        for label, address in labels.items():
            if rows and label.startswith(("LIT_", "DARK_", "NEIGHBOURS_")):
                try:
                    machine.run(f"label:${address:04X}", timeout=seconds)
                except SimkitError:
                    break
                lamps.append([row.levels for row in rows])
        machine.run_to(max(machine.cycle, int(seconds * machine.clock_hz)))
        end = next((label for label, address in labels.items() if address == machine.cpu.pc), "")
        return shown(machine), lamps, [row.levels for row in rows], end


@pytest.fixture(scope="session")
def bench():
    made = {}

    def make(machine, slot):
        if (machine, slot) not in made:
            survey = Survey(Machine.load(DEMO / machine), slot)
            boot = survey.rom.seat.slot
            rom = build(survey, lambda image, seed: Machine.load(DEMO / machine, seed=seed, images={boot: image}))
            made[machine, slot] = Bench(machine, slot, rom)
        return made[machine, slot]

    return make
