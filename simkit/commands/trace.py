"""`simkit trace`: bus cycles as text, as a file for waveform viewers, as a picture; and questions about the past."""

from __future__ import annotations

import sys
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, ReplayOption, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, runs_machine
from simkit.commands.say import JsonRows, say
from simkit.commands.trace_options import TraceOptions, Which

if TYPE_CHECKING:
    from simkit.commands.script import Script
    from simkit.commands.trace_run import TracedRun
    from simkit.machine.machine import Machine
    from simkit.records.bus_rows import Row

HELP = help_text(
    "Print what a machine does on its bus, a line a bus cycle: which card gives or takes the byte, at which register, "
    "address and byte, the instruction with label and source line, and what happens beside it in that cycle: dummy "
    "reads, repeats under RDY, contention, interrupts, lines that move, events of cards, input, findings.",
    "With --from every cycle from there on is printed, up to --for (1 000 cycles if not said; --for +200c counts from "
    "--from). Without it the last 40 lines before --for are, or as many as --last N says. --address, --slot, --label, "
    "--kind and --only leave lines out. With --vcd the cycles go into a value change dump (IEEE 1364) that waveform "
    "viewers read, with --svg or --png into a picture.",
    "--last KIND:VALUE --before MOMENT asks about the past: what the last such access, arrival, finding or text was "
    "before the moment, in which cycle, by which instruction. SLOT.REGISTER stands for an address there, as in "
    "access:4.STATUS; #2 is the last but one. Exit code 1 when there was none.",
    MOMENTS,
    examples=(
        "simkit trace demo:marlpit",
        "simkit trace my-machine --from label:main_loop --for +200c",
        "simkit trace my-machine --slot 4 --for 2s",
        'simkit trace my-machine --address "\\$0200..\\$02FF" --only writes --for 1s --last 20',
        "simkit trace my-machine --from 1s --for +20ms --vcd bus.vcd",
        "simkit trace my-machine --from label:irq --for +40c --svg irq.svg",
        "simkit trace my-machine --last write:counter --before finding:write-to-rom",
        "simkit trace my-machine --last access:4.STATUS --before 'text:\"HELLO\"' --replay evening.rec",
        *(one.format("trace") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("trace", help=HELP)(runs_machine(trace))


def trace(
    options: MachineOptions,
    running: Running,
    begin: Annotated[
        str | None, typer.Option("--from", metavar="MOMENT", help="The first cycle; power-on if not given.")
    ] = None,
    last: Annotated[
        str | None,
        typer.Option("--last", metavar="N|MOMENT", help="The last N lines alone; or what is asked about: write:NAME."),
    ] = None,
    before: Annotated[
        str | None, typer.Option("--before", metavar="MOMENT", help="With --last MOMENT: before when.")
    ] = None,
    addresses: Annotated[
        list[str] | None,
        typer.Option("--address", metavar="PLACE", help="Address, label, or range: '$7F00..$7FFF'. Repeatable."),
    ] = None,
    slots: Annotated[
        list[int] | None, typer.Option("--slot", metavar="SLOT", help="Accesses that reach this card. Repeatable.")
    ] = None,
    within: Annotated[
        list[str] | None,
        typer.Option("--label", metavar="LABEL", help="Instructions from this label to the next one. Repeatable."),
    ] = None,
    kinds: Annotated[
        list[str] | None,
        typer.Option(
            "--kind", metavar="KIND", help="fetch, data, dummy, interrupt, reset, or repeat (under RDY). Repeatable."
        ),
    ] = None,
    only: Annotated[str | None, typer.Option("--only", metavar="WAY", help="reads or writes.")] = None,
    lines: Annotated[
        list[str] | None,
        typer.Option("--line", metavar="NAME", help="Tell of this line, or 4.INT, too; all for all. Repeatable."),
    ] = None,
    vcd: Annotated[
        Path | None, typer.Option("--vcd", metavar="FILE", help="Write a value change dump for waveform viewers.")
    ] = None,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="Write a picture of the waves.")] = None,
    png: Annotated[Path | None, typer.Option("--png", metavar="FILE", help="The same as PNG.")] = None,
    replay: ReplayOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Trace a machine (see HELP)."""
    which = Which(addresses or (), slots or (), within or (), kinds or (), only)
    asked = TraceOptions(
        options=options,
        running=running,
        begin=begin,
        last=last,
        before=before,
        which=which,
        lines=tuple(lines or ()),
        vcd=vcd,
        svg=svg,
        png=png,
        replay=replay,
        force=force,
        as_json=as_json,
    )
    asked.check()
    if asked.question:
        from simkit.commands.trace_question import answer_question

        answer_question(asked)
    elif asked.files:
        from simkit.commands.trace_files import write_files

        write_files(asked)
    else:
        print_trace(asked)


def print_trace(asked: TraceOptions) -> None:
    """Print the cycles that are wanted, as they come."""
    from simkit.commands.headless import Pieces
    from simkit.commands.taped_run import taped_run
    from simkit.commands.trace_run import TracedRun
    from simkit.records.bus_rows import RowMaker
    from simkit.records.bus_stream import MOST_CYCLES, BusStream
    from simkit.records.lines import lines_told

    loaded = asked.options.load()
    wanted = asked.which.wanted(loaded)
    lines = lines_told(loaded, asked.lines)
    shown = _printer(loaded, asked)
    script = asked.running.script(loaded, None)
    with taped_run(loaded, script, record=None, replay=asked.replay) as run:
        rows = RowMaker(loaded, wanted, shown.take)
        rows.most, rows.begin = asked.lines_wanted, None
        traced = TracedRun(run, asked.running, asked.begin, rows.begin_with)
        stream = BusStream(loaded, rows.add, lines, is_of=rows.of)
        shown.begin()
        silent = asked.lines_wanted is None and sys.stdout.isatty()
        reached = traced.go(Pieces(stream.drain, MOST_CYCLES, silent))
        stream.stop()
        rows.finish()
        run.close()
        shown.end(traced, script, reached=reached)
        traced.leave(script, reached=reached)


class _Printer(ABC):
    """Prints rows, at once or the last of them at the end.

    Args:
        machine: the machine.
        most: how many lines are printed at the end; None: all, at once.
    """

    def __init__(self, machine: Machine, most: int | None) -> None:
        self._machine = machine
        self._kept: deque[Row] | None = None if most is None else deque(maxlen=most)
        self._number = 0

    def take(self, rows: list[Row]) -> None:
        """Print them, or keep them."""
        self._number += len(rows)
        if self._kept is None:
            self.show(rows)
        else:
            self._kept.extend(rows)

    @abstractmethod
    def begin(self) -> None:
        """Print what stands above."""

    @abstractmethod
    def show(self, rows: list[Row]) -> None:
        """Print rows."""

    def end(self, traced: TracedRun, script: Script, *, reached: bool) -> None:
        """Print what has been kept, and what stands below."""
        if self._kept:
            self.show(list(self._kept))


class _TextPrinter(_Printer):
    def __init__(self, machine: Machine, most: int | None) -> None:
        from simkit.records.bus_text import BusText

        super().__init__(machine, most)
        self._text = BusText(machine)

    def begin(self) -> None:
        say(*self._text.head())

    def show(self, rows: list[Row]) -> None:
        say(*map(self._text.line, rows))

    def end(self, traced: TracedRun, script: Script, *, reached: bool) -> None:
        super().end(traced, script, reached=reached)
        if not self._number:
            say("No bus cycle of those is one that was asked for.")


class _JsonPrinter(_Printer):
    """One JSON document, printed piece by piece."""

    def begin(self) -> None:
        description = self._machine.description
        about = {"machine": description.name, "identity": self._machine.identity, "seed": description.seed}
        self._rows = JsonRows(about, "cycles")

    def show(self, rows: list[Row]) -> None:
        for row in rows:
            self._rows.add(row.as_dict())

    def end(self, traced: TracedRun, script: Script, *, reached: bool) -> None:
        super().end(traced, script, reached=reached)
        goal = traced.goal
        self._rows.close(
            {
                "cycle": traced.machine.cycle,
                "stopped": not reached,
                "until": goal.as_dict() if goal is not None else None,
                "missed": traced.missed(reached=reached),
                "not_given": script.as_dicts(),
            }
        )


def _printer(machine: Machine, asked: TraceOptions) -> _Printer:
    kind: Callable[[Machine, int | None], _Printer] = _JsonPrinter if asked.as_json else _TextPrinter
    return kind(machine, asked.lines_wanted)
