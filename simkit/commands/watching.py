"""Files of a machine, and whether they have changed: for `simkit run --watch`."""

from __future__ import annotations

from pathlib import Path

from simkit.commands.options import MachineOptions
from simkit.machine import Machine


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
            SimkitError: the changed files do not make a machine. The next change is looked at again.
        """
        now = self._stamps()
        if now == self._seen or None in now.values():
            return None
        self._seen = now
        machine = self._options.load()
        self._files = files_of(self._options, machine)
        self._seen = self._stamps()
        return machine


def files_of(options: MachineOptions, machine: Machine) -> list[Path]:
    """Every file the machine was made from."""
    files = {machine.description.path, *options.labels}
    files.update(path for path in options.images().values() if isinstance(path, Path))
    for card in machine.description.cards:
        files.update(Path(file) for file, _ in card.origin.values())
        files.update(path for path in (card.image, card.labels) if path is not None)
    return sorted(path for path in files if path.is_file())
