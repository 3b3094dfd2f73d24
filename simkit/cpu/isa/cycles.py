"""What each instruction does on the bus, one cycle after another, in words: read off its text (walk.py)."""

from __future__ import annotations

from functools import cache

import attrs

from simkit.cpu.isa.cited import source
from simkit.cpu.isa.effects import is_branch
from simkit.cpu.isa.opcodes import OPCODES, Opcode
from simkit.cpu.isa.walk import Cycle, Formula, Way, formula, names, shown, ways


@attrs.frozen(slots=True)
class Step:
    """One cycle of an instruction.

    Attributes:
        action: "read", "dummy read" (a byte that nobody wants) or "write".
        place: the address in words.
        data: what is written, in words; "" for a read.
        address: the address as a Python expression over `pc` (of the opcode), `first` and `second` (operand bytes),
            `x`, `y` and `sp` before the instruction, `memory`, and `stored` (the byte written).
    """

    action: str
    place: str
    data: str
    address: str


@attrs.frozen(slots=True)
class BusPattern:
    """The cycles of an instruction in one case.

    Attributes:
        when: "-" always, "cross", "no cross", "taken", "taken page", "not taken", also with "D=0" or "D=1" before it.
        cycles: one step a cycle.
        source: where it is published.
    """

    when: str
    cycles: tuple[Step, ...]
    source: str


@attrs.frozen(slots=True, order=True)
class _Case:
    """What decides about the cycles of an instruction; 0 no, 1 yes, -1 it does not matter."""

    cross: int = -1
    taken: int = -1
    page: int = -1
    decimal: int = -1

    @property
    def when(self) -> str:
        case = ""
        if self.cross >= 0:
            case = "cross" if self.cross else "no cross"
        elif self.taken >= 0:
            case = "not taken" if not self.taken else "taken page" if self.page else "taken"
        if self.decimal >= 0:
            return f"D={self.decimal} {case}".rstrip()
        return case or "-"


@cache
def bus_patterns(part: str, code: int) -> tuple[BusPattern, ...]:
    """All cases of an opcode."""
    opcode = OPCODES[part][code]
    cases: dict[_Case, tuple[Step, ...]] = {}
    for way in ways(part, code):
        _join(cases, _case(opcode, way), tuple(_step(cycle, opcode, way) for cycle in way.cycles))
    for name in ("cross", "decimal"):
        cases = _without(cases, name)
    return tuple(BusPattern(case.when, steps, source(part, opcode, case.when)) for case, steps in sorted(cases.items()))


def _join(cases: dict[_Case, tuple[Step, ...]], case: _Case, steps: tuple[Step, ...]) -> None:
    """Put a way to the case it belongs to; one case cannot have two ways over the bus."""
    if cases.setdefault(case, steps) != steps:
        raise NotImplementedError(f"cycles depend on more than {case}: {cases[case]} or {steps}")


def _without(cases: dict[_Case, tuple[Step, ...]], name: str) -> dict[_Case, tuple[Step, ...]]:
    """The cases without one thing that decides, if it changes nothing."""
    fewer: dict[_Case, tuple[Step, ...]] = {}
    for case, steps in cases.items():
        if fewer.setdefault(attrs.evolve(case, **{name: -1}), steps) != steps:
            return cases
    return fewer


def _case(opcode: Opcode, way: Way) -> _Case:
    """The case that a way belongs to. What else is decided on it (RDY, digits) is not to be seen in the cycles."""
    found = {"taken": 1} if is_branch(opcode) else {}
    for condition, decided in way.decisions.items():
        match condition:
            case "d":
                found["decimal"] = int(decided)
            case (">", _, 0xFF):
                found["cross"] = int(decided)
            case ("<", _, 0x100):
                found["cross"] = int(not decided)
            case ("&", ("^", _, _), 0xFF00):
                found["page"] = int(decided)
            case _ if is_branch(opcode):
                found["taken"] = int(decided)
    return _Case(**found)


def _step(cycle: Cycle, opcode: Opcode, way: Way) -> Step:
    action = "write" if cycle.is_write else "dummy read" if cycle.is_dummy else "read"
    return Step(action, _place(cycle, opcode), _data(cycle, way) if cycle.is_write else "", shown(cycle.address))


_PLACES = {
    "pc": "opcode",
    "first": "zero page address",
    "first + 1 & 0xFF": "zero page address + 1",
    "first + x & 0xFF": "zero page address + X",
    "first + x + 1 & 0xFF": "zero page address + X + 1",
    "first + y & 0xFF": "zero page address + Y",
    "second << 8 | first": "address",
    "(second << 8 | first) + 1 & 0xFFFF": "address + 1",
    "(second << 8 | first) & 0xFF00 | (second << 8 | first) + 1 & 0xFF": "address + 1, high byte not carried",
    "(second << 8 | first) + x & 0xFFFF": "address + X",
    "(second << 8 | first) + x + 1 & 0xFFFF": "address + X + 1",
    "memory[first + 1 & 0xFF] << 8 | memory[first]": "pointer",
    "memory[first + x + 1 & 0xFF] << 8 | memory[first + x & 0xFF]": "pointer",
    "0x100 | sp": "top of stack",
    "memory[0x100 | sp + 2 & 0xFF] << 8 | memory[0x100 | sp + 1 & 0xFF]": "return address before it is counted up",
    "(pc + 2 & 0xFFFF) & 0xFF00 | pc + 2 + (first ^ 0x80) - 0x80 & 0xFF": "target, high byte not carried",
    "0xFF00 | first": "$FF00 + operand, low byte",
    "0xFFFE": "vector $FFFE",
}
_INDEXED = {  # low byte, high byte, index
    "address + X": ("first", "second", "x"),
    "address + Y": ("first", "second", "y"),
    "pointer + Y": ("memory[first]", "memory[first + 1 & 0xFF]", "y"),
}
_INDEXED_PLACES = {
    "({high} << 8) + {low} + {index} & 0xFFFF": "",
    "{high} << 8 | {low} + {index}": "",  # where that crosses no page
    "{high} << 8 | {low} + {index} & 0xFF": ", high byte not carried",
    "stored << 8 | {low} + {index} & 0xFF": ", high byte replaced by the stored byte",
}


@cache
def _places() -> dict[Formula, str]:
    found = {formula(text): words for text, words in _PLACES.items()}
    for words, (low, high, index) in _INDEXED.items():
        for text, more in _INDEXED_PLACES.items():
            found[formula(text.format(low=low, high=high, index=index))] = words + more
    for number in (1, 2, 3):
        found[formula(f"0x100 | sp + {number} & 0xFF")] = f"stack, S+{number}"
        found[formula(f"0x100 | sp - {number} & 0xFF")] = f"stack, -{number} from the top"
    return found


@cache
def _behind_opcode() -> dict[Formula, int]:
    return {formula(f"pc + {number} & 0xFFFF"): number for number in (1, 2, 3)}


def _place(cycle: Cycle, opcode: Opcode) -> str:
    number = _behind_opcode().get(cycle.address)
    if number is None:
        if cycle.address == 0xFFFF:
            return "$FFFF" if cycle.is_dummy else "vector $FFFF"
        return _places()[cycle.address]
    if number >= opcode.length:
        return "byte behind the instruction"
    if opcode.length == 2:
        return "operand"
    if opcode.mode == "zprel":
        return ("zero page operand", "offset")[number - 1]
    return ("operand, low byte", "operand, high byte")[number - 1]


def _data(cycle: Cycle, way: Way) -> str:
    if cycle.data == ("memory", cycle.address):
        return "the byte just read"
    if any(cycle.address == other.address for other in way.cycles if not other.is_write and not other.is_dummy):
        return "the new byte"
    found = set(names(cycle.data))
    if "pc" in found:
        shifted = isinstance(cycle.data, tuple) and cycle.data[0] == ">>"
        return f"{'high' if shifted else 'low'} byte of the program counter"
    return "flags" if "p" in found else "the stored byte"
