"""What the command line says about `simkit trace`, and whether it goes together."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from simkit.commands.options import MachineOptions, as_tuple, check_apart
from simkit.commands.running import Running
from simkit.contract.errors import SimkitError, near, numbers
from simkit.files.streams import is_stream

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.records.bus_rows import Wanted

LAST_LINES = 40
"""Printed where nothing says where the trace begins."""
DEFAULT_FOR = "2s"
FROM_ON = "+1000c"
"""How long a trace goes on from --from, if nothing says."""
MOST_LINES = 1_000_000
WAYS = {"reads": False, "writes": True}


@attrs.frozen
class Which:
    """Which bus cycles are printed, as the command line says it.

    Attributes:
        addresses: an address, a label, or two with .. between.
        slots: of cards.
        labels: of instructions.
        kinds: of bus cycles.
        only: "reads", "writes" or None.
    """

    addresses: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    slots: Sequence[int] = attrs.field(default=(), converter=as_tuple)
    labels: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    kinds: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    only: str | None = None

    def wanted(self, machine: Machine) -> Wanted:
        """The same for a machine.

        Raises:
            SimkitError: it has no such label or slot, or there is no such kind.
        """
        from simkit.records.bus_rows import KIND_NAMES, REPEATED, Wanted

        known = (*KIND_NAMES, REPEATED)
        for kind in self.kinds:
            if kind not in known:
                raise SimkitError(f"--kind {kind!r} is no kind of bus cycle.", remedy=f"Write {', '.join(known)}.")
        for slot in self.slots:
            if slot not in machine.cards:
                raise SimkitError(
                    f"--slot {slot}: there is no card in it.", remedy=f"Slots with cards: {numbers(machine.cards)}."
                )
        for label in self.labels:
            if label not in machine.labels:
                raise SimkitError(f"--label: there is no label {label!r}.", remedy=near(label, machine.labels))
        if self.only is not None and self.only not in WAYS:
            raise SimkitError(f"--only {self.only!r} is neither reads nor writes.", remedy="Write one of them.")
        ranges = tuple(self._range(machine, text) for text in self.addresses)
        writes = None if self.only is None else WAYS[self.only]
        return Wanted(ranges, self.slots, self.labels, self.kinds, writes)

    @staticmethod
    def _range(machine: Machine, text: str) -> tuple[int, int]:
        from simkit.commands.goal import of_option
        from simkit.machine.waiting import address_of

        first, dots, last = text.partition("..")
        try:
            begin = address_of(machine, first.strip())
            end = address_of(machine, last.strip()) if dots else begin
        except SimkitError as error:
            raise of_option("--address", error) from error
        if end < begin:
            raise SimkitError(
                f"--address {text!r}: ${end:04X} comes before ${begin:04X}.", remedy="Write the lower one first."
            )
        return begin, end


@attrs.frozen(kw_only=True)
class TraceOptions:
    """What the command line says about a trace.

    Attributes:
        options: the machine.
        running: what is done to it, and until when it runs.
        begin: text of the moment with which it begins, or None.
        last: how many lines, or what is asked about, or None.
        before: text of the moment before which that was, or None.
        which: cycles that are printed.
        lines: of which it tells besides.
        vcd: value change dump to write.
        svg: picture to write.
        png: picture to write.
        replay: recording to play.
        force: write over files that are not of the kit's making.
        as_json: print for programs.
    """

    options: MachineOptions
    running: Running
    begin: str | None = None
    last: str | None = None
    before: str | None = None
    which: Which = attrs.field(factory=Which)
    lines: tuple[str, ...] = ()
    vcd: Path | None = None
    svg: Path | None = None
    png: Path | None = None
    replay: Path | None = None
    force: bool = False
    as_json: bool = False

    @property
    def files(self) -> dict[str, Path]:
        """Files to write, by option."""
        named = {"--vcd": self.vcd, "--svg": self.svg, "--png": self.png}
        return {option: path for option, path in named.items() if path is not None}

    @property
    def question(self) -> bool:
        """Whether --last asks about the past."""
        return self.last is not None and not self.last.strip().isdecimal()

    @property
    def lines_wanted(self) -> int | None:
        """How many lines are printed at the end; None: all, as they come."""
        if self.last is not None and not self.question:
            return int(self.last)
        return None if self.begin is not None else LAST_LINES

    def check(self) -> None:
        """Check that the options go together.

        Raises:
            SimkitError: they do not; says which.
        """
        check_apart({**self.files, "--replay": self.replay})
        if self.before is not None and not self.question:
            raise SimkitError(
                "--before says before when the last of something was.", remedy="Add what: --last write:counter, say."
            )
        if self.last is not None and not self.question and not 0 < int(self.last[:12]) <= MOST_LINES:
            raise SimkitError(
                f"--last {self.last}: {MOST_LINES} lines are the most, 1 the fewest.",
                remedy="Use --from to print more as they come.",
            )
        if self.question:
            for option, given in (("--from", self.begin), *self.files.items(), *self._filters()):
                if given:
                    raise SimkitError(
                        f"--last {self.last} asks about the past; {option} is for printing bus cycles.",
                        remedy="Leave one out.",
                    )
            if self.before is not None and self.running.length is not None:
                raise SimkitError("The run ends at --before; --for says another end.", remedy="Leave one out.")
        if self.files:
            for option, given in (("--last", self.last), *self._filters()):
                if given:
                    raise SimkitError(
                        f"{option} says which lines are printed; a file holds every cycle.", remedy="Leave one out."
                    )
        if self.png is not None and self.png.suffix.lower() != ".png" and not is_stream(self.png):
            raise SimkitError(
                f"--png {self.png}: pictures are PNG files.", remedy=f"Name it {self.png.stem or 'bus'}.png."
            )

    def _filters(self) -> list[tuple[str, object]]:
        which = self.which
        return [
            ("--address", which.addresses),
            ("--slot", which.slots),
            ("--label", which.labels),
            ("--kind", which.kinds),
            ("--only", which.only),
        ]
