"""The file of a search: outcomes of all runs that were made, so that it can go on, or take another symptom.

A first line of JSON says what the file is, and the sizes of the parts behind it. The first part is JSON, compressed:
what was run, and for each run what it left; the others are what that names by number. What several runs left alike is
there once. Memory that came up with noise, which packs badly, is there as what differs from the run without a fault
under the same power-up. Nothing in the file is executed when it is read, and everything is checked.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping
from itertools import zip_longest
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.formats import json_format
from simkit.suspect.catalogue import Candidate
from simkit.suspect.outcome import Look, Outcome, Stretch, unpacked
from simkit.suspect.outcomes import SOUND, Outcomes

FORMAT = "simkit-search"
VERSION = 2
MAX_BYTES = 2_000_000_000
MOST_CYCLES = 1 << 28
"""Of one stretch, and pixels or bytes of one part."""
MAX_TEXT_BYTES = 400_000_000
SESSION = json_format("a search of simkit suspect", FORMAT)


Further = Mapping[str, Mapping[int, Outcome]]
"""Further runs of some candidates, by sentence and seed of the power-up."""


def packed(outcomes: Outcomes, further: Further = {}) -> bytes:  # noqa: B006 - it is read alone
    """Outcomes as the content of a file.

    Args:
        outcomes: of a search.
        further: runs of the candidates that came near.
    """
    parts = _Parts([])
    sound = outcomes.runs.get(SOUND, ())
    runs = {
        name: [_run_data(run, parts, like) for run, like in zip_longest(own, sound[: len(own)])]
        for name, own in outcomes.runs.items()
    }
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
        "further": {
            name: [[seed, _run_data(run, parts, None)] for seed, run in own.items()] for name, own in further.items()
        },
    }
    content = zlib.compress(json.dumps(data).encode(), 1)
    head = {"format": FORMAT, "version": VERSION, "sizes": [len(one) for one in (content, *parts.parts)]}
    return b"".join((json.dumps(head).encode(), b"\n", content, *parts.parts))


@attrs.define(eq=False)
class _Parts:
    """Parts of a file, each content once."""

    parts: list[bytes]
    _number: dict[bytes, int] = attrs.field(factory=dict)
    _differing: dict[tuple[bytes, bytes], bytes] = attrs.field(factory=dict)

    def number(self, content: bytes) -> int:
        """Of the part that holds a content."""
        if content not in self._number:
            self._number[content] = len(self.parts)
            self.parts.append(content)
        return self._number[content]

    def difference(self, size: int, one: bytes, other: bytes) -> bytes:
        """What two memories of a size differ in, packed."""
        found = self._differing.get((one, other))
        if found is None:
            found = zlib.compress(_exclusive(unpacked(one, size), unpacked(other, size)), 1)
            self._differing[one, other] = found
        return found


def _exclusive(one: bytes, other: bytes) -> bytes:
    return (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).to_bytes(len(one), "little")


def read_session(path: Path) -> Outcomes:
    """Outcomes of such a file; see `read_search`."""
    return read_search(path)[0]


def read_search(path: Path) -> tuple[Outcomes, Further]:
    """Outcomes of such a file, and further runs.

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
        read = _Reading(parts)
        sound = [read.run(run, None) for run in data["runs"].get(SOUND, ())]
        outcomes = Outcomes(
            str(data["identity"]),
            tuple(map(str, data["names"])),
            {str(name): tuple(Candidate(*map(str, one)) for one in own) for name, own in data["classes"].items()},
            {
                str(name): tuple(read.run(run, like) for run, like in zip_longest(own, sound[: len(own)]))
                for name, own in data["runs"].items()
            },
            tuple(Candidate(*map(str, one)) for one in data["not_shown"]),
            {str(name): str(why) for name, why in data["troubles"].items()},
            _size(data["wanted"]),
        )
        further = {
            str(name): {_size(seed): read.run(run, None) for seed, run in own} for name, own in data["further"].items()
        }
        return outcomes, further
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError, zlib.error) as error:
        raise SimkitError(
            f"{path} is no search that can be read: it is damaged, or of another version.",
            remedy="Name another file; the search is then made anew.",
        ) from error


def _candidate_data(one: Candidate) -> list[str]:
    return [one.sentence, one.place, one.kind]


def _run_data(run: Outcome, parts: _Parts, like: Outcome | None) -> dict[str, Any]:
    """A run as data.

    Args:
        run: it.
        parts: that it is put into.
        like: a run whose memory came up with the same noise, or None.
    """
    part = parts.number

    def held(slot: int, size: int, own: bytes) -> list[Any]:
        other = like.memory.get(slot) if like is not None and like is not run else None
        if other is not None and other[0] == size:
            difference = parts.difference(size, own, other[1])
            if len(difference) < len(own):
                return [size, part(difference), True]
        return [size, part(own), False]

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
        "memory": {str(slot): held(slot, size, own) for slot, (size, own) in run.memory.items()},
        "trouble": run.trouble,
    }


def _size(said: object) -> int:
    """Rows, columns, bytes or bus cycles: a whole number within bounds."""
    if type(said) is not int or not 0 <= said <= MOST_CYCLES:
        raise ValueError(f"{str(said)[:20]} is no size")
    return said


@attrs.frozen(eq=False)
class _Reading:
    """Makes runs of data and parts."""

    _parts: list[bytes]
    _whole: dict[tuple[int, bytes], bytes] = attrs.field(factory=dict)

    def run(self, data: Any, like: Outcome | None) -> Outcome:
        """One run; see `_run_data`."""
        parted, parts = data["parted"], self._parts
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
            {int(slot): self._memory(int(slot), own, like) for slot, own in data["memory"].items()},
            str(data["trouble"]),
        )

    def _memory(self, slot: int, data: Any, like: Outcome | None) -> tuple[int, bytes]:
        size, number, differs = _size(data[0]), data[1], data[2]
        own = self._parts[number]
        if differs is not True:
            return size, own
        its = like.memory[slot] if like is not None else (0, b"")
        if its[0] != size:
            raise ValueError("memory that is like none")
        key = number, its[1]
        if key not in self._whole:
            other = unpacked(its[1], size)
            self._whole[key] = zlib.compress(_exclusive(unpacked(own, size), other), 0)
        return size, self._whole[key]
