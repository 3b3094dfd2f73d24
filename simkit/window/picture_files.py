"""Names for pictures that nobody named: beside the machine or in this folder, never over a file."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

from simkit.machine.machine import Machine

MOST = 10_000
"""Pictures of one moment in one folder."""


def names(folder: Path, machine: Machine) -> Iterator[Path]:
    """Names for a picture file, by machine and machine time, the best first; for `write_new`."""
    name = "-".join(re.findall(r"[a-z0-9]+", machine.description.name.lower())) or "machine"
    stem = f"{name}-{machine.seconds:.2f}s"
    yield folder / f"{stem}.png"
    yield from (folder / f"{stem}-{number}.png" for number in range(2, MOST))


def writable_folder(beside: Path, *, shipped: bool) -> Path:
    """Folder of the machine; this folder when that one came with the kit or cannot be written."""
    return Path.cwd() if shipped or not os.access(beside, os.W_OK) else beside
