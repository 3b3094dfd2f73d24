"""The CPU with both engines: runs translated functions where nothing can interfere, everything else exactly.

`run` is the exact engine's. Where that would do quick instructions one after another, up to a cycle before anything can
happen from outside, this one looks for a function for the address that comes next. A function ends

- before the limit, so that the instruction in whose cycles something happens is always the exact engine's;
- where an instruction must be left to the exact engine;
- after a card access on which a line, the decoding or the next event moved.

The record of the last instructions begins anew behind a function. The last cycles of a run are always exact, so that
it is as long as the exact engine's then, unless the CPU was halted or held in between.
"""

from __future__ import annotations

from typing import Any

from simkit.backplane.bus import Bus
from simkit.contract.errors import SimkitError
from simkit.contract.findings import Findings
from simkit.cpu.reference.engine import ExactCpu, make_exact
from simkit.cpu.translate.cache import FRUITLESS, Chapter, CodeCache, Function, keep
from simkit.cpu.translate.operand import DECIMAL_KEY

ENGINES = ("auto", "exact", "translated")
"""auto: translate what is hot; exact: translate nothing; translated: translate whatever is met twice."""

HOT = {"auto": 24, "translated": 2}

RECORDED = 8 * 64 + 8
"""Cycles before the end of a run that are exact: 64 instructions of at most 8 cycles."""


class TranslatingCpu(ExactCpu):
    """The exact engine with the translated one beside it.

    Attributes:
        code: the functions, or None while the engine is "exact".
    """

    def __init__(self, part: str, bus: Bus, findings: Findings, seed: int, **options: Any) -> None:
        self.code: CodeCache | None = None
        self._engine = "exact"
        self._until = 0
        self._machine_bus = bus
        super().__init__(part, bus, findings, seed, **options)

    @property
    def engine(self) -> str:
        """Which engine is chosen: auto, exact or translated; may be set between instructions."""
        return self._engine

    @engine.setter
    def engine(self, name: str) -> None:
        if name not in ENGINES:
            raise SimkitError(f"There is no engine {name!r}.", remedy=f"Write one of {', '.join(ENGINES)}.")
        if name != self._engine:
            self._engine = name
            self.code = None if name == "exact" else CodeCache(self, self._machine_bus, self.part, hot=HOT[name])

    def run(self, until: int) -> None:
        """As the exact engine."""
        self._until = until
        super().run(until)

    def _step(self) -> None:
        """As the exact engine; what it executes may be translated later."""
        if self.code is not None:
            self.code.seen.add(self.pc)
        super()._step()

    def _run_quick(self, stop: int) -> None:
        code = self.code
        horizon = self.horizon
        limit = min(horizon, self._until - RECORDED)  # functions count their cycles: they need no margin
        if code is None or self.cycle >= limit or self._bus.slow:
            super()._run_quick(stop)
            return
        self.attention = False
        chapter = code.chapter(self.rd, self.wr)
        functions = chapter.functions
        while self.cycle < stop:
            if self.cycle < limit:
                entry = self.pc | DECIMAL_KEY if self.d else self.pc
                function = functions.get(entry) or code.met(chapter, entry)
                if function is not None and self.cycle + function.worst <= limit:
                    self._run_functions(entry, function, chapter, limit)
                    if self.attention or self.horizon != horizon:  # then `stop` no longer holds either
                        return
            if self._quick_to_jump(stop):
                return

    def _run_functions(self, entry: int, function: Function, chapter: Chapter, limit: int) -> None:
        """One function after another."""
        code = self.code
        assert code is not None
        functions = chapter.functions
        generation = self._machine_bus.generation
        state = (entry, self.a, self.x, self.y, self.sp, self.n, self.z, self.c, self.v, self.cycle, self.last)
        while True:
            if (function.changeable or function.generation != generation) and not code.good(chapter, entry, function):
                break
            before = state[9]
            state = function.call(*state[1:], limit)
            cycle = state[9]
            if cycle == before:
                function.fruitless += 1
                if function.fruitless > FRUITLESS:
                    code.refuse(chapter, entry)
                break
            if self.attention or self.horizon < limit:
                break
            entry = state[0]
            found = functions.get(entry) or code.met(chapter, entry)
            if found is None or cycle + found.worst > limit:
                break
            function = found
        self.recent.clear()
        keep(self, *state)

    def _quick_to_jump(self, stop: int) -> bool:
        """Quick instructions up to the first that jumps; True when exact must do the next one carefully."""
        assert self.code is not None
        rd = self.rd
        quick = self.quick
        note = self.recent.append
        see = self.code.seen.add
        while self.cycle < stop:
            pc = self.pc
            see(pc)
            page = rd[pc >> 8]
            here = pc & 0xFF
            if page is None or here > 252:
                return True
            note((self.cycle, pc))
            if quick[page[here]](self, page, here):
                return True
            if not 0 < self.pc - pc < 4:
                return False
        return True


def make_cpu(
    name: str, bus: Bus, findings: Findings, seed: int, *, engine: str = "auto", **options: Any
) -> TranslatingCpu:
    """The CPU of a machine; options as for `make_exact`.

    Raises:
        SimkitError: unknown part, option or engine.
    """
    cpu = make_exact(name, bus, findings, seed, cpu=TranslatingCpu, **options)
    assert isinstance(cpu, TranslatingCpu)
    cpu.engine = engine
    return cpu


def generated_source(cpu: TranslatingCpu, address: int) -> str:
    """Source of the translated function that begins at an address, D as it is now.

    Raises:
        SimkitError: the engine is "exact", or the instruction there is always left to the exact engine.
    """
    if cpu.code is None:
        raise SimkitError("The exact engine translates nothing.", remedy='Choose the engine "auto" or "translated".')
    chapter = cpu.code.chapter(cpu.rd, cpu.wr)
    entry = address | (DECIMAL_KEY if cpu.d else 0)
    source = cpu.code.source(chapter, entry)
    if not source:
        raise SimkitError(
            f"The instruction at ${address:04X} is always left to the exact engine.",
            remedy="Give the address of an instruction on plain memory, outside pages 0 and 1.",
        )
    return source
