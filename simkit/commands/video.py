"""`simkit video`: what a tile-video card holds, as pictures and in words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, leave, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json, say_notes

DEFAULT_AT = "2s"

HELP = help_text(
    "Look into a tile-video card: patterns with their colours, the places of the name table, sprites, palette, the map "
    "of video memory with overlaps, registers in words.",
    "--folder writes the pictures as PNG files, named after what they show.",
    MOMENTS,
    examples=(
        "simkit video demo:marlpit --at 2s",
        "simkit video my-machine --at 120f --slot 5 --folder pictures",
        *(one.format("video") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("video", help=HELP)(runs_machine(video))


def video(
    options: MachineOptions,
    running: Running,
    slot: Annotated[int | None, typer.Option("--slot", metavar="N", help="Which card, when there are several.")] = None,
    folder: Annotated[Path | None, typer.Option("--folder", metavar="DIR", help="Write the pictures there.")] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Look into the card (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.files.png import PICTURE
    from simkit.files.whole import check_output, write_together
    from simkit.inspect.pictures import png
    from simkit.inspect.video import VideoLook

    loaded = options.load()
    names = VideoLook.of(loaded, slot).pictures()  # a wrong slot is told before the machine runs
    goal, script = running.begin(loaded, DEFAULT_AT)
    rules: dict[str, Any] = {"what": "picture", "known": PICTURE, "force": force, "make_folders": True}
    if folder is not None:
        check_output(*(folder / f"video-{name}.png" for name in names), **rules)
    reached = run_forward(loaded, goal)
    look = VideoLook.of(loaded, slot)
    written = {}
    if folder is not None:
        pictures = look.pictures()
        written = {name: folder / f"video-{name}.png" for name in pictures}
        say_notes(write_together({written[name]: png(picture) for name, picture in pictures.items()}, **rules))
    if as_json:
        files = {name: str(path) for name, path in written.items()}
        say_json({"cycle": loaded.cycle, "words": look.words(), "files": files} | missed_as_dict(goal, script))
    else:
        say(*look.words(), *(f"written: {path}" for path in written.values()))
    leave(goal, script, reached=reached)
