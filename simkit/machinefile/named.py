"""The files a machine is made of, named by its machine file: also where they are missing, or something is wrong."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.machinefile.catalogue import FILE_PREFIX
from simkit.machinefile.merge import MachineErrors, Merged


def named_files(machine_file: Path) -> list[Path]:
    """Files that a machine file names, whether they are there or not: itself, bases, images, label lists, file cards.

    Where a file cannot be read, what it would have named is left out.
    """
    merged = Merged(machine_file, MachineErrors())
    with suppress(SimkitError):
        merged.read()
    files = [*merged.files, *([merged.missing] if merged.missing else [])]
    for card in merged.cards.values():
        for field in ("image", "labels", "kind"):
            value = card.values.get(field)
            if not isinstance(value, str):
                continue
            if field == "kind":
                if not value.startswith(FILE_PREFIX):
                    continue
                value = value.removeprefix(FILE_PREFIX).rpartition(":")[0]
            files.append(card.folders[field] / value)
    return list(dict.fromkeys(files))
