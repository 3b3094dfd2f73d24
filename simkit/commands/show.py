"""`simkit show`: what a machine looks like inside at a moment: CPU, cards in words, last instructions, memory."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from simkit.commands import exits
from simkit.commands.options import JsonOption, MachineOptions, PadOption, TypeOption, help_text, takes_machine
from simkit.commands.say import say, say_json
from simkit.contract.errors import SimkitError
from simkit.cpu.isa.flags import flags_sentence, flags_set
from simkit.machine.told import Executed, Loop, last_lines

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

LAST_SHOWN = 8
MEMORY_SHOWN = 32
"""Bytes of memory shown from an address on, in rows of eight."""

HELP = help_text(
    "Show what a machine looks like inside at a moment: the CPU, what each card holds in words, the last instructions, "
    "findings; with --memory the bytes from an address on.",
    examples=(
        "simkit show demo:marlpit --at 2s",
        "simkit show demo:marlpit --at 2s --memory PLAYER1_X",
        'simkit show demo:bench --at 0.1s --memory "$0200"',
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("show", help=HELP)(takes_machine(show))


def show(
    options: MachineOptions,
    at: Annotated[str, typer.Option("--at", metavar="TIME", help="When to look: 0.5s, 120f, 5000c.")] = "2s",
    typed: TypeOption = None,
    pad: PadOption = None,
    memory: Annotated[
        list[str] | None, typer.Option("--memory", metavar="ADDR", help="Address or label; repeatable.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show a machine (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.commands.script import schedule_run

    loaded = options.load()
    addresses = [address_of(loaded, text) for text in memory or []]
    if not run_forward(loaded, schedule_run(loaded, at, typed or [], pad or [])):
        raise typer.Exit(exits.INTERRUPTED)
    found = inside(loaded, addresses)
    if as_json:
        say_json(found)
    else:
        say(*words(loaded, found))


def address_of(machine: Machine, text: str) -> int:
    """Address written as "$7F22" or as a label.

    Raises:
        SimkitError: neither.
    """
    digits = text.removeprefix("$")
    if text.startswith("$") or (digits and digits[0].isdigit()):
        try:
            address = int(digits, 16)
        except ValueError:
            address = -1
        if not 0 <= address <= 0xFFFF:
            raise SimkitError(f"{text!r} is not an address.", remedy="Write $0000 to $FFFF or a label.")
        return address
    return machine.labels[text]


def inside(machine: Machine, addresses: list[int]) -> dict[str, Any]:
    """Everything that is shown, as plain values."""
    cpu = machine.cpu
    here = machine.place(cpu.pc)
    return {
        "machine": machine.description.name,
        "about": machine.description.about,
        "cycle": machine.cycle,
        "seconds": machine.seconds,
        "cpu": {
            "part": machine.description.cpu,
            "pc": cpu.pc,
            "label": here.name,
            "file": here.file,
            "line": here.line,
            "a": cpu.a,
            "x": cpu.x,
            "y": cpu.y,
            "stack_pointer": cpu.sp,
            "flags": flags_set(cpu.p),
            "halted": cpu.halted,
        },
        "lines_pulled": [name for name in ("IRQ", "NMI", "RESET") if machine.lines[name].asserted],
        "cards": [
            {"slot": slot, "kind": card.kind, "words": card.words()} for slot, card in sorted(machine.cards.items())
        ],
        "last": [_as_dict(one) for one in machine.last_folded(LAST_SHOWN)],
        "memory": [{"address": address, "bytes": list(machine.peek(address, MEMORY_SHOWN))} for address in addresses],
        "findings": [
            {"rule": rule, "slot": slot, "count": count} for (rule, slot), count in machine.findings.counts().items()
        ],
    }


def _as_dict(one: Executed | Loop) -> dict[str, Any]:
    if isinstance(one, Loop):
        rounds = {"rounds": one.rounds, "or_more": one.or_more, "until": one.until}
        return {"loop": [_as_dict(done) for done in one.body], **rounds}
    place = one.place
    where = {"address": one.address, "label": place.name, "file": place.file, "line": place.line}
    return {"cycle": one.cycle, **where, "text": one.text}


def words(machine: Machine, found: dict[str, Any]) -> list[str]:
    """What is shown, in lines for people."""
    cpu = found["cpu"]
    where = machine.place(cpu["pc"]).words()
    cycle = f"{found['cycle']:,}".replace(",", " ")
    lines = [
        f"{found['machine']} at {found['seconds']:.6f} s, cycle {cycle}",
        *([found["about"]] if found["about"] else []),
        "",
        f"CPU ({cpu['part']}): next instruction at {where}",
        f"  A holds ${cpu['a']:02X}, X ${cpu['x']:02X}, Y ${cpu['y']:02X}; the stack pointer stands at "
        f"${cpu['stack_pointer']:02X}",
        f"  set: {flags_sentence(cpu['flags'])}",
        f"  lines pulled: {', '.join(found['lines_pulled']) or 'none'}",
    ]
    if cpu["halted"]:
        lines.append(f"  {cpu['halted']}")
    for card in found["cards"]:
        lines += ["", f"slot {card['slot']}: {card['kind']}", *(f"  {line}" for line in card["words"])]
    lines += ["", "Last instructions:"]
    lines += last_lines(machine.last_folded(LAST_SHOWN))
    for block in found["memory"]:
        lines += ["", f"Memory from ${block['address']:04X}:"]
        for start in range(0, MEMORY_SHOWN, 8):
            row = " ".join(f"{byte:02X}" for byte in block["bytes"][start : start + 8])
            lines.append(f"  ${(block['address'] + start) & 0xFFFF:04X}  {row}")
    if found["findings"]:
        lines += ["", "Findings:"]
        lines += [
            f"  {entry['rule']}, {'slot ' + str(entry['slot']) if entry['slot'] else 'machine'}: {entry['count']}"
            for entry in found["findings"]
        ]
    return lines
