"""The file of a search: outcomes of all runs that were made, so that it can go on, or take another symptom.

A zip: "search.json" says what was run, and for each run what it left; "parts/N" holds what is packed. Nothing in it is
executed when it is read, and everything is checked.
"""

from __future__ import annotations

import base64
import io
import json
import zipfile
import zlib
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.formats import Format
from simkit.suspect.catalogue import Candidate
from simkit.suspect.outcome import Look, Outcome, Stretch
from simkit.suspect.outcomes import Outcomes

FORMAT = "simkit-search"
VERSION = 1
MAX_BYTES = 2_000_000_000
MOST_CYCLES = 1 << 24
"""Of one stretch, and pixels or bytes of one part."""
MAX_TEXT_BYTES = 400_000_000
_MAIN = "search.json"
SESSION = Format("a search of simkit suspect", lambda content: f'"format": "{FORMAT}"'.encode() in content[:400])


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
        "troubles": dict(outcomes.troubles),
        "runs": runs,
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr("format.json", json.dumps({"format": FORMAT, "version": VERSION}))
        archive.writestr(_MAIN, zlib.compress(json.dumps(data).encode(), 1))
        archive.writestr("parts", b"".join(parts))
        archive.writestr("sizes.json", json.dumps([len(one) for one in parts]))
    return out.getvalue()


def read_session(path: Path) -> Outcomes:
    """Outcomes of such a file.

    Raises:
        FileNotFoundError: there is none.
        SimkitError: it is damaged, or none.
    """
    content = read_bounded(path, MAX_BYTES, "search")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            sizes = json.loads(archive.read("sizes.json"))
            whole = archive.read("parts")
            unpack = zlib.decompressobj()
            data = json.loads(unpack.decompress(archive.read(_MAIN), MAX_TEXT_BYTES))
        if data["format"] != FORMAT or data["version"] != VERSION or sum(sizes) != len(whole):
            raise ValueError("another version")
        parts, at = [], 0
        for size in sizes:
            parts.append(whole[at : at + size])
            at += size
        return Outcomes(
            str(data["identity"]),
            tuple(map(str, data["names"])),
            {str(name): tuple(Candidate(*map(str, one)) for one in own) for name, own in data["classes"].items()},
            {str(name): tuple(_run_of(run, parts) for run in own) for name, own in data["runs"].items()},
            tuple(Candidate(*map(str, one)) for one in data["not_shown"]),
            {str(name): str(why) for name, why in data["troubles"].items()},
        )
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, zipfile.BadZipFile, zlib.error) as error:
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
