"""`simkit video`: what a tile-video card holds, as pictures and in words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from simkit.commands import exits
from simkit.commands.options import (
    ForceOption,
    JsonOption,
    MachineOptions,
    PadOption,
    TypeOption,
    help_text,
    takes_machine,
)
from simkit.commands.say import say, say_json, say_notes

HELP = help_text(
    "Look into a tile-video card: patterns with their colours, the places of the name table, sprites, palette, the map "
    "of video memory with overlaps, registers in words.",
    "--folder writes the pictures as PNG files, named after what they show.",
    examples=(
        "simkit video demo:marlpit --at 2s",
        "simkit video my-machine --at 120f --slot 5 --folder pictures",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("video", help=HELP)(takes_machine(video))


def video(
    options: MachineOptions,
    at: Annotated[str, typer.Option("--at", metavar="TIME", help="When to look: 0.5s, 120f, 5000c.")] = "2s",
    slot: Annotated[int | None, typer.Option("--slot", metavar="N", help="Which card, when there are several.")] = None,
    folder: Annotated[Path | None, typer.Option("--folder", metavar="DIR", help="Write the pictures there.")] = None,
    typed: TypeOption = None,
    pad: PadOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Look into the card (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.commands.script import schedule_run
    from simkit.files.png import PICTURE
    from simkit.files.whole import check_output, write_together
    from simkit.inspect.pictures import png
    from simkit.inspect.video import VideoLook

    loaded = options.load()
    names = VideoLook.of(loaded, slot).pictures()  # a wrong slot is told before the machine runs
    cycles = schedule_run(loaded, at, typed or [], pad or [])
    rules: dict[str, Any] = {"what": "picture", "known": PICTURE, "force": force, "make_folders": True}
    if folder is not None:
        check_output(*(folder / f"video-{name}.png" for name in names), **rules)
    if not run_forward(loaded, cycles):
        raise typer.Exit(exits.INTERRUPTED)
    look = VideoLook.of(loaded, slot)
    written = {}
    if folder is not None:
        pictures = look.pictures()
        written = {name: folder / f"video-{name}.png" for name in pictures}
        say_notes(write_together({written[name]: png(picture) for name, picture in pictures.items()}, **rules))
    if as_json:
        files = {name: str(path) for name, path in written.items()}
        say_json({"cycle": loaded.cycle, "words": look.words(), "files": files})
        return
    say(*look.words(), *(f"written: {path}" for path in written.values()))
