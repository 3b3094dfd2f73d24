"""Spoil the kit in one place after another and see whether the tests notice; see DEVELOPERS.md, chapter Tests.

    python tests/mutation/run.py --seed 1 --count 400 [--folder cards] [--jobs 2]

Why not a tool from the package index: mutmut 3 mutates functions without decorators alone (no register table, constant
or property), draws no sample and chooses tests by function; cosmic-ray changes the files of the work tree in place and
runs one command for every mutant; mutatest needs coverage below 6 and has had no release for years.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import queue
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from pathlib import Path
from typing import Any

import attrs
from coverage import CoverageData
from mutants import Mutant, draw, mutants_of

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
JUDGED = HERE / "survivors.toml"
FOLDERS = {
    "contract": ("simkit/contract",),
    "backplane": ("simkit/backplane",),
    "machine": ("simkit/machine", "simkit/machinefile"),
    "cards": ("cards/simkit_cards",),
}
LEAST = 60
"""Mutants from each folder at least, when all are drawn from."""
ALLOWED = 0.10
"""Part of the mutants that may survive, those judged equivalent left out."""
LEFT_OUT = ("tests/window", "tests/cpu/test_speed.py", "tests/test_measure.py")
"""Tests that time or a display decides as well: they may fail without a mutant."""
VERDICTS = ("equivalent", "missing test", "not worth it")

MEMORY_BYTES = 3 << 30  # of a process that runs a mutant: one may ask for memory for ever
TIMES = 4  # the time a mutant gets, as a multiple of what its tests took when they were recorded ...
STARTING_SECONDS = 30.0  # ... and for starting
PASSED, FAILED, NONE_RUN = 0, 1, 5  # exit codes of pytest


@attrs.define
class Recording:
    """One run of the whole suite: which test reaches which line, and how long each takes."""

    tests: dict[str, dict[str, Any]]
    data: CoverageData
    root: Path
    importers: dict[str, set[str]]  # by file: those that import from it
    _lines: dict[str, dict[int, list[str]]] = attrs.field(factory=dict)

    def chosen(self, mutant: Mutant, budget: float) -> dict[str, float]:
        """Seconds of each test that reaches the mutant, quickest first, as many as the budget allows."""
        if mutant.at_import:  # what a constant is shows where it is used
            files = {mutant.file, *self.importers[mutant.file]}
            reaching = {test for file in files for tests in self._tests_by_line(file).values() for test in tests}
        else:
            contexts = self._tests_by_line(mutant.file)
            reaching = {test for line in mutant.lines for test in contexts.get(line, ())}
        found = {
            name: test["seconds"]
            for name, test in self.tests.items()
            if test["passed"] and (name in reaching or not reaching.isdisjoint(test["fixtures"]))
        }
        total = 0.0
        chosen: dict[str, float] = {}
        for name, seconds in sorted(found.items(), key=lambda entry: entry[1]):
            total += seconds
            if total > budget and chosen:
                break
            chosen[name] = seconds
        return chosen

    def _tests_by_line(self, file: str) -> dict[int, list[str]]:
        if file not in self._lines:
            self._lines[file] = self.data.contexts_by_lineno(str(self.root / file))
        return self._lines[file]


def importers_of(texts: Mapping[str, bytes]) -> dict[str, set[str]]:
    """By file: files that import from it, or from a package that hands its names on."""
    modules = {file: file.removeprefix("cards/").removesuffix(".py").replace("/", ".") for file in texts}
    imports = {file: set(re.findall(r"^\s*(?:from|import) ([\w.]+)", text.decode(), re.M)) for file, text in texts.items()}
    found: dict[str, set[str]] = {}
    for file, module in modules.items():
        handed_on = {module} | {
            modules[package].removesuffix(".__init__")
            for package in texts
            if package.endswith("__init__.py") and module in imports[package]
        }
        found[file] = {other for other, names in imports.items() if names & handed_on}
    return found


class Copy:
    """A copy of the project in which mutants are applied; the work tree is never touched."""

    def __init__(self, folder: Path, files: list[str]) -> None:
        self.root = folder
        shutil.rmtree(folder, ignore_errors=True)
        for file in files:
            target = folder / file
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / file, target)
        # Compiled files that are recognised by the text: a file spoiled and mended in one second keeps its time.
        compile_all = ["-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "simkit", "cards"]
        subprocess.run([sys.executable, *compile_all], cwd=folder, check=True)

    def pytest(self, orders: dict[str, Any], arguments: list[str], seconds: float | None, log: Path) -> int | None:
        """Exit code of pytest with the plug-in, None when it took longer."""
        told = self.root.with_suffix(".json")
        told.write_text(json.dumps(orders))
        environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(map(str, (self.root, self.root / "cards", HERE))),
            "SIMKIT_MUTATION": str(told),
        }
        command = [sys.executable, "-m", "pytest", "-q", "--tb=line", "-p", "selection", "-p", "no:xdist"]
        command += ["-p", "no:cacheprovider", "--rootdir", str(self.root), *arguments]
        with log.open("w") as output:
            process = subprocess.Popen(
                command, cwd=self.root, env=environment, stdout=output, stderr=output,
                start_new_session=True, preexec_fn=_bound_memory,
            )  # fmt: skip
            try:
                return process.wait(seconds)
            except subprocess.TimeoutExpired:
                return None
            finally:
                try:
                    os.killpg(process.pid, signal.SIGKILL)  # also what a test has started and left behind
                except ProcessLookupError:
                    pass
                process.wait()


def _bound_memory() -> None:
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))


def project_files() -> list[str]:
    """Files of the work tree, committed or not, that are not ignored."""
    command = ["git", "ls-files", "-co", "--exclude-standard"]
    listed = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout.splitlines()
    return sorted(file for file in listed if (ROOT / file).is_file())


def digest_of(files: list[str]) -> str:
    """Hash of all that may change a result."""
    digest = hashlib.sha256(sys.version.encode())
    for file in files:
        if file != JUDGED.relative_to(ROOT).as_posix():
            digest.update(file.encode() + b"\0" + (ROOT / file).read_bytes())
    return digest.hexdigest()[:16]


def record(copy: Copy, work: Path, seed: int) -> None:
    """Run the suite once with one context a test."""
    print("Recording which test reaches which line; that takes as long as the suite does, twice over.", flush=True)
    sources = [str(copy.root / folder) for folders in FOLDERS.values() for folder in folders]
    orders = {"data": str(work / "lines"), "tests": str(work / "tests.json"), "sources": sources}
    left_out = [argument for path in LEFT_OUT for argument in ("--ignore", path)]
    (work / "lines").unlink(missing_ok=True)
    code = copy.pytest(orders, [f"--hypothesis-seed={seed}", *left_out, "tests"], None, work / "recording.log")
    if code not in (PASSED, FAILED):
        raise SystemExit(f"The tests cannot be recorded; see {work / 'recording.log'}.")
    tests = json.loads((work / "tests.json").read_text())
    skipped = sum(not test["passed"] for test in tests.values())
    print(f"{len(tests)} tests recorded; {skipped} that were skipped or failed there are left out.", flush=True)


def try_mutant(mutant: Mutant, copy: Copy, recording: Recording, seed: int, budget: float) -> dict[str, Any]:
    """One mutant against the tests that reach it."""
    chosen = recording.chosen(mutant, budget)
    begun = time.monotonic()
    outcome = "survived"
    if chosen:
        path = copy.root / mutant.file
        source = path.read_bytes()
        files = sorted({name.split("::")[0] for name in chosen} | _new_files(recording, copy.root))
        orders = {"chosen": chosen, "known": list(recording.tests)}
        seconds = STARTING_SECONDS + TIMES * sum(chosen.values())
        log = copy.root.with_suffix(".log")
        path.write_bytes(mutant.spoil(source))
        try:
            code = copy.pytest(orders, ["-x", f"--hypothesis-seed={seed}", *files], seconds, log)
        finally:
            path.write_bytes(source)
        if code == NONE_RUN:
            raise RuntimeError(f"no test was run for {mutant.key}; see {log}")
        outcome = "timed out" if code is None else "survived" if code == PASSED else "killed"
    return {
        **{name: getattr(mutant, name) for name in ("key", "file", "line", "within", "operator", "was", "now")},
        "outcome": outcome,
        "tests": len(chosen),
        "seconds": round(time.monotonic() - begun, 1),
    }


def _new_files(recording: Recording, root: Path) -> set[str]:
    """Test files of which the recording knows nothing: they are always run."""
    known = {name.split("::")[0] for name in recording.tests}
    found = {path.relative_to(root).as_posix() for path in (root / "tests").rglob("test_*.py")}
    return {file for file in found - known if not file.startswith((*LEFT_OUT, "tests/mutation"))}


class Job:
    """A draw under way, and what came of it; the result file is written after every mutant."""

    def __init__(self, options: argparse.Namespace, digest: str, drawn: list[Mutant]) -> None:
        self.options = options
        self.drawn = drawn
        self.path: Path = options.results
        self.digest = digest
        self.results: dict[str, dict[str, Any]] = {}
        self.begun = time.monotonic()
        before = json.loads(self.path.read_text()) if self.path.is_file() else {}
        if before.get("digest") == digest or options.again:
            self.results = {result["key"]: result for result in before["results"]}
        if options.again:
            survived = {key for key, result in self.results.items() if result["outcome"] == "survived"}
            self.drawn = [mutant for mutant in drawn if mutant.key in survived]
            self.results = {}

    def run(self, copies: list[Copy], recording: Recording) -> None:
        """Try what has not been tried; Ctrl-C leaves the rest for the next time."""
        left = [mutant for mutant in self.drawn if mutant.key not in self.results]
        free: queue.Queue[Copy] = queue.Queue()
        for copy in copies:
            free.put(copy)
        stopped = False

        def work(mutant: Mutant) -> dict[str, Any] | None:
            if stopped:
                return None
            copy = free.get()
            try:
                return try_mutant(mutant, copy, recording, self.options.seed, self.options.budget)
            finally:
                free.put(copy)

        with ThreadPoolExecutor(len(copies)) as pool:
            waiting: set[Future[dict[str, Any] | None]] = {pool.submit(work, mutant) for mutant in left}
            try:
                while waiting:
                    done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in done:
                        self.add(future.result())
            except BaseException:
                stopped = True
                print("\nStopping; the mutants under way are finished first.", flush=True)
                raise
        print()

    def add(self, result: dict[str, Any] | None) -> None:
        """Keep a result and show how far the job is."""
        if result is None:
            return
        self.results[result["key"]] = result
        whole = {"digest": self.digest, "seed": self.options.seed, "results": list(self.results.values())}
        part = self.path.with_suffix(".part")
        part.write_text(json.dumps(whole, indent=1))
        part.replace(self.path)
        counts = Counter(result["outcome"] for result in self.results.values())
        minutes = (time.monotonic() - self.begun) / 60
        told = ", ".join(f"{counts[outcome]} {outcome}" for outcome in ("killed", "survived", "timed out"))
        end = "\r" if sys.stdout.isatty() else "\n"
        print(f"{len(self.results)} of {len(self.drawn)}: {told}; {minutes:.0f} min  ", end=end, flush=True)


def judged(texts: Mapping[str, bytes]) -> dict[tuple[str, ...], str]:
    """Verdicts by (file, within, was, now).

    Raises:
        SystemExit: an entry is incomplete, or speaks of a place that is no longer so.
    """
    table = tomllib.loads(JUDGED.read_text()) if JUDGED.is_file() else {}
    possible = {
        (mutant.file, mutant.within, mutant.was, mutant.now)
        for file, text in texts.items()
        for mutant in mutants_of(file, text)
    }
    verdicts: dict[tuple[str, ...], str] = {}
    wrong: list[str] = []
    for entry in table.get("survivor", []):
        place = tuple(entry.get(name, "") for name in ("file", "within", "was", "now"))
        if entry.get("verdict") not in VERDICTS or not entry.get("why"):
            wrong.append(f"{place}: the verdict is one of {', '.join(VERDICTS)}, and why is told in a sentence.")
        elif place in verdicts:
            wrong.append(f"{place}: it stands there twice.")
        elif place not in possible:
            wrong.append(f"{place}: the place is no longer so; judge it again.")
        verdicts[place] = entry.get("verdict", "")
    if wrong:
        raise SystemExit(f"{JUDGED.relative_to(ROOT)}:\n" + "\n".join(wrong))
    return verdicts


def report(results: list[dict[str, Any]], verdicts: Mapping[tuple[str, ...], str]) -> bool:
    """Print what came of it; gives whether few enough survived."""
    print(f"{'':12}{'mutants':>8}{'killed':>8}{'timed out':>10}{'survived':>9}{'equivalent':>11}{'survive':>9}")
    survivors = []
    part = 0.0
    for folder, places in (*FOLDERS.items(), ("all", ("",))):
        here = [result for result in results if result["file"].startswith(places)]
        counts = Counter(result["outcome"] for result in here)
        survived = [result for result in here if result["outcome"] == "survived"]
        equal = [result for result in survived if verdicts.get(_place(result)) == "equivalent"]
        part = (len(survived) - len(equal)) / max(1, len(here) - len(equal))
        print(
            f"{folder:12}{len(here):8}{counts['killed']:8}{counts['timed out']:10}{len(survived):9}{len(equal):11}"
            f"{part:9.1%}"
        )
        survivors = survived
    for result in sorted(survivors, key=lambda result: (result["file"], result["line"])):
        verdict = verdicts.get(_place(result), "not judged")
        if verdict != "equivalent":
            reached = "" if result["tests"] else " (no test reaches it)"
            print(f"\n{result['file']}:{result['line']} in {result['within'] or 'the module'}: {verdict}{reached}")
            print(f"  - {result['was']}\n  + {result['now']}")
    if part > ALLOWED:
        print(f"\n{part:.1%} survive; {ALLOWED:.0%} are allowed.")
    return part <= ALLOWED


def _place(result: dict[str, Any]) -> tuple[str, ...]:
    return tuple(result[name] for name in ("file", "within", "was", "now"))


def main() -> int:
    """Exit code: 0 few survive, 1 too many do, 130 stopped."""
    parser = argparse.ArgumentParser(description="Spoil the kit in many places and see whether the tests notice.")
    parser.add_argument("--seed", type=int, default=1, help="seed of the draw and of property tests")
    parser.add_argument("--count", type=int, default=400, help="mutants drawn")
    parser.add_argument("--folder", choices=FOLDERS, help="draw from this one alone")
    parser.add_argument("--jobs", type=int, default=2, help="mutants tried at a time")
    parser.add_argument("--budget", type=float, default=60.0, help="seconds of tests a mutant is tried with at most")
    parser.add_argument("--work", type=Path, help="folder for copies, recording and results; in the temporary folder")
    parser.add_argument("--results", type=Path, help="result file (JSON); in that folder if not named")
    parser.add_argument("--again", action="store_true", help="only what survived the last time")
    parser.add_argument("--keep-recording", action="store_true", help="though files changed; new tests are all run")
    options = parser.parse_args()
    name = "simkit-mutation-" + hashlib.sha256(str(ROOT).encode()).hexdigest()[:8]
    work: Path = options.work or Path(tempfile.gettempdir()) / name
    work.mkdir(parents=True, exist_ok=True)
    options.results = options.results or work / "results.json"

    texts = {
        folder: {
            path.relative_to(ROOT).as_posix(): path.read_bytes()
            for place in places
            for path in sorted((ROOT / place).rglob("*.py"))
        }
        for folder, places in FOLDERS.items()
    }
    everything = {file: text for files in texts.values() for file, text in files.items()}
    verdicts = judged(everything)
    chosen = {options.folder: texts[options.folder]} if options.folder else texts
    drawn = draw(chosen, options.seed, options.count, 0 if options.folder else LEAST)

    files = project_files()
    digest = digest_of(files)
    copies = [Copy(work / f"copy{number}", files) for number in range(options.jobs)]
    stamp = work / "recorded"
    recorded = stamp.read_text() if stamp.is_file() else None
    if recorded is None or (recorded != digest and not options.keep_recording):
        stamp.unlink(missing_ok=True)
        record(copies[0], work, options.seed)
        stamp.write_text(digest)
    data = CoverageData(str(work / "lines"))
    data.read()
    tests = json.loads((work / "tests.json").read_text())
    recording = Recording(tests, data, copies[0].root, importers_of(everything))
    job = Job(options, digest, drawn)
    try:
        job.run(copies, recording)
    except KeyboardInterrupt:
        print(f"Stopped after {len(job.results)} of {len(drawn)}; the same command goes on.")
        return 130
    keys = {mutant.key for mutant in job.drawn}
    return 0 if report([result for key, result in job.results.items() if key in keys], verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
