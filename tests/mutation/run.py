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
import queue
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from coverage import CoverageData
from mutants import Mutant, draw, mutants_of
from trying import FOLDERS, HERE, ROOT, Copy, Recording, importers_of, record, try_mutant

JUDGED = HERE / "survivors.toml"
LEAST = 60
"""Mutants from each folder at least, when all are drawn from."""
ALLOWED = 0.10
"""Part of the mutants that may survive, those judged equivalent left out."""
VERDICTS = ("equivalent", "missing test", "not worth it")


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


class Job:
    """A draw under way, and what came of it; the result file is written after every mutant.

    Attributes:
        drawn: the mutants to be tried.
        results: by key of the mutant.
    """

    def __init__(self, options: argparse.Namespace, digest: str, drawn: list[Mutant]) -> None:
        self.drawn = drawn
        self.results: dict[str, dict[str, Any]] = {}
        self._options = options
        self._path: Path = options.results
        self._digest = digest
        self._begun = time.monotonic()
        before = json.loads(self._path.read_text()) if self._path.is_file() else {"digest": None, "results": []}
        if options.again:
            survived = {result["key"] for result in before["results"] if result["outcome"] == "survived"}
            self.drawn = [mutant for mutant in drawn if mutant.key in survived]
            self._digest = "several"  # what did not survive is from other files: no run goes on from here
        if options.again or before["digest"] == digest:
            tried = {result["key"]: result for result in before["results"]}
            self.results = {key: result for key, result in tried.items() if not (options.again and key in survived)}

    def run(self, copies: list[Copy], recording: Recording) -> None:
        """Try what has not been tried; Ctrl-C leaves the rest for the next time."""
        left = [mutant for mutant in self.drawn if mutant.key not in self.results]
        free: queue.Queue[Copy] = queue.Queue()
        for copy in copies:
            free.put(copy)

        def work(mutant: Mutant) -> dict[str, Any]:
            copy = free.get()
            begun = time.monotonic()
            try:
                outcome, tests = try_mutant(mutant, copy, recording, self._options.seed, self._options.budget)
            finally:
                free.put(copy)
            told = {name: getattr(mutant, name) for name in ("key", "file", "line", "within", "operator", "was", "now")}
            return {**told, "outcome": outcome, "tests": tests, "seconds": round(time.monotonic() - begun, 1)}

        with ThreadPoolExecutor(len(copies)) as pool:
            waiting: list[Future[dict[str, Any]]] = [pool.submit(work, mutant) for mutant in left]
            try:
                for future in as_completed(waiting):
                    self._add(future.result())
            finally:  # all is done, or else nothing new begins and what runs is ended
                pool.shutdown(wait=False, cancel_futures=True)
                for copy in copies:
                    copy.stop()
        print()

    def _add(self, result: dict[str, Any]) -> None:
        """Keep a result and show how far the job is."""
        self.results[result["key"]] = result
        whole = {"digest": self._digest, "seed": self._options.seed, "results": list(self.results.values())}
        if not self._options.at:
            part = self._path.with_suffix(".part")
            part.write_text(json.dumps(whole, indent=1))
            part.replace(self._path)
        counts = Counter(result["outcome"] for result in self.of_draw())
        minutes = (time.monotonic() - self._begun) / 60
        told = ", ".join(f"{counts[outcome]} {outcome}" for outcome in ("killed", "survived", "timed out"))
        end = "\r" if sys.stdout.isatty() else "\n"
        print(f"{counts.total()} of {len(self.drawn)}: {told}; {minutes:.0f} min  ", end=end, flush=True)

    def of_draw(self) -> list[dict[str, Any]]:
        """Results of the mutants drawn, as far as there are any."""
        return [self.results[mutant.key] for mutant in self.drawn if mutant.key in self.results]


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
    parser.add_argument("--budget", type=float, default=60.0, help="seconds of tests from other folders at most")
    parser.add_argument("--work", type=Path, help="folder for copies, recording and results; in the temporary folder")
    parser.add_argument("--results", type=Path, help="result file (JSON); in that folder if not named")
    parser.add_argument("--at", metavar="FILE:LINE", help="no draw: every mutant of that line")
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
    if options.at:
        file, line = options.at.rsplit(":", 1)
        drawn = [
            mutant
            for mutant in mutants_of(file, everything[file])
            if mutant.line == int(line) and mutant.compiles(everything[file])
        ]
    else:
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
    importers = importers_of({file: (ROOT / file).read_bytes() for file in files if file.endswith(".py")})
    recording = Recording(tests, data, copies[0].root, importers)
    job = Job(options, digest, drawn)
    try:
        job.run(copies, recording)
    except KeyboardInterrupt:
        print(f"Stopped after {len(job.of_draw())} of {len(drawn)}; the same command goes on.")
        return 130
    return 0 if report(job.of_draw(), verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
