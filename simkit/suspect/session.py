"""The file of a search: outcomes of all runs that were made, so that it can go on, or take another symptom.

A first line of JSON says what the file is, and the sizes of the parts behind it. The first part is JSON, compressed:
what was run, and for each run what it left; the others are what that names by number. Nothing in it is executed when it
is read, and everything is checked.
"""

from __future__ import annotations

import base64
import json
import zlib
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.formats import json_format
from simkit.suspect.catalogue import Candidate
from simkit.suspect.outcome import Look, Outcome, Stretch
from simkit.suspect.outcomes import Outcomes

FORMAT = "simkit-search"
VERSION = 1
MAX_BYTES = 2_000_000_000
MOST_CYCLES = 1 << 28
"""Of one stretch, and pixels or bytes of one part."""
MAX_TEXT_BYTES = 400_000_000
SESSION = json_format("a search of simkit suspect", FORMAT)


def packed(outcomes: Outcomes) -> bytes:
    """Outcomes as the content of a file."""
    parts: list[bytes] = []

    def part(content: bytes) -> int:
        parts.append(content)
        return len(parts) - 1

    runs = {name: [_run_data(run, part) for run in own] for name, own in outcomes.runs.items()}
    data = {
        "format": FORMAT,
        "version": VERSION,
        "identity": outcomes.identity,
        "names": list(outcomes.names),
        "classes": {name: [_candidate_data(one) for one in own] for name, own in outcomes.classes.items()},
        "not_shown": [_candidate_data(one) for one in outcomes.not_shown],
        "wanted": outcomes.wanted,
        "troubles": dict(outcomes.troubles),
        "runs": runs,
    }
    parts.insert(0, zlib.compress(json.dumps(data).encode(), 1))
    head = {"format": FORMAT, "version": VERSION, "sizes": [len(one) for one in parts]}
    return b"".join((json.dumps(head).encode(), b"\n", *parts))


def read_session(path: Path) -> Outcomes:
    """Outcomes of such a file.

    Raises:
        FileNotFoundError: there is none.
        SimkitError: it is damaged, or none.
    """
    content = read_bounded(path, MAX_BYTES, "search")
    try:
        line, newline, body = content.partition(b"\n")
        head = json.loads(line) if newline else {}
        sizes = [_size(size) for size in head["sizes"]]
        if head["format"] != FORMAT or head["version"] != VERSION or sum(sizes) != len(body):
            raise ValueError("another version, or cut off")
        parts, at = [], 0
        for size in sizes:
            parts.append(body[at : at + size])
            at += size
        data = json.loads(zlib.decompressobj().decompress(parts.pop(0), MAX_TEXT_BYTES))
        return Outcomes(
            str(data["identity"]),
            tuple(map(str, data["names"])),
            {str(name): tuple(Candidate(*map(str, one)) for one in own) for name, own in data["classes"].items()},
            {str(name): tuple(_run_of(run, parts) for run in own) for name, own in data["runs"].items()},
            tuple(Candidate(*map(str, one)) for one in data["not_shown"]),
            {str(name): str(why) for name, why in data["troubles"].items()},
            _size(data["wanted"]),
        )
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError, zlib.error) as error:
        raise SimkitError(
            f"{path} is no search that can be read: it is damaged, or of another version.",
            remedy="Name another file; the search is then made anew.",
        ) from error


def _candidate_data(one: Candidate) -> list[str]:
    return [one.sentence, one.place, one.kind]


def _run_data(run: Outcome, part: Any) -> dict[str, Any]:
    return {
        "parted": run.parted,
        "stretches": [[one.since, one.cycles, part(one.packed), list(one.fetches)] for one in run.stretches],
        "looks": [
            {
                "cycle": look.cycle,
                "pictures": {str(slot): [*size, part(own)] for slot, (*size, own) in look.pictures.items()},
                "texts": {str(slot): base64.b64encode(text.encode()).decode() for slot, text in look.texts.items()},
            }
            for look in run.looks
        ],
        "cycle": run.cycle,
        "halted": run.halted,
        "is_wild": run.is_wild,
        "pc": run.pc,
        "memory": {str(slot): [size, part(own)] for slot, (size, own) in run.memory.items()},
        "trouble": run.trouble,
    }


def _size(said: object) -> int:
    """Rows, columns, bytes or bus cycles: a whole number within bounds."""
    if type(said) is not int or not 0 <= said <= MOST_CYCLES:
        raise ValueError(f"{str(said)[:20]} is no size")
    return said


def _run_of(data: Any, parts: list[bytes]) -> Outcome:
    parted = data["parted"]
    return Outcome(
        None if parted is None else int(parted),
        tuple(
            Stretch(int(since), _size(cycles), parts[number], tuple(map(int, fetches)))
            for since, cycles, number, fetches in data["stretches"]
        ),
        tuple(
            Look(
                int(look["cycle"]),
                {
                    int(slot): (_size(rows), _size(columns), parts[number])
                    for slot, (rows, columns, number) in look["pictures"].items()
                },
                {int(slot): base64.b64decode(text).decode() for slot, text in look["texts"].items()},
            )
            for look in data["looks"]
        ),
        int(data["cycle"]),
        str(data["halted"]),
        bool(data["is_wild"]),
        int(data["pc"]),
        {int(slot): (_size(size), parts[number]) for slot, (size, number) in data["memory"].items()},
        str(data["trouble"]),
    )
