"""One run that is traced: from its first wanted cycle to its end, in pieces, whatever ends it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import attrs
import typer

from simkit.commands import exits
from simkit.commands.goal import Goal, counted_from, moment_of, of_option
from simkit.commands.headless import Pieces, play_forward, run_forward
from simkit.commands.say import say
from simkit.commands.taped_run import TapedRun
from simkit.commands.trace_options import DEFAULT_FOR, FROM_ON
from simkit.contract.errors import SimkitError
from simkit.machine.history import Bystander
from simkit.machine.machine import Machine
from simkit.machine.until import waited_for
from simkit.machine.waiting import Wait

if TYPE_CHECKING:
    from simkit.commands.running import Running
    from simkit.commands.script import Script
    from simkit.machine.moments import Moment

OWN_INSTRUCTION = ("read", "write", "access", "finding")
"""Moments that come true within an instruction: a trace from there on begins with it."""


class Begin(Bystander):
    """Where a trace begins.

    Args:
        machine: the machine.
        moment: with which it begins.
        call: gets the first cycle, when it is known.

    Attributes:
        cycle: the first one; None while it is not known.
    """

    def __init__(self, machine: Machine, moment: Moment, call: Callable[[int], None]) -> None:
        self.moment = moment
        self.come = False
        self.cycle: int | None = None
        self._call = call
        try:
            self.what = waited_for(machine, moment)
            self._await(machine)
        except SimkitError as error:
            raise of_option("--from", error) from error
        machine.histories.append(self)

    def _await(self, machine: Machine) -> None:
        self._machine = machine
        self._wait = Wait(machine, self.moment, self._comes)

    def _comes(self, cycle: int) -> None:
        self.come = True
        notes = self._machine.cpu.last_notes(1)
        if self.moment.kind in OWN_INSTRUCTION and not self.moment.after and notes:
            cycle = notes[-1][0]
        self.cycle = cycle
        self._call(cycle)

    def go_on_with(self, machine: Machine) -> None:
        """Another machine takes the place of this one."""
        self._wait.cancel()
        if not self.come:
            self._await(machine)
        machine.histories.append(self)


class TracedRun:
    """Runs a machine from power-on to the end of the trace.

    Args:
        run: what is played.
        running: what the command line says about it.
        begin: text of the moment with which it begins, or None.
        begins: called with the first cycle that is wanted.
        usually: when a run ends that has no end of its own; a time after its beginning begins with +.

    Attributes:
        goal: where it ends; None: as the recording does.
    """

    def __init__(
        self, run: TapedRun, running: Running, begin: str | None, begins: Callable[[int], None], usually: str = FROM_ON
    ) -> None:
        self._run = run
        machine = run.machine
        self.goal: Goal | None = None
        self._begin: Begin | None = None
        if begin is None:
            begins(0)
        else:
            try:
                moment = moment_of(None, begin)
            except SimkitError as error:
                raise of_option("--from", error) from error
            self._begin = Begin(machine, moment, begins)
        length = running.length
        if length is None:
            if run.player is not None and begin is None:
                return
            length = usually if begin is not None or not usually.startswith("+") else DEFAULT_FOR
        length = counted_from(length, self._begin.moment if self._begin is not None else None)
        self.goal = attrs.evolve(running, length=length).goal(machine, None, DEFAULT_FOR)
        began = None if self._begin is None or self._begin.moment.kind else self._begin.cycle
        if began is not None and self.goal.is_time and began >= self.goal.limit:
            raise SimkitError(
                f"--from {begin!r} does not come before the end of the run.",
                remedy="Set --for later, or --from sooner; --for +20ms counts from --from.",
            )

    @property
    def machine(self) -> Machine:
        """As it is now."""
        return self._run.machine

    def go(self, pieces: Pieces) -> bool:
        """Run; False when somebody ended it before."""
        run, goal = self._run, self.goal
        player, asked = run.player, run.ending.asked
        reached = player is None or play_forward(player, goal, asked_to_end=asked, pieces=pieces)
        if reached and goal is not None:
            if player is not None and goal.is_time:
                goal.limit += run.machine.cycle - player.played
            reached = run_forward(run.machine, goal, asked_to_end=asked, pieces=pieces)
        return reached

    def missed(self, *, reached: bool) -> list[str]:
        """Moments that have not come, in sentences."""
        if not reached:
            return []
        found = self.goal.missed() if self.goal is not None else []
        if self._begin is not None and not self._begin.come:
            what = self._begin.what
            found.insert(0, f"{what[0].upper()}{what[1:]}, with which the trace begins, did not come.")
        return found

    def leave(self, script: Script, *, reached: bool) -> None:
        """Tell what has not come, and leave.

        Raises:
            typer.Exit: something has not, or somebody ended the run.
        """
        missed = self.missed(reached=reached)
        lines = [f"Note: {text}" for text in (*script.not_given(), *missed)]
        if lines:
            say(*lines, error=True)
        if self._run.player is not None and self._run.player.difference is not None:
            say(self._run.player.difference.words(), error=True)
        self._run.ending.leave()
        if not reached:
            raise typer.Exit(exits.INTERRUPTED)
        self._run.leave()
        if missed:
            raise typer.Exit(exits.FOUND)
