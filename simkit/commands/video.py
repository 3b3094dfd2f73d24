"""`simkit video`: what a tile-video card holds, as pictures and in words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, check_apart, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, leave, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json, say_notes, say_written

DEFAULT_AT = "2s"

HELP = help_text(
    "Look into a tile-video card: patterns with their colours, the places of the name table, sprites, palette, the map "
    "of video memory with overlaps, registers in words.",
    "--html writes one page to read or print: all pictures with captions, registers, tables and sprites in words, the "
    "names of the colours. --folder writes the pictures as PNG files, named after what they show.",
    MOMENTS,
    examples=(
        "simkit video demo:marlpit --at 2s",
        "simkit video demo:marlpit --at 2s --html video.html",
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
    html: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="Write one page with everything, to read or print.")
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Look into the card (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.files.png import PICTURE
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_together, write_whole
    from simkit.inspect.pictures import png
    from simkit.inspect.video import VideoLook
    from simkit.inspect.video_page import PAGE
    from simkit.inspect.video_page import html as page_of

    loaded = options.load()
    names = VideoLook.of(loaded, slot).pictures()  # a wrong slot is told before the machine runs
    goal, script = running.begin(loaded, DEFAULT_AT)
    rules: dict[str, Any] = {"what": "picture", "known": PICTURE, "force": force, "make_folders": True}
    pictures_to_be = [] if folder is None else [folder / f"video-{name}.png" for name in names]
    if folder is not None:
        check_output(*pictures_to_be, **rules)
    page_rules: dict[str, Any] = {"what": "page", "known": PAGE, "force": force}
    if html is not None:
        for picture in pictures_to_be:
            check_apart({"--html": html, "--folder": picture})
        check_output(html, **page_rules)
    reached = run_forward(loaded, goal)
    look = VideoLook.of(loaded, slot)
    written = {}
    if folder is not None:
        pictures = look.pictures()
        written = {name: folder / f"video-{name}.png" for name in pictures}
        say_notes(write_together({written[name]: png(picture) for name, picture in pictures.items()}, **rules))
    if html is not None:
        title = f"{loaded.description.name}: {look.card} at {loaded.seconds:.6g} s"
        page = page_of(look, title, loaded.description.about)
        say_written(write_whole(html, page, **page_rules))
        written["page"] = html
    elsewhere = html is not None and is_stdout(html)
    if as_json:
        files = {name: str(path) for name, path in written.items()}
        say_json(
            {"cycle": loaded.cycle, "words": look.words(), "files": files} | missed_as_dict(goal, script),
            error=elsewhere,
        )
    else:
        told = [f"written: {path}" for name, path in written.items() if name != "page"]  # the page is told by itself
        say(*look.words(), *told, error=elsewhere)
    leave(goal, script, reached=reached)
