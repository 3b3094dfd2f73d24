"""`simkit rehearse`: a capture as a logic analyser would take it of this machine, to try one's own tools on."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import attrs
import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, leave, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json, say_written
from simkit.contract.errors import SimkitError, near
from simkit.files.streams import is_stdout, is_stream

if TYPE_CHECKING:
    from simkit.capture.rehearse import Analyser, Rehearsal
    from simkit.machine.machine import Machine

DEFAULT_FOR = "20ms"
DEFAULT_FORM = "vcd"

HELP = help_text(
    "Write a capture of the machine's bus as a logic analyser would have taken it: lines move when chips move them, "
    "samples fall where the analyser's clock has them, clips slip. It is for finding out how to capture before the "
    "real machine is on the bench: which lines, at which rate, in which form, and whether simkit compare and suspect "
    "make of it what they should.",
    "The capture begins at --from (power-on if not said) and ends at --for (20ms; +20ms is so long after --from). "
    "--line says what is clipped: A0, D0..D7, 4.select, 4.INT; all of the bus if not said. --form is vcd, csv, "
    "csv-times, csv-changes, csv-ticks, numbered, sr (zipped session archive) or lines (simkit's own plain text); if "
    "not said, FILE's ending decides.",
    "--jitter, --lost, --errors and --clock-error spoil it, by --noise N differently each time.",
    MOMENTS,
    examples=(
        "simkit rehearse my-machine --for 50ms --out capture.vcd",
        'simkit rehearse my-machine --line D0..D7 --line PHI2 --line 4.select --rate "50 MHz" --out pads.sr',
        "simkit rehearse demo:marlpit --lost 1% --errors 1% --clock-error 0.5% --jitter 2ns --out noisy.csv",
        "simkit rehearse my-machine --by-the-bus --from label:main_loop --for 1s --out cycles.txt",
        *(one.format("rehearse") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("rehearse", help=HELP)(runs_machine(rehearse))


def rehearse(
    options: MachineOptions,
    running: Running,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write the capture.")] = None,
    form: Annotated[str | None, typer.Option("--form", metavar="FORM", help="How it is written.")] = None,
    begin: Annotated[
        str | None, typer.Option("--from", metavar="MOMENT", help="Where it begins; power-on if not given.")
    ] = None,
    lines: Annotated[
        list[str] | None,
        typer.Option("--line", metavar="LINES", help='Clip a line or a range, e.g. "A0..A15". Repeatable.'),
    ] = None,
    rate: Annotated[str, typer.Option("--rate", metavar="RATE", help="Samples a second.")] = "24 MHz",
    by_the_bus: Annotated[
        bool, typer.Option("--by-the-bus", help="A sample a bus cycle, as an analyser that PHI2 clocks.")
    ] = False,
    jitter: Annotated[
        str, typer.Option("--jitter", metavar="TIME", help="By how much samples come early or late.")
    ] = "0ns",
    lost: Annotated[str, typer.Option("--lost", metavar="SHARE", help="Samples that are missing, e.g. 1%.")] = "0%",
    errors: Annotated[
        str, typer.Option("--errors", metavar="SHARE", help="Cycles in which some line is read wrong.")
    ] = "0%",
    clock_error: Annotated[
        str, typer.Option("--clock-error", metavar="SHARE", help="By how much the machine's oscillator is off.")
    ] = "0%",
    noise: Annotated[int, typer.Option("--noise", metavar="N", help="Another number, other noise.")] = 1,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Make a capture (see HELP)."""
    from simkit.capture.rehearse import Analyser
    from simkit.capture.rehearse import rehearse as take
    from simkit.capture.write import FORMS, write_capture
    from simkit.commands.goal import Goal, counted_from, moment_of, of_option
    from simkit.commands.headless import run_forward
    from simkit.files.whole import check_output
    from simkit.records.observed import Observer

    chosen = _form(out, form, list(FORMS))
    if out is not None:
        check_output(out, what="capture", known=FORMS[chosen].known, force=force)
    analyser = Analyser(
        rate_hz=_rate(rate),
        synchronous=by_the_bus,
        jitter=_seconds(jitter, "--jitter"),
        dropped=_share(lost, "--lost"),
        bit_errors=_share(errors, "--errors"),
        clock_error=_share(clock_error, "--clock-error", signed=True),
    )
    loaded = options.load()
    channels = _channels(loaded, lines or (), analyser)
    try:
        origin = moment_of(None, begin) if begin is not None else None
    except SimkitError as error:
        raise of_option("--from", error) from error
    running = attrs.evolve(running, length=counted_from(running.length or DEFAULT_FOR, origin))
    goal, script = running.begin(loaded, DEFAULT_FOR)
    reached = True
    if begin is not None:
        first = Goal(loaded, None, begin, None)
        reached = run_forward(loaded, first)
        missed = first.missed() if reached else []
        if missed or loaded.cycle >= goal.limit:
            raise SimkitError(
                f"--from {begin!r} does not come before the end of the run.",
                remedy="Set --for later, or --from sooner; --for +20ms counts from --from.",
            )
    begun = loaded.cycle
    if goal.is_time:
        _check_room(goal.limit - begun)
    with Observer(loaded, [line for line in channels if line != "PHI2"]) as observer:
        reached = reached and run_forward(loaded, goal)
    _check_room(loaded.cycle - begun)
    taken = take(observer.observed, loaded.description.clock_hz, channels, analyser, seed=noise)
    if out is not None:
        say_written(write_capture(out, taken.samples, chosen, force=force))
    _tell(loaded, taken, analyser, chosen, missed_as_dict(goal, script), as_json=as_json, out=out)
    leave(goal, script, reached=reached)


def _tell(
    machine: Machine,
    taken: Rehearsal,
    analyser: Analyser,
    form: str,
    missed: dict[str, object],
    *,
    as_json: bool,
    out: Path | None,
) -> None:
    samples, elsewhere = taken.samples, out is not None and is_stdout(out)
    if as_json:
        figures = {"cycle": machine.cycle, "samples": len(samples), "channels": list(samples.names), "form": form}
        say_json(
            {**figures, "first_row": taken.first, "began_s": taken.began, "period_s": taken.period} | missed,
            error=elsewhere,
        )
        return
    if analyser.synchronous:
        say(f"{len(samples)} bus cycles of {len(samples.names)} lines.", error=elsewhere)
        return
    per_cycle = float(analyser.rate_hz) * taken.period
    say(f"{len(samples)} samples of {len(samples.names)} lines, {per_cycle:.3g} a bus cycle.", error=elsewhere)


def _check_room(cycles: int) -> None:
    from simkit.backplane.records import RECORD_BYTES
    from simkit.records.recorder import MOST_BYTES

    most = MOST_BYTES // RECORD_BYTES
    if cycles > most:
        raise SimkitError(
            f"The capture would hold {cycles} bus cycles; {most} can be.", remedy="Set --for sooner, or --from later."
        )


def _channels(machine: Machine, lines: list[str] | tuple[str, ...], analyser: Analyser) -> list[str]:
    """Lines in the order in which they are clipped."""
    from simkit.capture.channels import expanded
    from simkit.records.observed import Observer, lines_of

    if not lines:
        with Observer(machine) as observer:
            bus = list(observer.observed.names)
        return bus if analyser.synchronous else ["PHI2", *bus]
    found = [name for text in lines for name in expanded(text.strip())]
    there = ("PHI2", *lines_of(machine))
    for name in found:
        if name not in there and not re.fullmatch(r"[0-9]{1,2}\..+", name):
            raise SimkitError(f"--line: the machine has no line {name!r}.", remedy=near(name, there))
    twice = [name for name in found if found.count(name) > 1]
    if twice:
        raise SimkitError(f"--line names {twice[0]} twice.", remedy="Clip it once.")
    if analyser.synchronous and "PHI2" in found:
        raise SimkitError("PHI2 clocks an analyser with --by-the-bus; it is no channel.", remedy="Leave it out.")
    return found


def _form(out: Path | None, form: str | None, there: list[str]) -> str:
    """Name of the form: as said, or by the ending of the file."""
    if form is not None:
        if form not in there:
            raise SimkitError(f"--form {form!r}: there is no such form.", remedy=near(form, there))
        return form
    endings = {".vcd": "vcd", ".csv": "csv", ".sr": "sr", ".txt": "lines"}
    if out is None or is_stream(out) or not out.suffix:
        return DEFAULT_FORM
    if out.suffix.lower() not in endings:
        raise SimkitError(f"--out {out}: the ending does not say the form.", remedy="Add --form, e.g. --form vcd.")
    return endings[out.suffix.lower()]


def _rate(text: str) -> Fraction:
    from simkit.contract.clock import parse_hz

    try:
        return parse_hz(text)
    except SimkitError as error:
        raise SimkitError(f"--rate: {error.message}", remedy='Write e.g. "24 MHz".') from error


def _share(text: str, option: str, *, signed: bool = False) -> float:
    """A share: 1%, 0.01."""
    match = re.fullmatch(r"\s*([+-]?)([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*(%?)\s*", text)
    value = Fraction(match[2]) / (100 if match[3] else 1) if match else Fraction(2)
    if match is None or value > Fraction(1, 2) or (match[1] == "-" and not signed):
        raise SimkitError(f"{option} {text!r} is no share of at most a half.", remedy="Write e.g. 1% or 0.01.")
    return float(-value if match[1] == "-" else value)


def _seconds(text: str, option: str) -> float:
    match = re.fullmatch(r"\s*([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*(ns|us|ps)\s*", text)
    if match is None:
        raise SimkitError(f"{option} {text!r} is no time.", remedy="Write e.g. 2ns.")
    return float(match[1]) * {"ps": 1e-12, "ns": 1e-9, "us": 1e-6}[match[2]]
