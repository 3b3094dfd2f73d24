"""What a machine looks like inside: as values, and as lines for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simkit.backplane.faults import told
from simkit.cpu.isa.flags import flags_sentence, flags_set
from simkit.machine.found import findings_lines
from simkit.machine.told import Executed, Loop, last_lines

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

LAST_SHOWN = 8
MEMORY_SHOWN = 32
"""Bytes of memory shown from an address on, in rows of eight."""


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
