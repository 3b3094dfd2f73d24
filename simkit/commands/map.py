"""`simkit map`: where everything answers; constants for ROM sources; sources and schematics beside the machine file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text, takes_machine
from simkit.commands.say import say, say_json, say_notes, say_text
from simkit.contract.errors import SimkitError, near

if TYPE_CHECKING:
    from simkit.address_map.compared import Comparison
    from simkit.address_map.whole import AddressMap
    from simkit.machine.machine import Machine

HELP = help_text(
    "Tell which card answers where: addresses, registers with their bits as wired, what a read finds where nobody "
    "answers, vectors, lines and who drives them; per bank where cards are banked. What the machine file says of "
    "constants, schematics and label lists is compared on the way; exit code 1 when one disagrees.",
    "--constants writes addresses, bits and masks for a ROM source, in the syntax of its assembler; the same machine "
    "gives the same file. --compare tells line by line whether an include file or a list of labels that you have still "
    "agrees. It knows names by their words: VIDEO_DATA, PADS_PORT_1, PAD_A, keyboardReadyBit.",
    "--netlist FILE --slot N compares a card with the netlist of its schematic, an S-expression netlist as schematic "
    "editors export it: the select at all addresses, address and data pins, strobes, lines, and the order of inputs. "
    "Bus lines are known by the names of their nets (A0, D7, RWB, PHI2, IRQ), logic parts and chips by their values. "
    "--propose prints the lines of a machine file that the schematic makes.",
    examples=(
        "simkit map demo:marlpit",
        "simkit map my-machine --svg map.svg",
        "simkit map my-machine --html map.html",
        "simkit map my-machine --markdown > map.md",
        "simkit map my-machine --constants machine.inc --syntax ca65",
        "simkit map my-machine --compare hardware.inc",
        "simkit map demo:marlpit --netlist keyboard.net --slot 3",
        "simkit map demo:marlpit --netlist pads.net --slot 4 --propose",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("map", help=HELP)(takes_machine(address_map_of))


def address_map_of(
    options: MachineOptions,
    svg: Annotated[
        Path | None, typer.Option("--svg", metavar="FILE", help="Draw the map, for print and in grey.")
    ] = None,
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="One page with drawing, registers, wiring, vectors and notes."),
    ] = None,
    markdown: Annotated[bool, typer.Option("--markdown", help="Print it in Markdown.")] = False,
    constants: Annotated[
        Path | None, typer.Option("--constants", metavar="FILE", help="Write the constants of ROM sources.")
    ] = None,
    syntax: Annotated[
        str | None,
        typer.Option("--syntax", metavar="S", help="Of --constants: ca65, 64tass, ophis, equals, equ, c or json."),
    ] = None,
    compare: Annotated[
        Path | None,
        typer.Option("--compare", metavar="FILE", help="Does this include file or list of labels agree?"),
    ] = None,
    netlist: Annotated[
        Path | None, typer.Option("--netlist", metavar="FILE", help="Does this netlist of the card's schematic agree?")
    ] = None,
    slot: Annotated[int | None, typer.Option("--slot", metavar="N", help="Of --netlist: the card's slot.")] = None,
    propose: Annotated[
        bool, typer.Option("--propose", help="Of --netlist: print the machine-file lines that the schematic makes.")
    ] = False,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Tell, draw or compare the map (see HELP)."""
    from simkit.address_map.whole import address_map

    if syntax is not None and constants is None:
        raise SimkitError("--syntax is said of constants.", remedy="Give --constants FILE with it.")
    if markdown and as_json:
        raise SimkitError("--markdown and --json are two forms.", remedy="Give one of the two.")
    if netlist is None and (slot is not None or propose):
        raise SimkitError("--slot and --propose are said of a netlist.", remedy="Give --netlist FILE with them.")
    forms = {"--svg": svg, "--html": html, "--constants": constants, "--markdown": markdown or None}
    asked = [name for name, given in forms.items() if given is not None]
    for name, given in (("--compare", compare), ("--netlist", netlist)):
        if given is not None and (others := [*asked, *(["--compare"] if name == "--netlist" and compare else [])]):
            raise SimkitError(
                f"{name} compares, and {' and '.join(others)} asks for something else.", remedy="Give one alone."
            )
    if markdown and len(asked) > 1:
        raise SimkitError("--markdown prints, and the others write files.", remedy="Give one alone.")
    chosen = _syntax(syntax, constants)
    machine = options.load()
    if netlist is not None:
        _schematic(machine, netlist, slot, propose=propose, as_json=as_json)
        return
    if compare is not None:
        _compare(machine, compare, as_json=as_json)
        return
    files = {"--svg": svg, "--html": html, "--constants": constants}
    found = address_map(machine)
    if any(path is not None for path in files.values()):
        _write(found, svg, html, constants, chosen, force=force, as_json=as_json)
        return
    _tell(found, markdown=markdown, as_json=as_json)


def _syntax(wanted: str | None, constants: Path | None) -> str:
    """The syntax that is said, or that the ending of the file says; 64tass reads what `equals` writes."""
    from simkit.address_map.syntaxes import SYNTAXES

    if wanted is None:
        return {".h": "c", ".json": "json"}.get(constants.suffix.lower(), "equals") if constants else "equals"
    if wanted not in SYNTAXES:
        raise SimkitError(f"There is no syntax {wanted!r}.", remedy=near(wanted, SYNTAXES))
    return wanted


def _tell(found: AddressMap, *, markdown: bool, as_json: bool) -> None:
    from simkit.address_map.sections import markdown as as_markdown
    from simkit.address_map.standing import standing
    from simkit.address_map.words import map_lines

    compared = standing(found.machine)
    if as_json:
        say_json({**found.as_dict(), "compared": compared.as_dict()})
    elif markdown:
        from simkit.address_map.document import document

        say_text(as_markdown(found, document(found, compared)))
    else:
        say(*map_lines(found), *(["", "Compared", *(f"  {line}" for line in compared.lines())] if compared.any else []))
    if compared.differs:
        raise typer.Exit(exits.FOUND)


def _write(
    found: AddressMap,
    svg: Path | None,
    html: Path | None,
    constants: Path | None,
    syntax: str,
    *,
    force: bool,
    as_json: bool,
) -> None:
    from simkit.address_map.constants import constants_of, wiring_identity
    from simkit.address_map.document import document
    from simkit.address_map.drawn import drawn
    from simkit.address_map.sections import PAGE
    from simkit.address_map.sections import html as as_html
    from simkit.address_map.standing import standing
    from simkit.address_map.syntaxes import CONSTANTS, constants_file
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_whole
    from simkit.looks.drawing import SVG
    from simkit.looks.drawing import svg as as_svg

    machine = found.machine
    wanted = []
    if svg is not None:
        wanted.append((svg, as_svg(drawn(found)), "picture", SVG))
    if html is not None:
        wanted.append((html, as_html(found, document(found, standing(machine))), "page", PAGE))
    if constants is not None:
        text = constants_file(constants_of(machine), machine.description.name, wiring_identity(machine), syntax)
        wanted.append((constants, text, "file of constants", CONSTANTS))
    for path, _, what, known in wanted:  # all or none
        check_output(path, what=what, known=known, force=force)
    for path, text, what, known in wanted:
        say_notes(write_whole(path, text, what=what, known=known, force=force))
    paths = [str(path) for path, *_ in wanted]
    elsewhere = any(is_stdout(path) for path, *_ in wanted)
    if as_json:
        say_json({"machine": machine.description.name, "files": paths}, error=elsewhere)
    else:
        say(*(f"Written: {path}" for path in paths), error=elsewhere)


def _schematic(machine: Machine, path: Path, slot: int | None, *, propose: bool, as_json: bool) -> None:
    from simkit.schematic.check import check_netlist
    from simkit.schematic.netlist import load_netlist
    from simkit.schematic.propose import propose as proposed

    if slot is None:
        slots = ", ".join(f"{card.slot} ({card.kind})" for card in machine.description.cards)
        raise SimkitError("Which card the netlist is of is not said.", remedy=f"Give --slot N: {slots}.")
    try:
        netlist = load_netlist(path)
    except FileNotFoundError as error:
        remedy = "Export the netlist from the schematic editor, or correct the path."
        raise SimkitError(f"There is no file {str(path)!r}.", remedy=remedy) from error
    if propose:
        lines = proposed(machine, slot, netlist)
        if as_json:
            say_json({"machine": machine.description.name, "slot": slot, "lines": lines})
        else:
            say_text("\n".join(lines) + "\n")
        return
    found = check_netlist(machine, slot, netlist)
    if as_json:
        say_json({"machine": machine.description.name, **found.as_dict()})
    else:
        say(*found.lines())
    if found.differences:
        raise typer.Exit(exits.FOUND)


def _compare(machine: Machine, path: Path, *, as_json: bool) -> None:
    from simkit.address_map.compared import compare
    from simkit.address_map.includes import read_include

    found = compare(machine, read_include(path))
    if as_json:
        say_json({"machine": machine.description.name, **found.as_dict()})
    else:
        say(*comparison_lines(found, machine.description.name))
    if found.differing or not found.rows:
        raise typer.Exit(exits.FOUND)


def comparison_lines(found: Comparison, machine: str) -> list[str]:
    """A comparison for people: what disagrees, then how much agrees and what was not compared."""
    lines = [f"{found.place(row)}: {row.sentence()}" for row in found.differing]
    agreeing = len(found.rows) - len(found.differing)
    if not found.rows:
        lines.append(
            f"{found.path}: none of its {len(found.others)} names means a register or bit of {machine}, so nothing was "
            "compared. Names are known by their words: of the card, then of the register or bit (VIDEO_DATA, PAD_A)."
        )
    else:
        lines.append(f"{found.path}: {agreeing} of {len(found.rows)} names agree with {machine}.")
    if found.is_stale:
        lines.append("It was made from another wiring: make it anew with --constants.")
    if found.others and found.rows:
        number = f"{len(found.others)} of {len(found.others) + len(found.rows)} names"
        lines.append(f"Not compared, as no register or bit is called so: {number}: {', '.join(found.others)}.")
    if found.unknown:
        shown = ", ".join(f"{name} (line {line})" for name, line in found.unknown[:8])
        lines.append(f"Not worked out: {shown}.")
    return lines
