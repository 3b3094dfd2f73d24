"""All candidates run in a pool of processes, through the interface of `concurrent.futures.Executor`.

What is submitted is a function of this module with bytes and texts, so any executor will do that can call it somewhere
else. Work comes in pieces of a few candidates; between them it may be stopped, and what was done is kept.
"""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from functools import lru_cache
from typing import Any

import attrs

from simkit.contract.errors import FileError, SimkitError
from simkit.machine.machine import Machine
from simkit.records.observed import MOST_LINES, lines_of
from simkit.suspect.catalogue import Candidate
from simkit.suspect.equal import decoded
from simkit.suspect.exercised import Exercised, exercised
from simkit.suspect.outcome import Outcome, run, run_sound
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.sent import packed, unpacked
from simkit.suspect.sound import Sound
from simkit.suspect.trial import WILD, Trial

BUILT_AT_ONCE = 40
"""Candidates that are built in one piece of the work."""
RUN_AT_ONCE = 3
"""Classes that are run in one piece: a second or so, so that it can be stopped soon."""
WAIT_SECONDS = 0.2
"""How often it is asked whether the work goes on."""
BUILDING = 0.05
"""Part of the work that building is, for progress."""

GARBAGE = 20_000
"""Objects after which those that are done with are looked for: a machine is thousands that hold one another, and
to look after 700, as Python does, took a twentieth of the time."""

GoesOn = Callable[[float], bool]
"""Told the part that is done; False ends the work."""


def local_executor(processes: int | None = None) -> ProcessPoolExecutor:
    """Processes of this host, as many as it has processors; they leave signals to who began them, and end with him."""
    context = multiprocessing.get_context("forkserver" if os.name == "posix" else "spawn")
    return ProcessPoolExecutor(processes or os.cpu_count(), mp_context=context, initializer=_serve)


def _serve() -> None:
    """What each of them does first."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):  # of a terminal, or a service, they come to all of its processes
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    gc.set_threshold(GARBAGE, 10, 10)


def _end_with_parent() -> None:
    """Whoever is killed cannot say that the work is over: pieces that wait would be run to their end, for nobody."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def run_all(
    trial: Trial,
    candidates: Sequence[Candidate],
    *,
    executor: Executor | None = None,
    goes_on: GoesOn = lambda part: True,
    known: Outcomes | None = None,
    keep: Callable[[Outcomes], None] = lambda outcomes: None,
) -> Outcomes:
    """Run every candidate under each power-up, those that make the same machine once.

    Args:
        trial: what they are put through.
        candidates: from `catalogue`, or some of them.
        executor: who does the work; None for processes of this host.
        goes_on: asked now and then.
        known: outcomes of the same trial that are there already.
        keep: given all there is when the work ends, whichever way.

    Raises:
        SimkitError: the machine cannot be run without a fault.
        FileError: the system has ended who did the work; `keep` was given what was done.
    """
    names = observed_lines(trial.machine(trial.seeds[0]))
    made = exercised(trial)
    if known is not None and known.identity != trial.identity:
        known = None
    trial = attrs.evolve(trial, most_accesses=max(trial.most_accesses, WILD * made.card_accesses))
    sent = packed(trial)
    classes: dict[str, list[Candidate]] = {}
    not_shown: list[Candidate] = []
    troubles: dict[str, str] = {}
    by_key: dict[str, str] = {}
    runs: dict[str, tuple[Outcome, ...]] = dict(known.runs) if known is not None else {}

    def outcomes() -> Outcomes:
        fixed = {name: tuple(own) for name, own in classes.items()}
        order = [name for name in (SOUND, *classes) if name in runs]  # not as they came
        in_order = {name: runs[name] for name in order} if classes else dict(runs)
        return Outcomes(trial.identity, names, fixed, in_order, tuple(not_shown), dict(troubles), len(candidates))

    with contextlib.ExitStack() as stack:
        pool = executor if executor is not None else stack.enter_context(local_executor())
        try:
            exercise = packed(made)
            building = [
                (_build, (sent, exercise, [one.sentence for one in piece]), piece)
                for piece in _pieces(candidates, BUILT_AT_ONCE)
            ]
            found: dict[str, tuple[str, str]] = {}
            for result in results_of(pool, building, lambda part: goes_on(part * BUILDING)):
                found |= result
            if len(found) < len(candidates):
                return outcomes()
            for one in candidates:  # in their own order, so that the same one always stands for its class
                what, value = found[one.sentence]
                if what == "trouble":
                    troubles[one.sentence] = value
                elif what == "not shown":
                    not_shown.append(one)
                else:
                    classes.setdefault(by_key.setdefault(value, one.sentence), []).append(one)
            for name in [name for name in runs if name != SOUND and name not in classes]:
                del runs[name]
            todo = [name for name in (SOUND, *classes) if name not in runs]
            running = [(_run, (sent, names, piece), piece) for piece in _pieces(todo, RUN_AT_ONCE)]
            for result in results_of(pool, running, lambda part: goes_on(BUILDING + part * (1 - BUILDING))):
                runs |= result
            return outcomes()
        except BrokenExecutor as error:
            raise FileError(
                "A process that ran faults was ended by the system.",
                remedy="Most likely there was too little memory: end other programs, and give the command again.",
            ) from error
        finally:
            keep(outcomes())


def observed_lines(machine: Machine) -> tuple[str, ...]:
    """Lines that are observed of each run: all there are, as far as a word has bits."""
    return lines_of(machine)[:MOST_LINES]


def _pieces(items: Sequence[Any], size: int) -> Iterator[list[Any]]:
    for start in range(0, len(items), size):
        yield list(items[start : start + size])


def results_of(pool: Executor, work: Iterable[tuple[Any, ...]], goes_on: GoesOn) -> Iterator[Any]:
    """Results as they come; ends when `goes_on` says so, with what is under way thrown away."""
    todo = list(work)
    waiting: set[Future[Any]] = {pool.submit(call, *arguments) for call, arguments, _ in todo}
    try:
        while waiting:
            finished, waiting = wait(waiting, timeout=WAIT_SECONDS, return_when=FIRST_COMPLETED)
            part = 1 - len(waiting) / max(1, len(todo))
            failed = [future for future in finished if future.cancelled() or future.exception() is not None]
            for future in finished.difference(failed):
                yield future.result()
            for future in failed:  # what came besides is kept
                future.result()
            if not goes_on(part):
                return
    finally:
        for future in waiting:
            future.cancel()


# in the processes --------------------------------------------------------------------------------------------------


def _build(sent: bytes, exercise: bytes, sentences: list[str]) -> dict[str, tuple[str, str]]:
    """Whether candidates can be, are shown, and which machine they make."""
    trial: Trial = unpacked(sent)
    made: Exercised = unpacked(exercise)
    found: dict[str, tuple[str, str]] = {}
    for sentence in sentences:
        try:
            machine = trial.machine(trial.seeds[0], sentence)
            is_shown = made.is_shown(machine)
            found[sentence] = ("class", decoded(machine).key) if is_shown else ("not shown", "")
        except SimkitError as error:
            found[sentence] = ("trouble", error.message)
    return found


def _run(sent: bytes, names: tuple[str, ...], sentences: list[str]) -> dict[str, tuple[Outcome, ...]]:
    """Runs of some candidates under each power-up."""
    trial: Trial = unpacked(sent)
    found: dict[str, tuple[Outcome, ...]] = {}
    for sentence in sentences:
        made = [
            run(trial, seed, sentence, names, sound) if sentence else run_sound(trial, seed, sound)
            for seed in trial.seeds
            for sound in [_sound(sent, names, seed)]
        ]
        found[sentence] = tuple(made)
    return found


@lru_cache(maxsize=8)
def _sound(sent: bytes, names: tuple[str, ...], seed: int) -> Sound:
    """The run without a fault, made once in each process for each power-up."""
    return Sound.of(unpacked(sent), seed, names)
