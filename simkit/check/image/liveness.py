"""Which registers hold a value that is needed, before each instruction of a program.

A register is needed before an instruction when on some way from there it is used before it gets another value. Ways are
those between instructions that ran: straight on, both ways of a branch. A routine counts as one instruction that uses
what it uses before it sets it, and lets through what it leaves alone; at its end, and where the program goes on by a
pointer, nothing is needed. A register that is pushed counts as used by nobody: so what is told is needed for sure.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence

import attrs

from simkit.cpu.isa.effects import Effect, branch_target

REGISTERS = frozenset("axy")

_ENDS = ("RTS", "RTI", "BRK", "JAM", "STP")


@attrs.frozen
class _Routine:
    """What a call of a routine does to registers.

    Attributes:
        uses: those used before they are set.
        passes: those that it may leave alone.
    """

    uses: frozenset[str] = frozenset()
    passes: frozenset[str] = frozenset()


class Liveness:
    """Of a program.

    Args:
        ran: instructions that ran.
        code: gives the byte at an address.
        effects: of the part's opcodes.
    """

    def __init__(self, ran: Collection[int], code: Callable[[int], int], effects: Sequence[Effect]) -> None:
        self._ran = frozenset(ran)
        self._code = code
        self._effects = {pc: effects[code(pc)] for pc in self._ran}
        self._next = {pc: self._successors(pc, effect) for pc, effect in self._effects.items()}
        self._routines: dict[int, _Routine] = {}
        self._look_at_routines()
        self._needed = self._flow(frozenset())

    def needed(self, pc: int) -> frozenset[str]:
        """Registers among "axy" that are needed before an instruction that ran."""
        return self._needed.get(pc, frozenset())

    def used_by(self, pc: int, register: str) -> int | None:
        """The first instruction, straight on from one before which a register is needed, that uses it."""
        seen = set()
        while pc in self._ran and pc not in seen:
            seen.add(pc)
            effect = self._effects[pc]
            called = self._called(pc, effect)
            if register in effect.uses or (called is not None and register in self._routines[called].uses):
                return pc
            follow = [each for each in self._next[pc] if register in self.needed(each)]
            if not follow:
                return pc if effect.copies[:1] == register else None
            pc = follow[0]
        return None

    # ways -----------------------------------------------------------------------------------------------------------

    def _successors(self, pc: int, effect: Effect) -> tuple[int, ...]:
        behind = pc + effect.length & 0xFFFF
        name = effect.opcode.mnemonic
        if name in _ENDS:
            return ()
        if name == "JMP":
            return self._among(self._word(pc + 1)) if effect.opcode.mode == "abs" else ()
        if effect.branches:
            target = branch_target(behind, self._code(behind - 1 & 0xFFFF))
            return self._among(behind, target) if effect.conditional else self._among(target)
        return self._among(behind)

    def _among(self, *pcs: int) -> tuple[int, ...]:
        return tuple(pc for pc in pcs if pc in self._ran)

    def _word(self, address: int) -> int:
        return self._code(address & 0xFFFF) | self._code(address + 1 & 0xFFFF) << 8

    def _called(self, pc: int, effect: Effect) -> int | None:
        target = self._word(pc + 1) if effect.opcode.mnemonic == "JSR" else None
        return target if target in self._ran else None

    # routines -------------------------------------------------------------------------------------------------------

    def _look_at_routines(self) -> None:
        """What each routine uses and passes; more and more, until it stays."""
        called = {target for pc, effect in self._effects.items() if (target := self._called(pc, effect)) is not None}
        self._routines = dict.fromkeys(called, _Routine())
        while True:
            uses = self._flow(frozenset())
            passes = self._flow(REGISTERS, uses_count=False)
            found = {entry: _Routine(uses.get(entry, frozenset()), passes.get(entry, frozenset())) for entry in called}
            if found == self._routines:
                return
            self._routines = found

    def _flow(self, at_end: frozenset[str], *, uses_count: bool = True) -> Mapping[int, frozenset[str]]:
        """By instruction: registers needed before it, when those of `at_end` are needed behind each routine.

        Without `uses_count` only those that come through unchanged to its end.
        """
        before = dict.fromkeys(self._ran, frozenset[str]())
        came_from: dict[int, list[int]] = {}
        for pc, following in self._next.items():
            for each in following:
                came_from.setdefault(each, []).append(pc)
        left = set(self._ran)
        while left:
            pc = left.pop()
            now = self._before(pc, self._behind(pc, before, at_end), uses_count=uses_count)
            if now != before[pc]:
                before[pc] = now
                left.update(came_from.get(pc, ()))
        return before

    def _behind(self, pc: int, before: Mapping[int, frozenset[str]], at_end: frozenset[str]) -> frozenset[str]:
        if self._effects[pc].opcode.mnemonic == "RTS":
            return at_end
        return frozenset[str]().union(*(before[each] for each in self._next[pc]))

    def _before(self, pc: int, behind: frozenset[str], *, uses_count: bool) -> frozenset[str]:
        effect = self._effects[pc]
        called = self._called(pc, effect)
        if effect.opcode.mnemonic == "JSR":
            routine = self._routines.get(called, _Routine()) if called is not None else _Routine()
            return (routine.uses if uses_count else frozenset()) | (routine.passes & behind)
        if not uses_count:
            return behind - effect.writes
        copied = {effect.copies[0]} if effect.copies and effect.copies[1] in behind else set[str]()
        return (behind - effect.writes) | frozenset(effect.uses) | copied
