"""`simkit show`: what a machine looks like inside at a moment: CPU, cards in words, last instructions, memory."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from simkit.backplane.faults import told
from simkit.commands.options import JsonOption, MachineOptions, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, leave, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json
from simkit.cpu.isa.flags import flags_sentence, flags_set
from simkit.machine.found import findings_lines
from simkit.machine.told import Executed, Loop, last_lines

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

DEFAULT_AT = "2s"
LAST_SHOWN = 8
MEMORY_SHOWN = 32
"""Bytes of memory shown from an address on, in rows of eight."""

HELP = help_text(
    "Show what a machine looks like inside at a moment: the CPU, what each card holds in words, the last instructions, "
    "findings; with --memory the bytes from an address on.",
    MOMENTS,
    examples=(
        "simkit show demo:marlpit --at 2s",
        "simkit show demo:marlpit --at 2s --memory PLAYER1_X",
        'simkit show demo:bench --at 0.1s --memory "$0200"',
        *(one.format("show") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("show", help=HELP)(runs_machine(show))


def show(
    options: MachineOptions,
    running: Running,
    memory: Annotated[
        list[str] | None, typer.Option("--memory", metavar="ADDR", help="Address or label; repeatable.")
    ] = None,
    wiring: Annotated[bool, typer.Option("--wiring", help="Show how it is wired, a sentence each, and stop.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Show a machine (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.machine.waiting import address_of

    loaded = options.load()
    if wiring:
        sentences = loaded.description.sentences()
        if as_json:
            say_json({"machine": loaded.description.name, "wiring": sentences})
        else:
            say(*sentences)
        return
    addresses = [address_of(loaded, text) for text in memory or []]
    goal, script = running.begin(loaded, DEFAULT_AT)
    reached = run_forward(loaded, goal)
    found = inside(loaded, addresses) | missed_as_dict(goal, script)
    if as_json:
        say_json(found)
    else:
        say(*words(loaded, found))
    leave(goal, script, reached=reached)


def inside(machine: Machine, addresses: list[int]) -> dict[str, Any]:
    """Everything that is shown, as plain values."""
    cpu = machine.cpu
    here = machine.place(cpu.pc)
    return {
        "machine": machine.description.name,
        "about": machine.description.about,
        "faults": [str(fault) for fault in machine.faults],
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
            {"slot": slot, "kind": card.kind, "title": card.title, "words": card.words()}
            for slot, card in sorted(machine.cards.items())
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
        *([told(machine.faults)] if machine.faults else []),
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
        lines += ["", card["title"], *(f"  {line}" for line in card["words"])]
    lines += ["", "Last instructions:"]
    lines += last_lines(machine.last_folded(LAST_SHOWN))
    for block in found["memory"]:
        lines += ["", f"Memory from ${block['address']:04X}:"]
        for start in range(0, MEMORY_SHOWN, 8):
            row = " ".join(f"{byte:02X}" for byte in block["bytes"][start : start + 8])
            lines.append(f"  ${(block['address'] + start) & 0xFFFF:04X}  {row}")
    if found["findings"]:
        lines += ["", *findings_lines(machine)]
    return lines
