"""The files a machine is made of, named by its machine file: also where they are missing, or something is wrong."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.machinefile.cards import FILE_KEYS
from simkit.machinefile.catalogue import FILE_PREFIX
from simkit.machinefile.merge import MachineErrors, Merged


def named_files(machine_file: Path) -> list[Path]:
    """Files that a machine file names, whether they are there or not: itself, bases, file cards, and what cards name.

    Where a file cannot be read, what it would have named is left out.
    """
    merged = Merged(machine_file, MachineErrors())
    with suppress(SimkitError):
        merged.read()
    files = [*merged.files, *([merged.missing] if merged.missing else [])]
    parts = merged.top.values.get("parts")
    if isinstance(parts, str):
        files.append(merged.top.path("parts", parts))
    files += [merged.top.path(field, text) for field, text in backplane_paths(merged.top.values)]
    for card in merged.cards.values():
        for field, value in card_paths(card.values):
            if field == "kind":
                if not value.startswith(FILE_PREFIX):
                    continue
                value = value.removeprefix(FILE_PREFIX).rpartition(":")[0]
            files.append(card.path(field, value))
    return list(dict.fromkeys(files))


def card_paths(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """(key, text) for each path that a card's table may name."""
    for field in (*FILE_KEYS, "kind"):
        value = values.get(field)
        for text in value if isinstance(value, list) else [value]:
            if isinstance(text, str):
                yield field, text
    yield from _fuse_maps(values)


def backplane_paths(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """The same of the whole machine's table, by the place of its decoder."""
    backplane = values.get("backplane", {})
    for field, text in _fuse_maps(backplane):
        yield f"backplane.{field}", text


def _fuse_maps(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    decode = values.get("decode")
    for ref, part in decode.items() if isinstance(decode, dict) else ():
        if isinstance(part, dict) and isinstance(part.get("fuses"), str):
            yield f"decode.{ref}.fuses", part["fuses"]
