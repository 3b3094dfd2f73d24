"""Many units on several workers, each a process of its own that may be lost; and what came of all of them."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
import traceback
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import attrs

from fuzzing.faults import Fault, Outcome
from fuzzing.judge import Judge
from fuzzing.processes import Processes
from fuzzing.sample import Sample
from fuzzing.units import Unit

SILENT_SECONDS = 120.0
"""A worker that says nothing for so long is lost, and the unit it had begun is at fault."""

RENEWED = 5000
"""Units after which another process takes a worker's place: what thousands leave in its memory is not one's own."""

RUN = Path(__file__).parent.parent / "run.py"


@attrs.define
class Tally:
    """What came of the units of a kind.

    Attributes:
        inputs: how many were run.
        taken: how many ended without an error.
        seconds: processor time of all.
        slowest: that of the slowest.
        peak_bytes: largest memory.
        codes: exit codes, and how often.
    """

    inputs: int = 0
    taken: int = 0
    seconds: float = 0.0
    slowest: float = 0.0
    peak_bytes: int = 0
    codes: Counter[int] = attrs.field(factory=Counter)

    def add(self, outcome: Outcome) -> None:
        """Count one."""
        self.inputs += 1
        self.taken += outcome.code in (0, 1)
        self.seconds += outcome.seconds
        self.slowest = max(self.slowest, outcome.seconds)
        self.peak_bytes = max(self.peak_bytes, outcome.peak_bytes)
        self.codes[outcome.code] += 1


@attrs.define
class Report:
    """What came of a run.

    Attributes:
        tallies: by kind.
        faults: each with the units that show it, the first ones by name.
        seconds: by the clock.
        broken_off: by Ctrl-C; it tells what was found up to there.
    """

    tallies: dict[str, Tally] = attrs.field(factory=dict)
    faults: dict[tuple[str, str], list[tuple[str, str]]] = attrs.field(factory=dict)
    seconds: float = 0.0
    broken_off: bool = False

    def add(self, unit: Unit, outcome: Outcome) -> None:
        """Take one in."""
        self.tallies.setdefault(unit.kind, Tally()).add(outcome)
        for fault in outcome.faults:
            self.faults.setdefault((fault.kind, fault.what), []).append((str(unit), fault.shown))


class Here:
    """Runs samples in this process, or as processes, whichever a unit asks for."""

    def __init__(self, sandbox: Path) -> None:
        self._sandbox = sandbox
        self._judge: Judge | None = None
        self._processes: Processes | None = None

    def run(self, sample: Sample, *, as_process: bool) -> Outcome:
        """Run a sample."""
        if as_process:
            self._processes = self._processes or Processes(self._sandbox / "processes")
            return self._processes.try_sample(sample)
        self._judge = self._judge or Judge(self._sandbox / "here")
        return self._judge.try_sample(sample)


def work() -> None:
    """A worker: units come on standard input, one a line, and what came of each goes to standard output."""
    with contextlib.suppress(BrokenPipeError):  # whoever asked was ended
        _work()


def _work() -> None:
    answers = os.fdopen(os.dup(1), "w", buffering=1)
    os.dup2(2, 1)  # whatever else is printed must not be taken for an answer
    asked = os.fdopen(os.dup(0))
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)  # and what reads standard input must not take the units away
    os.close(nothing)
    with TemporaryDirectory(prefix="simkit-fuzz-", ignore_cleanup_errors=True) as folder:
        here = Here(Path(folder).resolve() / "one" / "two")
        for line in asked:
            unit = Unit.of_text(line.strip())
            try:
                outcome = here.run(unit.sample(), as_process=unit.as_process)
            except Exception:  # noqa: BLE001 - told by whoever started it
                print(json.dumps({"broken": f"{unit}: {traceback.format_exc()}"}), file=answers)
                continue
            fields = attrs.asdict(outcome, filter=lambda attribute, _: attribute.name not in ("out", "err"))
            print(json.dumps(fields), file=answers)


class Worker:
    """A process that runs `work`; when it is lost another takes its place, behind the unit that it was lost with."""

    def __init__(self, todo: queue.SimpleQueue[Unit], done: queue.SimpleQueue[tuple[Unit, Outcome] | None]) -> None:
        self._todo, self._done = todo, done
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        process, count = self._start(), 0
        try:
            while True:
                try:
                    unit = self._todo.get_nowait()
                except queue.Empty:
                    return
                if count and count % RENEWED == 0:
                    self._ended(process)
                    process = self._start()
                count += 1
                outcome = self._asked(process, unit)
                if outcome is None:
                    code = self._ended(process)
                    what = "says nothing any more" if code in (-9, 1) else f"ended with {code}"
                    outcome = Outcome(faults=[Fault("lost", f"{unit.kind}: the process {what}", str(unit))])
                    process = self._start()
                self._done.put((unit, outcome))
        finally:
            self._ended(process)
            self._done.put(None)

    @staticmethod
    def _ended(process: subprocess.Popen[str]) -> int:
        """End a worker, if it has not ended by itself; gives its exit code."""
        process.kill()
        with contextlib.suppress(OSError), process:  # whose pipes are closed; the last words to it may stand in one
            pass
        return process.returncode

    @staticmethod
    def _start() -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-B", str(RUN), "--worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )

    @staticmethod
    def _asked(process: subprocess.Popen[str], unit: Unit) -> Outcome | None:
        """What came of a unit; None when the worker is lost."""
        assert process.stdin is not None
        assert process.stdout is not None
        watchdog = threading.Timer(SILENT_SECONDS, process.kill)
        watchdog.start()
        try:
            process.stdin.write(f"{unit}\n")
            process.stdin.flush()
            answer = process.stdout.readline()
        except OSError:
            return None
        finally:
            watchdog.cancel()
        if not answer:
            return None
        fields: dict[str, Any] = json.loads(answer)
        if "broken" in fields:
            return Outcome(faults=[Fault("broken", "the harness itself", fields["broken"])])
        fields["faults"] = [Fault(**fault) for fault in fields["faults"]]
        return Outcome(**fields)


def run(units: list[Unit], workers: int, progress: Any = None) -> Report:
    """Run units on so many workers; `progress(done)` is called now and then. Ctrl-C ends it."""
    todo: queue.SimpleQueue[Unit] = queue.SimpleQueue()
    done: queue.SimpleQueue[tuple[Unit, Outcome] | None] = queue.SimpleQueue()
    for unit in units:
        todo.put(unit)
    report = Report()
    begun = time.monotonic()
    left = max(1, min(workers, len(units)))
    for _ in range(left):
        Worker(todo, done)
    count = 0
    try:
        while left:
            answer = done.get()
            if answer is None:
                left -= 1
                continue
            report.add(*answer)
            count += 1
            if progress is not None and count % 50 == 0:
                progress(count)
    except KeyboardInterrupt:
        report.broken_off = True
    report.seconds = time.monotonic() - begun
    return report
