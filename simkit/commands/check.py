"""`simkit check`: what the hardware will choke on, before the ROM is burned."""

from __future__ import annotations

import json
import sys
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands.options import (
    ClockOption,
    ImageOption,
    JsonOption,
    LabelsOption,
    MachineArgument,
    MachineOptions,
    SeedOption,
    SetOption,
    help_text,
)

if TYPE_CHECKING:
    from simkit.machine import Machine

DEFAULT_FOR = "2s"
EXIT_FINDINGS = 1

HELP = help_text(
    "Check ROM and machine before burning: the image without a run, then a run from power-on that looks at every bus "
    "cycle.",
    "Each finding says what, where (source line, address, label, cycle), why it bites on hardware and what to do. "
    "Findings that are meant to be go into a file accepted.toml beside the machine, each with a reason; "
    "`simkit explain RULE` tells the story of a rule. Exit code 1 when findings are left.",
    "The run does what the options say (--type, --pad, or --replay of a recording made by run --record): only what is "
    "executed can be watched.",
    examples=(
        "simkit check my-machine",
        'simkit check my-machine --for 10s --type "LIST\\n@2s" --pad "1=start@3s..3.2s"',
        "simkit check my-machine --replay evening.rec",
        "simkit check my-machine --sarif check.sarif",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check", help=HELP)(check)


def check(
    machine: MachineArgument,
    length: Annotated[
        str | None,
        typer.Option(
            "--for",
            metavar="TIME",
            help=f"Machine time to run: 0.5s, 120f, 5000c; {DEFAULT_FOR}, or as long as the recording, if not given.",
        ),
    ] = None,
    typed: Annotated[
        list[str] | None, typer.Option("--type", metavar="TEXT@TIME", help="Type a text. Repeatable.")
    ] = None,
    pad: Annotated[
        list[str] | None, typer.Option("--pad", metavar="N=BUTTONS@FROM..TO", help="Hold pad buttons. Repeatable.")
    ] = None,
    replay: Annotated[
        Path | None, typer.Option("--replay", metavar="FILE", help="Let the input of a recording come again.")
    ] = None,
    accepted: Annotated[
        Path | None,
        typer.Option("--accepted", metavar="FILE", help="Accepted findings; accepted.toml beside the machine if not."),
    ] = None,
    sarif: Annotated[
        Path | None, typer.Option("--sarif", metavar="FILE", help="Also write the findings as SARIF 2.1.0.")
    ] = None,
    seed: SeedOption = None,
    image: ImageOption = None,
    labels: LabelsOption = None,
    clock: ClockOption = None,
    settings: SetOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check a machine (see HELP)."""
    from simkit.check.report import report_text
    from simkit.check.run import check as check_machine
    from simkit.check.sarif import sarif_text

    loaded = MachineOptions.of(machine, seed, image, labels, clock, settings).load()
    cycles = scheduled(loaded, length, typed or [], pad or [], replay)
    result = check_machine(
        loaded, seconds=Fraction(cycles) / loaded.description.clock_hz, accepted=accepted, labels=labels or ()
    )
    if sarif is not None:
        write_text(sarif, sarif_text(result))
    print(json.dumps(result.as_dict(), indent=2) if as_json else report_text(result), end="\n" if as_json else "")
    if result.open:
        raise typer.Exit(EXIT_FINDINGS)


def scheduled(
    machine: Machine, length: str | None, typed: list[str], pads: list[str], replay: Path | None = None
) -> int:
    """Queue what is typed, held and replayed; gives the cycles of the run."""
    from simkit.clock import parse_duration
    from simkit.commands.script import schedule_pad, schedule_replay, schedule_typing
    from simkit.views import Screen

    screens = [port for card in machine.cards.values() for port in card.ports.values() if isinstance(port, Screen)]
    frame = screens[0].frame_cycles if screens else None

    def moment(text: str) -> int:
        return parse_duration(text, machine.description.clock_hz, frame)

    for text in typed:
        schedule_typing(machine, text, moment)
    for text in pads:
        schedule_pad(machine, text, moment)
    recorded = schedule_replay(machine, replay) if replay is not None else None
    if length is None and recorded is not None:
        return recorded
    return moment(DEFAULT_FOR if length is None else length)


def write_text(path: Path, text: str) -> None:
    """Write a report whole or not at all.

    Raises:
        SimkitError: it cannot be written.
    """
    from simkit.errors import SimkitError

    temporary = path.with_name(f".{path.name}.part")
    try:
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(path)
    except OSError as error:
        raise SimkitError(f"{path} cannot be written: {error.strerror or error}.") from error
    print(f"Written: {path}", file=sys.stderr)
