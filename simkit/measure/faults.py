"""How fast single faults are run: all of Marlpit's catalogue under four power-ups, a second of machine time each.

Faults that come and go are listed apart, one by one: no decoding is compiled for them, and the search runs none.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import attrs

from simkit.machine.machine import Machine
from simkit.suspect.catalogue import Candidate, catalogue
from simkit.suspect.outcomes import SOUND
from simkit.suspect.runs import run_all
from simkit.suspect.trial import Trial

DEMO = "demo:marlpit"
MACHINE_SECONDS = 1
VARYING = (
    "slot 2: pin D3 open, 1 in 1000",
    "slot 1: line A5 low, 1 in 1000",
    "D0 shorted to D1, 1 in 1000",
    "slot 5: writes end late",
)
"""Faults in time that are run for the list apart."""


@attrs.frozen
class Speed:
    """How fast faults were run.

    Attributes:
        faults: candidates that were decided, whether by a run or because it can be told without.
        not_shown: of them those that this program cannot show.
        impossible: of them those that no machine can have.
        equal: of them those that make the same machine as another one, which alone is run.
        machines: different machines that were run, each under every power-up.
        power_ups: how many.
        wild: runs that were ended as they had gone wild.
        wild_cycles: bus cycles of machine time of the middle one of them.
        lasting: faults of which every run went on to the end of the time, or until the CPU stood still.
        seconds: that it took.
        processes: that worked.
        varying: by fault in time seconds for one run.
        whole: whether all were run.
    """

    faults: int
    not_shown: int
    impossible: int
    equal: int
    machines: int
    power_ups: int
    wild: int
    wild_cycles: int
    lasting: int
    seconds: float
    processes: int
    varying: dict[str, float]
    whole: bool

    @property
    def faults_a_minute(self) -> float:
        """How many faults are decided in a minute, run or not."""
        return self.faults / self.seconds * 60

    @property
    def shown_a_minute(self) -> float:
        """How many of them have runs, their own or those of an equal one."""
        return (self.machines + self.equal) / self.seconds * 60

    @property
    def lasting_a_minute(self) -> float:
        """The same of those of which no run was ended early, in the time of all."""
        return self.lasting / self.seconds * 60

    @property
    def machines_a_minute(self) -> float:
        """How many machines are run in a minute, each under every power-up."""
        return self.machines / self.seconds * 60


def measure_faults(goes_on: Callable[[float], bool], processes: int, every: int = 1) -> Speed:
    """Run them.

    Args:
        goes_on: told the part that is done; False ends it.
        processes: how many work at a time.
        every: take each so-manieth candidate alone.
    """
    from simkit.suspect.runs import local_executor

    machine = Machine.load(DEMO)
    trial = Trial.of(machine, int(MACHINE_SECONDS * machine.clock_hz))
    candidates: tuple[Candidate, ...] = catalogue(trial.description)[::every]
    began = time.perf_counter()
    with local_executor(processes) as pool:
        outcomes = run_all(trial, candidates, executor=pool, goes_on=goes_on)
    seconds = time.perf_counter() - began
    varying: dict[str, float] = {}
    for fault in VARYING if outcomes.is_whole else ():
        began = time.perf_counter()
        trial.machine(trial.seeds[0], fault).run_to(trial.cycles)
        varying[fault] = time.perf_counter() - began
    ran = {name: own for name, own in outcomes.runs.items() if name != SOUND}
    wild = sorted(run.cycle for own in ran.values() for run in own if run.is_wild)
    lasting = [name for name, own in ran.items() if not any(run.is_wild for run in own)]
    return Speed(
        faults=outcomes.faults,
        not_shown=len(outcomes.not_shown),
        impossible=len(outcomes.troubles),
        equal=sum(len(outcomes.classes[name]) - 1 for name in ran),
        machines=len(ran),
        power_ups=len(trial.seeds),
        wild=len(wild),
        wild_cycles=wild[len(wild) // 2] if wild else 0,
        lasting=sum(len(outcomes.classes[name]) for name in lasting),
        seconds=seconds,
        processes=processes,
        varying=varying,
        whole=outcomes.is_whole,
    )
