"""`simkit film`: a stretch of a run, or of a recording, as a film, at exact frame times."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, ReplayOption, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, runs_machine
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError
from simkit.files.png import MAX_SCALE
from simkit.files.whole import check_output

if TYPE_CHECKING:
    from simkit.film.frames import Frame

USUALLY = "+5s"
"""How long a film goes on from --from, if nothing says."""
DEFAULT_SCALE = 2
MOST_FRAMES = 36_000

HELP = help_text(
    "Film a screen: each frame once, shown as long as the machine shows it.",
    "--out says what it becomes: an animated .webp, .gif or .png, or, with a name that has no ending, a folder with a "
    "PNG a frame, numbered since power-on. Times are exact and errors never add up: WebP and PNG count thousandths of "
    "a second, GIF hundredths, in which a frame lasts two at least, so that some frames of 60 a second are left out.",
    "--from is where the film begins, --for where it ends; +5s counts from --from. With --replay what a recording "
    "holds is filmed. There is no sound: no card of the kit has a sound port yet.",
    MOMENTS,
    examples=(
        "simkit film demo:marlpit --from 2s --for +5s --out title.webp",
        'simkit film demo:marlpit --from 3s --for +3s --pad "1=start@2s..2.1s" --pad "1=left@3s..5s" --out walk.gif',
        "simkit film my-machine --replay evening.rec --from 60s --for 90s --out minute.png --scale 3",
        "simkit film my-machine --from 'text:\"READY\"' --for +60f --out frames/",
        *(one.format("film --out a.webp") for one in MOMENT_EXAMPLES[:1]),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("film", help=HELP)(runs_machine(film))


def film(
    options: MachineOptions,
    running: Running,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The film: .webp, .gif, .png, or a folder.")
    ] = None,
    begin: Annotated[
        str, typer.Option("--from", metavar="MOMENT", help="Where it begins; power-on if not given.")
    ] = "0c",
    scale: Annotated[
        int, typer.Option("--scale", metavar="N", help=f"Each pixel so often across and down, 1 to {MAX_SCALE}.")
    ] = DEFAULT_SCALE,
    border: Annotated[bool, typer.Option(help="With the border round the picture.")] = True,
    slot: Annotated[
        int | None, typer.Option("--screen", metavar="SLOT", help="Which screen, when there are several.")
    ] = None,
    replay: ReplayOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Film a machine (see HELP)."""
    from simkit.commands.headless import Pieces
    from simkit.commands.long_run import LongRun
    from simkit.commands.taped_run import taped_run
    from simkit.commands.trace_run import TracedRun
    from simkit.film.frames import Frames
    from simkit.film.writing import FILM, kind_of, written
    from simkit.machine.views import Screen

    if not 1 <= scale <= MAX_SCALE:
        raise SimkitError(f"--scale {scale} is not possible.", remedy=f"Give 1 to {MAX_SCALE}.")
    if out is None:
        raise SimkitError("--out says where to put the film.", remedy="Write e.g. --out film.webp.")
    kind = kind_of(out)
    if kind is not None:
        check_output(out, what="film", known=FILM, force=force)
    loaded = options.load()
    screen = loaded.port(Screen, slot, option="--screen")
    script = running.script(loaded, screen)
    frames: list[Frame] = []
    with taped_run(loaded, script, record=None, replay=replay) as run:
        watched = Frames(loaded, screen.slot, border=border, take=_bounded(frames))
        traced = TracedRun(run, running, begin, watched.begin_with, USUALLY)
        reached = traced.go(Pieces())
        watched.stop()
        seconds = float(sum(frame.seconds for frame in frames))
        files: tuple[Path, ...] = ()
        if frames:
            with LongRun(f"Writing {out}") as writing:
                writing.goes_on(0.0)
                made = written(out, kind, frames, watched.palette, scale, force=force)
            say_notes(made)
            files = made.files
        if as_json:
            goal = traced.goal
            told = {"files": [str(path) for path in files], "frames": len(frames), "seconds": seconds}
            until = goal.as_dict() if goal is not None else None
            say_json(told | {"cycle": run.machine.cycle, "until": until, "not_given": script.as_dicts()})
        elif frames:
            say(f"{len(frames)} frames, {seconds:.3f} s: {out}")
        if not frames and reached and not traced.missed(reached=reached):
            raise SimkitError("No frame of the screen ended in that time.", remedy="Let --for be later, e.g. +1s.")
        traced.leave(script, reached=reached)


def _bounded(frames: list[Frame]) -> Callable[[Frame], None]:
    """What takes a frame into the list.

    Raises:
        SimkitError: there are too many, when it is called.
    """

    def take(frame: Frame) -> None:
        if len(frames) >= MOST_FRAMES:
            raise SimkitError(
                f"A film has {MOST_FRAMES} frames at most.", remedy="Film less: let --for come sooner after --from."
            )
        frames.append(frame)

    return take
