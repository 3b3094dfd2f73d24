"""What is a fault: limits of time and memory, and how exit code, output, messages and files must go together."""

from __future__ import annotations

import json
import re
import traceback
from itertools import takewhile
from pathlib import Path

import attrs

from fuzzing import paths
from fuzzing.sample import Sample
from simkit.rom.images import image_format

HANG_SECONDS = 2.0
"""Processor time that an input may take."""
MOST_BYTES = 500_000_000

CODES = {0, 1, 2, 3, 74, 130, 141}
ERRORS = {2, 3, 70, 74}

MARKS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
"""What controls a terminal or the direction of writing; a message may hold none of it."""

OWN = (b"\x89PNG", b'{"format": "simkit-coverage"')
"""Beginnings of the formats that are written over without force, as they are the kit's own."""


@attrs.frozen
class Fault:
    """Something that may not be.

    Attributes:
        kind: one word for the report.
        what: where and what, without what changes from input to input; two inputs with the same are one fault.
        shown: the whole of it for people.
    """

    kind: str
    what: str
    shown: str = attrs.field(default="", eq=False)


@attrs.define
class Outcome:
    """What came of an input.

    Attributes:
        code: exit code; of a call 0 when it was taken, 2 when it was refused.
        out: printed on stdout.
        err: printed on stderr, or the message of the error.
        seconds: processor time.
        peak_bytes: largest memory of the process while it ran, as far as the system tells.
        faults: what may not be.
    """

    code: int = 0
    out: str = ""
    err: str = ""
    seconds: float = 0.0
    peak_bytes: int = 0
    faults: list[Fault] = attrs.field(factory=list)


def name_of(sample: Sample) -> str:
    """The call, or the command that a line begins with."""
    return sample.argv[0] if sample.call == "command" and sample.argv else sample.call


def allowed_seconds(sample: Sample) -> float:
    """Processor time that an input may take; a run that finds no display runs for 3 s of machine time."""
    return 20.0 if sample.argv[:1] == ("run",) and "--headless" not in sample.argv else HANG_SECONDS


def place_of(stack: traceback.StackSummary) -> str:
    """Innermost place in the kit, without its line: what makes two of the same fault the same."""
    for frame in reversed(stack):
        parts = Path(frame.filename).parts
        if "fuzzing" not in parts and ("simkit" in parts or "simkit_cards" in parts):
            at = next(number for number, part in enumerate(parts) if part in ("simkit", "simkit_cards"))
            return f"{'/'.join(parts[at:])}:{frame.name}"
    return f"{Path(stack[-1].filename).name}:{stack[-1].name}" if stack else "nowhere"


def of_exception(error: BaseException) -> Fault:
    """The fault that an exception is."""
    where = place_of(traceback.extract_tb(error.__traceback__))
    return Fault("traceback", f"{type(error).__name__} in {where}", "".join(traceback.format_exception(error))[-3000:])


TRACEBACK = re.compile(r"^Traceback \(most recent call last\)|^Exception ignored in", re.MULTILINE)
FAULT = re.compile(r"A fault in the kit, not in what you wrote: (\w+)|There is no memory left")


def contradictions(sample: Sample, outcome: Outcome) -> list[Fault]:
    """Exit code, output and messages that do not go together."""
    code, out, err = outcome.code, outcome.out, outcome.err
    as_json = "--json" in list(takewhile(lambda word: word != "--", sample.argv))  # behind -- it is a name
    name = sample.argv[0] if sample.argv else ""
    found = []
    if TRACEBACK.search(err + out):
        found.append(Fault("traceback", f"printed by {name}", err[-3000:]))
    if code == 70 and (told := FAULT.search(err + out)):
        found.append(
            Fault("traceback", f"{told[1] or 'MemoryError'} in {name}, told as a fault of the kit", (err + out)[-2000:])
        )
    elif code not in CODES:
        found.append(Fault("exit code", f"{code} of {name}", err[-500:]))
    if as_json:
        try:
            told_json = json.loads(out)
        except ValueError:
            if out or code in ERRORS or code == 0:
                found.append(Fault("contradiction", f"{name} --json prints no JSON", out[:500]))
        else:
            if (isinstance(told_json, dict) and "error" in told_json) != (code in ERRORS):
                found.append(Fault("contradiction", f"{name} --json: error and exit code {code}", out[:500]))
    elif code in ERRORS:
        if not err.strip():
            found.append(Fault("contradiction", f"{name} gives {code} without a message", out[:500]))
        if out.strip():
            found.append(Fault("contradiction", f"{name} gives {code} and prints a result", out[:500]))
    elif code == 0 and not out.strip() and not {"--terminal", "--help", "--one-line"} & set(sample.argv):
        found.append(Fault("contradiction", f"{name} gives 0 and prints nothing", err[:500]))
    return found


GROWING = ("--record", "--capture")
"""Options whose files grow while a machine runs, and stay whatever ends it."""


def _is_own(path: str, content: bytes) -> bool:
    """Whether it is of a format that is written over without force: an image by its name, others by their beginning."""
    return content.startswith(OWN) or image_format(Path(path).suffix).knows(content)


def changes(sample: Sample, outcome: Outcome, before: dict[str, bytes], after: dict[str, bytes]) -> list[Fault]:
    """Files that are gone, written over, left half, or left by what was refused."""
    found = []
    name = sample.argv[0] if sample.argv else ""
    for path, content in before.items():
        if path not in after:
            found.append(Fault("overwritten", f"{name} took a file away", path))
        elif after[path] != content and "--force" not in sample.argv and not _is_own(path, content):
            found.append(Fault("overwritten", f"{name} wrote over a file that is none of its own", path))
    found += [
        Fault("left over", f"{name} left {Path(path).suffix}", path)
        for path in after
        if path.endswith((".part", ".tmp"))
    ]
    if outcome.code in ERRORS and not any(word.startswith(GROWING) for word in sample.argv):
        for path in after:
            if after[path] != before.get(path) and "__pycache__" not in path:
                found.append(Fault("left over", f"{name} gives {outcome.code} and has written", path))
    return found


def words(sample: Sample, outcome: Outcome) -> list[Fault]:
    """Marks and the content of others' files in what is printed."""
    name = name_of(sample)
    found = []
    handed_over = any(word.startswith(("--paste", "--capture", "--terminal")) for word in sample.argv)
    told = outcome.err if handed_over else outcome.out + outcome.err  # what the line carries is no message
    if handed_over:
        told = told.replace("\r\n", "\n")  # as a terminal needs it whose own line ends are switched off
    if mark := MARKS.search(told):
        at = mark.start()
        found.append(Fault("control characters", name, repr(told[max(0, at - 100) : at + 60])))
    if paths.SECRET in told:
        at = told.index(paths.SECRET)
        found.append(Fault("foreign content", name, told[max(0, at - 300) : at + 100]))
    return found
