"""What a machine was given besides what its file says, as a small machine file over it, so that a kit has it too."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.kit.taken import Taken
from simkit.machinefile.tomlfile import quoted

VARIANT = "as-packed.toml"
GIVEN = "given"
"""Folder in a kit of the files that were given."""


@attrs.frozen(kw_only=True)
class Changes:
    """The changes.

    Attributes:
        seed: replaces that of the file, or None.
        clock: replaces that of the file, or None.
        start: where the CPU begins, or None.
        faults: sentences.
        images: by slot.
        labels: of the image that is given, of which there is one then.
        settings: by slot and name.
    """

    seed: int | None = None
    clock: str | None = None
    start: str | None = None
    faults: Sequence[str] = ()
    images: Mapping[int, Path] = attrs.field(factory=dict)
    labels: Sequence[Path] = ()
    settings: Mapping[int, Mapping[str, Any]] = attrs.field(factory=dict)

    def __bool__(self) -> bool:
        return any(getattr(self, field.name) not in (None, (), [], {}) for field in attrs.fields(Changes))

    def files(self) -> Iterator[Taken]:
        """Files that come with them."""
        for role, paths in (("image", self.images.values()), ("labels", self.labels)):
            yield from (Taken(path, role, f"{GIVEN}/{path.name}") for path in paths)

    def machine_file(self, base: Path, names: Mapping[Path, Path]) -> bytes:
        """The machine file that says them.

        Args:
            base: name of the machine file in the kit; this one lies beside it.
            names: names in the kit of the files.

        Raises:
            SimkitError: there are labels, and not one image that they are of.
        """
        if self.labels and len(self.images) != 1:
            raise SimkitError(
                "--labels names labels of an image that is given with --image.",
                remedy="Give that one image too, or name the labels in the machine file.",
            )

        def written(path: Path) -> str:
            return quoted(Path(os.path.relpath(names[path.resolve()], base.parent)).as_posix())

        lines = [
            "# What was given on the command line when the kit was packed.",
            f"base = {quoted(base.name)}",
            *([f"seed = {self.seed}"] if self.seed is not None else []),
            *([f"clock = {quoted(self.clock)}"] if self.clock is not None else []),
            *([f"start = {quoted(self.start)}"] if self.start is not None else []),
            *([f"faults = [{', '.join(map(quoted, self.faults))}]"] if self.faults else []),
        ]
        for slot in sorted({*self.images, *self.settings}):
            lines += ["", "[[card]]", f"slot = {slot}"]
            if slot in self.images:
                lines.append(f"image = {written(self.images[slot])}")
                if self.labels:
                    lines.append(f"labels = [{', '.join(map(written, self.labels))}]")
            if slot in self.settings:
                lines.append("[card.settings]")
                lines += [f"{name} = {_value(value)}" for name, value in self.settings[slot].items()]
        return ("\n".join(lines) + "\n").encode()


def _value(value: Any) -> str:
    """A setting as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    return quoted(value) if isinstance(value, str) else str(value)
