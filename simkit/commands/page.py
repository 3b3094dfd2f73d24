"""`simkit page`: a folder for a web host, in which anyone can play the machine; or a look at it on this computer."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text
from simkit.commands.packing import Packing, card_lines, file_lines, files_as_dicts, packs_machine
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError

HELP = help_text(
    "Make a page on which anyone can play a machine: a folder that any web host serves as it is. The machine runs in "
    "the visitor's browser with the same Python code and the same CPU core; nothing is asked of any other host. "
    "MACHINE may be a kit; else it is packed as `simkit pack` does, and each file that goes in is listed.",
    "On the page are the picture, keys, gamepads, buttons for fingers, terminals, lamps; the recordings with their "
    "chapters, the notes, the address map, what is in CPU and cards while it runs; and a place to drop an own ROM "
    "image with its labels.",
    "Python for browsers comes from the npm package pyodide, which is got once and kept in your cache folder, or from"
    " a folder named with --runtime.",
    "--serve shows the page on this computer until Ctrl-C; with --serve alone MACHINE is the folder of a page.",
    examples=(
        "simkit page demo:marlpit --out site",
        "simkit page my-machine.kit --out site --serve",
        "simkit page my-machine --out site --recording evening.rec --notes story.md",
        "simkit page --serve site",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("page", help=HELP)(packs_machine(page))


def page(
    options: MachineOptions,
    packing: Packing,
    out: Annotated[Path | None, typer.Option("--out", metavar="FOLDER", help="Where to put the page.")] = None,
    runtime: Annotated[
        Path | None, typer.Option("--runtime", metavar="FOLDER", help="Folder of the npm package pyodide.")
    ] = None,
    serve: Annotated[bool, typer.Option("--serve", help="Show it on this computer until Ctrl-C.")] = False,
    port: Annotated[int, typer.Option("--port", metavar="N", help="Port for --serve; a free one if not given.")] = 0,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Make a page, serve one, or both (see HELP)."""
    if out is None:
        if not serve:
            raise SimkitError("--out says where to put the page.", remedy="Write e.g. --out site.")
        _serve(Path(options.machine), port)
        return
    _make(options, packing, out, runtime, force=force, as_json=as_json)
    if serve:
        _serve(out, port)


def _make(
    options: MachineOptions, packing: Packing, out: Path, runtime: Path | None, *, force: bool, as_json: bool
) -> None:
    from simkit.files.bounded import read_bounded
    from simkit.files.whole import write_together
    from simkit.kitfile.reading import MAX_KIT_BYTES, is_kit, kit_of, read_kit
    from simkit.machinefile.packed import code_in
    from simkit.page.build import compressed, page_files
    from simkit.page.runtime import read_runtime
    from simkit.page.written import is_page

    def tell(text: str) -> None:
        say(text, error=True)

    path = Path(options.machine)
    if is_kit(path) and options == MachineOptions(machine=options.machine) and packing == Packing():
        kit = read_kit(path)
        content = read_bounded(path, MAX_KIT_BYTES, "kit")
    else:
        _, packed = packing.pack(options)
        content = packed.content
        kit = kit_of(content, Path(f"{packed.manifest.name}.kit"))
    found = read_runtime(runtime, tell)  # which may be got by npm: what is wrong with the machine is told before
    tell("Putting the page together; its Python packages are compiled for the browser.")
    files = page_files(kit, content, found)
    contents = {out / name: data for name, data in files.items()}
    written = write_together(contents, what="page", force=force or is_page(out), make_folders=True)
    size = compressed(files)
    manifest = kit.manifest
    if as_json:
        told = {"folder": str(out), "name": manifest.name, "identity": manifest.identity, "compressed_bytes": size}
        say_json(told | {"files": files_as_dicts(manifest), "page": sorted(files)})
        return
    if written.overwritten:
        say(f"Overwrites the page in {out}.", error=True)
    say_notes(written.__class__(cleared=written.cleared))
    say(f"{manifest.name}: {len(manifest.files)} files of the machine", *file_lines(manifest))
    say(*card_lines(manifest, code_in(kit)))
    long = max(len(f"{len(data)}") for data in files.values())
    say(f"The page in {out}: {len(files)} files, {size / 1e6:.1f} MB compressed")
    say(*(f"  {len(data):>{long}}  {name}" for name, data in sorted(files.items())))
    say(f"Put the folder on any web host, or look at it: simkit page --serve {shlex.quote(str(out))}")


def _serve(folder: Path, port: int) -> None:
    from simkit.page.serving import server
    from simkit.page.written import is_page

    if not is_page(folder):
        raise SimkitError(f"There is no page in {folder}.", remedy="simkit page MACHINE --out FOLDER makes one.")
    with server(folder, port) as serving:
        say(f"http://{serving.server_address[0]!s}:{serving.server_port}/", flush=True)
        say("Ctrl-C ends it.", error=True)
        try:
            serving.serve_forever()
        except KeyboardInterrupt:
            return
