"""`simkit trace --vcd F`, `--svg F`, `--png F`: bus cycles as a file for waveform viewers, or as a picture."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simkit.commands.headless import Pieces
from simkit.commands.say import say, say_json, say_written
from simkit.commands.taped_run import taped_run
from simkit.commands.trace_options import FROM_ON, TraceOptions
from simkit.commands.trace_run import TracedRun
from simkit.contract.errors import SimkitError
from simkit.files.growing import GrowingFile
from simkit.files.png import PICTURE
from simkit.files.streams import is_stdout
from simkit.files.whole import Written, check_output, write_whole
from simkit.looks.drawing import SVG, svg
from simkit.machine.told import digits
from simkit.records.bus_rows import Row, RowMaker, Wanted
from simkit.records.bus_stream import MOST_CYCLES, BusStream
from simkit.records.lines import ALL, line_of
from simkit.records.observed import BUS_LINES, MOST_LINES, SELECT, Observed, Observer, lines_of
from simkit.records.vcd import VCD, VcdFile
from simkit.records.waves import MOST_COLUMNS, Span, View, rows_of, waves

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

SHOWN_FOR = "+32c"
"""How long a picture goes on from --from, if nothing says."""
BUFFER_BYTES = 1 << 20
_KNOWN = {"--vcd": ("value change dump", VCD), "--svg": ("picture", SVG), "--png": ("picture", PICTURE)}


def write_files(asked: TraceOptions) -> None:
    """Run, and write the files that are asked for."""
    for option, path in asked.files.items():
        what, known = _KNOWN[option]
        check_output(path, what=what, known=known, force=asked.force)
    loaded = asked.options.load()
    names = _names(loaded, asked)
    script = asked.running.script(loaded, None)
    pictures = asked.svg is not None or asked.png is not None
    with ExitStack() as stack:
        run = stack.enter_context(taped_run(loaded, script, record=None, replay=asked.replay))
        takers: list[Callable[[Observed], None]] = []
        dump = window = None
        if asked.vcd is not None:
            dump = _Dump(loaded, names, asked, asked.vcd)
            stack.callback(dump.close)
            takers.append(dump.add)
        if pictures:
            window = _Window(loaded)
            takers.append(window.add)
        watching = _Watching(loaded, names, takers)
        usually = SHOWN_FOR if pictures and dump is None else FROM_ON
        traced = TracedRun(run, asked.running, asked.begin, watching.begin_with, usually)
        if asked.begin is None:
            watching.begin = 0
        rows: list[Row] = []
        maker = RowMaker(loaded, Wanted(kinds={"fetch", "interrupt", "reset"}), rows.extend)
        maker.most = MOST_COLUMNS
        stream = BusStream(loaded, maker.add) if pictures else None

        def between() -> None:
            watching.drain(traced.machine)
            if stream is not None:
                maker.begin = watching.begin
                stream.drain()
                del rows[: -4 * MOST_COLUMNS]

        reached = traced.go(Pieces(between, MOST_CYCLES))
        between()
        watching.stop()
        if stream is not None:
            stream.stop()
            maker.finish()
        run.close()
        written = [Written()]
        if dump is not None:
            dump.close()
            written = [dump.written]
        if window is not None and not traced.missed(reached=reached):
            written += _pictures(asked, window, rows)
        _tell(loaded, asked, dump, window, written)
        traced.leave(script, reached=reached)


def _names(machine: Machine, asked: TraceOptions) -> tuple[str, ...]:
    """Lines that are written: all there are, or with --line those of the bus and the named ones."""
    if asked.lines and ALL not in asked.lines:
        selects = [f"{slot}.{SELECT}" for slot in machine.cards]
        named = [line_of(machine, name) for name in asked.lines]
        names = tuple(dict.fromkeys((*BUS_LINES, "IRQ", "NMI", "RESET", "RDY", "SO", *selects, *named)))
    else:
        names = lines_of(machine)
    if len(names) > MOST_LINES:
        left = ", ".join(names[MOST_LINES:])
        say(
            f"Note: {MOST_LINES} lines are written at most; left out: {left}. --line says which are wanted.", error=True
        )
    return names[:MOST_LINES]


class _Watching:
    """Observes a run piece by piece.

    Args:
        machine: that runs.
        names: lines.
        takers: get what was observed from the first wanted cycle on.

    Attributes:
        begin: the first wanted cycle; None while it is not known.
    """

    def __init__(self, machine: Machine, names: tuple[str, ...], takers: list[Callable[[Observed], None]]) -> None:
        self.begin: int | None = None
        self._names, self._takers = names, takers
        self._observer = Observer(machine, names)

    def begin_with(self, cycle: int) -> None:
        """The first wanted cycle is known."""
        self.begin = cycle

    def drain(self, machine: Machine) -> None:
        """Hand on what has come, and go on observing a machine."""
        self._observer.stop()
        self._hand_on()
        self._observer = Observer(machine, self._names)

    def stop(self) -> None:
        """Hand on what is left, and observe no more."""
        self._observer.stop()
        self._hand_on()

    def _hand_on(self) -> None:
        observed = self._observer.observed
        if self.begin is None or not len(observed):
            return
        wanted = observed.cycles.cycle >= np.uint64(self.begin)
        if wanted.any():
            cut = Observed(observed.names, observed.levels[wanted], observed.cycles[wanted])
            for take in self._takers:
                take(cut)


class _Dump:
    """A value change dump that grows while the machine runs; good up to what is in it, whatever ends the run.

    Attributes:
        cycles: bus cycles in it.
        written: what is to be told of the file.
    """

    def __init__(self, machine: Machine, names: tuple[str, ...], asked: TraceOptions, path: Path) -> None:
        self._machine, self._names = machine, names
        self._file = GrowingFile(path, what="value change dump", known=VCD, force=asked.force)
        self.written = self._file.written
        self._waiting: list[str] = []
        self._bytes = 0
        self._vcd: VcdFile | None = None
        self._closed = False
        self.cycles = 0

    def add(self, observed: Observed) -> None:
        """Add bus cycles."""
        if self._vcd is None:
            first = int(observed.cycles.cycle[0])
            comment = f"{self._machine.identity} seed {self._machine.description.seed}"
            self._vcd = VcdFile(self._machine, self._names, self._write, first, comment)
        self._vcd.add(observed)
        self.cycles = self._vcd.cycles
        self._flush()

    def _write(self, text: str) -> None:
        self._waiting.append(text)
        self._bytes += len(text)
        if self._bytes > BUFFER_BYTES:
            self._flush()

    def _flush(self) -> None:
        text = "".join(self._waiting)
        self._waiting.clear()
        self._bytes = 0
        if text:
            self._file.write(text.encode())

    def close(self) -> None:
        """End the file; without bus cycles it goes away again. A second time does nothing."""
        if self._closed:
            return
        self._closed = True
        if self._vcd is None:
            self._file.drop()
            return
        self._vcd.close()
        self._flush()
        self._file.close()


class _Window:
    """The bus cycles of a picture.

    Attributes:
        machine: it is of.
        number: how many there were.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self._kept: list[Observed] = []
        self.number = 0

    def add(self, observed: Observed) -> None:
        """Add bus cycles; of more than a picture takes no more are kept."""
        if self.number <= MOST_COLUMNS:
            self._kept.append(
                Observed(observed.names, observed.levels[: MOST_COLUMNS + 1], observed.cycles[: MOST_COLUMNS + 1])
            )
        self.number += len(observed)

    def view(self, rows: list[Row]) -> tuple[View, tuple[str, ...]]:
        """What is drawn.

        Raises:
            SimkitError: nothing, or more than a picture takes.
        """
        if not 0 < self.number <= MOST_COLUMNS:
            raise SimkitError(
                f"A picture shows 1 to {MOST_COLUMNS} bus cycles; these are {digits(self.number)}.",
                remedy="Say which with --from and --for: --from label:NAME --for +40c.",
            )
        names = self._kept[0].names
        levels = np.concatenate([one.levels for one in self._kept])
        cycles = [int(cycle) for one in self._kept for cycle in one.cycles.cycle]
        labels = [digits(cycle) if place % 5 == 0 else "" for place, cycle in enumerate(cycles)]
        columns = {cycle: place for place, cycle in enumerate(cycles)}
        starts = [row for row in rows if row.instruction and row.cycle in columns]
        begins = [*(columns[row.cycle] for row in starts), len(cycles)]
        spans = [Span(*ends, _words(row)) for row, ends in zip(starts, pairwise(begins), strict=True)]
        return View("", names, levels, None, labels, spans), names


def _words(row: Row) -> str:
    """What begins in a cycle, with its label where it stands at one."""
    at_label = row.pc is not None and row.place.label is not None and not row.place.offset
    return f"{row.place.label}: {row.instruction}" if at_label else row.instruction


def _pictures(asked: TraceOptions, window: _Window, rows: list[Row]) -> list[Written]:
    view, names = window.view(rows)
    machine = window.machine
    still = [name for place, name in enumerate(names) if _stands_high(view, place) and name not in asked.lines]
    shown = [name for name in names if name not in still or name in BUS_LINES]
    begin = asked.begin or "power-on"
    drawing = waves([view], rows_of(shown), title=f"{machine.description.name} from {begin}")
    written = []
    if asked.svg is not None:
        written.append(write_whole(asked.svg, svg(drawing), what="picture", known=SVG, force=asked.force))
    if asked.png is not None:
        from simkit.window.drawn import png

        written.append(write_whole(asked.png, png(drawing), what="picture", known=PICTURE, force=asked.force))
    return written


def _stands_high(view: View, place: int) -> bool:
    """Whether a line is released all the time: nothing is to be seen of it."""
    return bool((view.levels >> np.uint64(place) & np.uint64(1)).all())


def _tell(
    machine: Machine, asked: TraceOptions, dump: _Dump | None, window: _Window | None, written: list[Written]
) -> None:
    for one in written:
        say_written(one)
    elsewhere = any(is_stdout(path) for path in asked.files.values())
    number = dump.cycles if dump is not None else window.number if window is not None else 0
    if asked.as_json:
        found = {"machine": machine.description.name, "cycle": machine.cycle, "cycles": number}
        say_json(found | {"files": [str(path) for path in asked.files.values()]}, error=elsewhere)
    else:
        say(f"{machine.description.name}: {digits(number)} bus cycles.", error=elsewhere)
