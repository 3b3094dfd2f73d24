"""Paths in machine files that are true on one computer alone, told before anything is packed, with what to write."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path, PureWindowsPath

from simkit.contract.errors import Errors, SimkitError
from simkit.machinefile.catalogue import FILE_PREFIX
from simkit.machinefile.merge import KNOWN_BY, MachineErrors, Merged
from simkit.machinefile.named import backplane_paths, card_paths
from simkit.machinefile.tomlfile import read_toml
from simkit.machinefile.tomlplaces import Place


def refuse_whole_paths(machine_file: Path) -> None:
    """Refuse a machine file, or a base of it, that names a file by its whole path or with backslashes.

    Raises:
        SimkitError: it does, with the place and what to write; SeveralErrors for several.
    """
    errors = Errors()
    for place, folder, text in _paths(machine_file):
        whole = Path(text).is_absolute() or PureWindowsPath(text).drive
        if not whole and "\\" not in text:
            continue
        what = "is a whole path, which leads there on this computer alone" if whole else "is read on Windows alone"
        better = Path(os.path.relpath(text, folder)).as_posix() if Path(text).is_absolute() else text.replace("\\", "/")
        errors.add(
            SimkitError(
                f"{text!r} {what}.",
                file=place.file,
                line=place.line,
                remedy=f'Write "{better}", a path that counts from the machine file, with / between its parts.',
            )
        )
    errors.raise_any()


def _paths(machine_file: Path) -> Iterator[tuple[Place, Path, str]]:
    """Each path that the machine files say, with its place and the folder that it counts from."""
    merged = Merged(machine_file, MachineErrors())
    merged.read()
    for file in merged.files:
        toml = read_toml(file, "machine file", KNOWN_BY)
        if "base" in toml.data:
            yield toml.place("base"), file.parent, toml.data["base"]
    for field, text in backplane_paths(merged.top.values):
        yield merged.top.place(field), merged.top.folders[field], text
    for card in merged.cards.values():
        for field, text in card_paths(card.values):
            if field != "kind":
                yield card.place(field), card.folders[field], text
            elif text.startswith(FILE_PREFIX):
                yield card.place(field), card.folders[field], text.removeprefix(FILE_PREFIX).rpartition(":")[0]
