"""`simkit replay`: a recording gone through, compared, and read: its chapters, and the machine at one of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text, takes_machine
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError, near

if TYPE_CHECKING:
    from simkit.commands.goal import Goal
    from simkit.commands.taped_run import TapedRun
    from simkit.machine.machine import Machine
    from simkit.outside.recording import Chapter, Recording

HELP = help_text(
    "Play a recording as fast as it goes, tell its chapters, and compare the machine with the recorded one wherever "
    "the recording holds a hash of it: the first place that differs is told, with exit code 1. RECORDING is a file, "
    "or of a kit the title of one.",
    "--chapter stops where a chapter begins, --to at a moment, and tells what the machine looks like there; --png "
    "writes its picture. --chapters lists the chapters and plays nothing.",
    "--story makes a recording tell a story: of a Markdown file each heading `## MOMENT: Name` becomes a chapter at "
    "that moment, and the text below it is its caption; `# Name` and its text come at the very beginning. The "
    "recording is written anew with these chapters to --out; all else in it stays as it is.",
    "A MOMENT is written as on all commands that run a machine: `simkit show --help` tells how.",
    examples=(
        "simkit replay my-machine evening.rec",
        "simkit replay my-machine evening.rec --chapter 'Level 2' --png level-2.png",
        "simkit replay my-machine evening.rec --to label:game_over#2",
        "simkit replay my-machine evening.rec --story story.md --out told.rec",
        "simkit replay slug-watch.kit evening --chapters",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("replay", help=HELP)(takes_machine(replay))


def replay(
    options: MachineOptions,
    recording: Annotated[str, typer.Argument(metavar="RECORDING", help="A recording, or its title in a kit.")],
    chapter: Annotated[
        str | None, typer.Option("--chapter", metavar="NAME", help="Stop where this chapter begins.")
    ] = None,
    to: Annotated[str | None, typer.Option("--to", metavar="MOMENT", help="Stop at this moment.")] = None,
    chapters: Annotated[bool, typer.Option("--chapters", help="List the chapters, and play nothing.")] = False,
    png: Annotated[
        Path | None, typer.Option("--png", metavar="FILE", help="Write the picture at the end as PNG.")
    ] = None,
    story: Annotated[
        Path | None, typer.Option("--story", metavar="FILE", help="Markdown with the chapters of a story.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="With --story: the recording to write.")
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Play a recording (see HELP)."""
    from simkit.outside.recording import read_recording

    _check(chapter, to, png, story, out, chapters=chapters)
    path = _path(options.machine, recording)
    if chapters:
        found = read_recording(path)
        if as_json:
            say_json(found.as_dict())
        else:
            say(*(_told(found, found.chapters) or ["The recording has no chapters."]))
        return
    loaded = options.load()
    if story is not None:
        assert out is not None
        _tell(loaded, path, story, out, force=force, as_json=as_json)
        return
    _play(loaded, path, _end(read_recording(path), chapter, to), png, force=force, as_json=as_json)


def _check(
    chapter: str | None, to: str | None, png: Path | None, story: Path | None, out: Path | None, *, chapters: bool
) -> None:
    """Check that the options go together."""
    if chapter is not None and to is not None:
        raise SimkitError("--chapter and --to both say where to stop.", remedy="Leave one out.")
    if (story is None) != (out is None):
        raise SimkitError("--story says what is told, --out where it is written.", remedy="Give both.")
    told = {"--chapter": chapter, "--to": to, "--png": png, "--story": story}
    more = [option for option, given in told.items() if given is not None]
    if chapters and more:
        raise SimkitError(f"--chapters plays nothing; {more[0]} is about playing.", remedy="Leave one out.")
    if story is not None and len(more) > 1:
        raise SimkitError(f"--story plays all of the recording; {more[0]} stops in it.", remedy="Leave one out.")


def _path(machine: str, recording: str) -> Path:
    """The recording: a file, or one that a kit has under that title."""
    from simkit.files.bounded import is_file
    from simkit.kitfile.reading import is_kit, read_kit
    from simkit.kitfile.unpacking import at_home

    path = Path(recording)
    if not is_kit(Path(machine)) or is_file(path):
        return path
    kit = read_kit(Path(machine))
    titles = {one.title: one.file for one in kit.manifest.recordings}
    if recording not in titles:
        message = f"The kit has no recording {recording!r}, and there is no such file."
        raise SimkitError(message, remedy=near(recording, titles))
    return at_home(kit) / titles[recording]


def _end(recording: Recording, chapter: str | None, to: str | None) -> str | None:
    """The moment at which to stop, as a text; None: play all."""
    if chapter is None:
        return to
    return f"{recording.chapter(chapter).cycles}c"


def _play(loaded: Machine, path: Path, end: str | None, png: Path | None, *, force: bool, as_json: bool) -> None:
    from simkit.commands.goal import Goal
    from simkit.commands.headless import Pieces, play_forward, write_picture
    from simkit.commands.script import Script
    from simkit.commands.taped_run import taped_run
    from simkit.files.png import PICTURE
    from simkit.files.whole import check_output
    from simkit.machine.views import Screen

    if png is not None:
        check_output(png, what="picture", known=PICTURE, force=force)
        loaded.port(Screen)
    with taped_run(loaded, Script(loaded, None, (), (), (), None), record=None, replay=path) as run:
        player = run.player
        assert player is not None
        goal = Goal(loaded, None, end) if end is not None else None
        left = list(player.recording.chapters)

        def tell_chapters() -> None:
            while not as_json and left and left[0].cycles <= player.played:
                say(*_told(player.recording, [left.pop(0)]))

        tell_chapters()
        reached = play_forward(player, goal, asked_to_end=run.ending.asked, pieces=Pieces(tell_chapters))
        picture = write_picture(run.machine.port(Screen), png, force=force) if png is not None else None
        _report(run, goal, picture, reached=reached, as_json=as_json)
        run.leave()
        if not reached:
            raise typer.Exit(exits.INTERRUPTED)
        nothing = goal is None and not player.compared
        if nothing or (goal is not None and goal.missed() and not goal.is_time):
            raise typer.Exit(exits.FOUND)


def _report(run: TapedRun, goal: Goal | None, picture: Path | None, *, reached: bool, as_json: bool) -> None:
    """What came of it."""
    from simkit.machine.inside import inside, words

    machine = run.machine
    missed = goal.missed() if goal is not None and reached and not goal.is_time else []
    found = inside(machine, [])
    if as_json:
        until = goal.as_dict() if goal is not None else None
        say_json(run.as_dict() | {"until": until, "picture": str(picture) if picture else None, "inside": found})
        return
    if goal is not None:
        say(*words(machine, found))
    if picture is not None:
        say(f"Picture: {picture}")
    player = run.player
    if goal is None and reached and player is not None and not player.compared:
        missed = ["Nothing was compared: it is another machine than the recorded one, or the recording is too old."]
    say(*run.lines(), *missed)


def _told(recording: Recording, chapters: Sequence[Chapter]) -> list[str]:
    """Chapters with their times and captions, in lines."""
    from simkit.contract.clock import parse_hz

    clock = recording.header.clock
    lines = []
    for one in chapters:
        when = f"{float(one.cycles / parse_hz(clock)):9.3f} s" if clock is not None else f"cycle {one.cycles}"
        lines.append(f"{when}  {one.name}")
        lines += [f"             {line}" for line in one.caption.split("\n") if line]
    return lines


def _tell(loaded: Machine, path: Path, story: Path, out: Path, *, force: bool, as_json: bool) -> None:
    """Write a recording anew, with the chapters of a story."""
    from simkit.commands.long_run import LongRun
    from simkit.files.whole import check_output, write_whole
    from simkit.outside.journal import RECORDING
    from simkit.outside.recording import read_recording
    from simkit.outside.story import read_story, told

    check_output(out, what="recording", known=RECORDING, force=force)
    chapters = read_story(story)
    recording = read_recording(path)
    with LongRun(loaded.description.name) as run:
        content = told(loaded, recording, chapters, run.goes_on)
    if run.stopped:
        raise typer.Exit(exits.INTERRUPTED)
    say_notes(write_whole(out, content, what="recording", known=RECORDING, force=force))
    made = read_recording(out)
    if as_json:
        say_json(made.as_dict())
    else:
        say(*_told(made, made.chapters), f"Written: {out}, {len(made.chapters)} chapters")
