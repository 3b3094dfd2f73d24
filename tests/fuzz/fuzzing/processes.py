"""Inputs for the real command, as a process: with what stands on standard input, and with packages of strangers."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import attrs

from fuzzing import cardfiles, commandlines, corpus, texts
from fuzzing.faults import CODES, MOST_BYTES, Fault, Outcome, allowed_seconds, changes, contradictions, words
from fuzzing.kinds import Kind
from fuzzing.rolls import Rolls
from fuzzing.sample import Sample
from fuzzing.sandbox import LIMIT_BYTES, contents, environment, make_sandbox
from fuzzing.structure import toml

PATIENCE_SECONDS = 60.0
"""Time by the clock after which a process is ended; the computer may be busy."""
KILLED = -9
"""Exit code of a process that was ended: no way out in good order, which a process may take for itself."""
STARTER = Path(__file__).with_name("starter.py")
PACKAGES = "site"
"""Folder of packages in the working folder; it stands on PYTHONPATH."""


def serial(rolls: Rolls) -> Sample:
    """A machine with a serial line on standard input."""
    sound = rolls.chance(2)
    name = rolls.choice(("demo:monitor", "demo:serial-test", *(() if sound else ("demo:bench", "demo:marlpit", "m"))))
    port = rolls.choice(("here", "here", "device") if sound else ("here", "here:x", "device:1", "port:0", "port:1"))
    line = ["run", name, "--terminal", port, "--for", texts.duration(rolls, short=True)]
    if rolls.chance(2):
        line += [
            "--paste",
            "text.txt" if sound else rolls.choice(("text.txt", "nothing", "/dev/zero", "folder", "pipe")),
        ]
        if rolls.chance(2):
            line += ["--paste-pause", texts.duration(rolls, short=sound)]
    if rolls.chance(4):
        taken = ("out.txt", "/dev/null")
        line += ["--capture", rolls.choice(taken if sound else (*taken, "folder", "/dev/full", "no/such", "text.txt"))]
    if not sound and rolls.chance(3):
        line.append(rolls.choice(("--json", "--paste-pause=20ms", "--terminal-slot=9", "--watch", "--headless")))
    stdin = rolls.choice((b"", b"help\r", rolls.randbytes(2000), b"x" * 100_000, rolls.word().encode()))
    files = {
        "text.txt": rolls.spoil(b"10 PRINT\n20 GOTO 10\n"),
        "folder": commandlines.EXTRAS["folder"](rolls),
        "pipe": commandlines.EXTRAS["pipe"](rolls),
    }
    return Sample(
        call="command", argv=tuple(line), stdin=stdin, files={key: value for key, value in files.items() if key in line}
    )


ENTRIES = (
    ("mine", "mine:Mine"),
    ("mine", "mine:Nothing"),
    ("sram", "mine:Mine"),
    ("", "mine:Mine"),
    ("mine", "no_such"),
    ("mine", ":"),
    ("mine", "os:path"),
    ("\x1b[31m", "mine:Mine"),
    ("mine", "mine:Mine [extra]"),
    ("x" * 3000, "mine:Mine"),
)
"""What the entry point of a package says: the card's kind, and where its class is."""
METADATA = (b"Name: mine\nVersion: 1.0\n", b"", b"\xff", b"Name: \x1b[31m\n")


def package(rolls: Rolls) -> Sample:
    """Strangers' packages with cards, sound and unsound, and a command that looks at the cards."""
    kind, value = rolls.choice(ENTRIES)
    parts = dict(cardfiles.SOUND)
    if rolls.chance(2):
        place = rolls.choice(list(cardfiles.WRONG))
        parts[place] = rolls.choice(cardfiles.WRONG[place])
    entry = f"[simkit.cards]\n{kind} = {value}\n".encode()
    files = {
        f"{PACKAGES}/mine.py": cardfiles.CARD.format(**parts).encode(),
        f"{PACKAGES}/mine-1.0.dist-info/entry_points.txt": rolls.spoil(entry) if rolls.chance(6) else entry,
        f"{PACKAGES}/mine-1.0.dist-info/METADATA": rolls.choice(METADATA),
        "m/machine.toml": toml(rolls, {
            "name": "Mine",
            "clock": "1 MHz",
            "card": [
                {"slot": 1, "kind": "sram", "select": "00xx xxxx xxxx xxxx", "settings": {"size": 16384}},
                {"slot": 2, "kind": "rom", "select": "A15", "image": corpus.ROM},
                {"slot": 3, "kind": kind, "select": "0111 1111 0000 0000", "lines": {"INT": "IRQ"}},
            ],
        }).encode(),
        f"m/{corpus.ROM}": cardfiles.ROM,
    }  # fmt: skip
    line = rolls.choice(
        (
            ["cards"],
            ["cards", "--json"],
            ["cards", kind],
            ["run", "m", "--headless", "--for", "100c"],
            ["show", "m", "--at", "10c"],
        )
    )
    return Sample(call="command", argv=tuple(line), files={**files})


def command(rolls: Rolls) -> Sample:
    """A command line whose words a system can hand over."""
    sample = commandlines.command(rolls)
    argv = tuple(word.replace("\0", "").encode("utf-8", "replace").decode() for word in sample.argv)
    return attrs.evolve(sample, argv=argv, stdin=rolls.choice((None, None, b"", b"x\n")))


PROCESS_KINDS: dict[str, Kind] = {
    "process": Kind(command, 7),
    "serial": Kind(serial, 2),
    "package": Kind(package, 1),
}
"""Kinds that are run as processes."""


class Processes:
    """Runs inputs as processes, in a sandbox of its own.

    Args:
        sandbox: an empty folder.
    """

    def __init__(self, sandbox: Path) -> None:
        self._sandbox = sandbox
        self.work = make_sandbox(sandbox)
        self._environment = {**os.environ, **environment(sandbox)}
        for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
            self._environment.pop(name, None)
        self.start_seconds = self._run(Sample(call="command", argv=("--version",))).seconds

    def try_sample(self, sample: Sample) -> Outcome:
        """Run one input and look at what came of it."""
        sample.lay_out(self.work)
        before, outside = contents(self.work), self._outside()
        outcome = self._run(sample)
        name = sample.argv[0] if sample.argv else ""
        if outcome.code == KILLED:
            outcome.faults = [Fault("hang", f"process {name}", f"more than {PATIENCE_SECONDS:.0f} s by the clock")]
            return outcome
        if outcome.seconds > self.start_seconds + allowed_seconds(sample):
            outcome.faults.append(Fault("hang", f"process {name}", f"{outcome.seconds:.1f} s of processor time"))
        if outcome.peak_bytes > MOST_BYTES:
            outcome.faults.append(Fault("memory", f"process {name}", f"{outcome.peak_bytes // 1_000_000} MB"))
        if (now := self._outside()) != outside:
            changed = sorted(path for path in {*now, *outside} if now.get(path) != outside.get(path))
            outcome.faults.append(Fault("outside", f"process {name}", ", ".join(changed)))
        if "--terminal" not in sample.argv:  # whose output is the line's
            outcome.faults += contradictions(sample, outcome)
        elif outcome.code not in CODES or "Traceback" in outcome.err:
            outcome.faults.append(Fault("traceback", f"{outcome.code} of run --terminal", outcome.err[-2000:]))
        outcome.faults += changes(sample, outcome, before, contents(self.work)) + words(sample, outcome)
        return outcome

    def _outside(self) -> dict[str, tuple[int, int]]:
        """Everything in the sandbox but the working folder and the kit's own cache."""
        kept = (self.work, self._sandbox / "home" / ".cache" / "backplane-simkit")
        return {
            str(path.relative_to(self._sandbox)): (path.stat().st_size, path.stat().st_mtime_ns)
            for path in self._sandbox.rglob("*")
            if path.is_file() and not any(path.is_relative_to(folder) for folder in kept)
        }

    def _run(self, sample: Sample) -> Outcome:
        environment = dict(self._environment)
        if any(name.startswith(PACKAGES) for name in sample.files):
            packages = str(self.work / PACKAGES)
            environment["PYTHONPATH"] = os.pathsep.join([packages, *filter(None, [environment.get("PYTHONPATH")])])
        return run_process([*real_command(), *sample.argv], self.work, environment, sample.stdin)


def run_process(command: list[str], folder: Path, environment: dict[str, str], stdin: bytes | None = None) -> Outcome:
    """Run a process to its end, or to the end of patience; then its exit code is KILLED."""
    reading, writing = os.pipe()
    small: dict[str, Any] = {}
    if os.name == "posix":
        command = [sys.executable, "-I", "-S", str(STARTER), str(writing), str(LIMIT_BYTES), *command]
        small = {"pass_fds": (writing,), "start_new_session": True}
    begun = time.monotonic()
    process = subprocess.Popen(
        command, cwd=folder, env=environment, stdin=subprocess.PIPE if stdin is not None else subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, **small,
    )  # fmt: skip
    os.close(writing)
    late = False
    try:
        out, err = process.communicate(stdin, timeout=PATIENCE_SECONDS)
    except subprocess.TimeoutExpired:
        late = True
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
        out, err = process.communicate()
    outcome = Outcome(
        code=process.returncode,
        out=out.decode("utf-8", "replace"),
        err=err.decode("utf-8", "replace"),
        seconds=time.monotonic() - begun,
    )
    with os.fdopen(reading) as report:
        told = report.read().split()
    if told:
        outcome.code, outcome.seconds, outcome.peak_bytes = int(told[0]), float(told[1]), int(told[2])
    if late:
        outcome.code = KILLED
    return outcome


def real_command() -> list[str]:
    """The command as it is installed, else the module."""
    beside = shutil.which("simkit", path=str(Path(sys.executable).parent))
    return [beside] if beside is not None else [sys.executable, "-m", "simkit"]
