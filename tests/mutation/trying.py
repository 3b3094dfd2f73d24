"""Trying a mutant: in a copy of the project, against the tests that reach it by a recording of the whole suite."""

from __future__ import annotations

import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import attrs
from coverage import CoverageData
from mutants import Mutant

FOLDERS = {
    "contract": ("simkit/contract",),
    "backplane": ("simkit/backplane",),
    "machine": ("simkit/machine", "simkit/machinefile"),
    "cards": ("cards/simkit_cards",),
}
"""What is spoiled, by the names of the report."""
HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
LEFT_OUT = ("tests/window", "tests/cpu/test_speed.py", "tests/test_measure.py", "tests/mutation")
"""Tests that time or a display decides as well: they may fail without a mutant."""

MEMORY_BYTES = 3 << 30  # of a process that runs a mutant: one may ask for memory for ever
TIMES = 4  # the processor time a mutant gets, as a multiple of what its tests took when they were recorded ...
STARTING_SECONDS = 20  # ... and for starting
WAITING = 6  # all time that may pass, as a multiple of that: a mutant may sleep, and others use the machine
PASSED, FAILED, NONE_RUN = 0, 1, 5  # exit codes of pytest


@attrs.define
class Recording:
    """One run of the whole suite: which test reaches which line, and how long each takes.

    Attributes:
        tests: by name: seconds of processor time, whether it passed, contexts of the fixtures it shares.
        data: contexts by file and line.
        root: of the copy in which it was made.
        importers: by file: those that import from it.
    """

    tests: dict[str, dict[str, Any]]
    data: CoverageData
    root: Path
    importers: Mapping[str, set[str]]
    _lines: dict[str, dict[int, list[str]]] = attrs.field(factory=dict)

    def chosen(self, mutant: Mutant, budget: float) -> dict[str, float]:
        """Seconds of each test that reaches the mutant: those beside it, and of the others what the budget allows.

        Of the others the quickest come first. The budget does not bind those beside it: a model that a card is compared
        with is slow, and tells most.
        """
        if mutant.at_import:  # what a constant is shows where it is used
            files = {mutant.file, *self.importers[mutant.file]}
            reaching = {test for file in files for tests in self._tests_by_line(file).values() for test in tests}
            reaching |= {test for test in self.tests if test.split("::")[0] in files}  # it may run no line of the kit
        else:
            contexts = self._tests_by_line(mutant.file)
            reaching = {test for line in mutant.lines for test in contexts.get(line, ())}
        found = {
            name: test["seconds"]
            for name, test in self.tests.items()
            if test["passed"] and (name in reaching or not reaching.isdisjoint(test["fixtures"]))
        }
        near = tests_beside(mutant.file)
        chosen = {name: seconds for name, seconds in found.items() if name.startswith(near)}
        total = 0.0
        for name, seconds in sorted(found.items() - chosen.items(), key=lambda entry: entry[1]):
            total += seconds
            if total > budget and chosen:
                break
            chosen[name] = seconds
        return chosen

    def _tests_by_line(self, file: str) -> dict[int, list[str]]:
        if file not in self._lines:
            self._lines[file] = self.data.contexts_by_lineno(str(self.root / file))
        return self._lines[file]

    def new_files(self) -> set[str]:
        """Test files of which the recording knows nothing."""
        known = {name.split("::")[0] for name in self.tests}
        found = {path.relative_to(self.root).as_posix() for path in (self.root / "tests").rglob("test_*.py")}
        return {file for file in found - known if not file.startswith(LEFT_OUT)}


def importers_of(texts: Mapping[str, bytes]) -> dict[str, set[str]]:
    """By file: files that import from it, or from a package that hands its names on."""
    modules = {file: file.removeprefix("cards/").removesuffix(".py").replace("/", ".") for file in texts}
    line = re.compile(r"^\s*(?:from|import) ([\w.]+)", re.MULTILINE)
    imports = {file: set(line.findall(text.decode())) for file, text in texts.items()}
    found: dict[str, set[str]] = {}
    for file, module in modules.items():
        names = {module}
        names |= {
            modules[package].removesuffix(".__init__")
            for package in texts
            if package.endswith("__init__.py") and module in imports[package]
        }
        found[file] = {other for other in texts if imports[other] & names}
    return found


def tests_beside(file: str) -> str:
    """How the names of the tests begin that lie in the folder named as that of a file of the kit."""
    folder = Path(file.replace("cards/simkit_cards", "tests/cards").replace("simkit/", "tests/")).parent
    return f"{folder.as_posix()}/"


class Copy:
    """A copy of the project in which mutants are applied; the work tree is never touched."""

    def __init__(self, root: Path, files: list[str]) -> None:
        self.root = root
        self._running: subprocess.Popen[bytes] | None = None
        shutil.rmtree(root, ignore_errors=True)
        for file in files:
            target = root / file
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / file, target)
        # Compiled files that are recognised by the text: a file spoiled and mended in one second keeps its time.
        compile_all = ["-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "simkit", "cards"]
        subprocess.run([sys.executable, *compile_all], cwd=root, check=True)

    def pytest(self, orders: dict[str, Any], arguments: list[str], seconds: float | None = None) -> int | None:
        """Exit code of pytest with the plug-in; None when it took longer than `seconds` of processor time."""
        told = self.root.with_suffix(".json")
        told.write_text(json.dumps(orders))
        environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(map(str, (self.root, self.root / "cards", HERE))),
            "SIMKIT_MUTATION": str(told),
        }
        command = [sys.executable, "-m", "pytest", "-q", "--tb=line", "-p", "selection", "-p", "no:xdist"]
        command += ["-p", "no:cacheprovider", "--rootdir", str(self.root), *arguments]

        def bound() -> None:
            resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
            if seconds is not None:
                resource.setrlimit(resource.RLIMIT_CPU, (int(seconds), int(seconds) + 5))

        with self.log.open("w") as output:
            self._running = process = subprocess.Popen(
                command,
                cwd=self.root,
                env=environment,
                stdout=output,
                stderr=output,
                start_new_session=True,
                preexec_fn=bound,
            )
            try:
                code = process.wait(None if seconds is None else WAITING * seconds)
            except subprocess.TimeoutExpired:
                return None
            finally:
                self.stop()
                process.wait()
        return None if code in (-signal.SIGXCPU, -signal.SIGKILL) else code

    def stop(self) -> None:
        """End what runs, with all that it has started."""
        if self._running is not None:
            with suppress(ProcessLookupError):
                os.killpg(self._running.pid, signal.SIGKILL)

    @property
    def log(self) -> Path:
        """What pytest wrote the last time."""
        return self.root.with_suffix(".log")


def record(copy: Copy, work: Path, seed: int) -> None:
    """Run the suite once with one context a test.

    Raises:
        SystemExit: it cannot be run.
    """
    print("Recording which test reaches which line: that takes two to three times as long as the suite.", flush=True)
    sources = [str(copy.root / place) for places in FOLDERS.values() for place in places]
    orders = {"data": str(work / "lines"), "tests": str(work / "tests.json"), "sources": sources}
    left_out = [argument for path in LEFT_OUT for argument in ("--ignore", path)]
    (work / "lines").unlink(missing_ok=True)
    if copy.pytest(orders, [f"--hypothesis-seed={seed}", *left_out, "tests"]) not in (PASSED, FAILED):
        raise SystemExit(f"The tests cannot be recorded; see {copy.log}.")
    tests = json.loads((work / "tests.json").read_text())
    not_passed = sum(not test["passed"] for test in tests.values())
    print(f"{len(tests)} tests recorded; {not_passed} that failed or were skipped are left out.", flush=True)


def try_mutant(mutant: Mutant, copy: Copy, recording: Recording, seed: int, budget: float) -> tuple[str, int]:
    """One mutant against the tests that reach it, those in the folder named as its own first.

    Returns:
        What came of it (killed, survived, timed out), and the number of tests that reach it.

    Raises:
        RuntimeError: none of those tests was found.
    """
    chosen = recording.chosen(mutant, budget)
    near = tests_beside(mutant.file)
    first = {name: seconds for name, seconds in chosen.items() if name.startswith(near)}
    others = {name: seconds for name, seconds in chosen.items() if name not in first}
    path = copy.root / mutant.file
    source = path.read_bytes()
    path.write_bytes(mutant.spoil(source))
    try:
        for tests, files in ((first, set()), (others, recording.new_files())):
            files |= {name.split("::")[0] for name in tests}
            if not files:
                continue
            orders = {"chosen": tests, "known": list(recording.tests)}
            seconds = STARTING_SECONDS + TIMES * sum(tests.values())
            code = copy.pytest(orders, ["-x", f"--hypothesis-seed={seed}", *sorted(files)], seconds)
            if code == NONE_RUN and tests:
                raise RuntimeError(f"no test was run for {mutant.key}; see {copy.log}")
            if code not in (PASSED, NONE_RUN):
                return "timed out" if code is None else "killed", len(chosen)
    finally:
        path.write_bytes(source)
    return "survived", len(chosen)
