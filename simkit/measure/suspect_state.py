"""The file of a measurement of the search, with which the work goes on; and the list of what the search missed."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.formats import Format, json_format
from simkit.files.whole import write_whole
from simkit.measure.judging import SINGLE, Judged
from simkit.measure.outside import PER_PROGRAM
from simkit.measure.suspects import Asked, Drawn, Record, Tried
from simkit.measure.symptoms import KINDS
from simkit.suspect.cluster import kit

FORMAT, VERSION = "simkit-measured-search", 5
MAX_BYTES = 100_000_000
STATE = json_format("a measurement of simkit bench --suspect", FORMAT)
MISSES_HEAD = "What the search said where it missed"
MISSES = Format("a list of misses of simkit bench --suspect", lambda content: content.startswith(MISSES_HEAD.encode()))
_RECORDS: dict[str, type[Record]] = {"tried": Tried, "drawn": Drawn}
_TYPES: dict[str, tuple[type, ...]] = dict.fromkeys(("none", "found", "left", "hidden", "counts"), (bool,))
_TYPES |= {"classes": (int,), "apart": (int,), "number": (int,), "asked": (int, type(None)), "seconds": (int, float)}
_TYPES |= {"behind": (int, float, type(None)), "judged": (list,)}


def keep(path: Path, asked: Asked, records: Sequence[Record]) -> None:
    """Write what was done up to now, with what it was done for."""
    tags = {kind: tag for tag, kind in _RECORDS.items()}
    told = [{"what": tags[type(record)]} | attrs.asdict(record) for record in records]
    data = {"format": FORMAT, "version": VERSION, "kit": kit(), "asked": attrs.asdict(asked), "records": told}
    write_whole(path, json.dumps(data), what="measurement", known=STATE)


def kept(path: Path, asked: Asked) -> list[Record]:
    """What was done before; nothing where there is no file.

    Raises:
        SimkitError: it is damaged, or was measured with other seeds, pairs, kinds or programs, or by another kit.
    """
    mine = kit()  # before the work, in the midst of which somebody may change it
    if not path.exists():
        return []
    try:
        data = json.loads(read_bounded(path, MAX_BYTES, "measurement"))
        if data["format"] != FORMAT or data["version"] != VERSION:
            raise ValueError("another version")
        before, by = dict(data["asked"]), str(data["kit"])
        found = [_record(one) for one in data["records"]]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise SimkitError(
            f"{path} is no measurement that can be read.", remedy="Name another folder with --session."
        ) from error
    if before != json.loads(json.dumps(attrs.asdict(asked))):
        raise SimkitError(f"{path} was measured with other options.", remedy=f"They were {before}.")
    if by != mine:
        raise SimkitError(
            f"{path} was measured with other code of the kit: its figures would be those of two searches.",
            remedy="Remove it, and the runs of candidates beside it serve again; or name another folder.",
        )
    return found


def _record(data: dict[str, Any]) -> Record:
    kind = _RECORDS[data.pop("what")]
    words = _checked(kind, data)
    if kind is Tried:
        words["judged"] = tuple(Judged(**_checked(Judged, one)) for one in words["judged"])
    return kind(**words)


def _checked(kind: type, data: Mapping[str, Any]) -> dict[str, Any]:
    words = {field.name: data[field.name] for field in attrs.fields(kind)}
    for name, value in words.items():
        if not isinstance(value, _TYPES.get(name, (str,))):
            raise ValueError(name)
    return words


def keep_misses(path: Path, judged: Sequence[Judged], asked: Asked) -> None:
    """Write what was missed, a line each: for whoever makes the search better."""
    write_whole(path, "\n".join(misses(judged, asked)) + "\n", what="list", known=MISSES)


def misses(judged: Sequence[Judged], asked: Asked) -> list[str]:
    """By kind of symptom and of fault, each that counts and was not answered as it should be, with what was said.

    Faults from outside that are those of the list are counted alone: nobody is to make the search fit them.
    """
    lines = [MISSES_HEAD, "", "program: fault: what was said"]
    for kind in asked.kinds:
        own = [one for one in judged if one.kind == kind and one.is_missed]
        for source in dict.fromkeys(one.source for one in own):
            some = [one for one in own if one.source == source]
            lines += ["", f"{KINDS[kind]}, {source}: {len(some)} missed"]
            if source == SINGLE or (source in PER_PROGRAM and asked.outside_seed is not None):
                lines += [f"  {one.program}: {one.fault}: {said(one)}" for one in some]
            else:
                lines.append("  of the list, which is not to be learnt: draw others with --outside-seed")
    return lines


def said(one: Judged) -> str:
    """What the search said, in words."""
    if one.none:
        told = f"none: {one.misfit}; best {one.best or 'no fault'}"
    else:
        told = f"{one.best or 'no fault'}, one of {one.classes}"
    behind = "" if one.behind is None else f"; the true one is {one.behind:.2f} behind"
    return told + behind if one.source == SINGLE else told
