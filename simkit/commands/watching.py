"""Files of a machine, and whether they have changed: for `simkit run --watch`."""

from __future__ import annotations

from pathlib import Path

from simkit.commands.options import MachineOptions
from simkit.contract.errors import SimkitError
from simkit.files.bounded import is_file
from simkit.machine.machine import Machine

LOOKS_BEFORE_GONE = 4
"""Looks, two a second, in which a file may be missing: assemblers take theirs away while they write them anew."""


class Watch:
    """Looks at the machine file, its bases, images and label lists.

    Args:
        options: how the machine was asked for.
        machine: the machine as first loaded.
    """

    def __init__(self, options: MachineOptions, machine: Machine) -> None:
        self._options = options
        self._files = files_of(options, machine)
        self._seen = self._stamps()
        self._looks_without = 0

    def _stamps(self) -> dict[Path, tuple[int, int] | None]:
        stamps: dict[Path, tuple[int, int] | None] = {}
        for path in self._files:
            try:
                status = path.stat()
                stamps[path] = (status.st_mtime_ns, status.st_size)
            except OSError:
                stamps[path] = None  # an assembler may be writing it anew
        return stamps

    def fresh(self) -> Machine | None:
        """A new machine when a file has changed and all are there; else None.

        Raises:
            SimkitError: the changed files do not make a machine, or one is gone. The next change is looked at again.
        """
        now = self._stamps()
        gone = [path for path, stamp in now.items() if stamp is None]
        self._looks_without = self._looks_without + 1 if gone else 0
        if self._looks_without == LOOKS_BEFORE_GONE:
            raise SimkitError(
                f"There is no {' and no '.join(map(str, gone))} any more; the machine runs on as it was loaded.",
                remedy="It is loaded anew when the file is there again.",
            )
        if gone or now == self._seen:
            return None
        self._seen = now
        machine = self._options.load()
        self._files = files_of(self._options, machine)
        self._seen = self._stamps()
        return machine


def files_of(options: MachineOptions, machine: Machine) -> list[Path]:
    """Every file the machine was made from."""
    files = {*machine.description.files, *options.labels}
    files.update(path for path in options.images().values() if isinstance(path, Path))
    for card in machine.description.cards:
        files.update(path for path in (card.image, card.labels) if path is not None)
    return sorted(path for path in files if is_file(path))
