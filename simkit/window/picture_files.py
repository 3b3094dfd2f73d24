"""Names for pictures that nobody named: beside the machine or in this folder, never over a file."""

from __future__ import annotations

import os
import re
from pathlib import Path

from simkit.machine.machine import Machine


def free_path(folder: Path, machine: Machine) -> Path:
    """Path of a picture file that does not exist yet, named by machine and machine time."""
    name = "-".join(re.findall(r"[a-z0-9]+", machine.description.name.lower())) or "machine"
    stem = f"{name}-{machine.seconds:.2f}s"
    path = folder / f"{stem}.png"
    number = 2
    while path.exists():
        path = folder / f"{stem}-{number}.png"
        number += 1
    return path


def writable_folder(beside: Path, *, shipped: bool) -> Path:
    """Folder of the machine; this folder when that one came with the kit or cannot be written."""
    return Path.cwd() if shipped or not os.access(beside, os.W_OK) else beside
