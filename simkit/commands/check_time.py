"""`simkit check --time`: where the time of the run went, beside the findings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import attrs

from simkit.commands.options import check_apart
from simkit.commands.say import say_written
from simkit.contract.errors import SimkitError
from simkit.files.whole import check_output, write_whole
from simkit.looks.drawing import SVG
from simkit.looks.drawing import svg as as_svg
from simkit.machine.machine import Machine
from simkit.spent.drawn import drawn
from simkit.spent.result import Spent
from simkit.spent.watch import SpentWatch
from simkit.spent.words import spent_data, spent_text

_WHAT = "picture"


@attrs.define
class Timing:
    """What is asked of it, from the options of these names; nothing without `time`.

    Raises:
        SimkitError: options that mean nothing together, or a picture that may not be written.
    """

    time: bool
    each_frame: str | None
    svg: Path | None
    one_line: bool
    sarif: Path | None
    force: bool
    _watch: SpentWatch | None = attrs.field(init=False, default=None)
    _spent: Spent | None = attrs.field(init=False, default=None)

    def __attrs_post_init__(self) -> None:
        for name, value in (("--each-frame", self.each_frame), ("--svg", self.svg)):
            if value is not None and not self.time:
                raise SimkitError(f"{name} says how it is told where the time goes.", remedy="Add --time.")
        if self.time and self.one_line:
            raise SimkitError(
                "--one-line is a line a finding, and tables of --time are none.", remedy="Leave one out, or use --json."
            )
        check_apart({"--sarif": self.sarif, "--svg": self.svg})
        if self.svg is not None:
            check_output(self.svg, what=_WHAT, known=SVG, force=self.force)

    def begin(self, machine: Machine) -> None:
        """Measure from now on."""
        if self.time:
            self._watch = SpentWatch(machine, each_frame=self.each_frame)

    def end(self) -> None:
        """It was up to now."""
        if self._watch is not None:
            self._spent = self._watch.stop()

    def draw(self) -> None:
        """Write the picture, if one is asked for."""
        if self._spent is not None and self.svg is not None:
            picture = as_svg(drawn(self._spent))
            say_written(write_whole(self.svg, picture, what=_WHAT, known=SVG, force=self.force))

    def text(self) -> str:
        """For people, with an empty line before it; "" when it is not asked for."""
        return "" if self._spent is None else f"\n{spent_text(self._spent)}"

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {} if self._spent is None else {"time": spent_data(self._spent)}
