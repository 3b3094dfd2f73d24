"""The decimal flag: whether it is known, inherited by a handler, or left set.

That a handler of the NMOS part adds with the flag of the program it interrupted is rare to see: the interrupt must come
while the flag is set. So it is told, too, when it may come there and did not in this run.
"""

from __future__ import annotations

from simkit.check.result.notes import Notes
from simkit.check.watches.interrupts import Frame
from simkit.machine.machine import Machine

LEFT_SET_PART = 2
"""1 / this part of the run with D set all through counts as left set; a sum or a score takes far less."""


class DecimalFlag:
    """Follows the instructions that set, clear and use D."""

    def __init__(self, machine: Machine, notes: Notes, frames: list[Frame]) -> None:
        self._machine = machine
        self._cpu = machine.cpu
        self._nmos = machine.description.cpu == "6502"
        self._notes = notes
        self._frames = frames
        self._set_at: tuple[int, int] | None = None  # by the main program: instruction and cycle
        self._adds: dict[str, tuple[int, int, int]] = {}  # by cause: instruction of a handler with D as found, cycle
        self._open: dict[str, int] = {}  # by cause: where D is set while that handler may come
        self._seen = False
        self.reset()

    def reset(self) -> None:
        """RESET clears D on the CMOS part and leaves it undefined on the NMOS part."""
        self._known = not self._nmos
        self._set_at = None

    def returned(self) -> None:
        """RTI pulled the flags."""
        self._known = True

    def moved(self, pc: int, cycle: int) -> None:
        """CLD, SED or PLP was executed."""
        self._known = True
        if self._frames:
            self._frames[-1].decimal = False
            self._frames[-1].own_decimal = True
            if self._cpu.d and self._frames[-1].cause == "IRQ":
                self._may_come("NMI", pc)
        elif not self._cpu.d:
            self._set_at = None
        else:
            self._may_come("NMI", pc)
            if not self._cpu.i:
                self._may_come("IRQ", pc)
            if self._set_at is None:
                self._set_at = pc, cycle

    def _may_come(self, cause: str, pc: int) -> None:
        """D is set where a handler may come that has been seen to add; before its source is set up none can."""
        if cause in self._adds:
            self._open.setdefault(cause, pc)

    @property
    def waits_for_use(self) -> bool:
        """Whether an ADC or SBC that comes now says something."""
        if not self._known:
            return True
        if not self._frames:
            return False
        frame = self._frames[-1]
        return frame.decimal or (not frame.own_decimal and frame.cause not in self._adds)

    def used(self, name: str, pc: int, cycle: int) -> None:
        """ADC or SBC was executed."""
        if not self._known:
            self._notes.add(
                "decimal-undefined",
                cycle,
                f"{name} before the first CLD or SED: after RESET the NMOS part's D is undefined.",
                pc=pc,
            )
        if not self._frames:
            return
        frame = self._frames[-1]
        if not frame.own_decimal:
            self._adds.setdefault(frame.cause, (pc, frame.handler, cycle))
        if frame.decimal:
            self._seen = True
            self._notes.add(
                "decimal-at-interrupt",
                cycle,
                f"{name} in the handler at ${frame.handler:04X} works in decimal mode, as the program it interrupted "
                f"at ${frame.back:04X} had set it.",
                pc=pc,
            )

    def report(self) -> None:
        """Note a handler that may come while D is set, and a flag that has been set for most of the run."""
        for cause, (pc, handler, cycle) in self._adds.items():
            if self._nmos and not self._seen and cause in self._open:
                where = "while interrupts are allowed" if cause == "IRQ" else "and nothing forbids an NMI"
                self._notes.add(
                    "decimal-open",
                    cycle,
                    f"The handler at ${handler:04X} adds at ${pc:04X} with D as it finds it; the program sets D at "
                    f"${self._open[cause]:04X} {where}. In this run none came there.",
                    pc=pc,
                )
        if self._set_at is None:
            return
        pc, cycle = self._set_at
        if (self._machine.cycle - cycle) * LEFT_SET_PART < self._machine.cycle:
            return
        self._notes.add(
            "decimal-left-set",
            cycle,
            f"The decimal flag is set at ${pc:04X} and was not cleared again in the {self._machine.cycle - cycle} "
            "cycles that follow.",
            pc=pc,
        )
