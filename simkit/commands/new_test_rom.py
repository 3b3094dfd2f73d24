"""`simkit new test-rom`: a ROM with source that tries one card, and the note for the bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.testrom.build import TestRom
    from simkit.testrom.trial import Trial

HELP = help_text(
    "Write a ROM that tries the card in a slot: data lines, address lines, registers, neighbours, interrupt, and what "
    "its kind can do.",
    "Written are NAME.bin (the image), NAME.asm (the source that assembles to it), NAME.labels, NAME.md (what to burn, "
    "what is seen, what each failure means and what to probe first) and, where there is a screen or a serial line, "
    "NAME.expected.txt, the text that a sound machine shows.",
    "The ROM tells on lamps, over the serial line and on the screen, as the machine has them, and in any case by the "
    "address at which the CPU stays (PASS, FAIL_01, ...), for a logic probe. It needs no RAM and no stack. It is tried "
    "on the simulated machine before it is written; exit code 1 when that one does not pass.",
    examples=(
        "simkit new test-rom my-machine --slot 4",
        "simkit new test-rom my-machine --slot 4 --name pads-test --syntax ca65",
        "simkit run my-machine --image 2=slot-4-test.bin --labels slot-4-test.labels",
    ),
)
MAX_NAME = 60


def new_test_rom(
    options: MachineOptions,
    slot: Annotated[int | None, typer.Option("--slot", metavar="N", help="Slot of the card to try.")] = None,
    name: Annotated[
        Path | None,
        typer.Option("--name", metavar="NAME", help="Files to write, without ending; slot-N-test if not given."),
    ] = None,
    syntax: Annotated[
        str, typer.Option("--syntax", metavar="TOOL", help="Source for ophis, ca65 or 64tass.")
    ] = "ophis",
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write a test ROM (see HELP)."""
    from simkit.commands.long_run import LongRun
    from simkit.contract.errors import near
    from simkit.files.whole import write_together
    from simkit.testrom.build import PASS, build
    from simkit.testrom.code import SYNTAXES
    from simkit.testrom.survey import Survey
    from simkit.testrom.trial import try_out

    if slot is None:
        raise SimkitError("Which card is to be tried?", remedy="Say its slot: --slot 4.")
    if syntax not in SYNTAXES:
        raise SimkitError(f"--syntax {syntax!r} is none of {', '.join(SYNTAXES)}.", remedy=near(syntax, SYNTAXES))
    stem = name if name is not None else Path(f"slot-{slot}-test")
    if not stem.name.isprintable() or not 1 <= len(stem.name) <= MAX_NAME or stem.name.startswith("."):
        raise SimkitError(f"{str(stem)!r} is not a name for files.", remedy=f"Write up to {MAX_NAME} letters.")
    blank = _blank(options)
    survey = Survey(options.load(images=blank), slot)
    boot = survey.rom.seat.slot

    def load(image: bytes, seed: int | None = None) -> Machine:
        return options.load(tell_notes=False, seed=seed, images={**blank, boot: image})

    rom = build(survey, load)
    with LongRun(f"Trying it on {survey.machine.description.name}") as run:
        trial = try_out(rom, load(rom.image), goes_on=run.goes_on)
    if run.stopped:
        raise KeyboardInterrupt
    contents = _contents(rom, stem, options.machine, syntax)
    written = write_together(contents, what="test ROM", force=force)
    say_notes(written)
    good = trial.ends == PASS
    if as_json:
        say_json(_as_dict(rom, trial, list(contents)))
    else:
        _tell(rom, trial, list(contents), good=good)
    if not good:
        raise typer.Exit(exits.FOUND)


def _blank(options: MachineOptions) -> dict[int, bytes]:
    """Images for sockets for which there is none yet."""
    from simkit.commands.options import parse_settings
    from simkit.machinefile.read import read_description

    described = read_description(
        options.machine, clock=options.clock, settings=parse_settings(options.settings), wiring=options.wires
    )
    given = options.images()
    return {
        card.slot: b"\xff"
        for card in described.cards
        if card.board.image_size is not None
        and card.slot not in given
        and (card.image is None or not card.image.exists())
    }


def _contents(rom: TestRom, stem: Path, machine: str, syntax: str) -> dict[Path, str | bytes]:
    """All files by path."""
    from simkit.testrom.note import bench_note, has_text

    def path(ending: str) -> Path:
        return stem.with_name(f"{stem.name}{ending}")

    labels = "".join(f"{label} = ${address:04X}\n" for label, address in rom.labels.items())
    head = f"Test ROM for slot {rom.survey.slot} of {rom.survey.machine.description.name}; {stem.name}.md tells more."
    contents: dict[Path, str | bytes] = {
        path(".bin"): rom.image,
        path(".asm"): rom.code.source(syntax, head),
        path(".labels"): labels,
        path(".md"): bench_note(rom, stem.name, machine),
    }
    if has_text(rom):
        contents[path(".expected.txt")] = rom.expected
    return contents


def _tell(rom: TestRom, trial: Trial, files: list[Path], *, good: bool) -> None:
    survey = rom.survey
    say(
        f"Test of slot {survey.slot} ({survey.seat.kind}), {len(rom.plan.checks)} checks in {rom.size} bytes of "
        f"the ROM in slot {survey.rom.seat.slot}:",
        *(f"  {number:2}  {check.title}: {check.proves}." for number, check in enumerate(rom.plan.checks, start=1)),
    )
    if rom.plan.left_out:
        say("Not noticed:", *(f"  {one}" for one in rom.plan.left_out))
    words = ", ".join(f"{output.word}" for output in rom.outputs)
    say(f"It tells on: {words}." if words else "It tells by the address at which the CPU stays alone.")
    if good:
        say(f"The simulated machine passes after {trial.seconds:.1f} s of its time.")
    else:
        where = f"stays at {trial.ends}" if trial.ends else "comes to no end"
        say(
            f"The simulated machine {where} after {trial.seconds:.1f} s of its time: as the machine file describes it, "
            "it does not pass. Look at its wiring: simkit show MACHINE --wiring.",
            error=True,
        )
        for text in trial.texts.values():
            say(*(f"  {line}" for line in text.splitlines()), error=True)
    say(f"Written: {', '.join(map(str, files))}")
    note = next(path for path in files if path.suffix == ".md")
    say(f"Read {note}. It says, too, how to run this here.")


def _as_dict(rom: TestRom, trial: Trial, files: list[Path]) -> dict[str, Any]:
    from simkit.testrom.build import fail_label

    return {
        "machine": rom.survey.machine.description.name,
        "slot": rom.survey.slot,
        "kind": rom.survey.seat.kind,
        "rom_slot": rom.survey.rom.seat.slot,
        "bytes": rom.size,
        "files": [str(path) for path in files],
        "outputs": [output.word for output in rom.outputs],
        "left_silent": list(rom.left_silent),
        "checks": [
            {
                "number": number,
                "title": check.title,
                "proves": check.proves,
                "probe": check.probe,
                "figures": check.word,
                "fails_at": rom.code.labels[fail_label(number)],
                "presses": [
                    {"label": press.label, "what": press.what, "name": press.name, "number": press.number}
                    for press in check.presses
                ],
            }
            for number, check in enumerate(rom.plan.checks, start=1)
        ],
        "labels": rom.labels,
        "left_out": list(rom.plan.left_out),
        "cautions": list(rom.plan.cautions),
        "expected": rom.expected,
        "trial": {"ends": trial.ends, "seconds": trial.seconds, "texts": trial.texts},
    }
