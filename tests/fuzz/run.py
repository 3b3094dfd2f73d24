"""Throw inputs made up by structure at the kit, in process and as processes, and tell what broke.

python tests/fuzz/run.py --seed 1 --inputs 100000 --processes 1000     # the long one
python tests/fuzz/run.py --seed 7 --inputs 5000 --kind labels          # one kind
python tests/fuzz/run.py --again 7/labels/123                          # that input again, made small
python tests/fuzz/run.py --found                                       # what was found once, and mended

Ctrl-C ends a run, which tells what it found up to there.

Exit code 1 when there is a fault: a traceback or exit code 70, more than 2 s of processor time, a write outside of
the working folder, a file of others that a kit reads, more than 500 MB of memory, an exit code that is not in the
table, exit code, output and messages that do not go together, content of somebody's other file or control characters
in what is printed, a file written over, something left in the temporary folder.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))

from fuzzing import job
from fuzzing.faults import MARKS
from fuzzing.kinds import KINDS
from fuzzing.processes import PROCESS_KINDS
from fuzzing.sample import Sample
from fuzzing.shrink import shrunk
from fuzzing.units import Unit, units

FOUND = Path(__file__).parent / "found"
SHOWN = 3
"""Units of a fault that are named."""


def main() -> int:
    """Do what the command line says; gives the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1, help="of everything that is made up")
    parser.add_argument("--inputs", type=int, default=2000, help="how many in process")
    parser.add_argument("--processes", type=int, default=0, help="how many as processes")
    parser.add_argument(
        "--kind", action="append", default=[], choices=[*KINDS, *PROCESS_KINDS], help="only this; repeatable"
    )
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="how many at a time")
    parser.add_argument("--again", metavar="UNIT", help="run this unit, show what comes of it, and make it small")
    parser.add_argument("--found", action="store_true", help="run what lies in the folder `found`")
    parser.add_argument("--json", action="store_true", help="print the report for programs")
    parser.add_argument("--worker", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.worker:
        job.work()
        return 0
    if asked.again:
        return again(Unit.of_text(asked.again))
    if asked.found:
        return found()
    todo = units(asked.seed, asked.inputs, asked.kind, processes=False)
    todo += units(asked.seed, asked.processes, asked.kind, processes=True)
    if not todo:
        parser.error("there is nothing to do: say --inputs or --processes, and kinds of them")

    def progress(done: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{done} of {len(todo)}", end="", file=sys.stderr, flush=True)

    report = job.run(todo, asked.workers, progress)
    print(as_json(report) if asked.json else as_text(report))
    return 130 if report.broken_off else 1 if report.faults else 0


def as_text(report: job.Report) -> str:
    """The report for people."""
    lines = [f"{'kind':12}{'inputs':>8}{'taken':>8}{'seconds':>9}{'slowest':>9}{'MB':>6}  exit codes"]
    for kind, tally in sorted(report.tallies.items()):
        codes = ", ".join(f"{code}: {count}" for code, count in sorted(tally.codes.items()))
        lines.append(
            f"{kind:12}{tally.inputs:8}{tally.taken:8}{tally.seconds:9.1f}{tally.slowest:9.2f}"
            f"{tally.peak_bytes // 1_000_000:6}  {codes}"
        )
    counts = {kind: sum(len(shown) for (fault, _), shown in report.faults.items() if fault == kind) for kind in FAULTS}
    total = sum(tally.inputs for tally in report.tallies.values())
    processes = sum(tally.inputs for kind, tally in report.tallies.items() if kind in PROCESS_KINDS)
    peak = max((tally.peak_bytes for tally in report.tallies.values()), default=0)
    lines += [
        "",
        f"{total - processes} inputs in process and {processes} processes in {report.seconds:.0f} s, "
        f"peak {peak // 1_000_000} MB{', broken off' if report.broken_off else ''}",
    ]
    lines.append(
        ", ".join(
            f"{count} {words}" for kind, words in FAULTS.items() if (count := counts[kind]) or kind in ALWAYS_TOLD
        )
    )
    for (kind, what), shown in sorted(report.faults.items()):
        lines += ["", f"{kind}: {what} ({len(shown)}), e.g. {', '.join(unit for unit, _ in shown[:SHOWN])}"]
        lines += [f"    {line}" for line in visible(shown[0][1]).strip().splitlines()[-12:]]
    return "\n".join(lines)


FAULTS = {
    "traceback": "tracebacks",
    "hang": "hangs",
    "outside": "writes outside",
    "memory": "with too much memory",
    "lost": "processes lost",
    "broken": "inputs that the harness itself could not make or judge",
    "exit code": "other exit codes",
    "contradiction": "contradictions",
    "foreign content": "with the content of another file",
    "control characters": "with control characters",
    "overwritten": "files written over",
    "left over": "half files left",
}
ALWAYS_TOLD = ("traceback", "hang", "outside", "memory")


def as_json(report: job.Report) -> str:
    """The report for programs."""
    tallies = {
        kind: {
            "inputs": t.inputs,
            "taken": t.taken,
            "seconds": t.seconds,
            "slowest": t.slowest,
            "peak_bytes": t.peak_bytes,
        }
        for kind, t in sorted(report.tallies.items())
    }
    faults = [
        {
            "kind": kind,
            "what": what,
            "count": len(shown),
            "units": [unit for unit, _ in shown[:SHOWN]],
            "shown": shown[0][1],
        }
        for (kind, what), shown in sorted(report.faults.items())
    ]
    return json.dumps({"seconds": report.seconds, "kinds": tallies, "faults": faults}, indent=1)


def again(unit: Unit) -> int:
    """Run a unit, show what comes of it, and make it small when it shows a fault."""
    with TemporaryDirectory(prefix="simkit-fuzz-", ignore_cleanup_errors=True) as folder:
        here = job.Here(Path(folder).resolve() / "one" / "two")

        def run(sample: Sample) -> job.Outcome:
            return here.run(sample, as_process=unit.as_process)

        sample = unit.sample()
        outcome = run(sample)
        print(f"exit code {outcome.code}, {outcome.seconds:.2f} s\n{visible(outcome.out + outcome.err)[:4000]}")
        for fault in outcome.faults:
            print(f"\n{fault.kind}: {fault.what}\n{visible(fault.shown)}\n")
            print(shrunk(sample, fault, run).to_text())
        if not outcome.faults:
            print(sample.to_text()[:4000])
    return 1 if outcome.faults else 0


def visible(text: str) -> str:
    """A text whose marks are seen and do nothing."""
    return MARKS.sub(lambda mark: mark[0].encode("unicode_escape").decode(), text)


def found() -> int:
    """Run what was found once; gives 1 when it shows a fault again."""
    kept = sorted(FOUND.glob("*.json"))
    faults = 0
    with TemporaryDirectory(prefix="simkit-fuzz-", ignore_cleanup_errors=True) as folder:
        here = job.Here(Path(folder).resolve() / "one" / "two")
        for path in kept:
            sample = Sample.of_text(path.read_text(encoding="utf-8"))
            for fault in here.run(sample, as_process=path.stem.startswith("process-")).faults:
                faults += 1
                print(f"{path.name}: {fault.kind}: {fault.what}\n{visible(fault.shown)}")
    print(f"{len(kept)} inputs that were found once, {faults} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
