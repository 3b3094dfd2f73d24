"""`simkit video`: what a tile-video card holds, as pictures and in words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import JsonOption, MachineOptions, PadOption, TypeOption, help_text, takes_machine

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
    as_json: JsonOption = False,
) -> None:
    """Look into the card (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.commands.script import schedule_run
    from simkit.contract.errors import SimkitError
    from simkit.inspect.pictures import write_png
    from simkit.inspect.video import VideoLook

    loaded = options.load()
    VideoLook.of(loaded, slot)  # a wrong slot is told before the machine runs
    cycles = schedule_run(loaded, at, typed or [], pad or [])
    if folder is not None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise SimkitError(
                f"The folder {folder} cannot be made: {error.strerror or error}.", remedy="Name another with --folder."
            ) from error
    if not run_forward(loaded, cycles):
        raise typer.Exit(exits.INTERRUPTED)
    look = VideoLook.of(loaded, slot)
    written = {}
    if folder is not None:
        for name, picture in look.pictures().items():
            written[name] = folder / f"video-{name}.png"
            write_png(written[name], picture)
    if as_json:
        files = {name: str(path) for name, path in written.items()}
        print(json.dumps({"cycle": loaded.cycle, "words": look.words(), "files": files}, indent=2))
        return
    print("\n".join(look.words()))
    for path in written.values():
        print(f"written: {path}")
