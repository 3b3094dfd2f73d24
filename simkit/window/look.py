"""What a machine looks like inside while it stands: what changed, what comes next, what was; every slot in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from simkit.cpu.isa.flags import FLAG_WORDS, flags_sentence, flags_set
from simkit.hands.found import Line
from simkit.machine.told import Executed, Loop, digits
from simkit.rom.places import Place
from simkit.window.reading import Reading

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

LAST_SHOWN = 8
NEXT_SHOWN = 3
_REGISTERS = (("a", "A"), ("x", "X"), ("y", "Y"), ("sp", "the stack pointer"))


@attrs.frozen
class Stand:
    """What a machine held when it stood.

    Attributes:
        cycle: when.
        registers: A, X, Y and the stack pointer by name.
        p: the flags.
        words: of each card, by slot.
    """

    cycle: int
    registers: dict[str, int]
    p: int
    words: dict[int, list[str]]


def stand_of(machine: Machine) -> Stand:
    """What it holds now."""
    registers = {name: getattr(machine.cpu, name) for name, _ in _REGISTERS}
    words = {slot: view.words() for slot, view in sorted(machine.cards.items())}
    return Stand(machine.cycle, registers, machine.cpu.p, words)


class Look(Reading):
    """The pane."""

    def __init__(self) -> None:
        super().__init__("Inside")
        self._before: tuple[Machine, Stand] | None = None

    def stand(self, machine: Machine) -> None:
        """The machine stands: tell what it holds, and what changed since it stood last."""
        now = stand_of(machine)
        known = self._before is not None and self._before[0] is machine and self._before[1].cycle < now.cycle
        before = self._before[1] if known and self._before is not None else None
        if self._before is None or self._before[0] is not machine or self._before[1].cycle != now.cycle:
            self.title = f"At {machine.seconds:.6f} s, cycle {digits(machine.cycle)}"
            self.put(lines_of(machine, now, before))
        self._before = (machine, now)


def lines_of(machine: Machine, now: Stand, before: Stand | None) -> list[Line]:
    """All of it."""
    lines: list[Line] = []
    if before is not None:
        gone = now.cycle - before.cycle
        lines.append(Line(f"What changed in {digits(gone)} cycle{'s' if gone > 1 else ''}", heading=True))
        lines += map(Line, changes(machine, before, now))
    cpu = machine.cpu
    lines.append(Line("Next", heading=True))
    if cpu.halted:
        lines.append(Line(f"Nothing: the CPU is {cpu.halted}; RESET takes it on."))
    else:
        lines += [Line(_at(one.text, machine.place(one.address))) for one in machine.disassemble(cpu.pc, NEXT_SHOWN)]
    lines.append(Line("Last instructions", heading=True))
    lines += [Line(text) for one in machine.last_folded(LAST_SHOWN) for text in _told(one)] or [Line("None is known.")]
    lines += [
        Line(f"CPU: {machine.description.cpu}", heading=True),
        Line(f"A holds ${cpu.a:02X}, X ${cpu.x:02X}, Y ${cpu.y:02X}; the stack pointer stands at ${cpu.sp:02X}"),
        Line(f"set: {flags_sentence(flags_set(cpu.p))}"),
        Line(f"lines pulled: {', '.join(n for n in ('IRQ', 'NMI', 'RESET') if machine.lines[n].asserted) or 'none'}"),
    ]
    for slot, words in now.words.items():
        lines.append(Line(machine.cards[slot].title, heading=True))
        lines += map(Line, words or ["nothing to tell"])
    return lines


def _told(one: Executed | Loop) -> list[str]:
    if isinstance(one, Loop):
        return [*(_at(done.text, done.place) for done in one.body), f"{one.words()}."]
    return [f"{_at(one.text, one.place)}, cycle {digits(one.cycle)}"]


def _at(text: str, place: Place) -> str:
    return f"{text} at {place.words()}"


def changes(machine: Machine, before: Stand, now: Stand) -> list[str]:
    """What is not as it was, in words: registers, flags, and lines of the cards."""
    told = [
        f"{word} became ${now.registers[name]:02X}"
        for name, word in _REGISTERS
        if now.registers[name] != before.registers[name]
    ]
    told += [f"{word} {'set' if now.p & mask else 'cleared'}" for mask, word in FLAG_WORDS if (now.p ^ before.p) & mask]
    sentences = [", ".join(told) if told else "No register and no flag."]
    for slot, words in now.words.items():
        were = before.words.get(slot, [])
        sentences += [f"{machine.cards[slot].title}: {text}" for text in words if text not in were]
    return sentences
