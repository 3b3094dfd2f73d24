"""The runs of a search: made here or by a cluster, kept in a session whatever ends them, and gone on with."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import attrs
import typer

from simkit.commands import exits
from simkit.commands.ending import Ending
from simkit.commands.long_run import LongRun
from simkit.commands.say import say, say_notes
from simkit.commands.symptoms import memory_places
from simkit.contract.errors import SimkitError
from simkit.files.whole import write_whole
from simkit.suspect.more import More
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.rank import rank
from simkit.suspect.session import SESSION, Further, packed, read_search

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.suspect.catalogue import Candidate
    from simkit.suspect.rank import Ranking
    from simkit.suspect.runs import GoesOn
    from simkit.suspect.seen import Seen
    from simkit.suspect.trial import Trial


@attrs.define(kw_only=True)
class SearchRuns:
    """Runs of one search.

    Attributes:
        trial: what candidates are put through.
        machine: for its name, and places of memory.
        session: file that keeps the runs, or None.
        cluster: address of a scheduler, or None.
        force: write over any file.
        ending: how the work is asked to end.
        known: outcomes that the session had; None: there are none yet.
        further: runs of candidates that came near, which the session had.
    """

    trial: Trial
    machine: Machine
    session: Path | None
    cluster: str | None
    force: bool
    ending: Ending
    known: Outcomes | None = None
    further: Further = attrs.field(factory=dict)

    def read(self) -> None:
        """Take what the session has.

        Raises:
            SimkitError: it is of another search, or damaged.
        """
        if self.session is None:
            return
        try:
            known, further = read_search(self.session)
        except FileNotFoundError:
            return
        if known.identity != self.trial.identity:
            raise SimkitError(
                f"{self.session} is of another search: the machine, its input or the length of the runs was another.",
                remedy="Name another file, or give the options as they were.",
            )
        self.known, self.further = known, further

    def outcomes(self, candidates: Sequence[Candidate]) -> Outcomes:
        """Outcomes of candidates, of the session as far as it has them; what was run is kept whatever ends it."""
        from simkit.suspect.runs import run_all

        if self.known is not None and self.known.is_whole and self.known.has(candidates):
            return self.known
        done: list[Outcomes] = []
        try:
            with LongRun(self.machine.description.name) as run, self._workers(run) as (executor, goes_on):
                outcomes = run_all(
                    self.trial, candidates, executor=executor, goes_on=goes_on, known=self.known, keep=done.append
                )
        finally:
            if done and done[-1].runs:
                self._keep(done[-1])
        if run.stopped:
            if self.session is None:
                say("Nothing is kept: with --session FILE the same command would go on.", error=True)
            if not outcomes.classes or SOUND not in outcomes.runs or len(outcomes.runs) < 2:
                raise typer.Exit(exits.INTERRUPTED)
        return outcomes

    def ranking(self, outcomes: Outcomes, symptoms: Sequence[Seen]) -> Ranking:
        """What it may be. The few that come near are run again, if Ctrl-C does not say that what is there must do."""
        held = partial(rank, outcomes, symptoms, partial(memory_places, self.machine))
        if not outcomes.is_whole:
            return held()
        with LongRun(self.machine.description.name) as run, self._workers(run) as (executor, goes_on):
            more = More(self.trial, outcomes.names, executor, goes_on, known=self.further)
            ranking = held(more=more)
        if more.kept != self.further:
            self.further = more.kept
            self._keep(outcomes)
        if run.stopped:
            say("Interrupted: what comes near was not run again, so the runs of the search alone count.", error=True)
        return ranking

    def _keep(self, outcomes: Outcomes) -> None:
        if self.session is None:
            return
        content = packed(outcomes, self.further)
        written = write_whole(self.session, content, what="search", known=SESSION, force=self.force)
        with contextlib.suppress(OSError, ValueError):  # the terminal may have gone, which is why it is kept now
            say_notes(written)
            goes_on = "" if outcomes.is_whole else ": the same command goes on"
            say(f"What was run is kept in {self.session}, {len(content) / 1e6:.1f} MB{goes_on}.", error=True)

    @contextlib.contextmanager
    def _workers(self, run: LongRun) -> Iterator[tuple[Executor, GoesOn]]:
        """Who does the work, here or elsewhere, and what is asked meanwhile."""
        from simkit.suspect.runs import local_executor

        def goes_on(part: float) -> bool:
            return run.goes_on(part) and not self.ending.asked()

        if self.cluster is None:
            with local_executor() as executor:
                yield executor, goes_on
            return
        from simkit.suspect.cluster import START, connected

        with connected(self.cluster, self.trial) as there:
            say(f"{there.workers} worker{'s' * (there.workers != 1)} at {self.cluster}.", error=True)
            if there.threads > there.workers:
                say(f"Each works on one fault at a time: {START} uses all processors.", error=True)
            yield there.executor, there.watched(goes_on)
