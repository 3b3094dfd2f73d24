"""`simkit trace --last KIND:VALUE --before MOMENT`: what the last of something was."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs
import typer

from simkit.commands import exits
from simkit.commands.goal import moment_of, of_option
from simkit.commands.headless import Pieces
from simkit.commands.long_run import LongRun
from simkit.commands.say import say, say_json
from simkit.commands.taped_run import taped_run
from simkit.commands.trace_options import DEFAULT_FOR, TraceOptions
from simkit.commands.trace_run import TracedRun
from simkit.contract.errors import SimkitError
from simkit.machine.history import Bystander
from simkit.machine.occurrences import Occurrences
from simkit.machine.past import remember
from simkit.machine.told import digits
from simkit.machine.waiting import span_cycles

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.machine.moments import Moment
    from simkit.machine.occurrences import Occurrence

MOST_CYCLES = 1_000_000
"""Of a piece of the run: what comes before the moment is looked at between two."""


def answer_question(asked: TraceOptions) -> None:
    """Run up to the moment, and tell what the last of something was before it."""
    loaded = asked.options.load()
    what = _what(loaded, asked)
    script = asked.running.script(loaded, None)
    if asked.before is not None:
        asked = attrs.evolve(asked, running=attrs.evolve(asked.running, length=asked.before))
    with taped_run(loaded, script, record=None, replay=asked.replay) as run:
        remember(loaded)
        traced = TracedRun(run, asked.running, asked.begin, lambda cycle: None, usually=DEFAULT_FOR)
        moment = traced.goal.moment if traced.goal is not None and asked.before is not None else None
        before = _Before(loaded, moment)
        reached = traced.go(Pieces(most=MOST_CYCLES))
        limit = before.cycle
        missed = traced.missed(reached=reached)
        found = None if missed or not reached else _found(traced.machine, what, limit)
        run.close()
        _tell(traced.machine, asked, what, limit, found, missed, reached=reached)
        traced.leave(script, reached=reached)
    if found is None:
        raise typer.Exit(exits.FOUND)


def _what(machine: Machine, asked: TraceOptions) -> Moment:
    """What is asked for."""
    assert asked.last is not None
    try:
        what = moment_of(None, asked.last)
        if not what.kind or what.after:
            raise SimkitError(
                f"The last {asked.last!r} is nothing that happens.",
                remedy="Ask for the last read:, write:, access:, label:, finding: or text:, or write a number.",
            )
        Occurrences(machine, what).cancel()
    except SimkitError as error:
        raise of_option("--last", error) from error
    return what


def _found(machine: Machine, what: Moment, limit: int | None) -> Occurrence | None:
    """What it was, with progress where it takes long; Ctrl-C ends it."""
    assert machine.past is not None
    with LongRun(machine.description.name) as run:

        def between(part: float) -> None:
            if not run.goes_on(part):
                raise KeyboardInterrupt

        return machine.past.last(what, limit, between=between)


class _Before(Bystander):
    """Knows in which cycle the moment is before which something is asked for.

    Args:
        machine: the machine.
        moment: what is waited for; None: the end of the run.
    """

    def __init__(self, machine: Machine, moment: Moment | None) -> None:
        self._moment = moment
        self._await(machine)
        machine.histories.append(self)

    def _await(self, machine: Machine) -> None:
        self._machine = machine
        wanted = self._moment is not None and self._moment.kind != ""
        self._seen = Occurrences(machine, self._moment) if wanted and self._moment is not None else None

    def power_cycled(self, before: int) -> None:
        """Time begins anew; what has come counts on."""

    def go_on_with(self, machine: Machine) -> None:
        """Another machine takes the place of this one."""
        if self._seen is not None:
            self._seen.cancel()
        self._await(machine)
        machine.histories.append(self)

    @property
    def cycle(self) -> int | None:
        """The cycle; None: now."""
        moment = self._moment
        if moment is None:
            return None
        after = sum(span_cycles(self._machine, span) for span in moment.after)
        if self._seen is None:
            return after
        found = self._seen.found
        return found[moment.number - 1].cycle + after if len(found) >= moment.number else None


def _tell(
    machine: Machine,
    asked: TraceOptions,
    what: Moment,
    limit: int | None,
    found: Occurrence | None,
    missed: list[str],
    *,
    reached: bool,
) -> None:
    at = machine.cycle if limit is None or not reached else limit
    if asked.as_json:
        say_json(
            {
                "machine": machine.description.name,
                "asked": str(what),
                "before": asked.before,
                "cycle": at,
                "found": found.as_dict() if found is not None else None,
                "missed": missed,
                "interrupted": not reached,
            }
        )
    elif found is not None:
        say(*found.lines())
        ago = at - found.cycle
        end = f"{asked.before or 'the end'}, cycle {digits(at)}"
        say(f"That was {digits(ago)} cycle{'' if ago == 1 else 's'} before {end}.")
    elif not reached:
        say(f"Ended in cycle {digits(at)}, before what was asked about: nothing is known of it.")
    elif not missed:
        assert machine.past is not None
        since = f"from cycle {digits(machine.past.begins)} on" if machine.past.begins else "since power-on"
        say(f"There was no {what.words().removeprefix('a ').removeprefix('an ')} {since}, before cycle {digits(at)}.")
