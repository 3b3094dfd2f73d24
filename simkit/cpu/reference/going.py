"""The time in which a CPU runs: who watches is told, and a PC that was set before it is one that counts."""

from __future__ import annotations

from threading import get_ident
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.backplane.bus import Bus
    from simkit.cpu.reference.engine import ExactCpu


class Going:
    """The time in which a CPU runs. Who watches is told; what a sink of records has raised, or is owed, comes out."""

    def __init__(self, cpu: ExactCpu, bus: Bus) -> None:
        self._cpu = cpu
        self._bus = bus

    def __enter__(self) -> None:
        cpu = self._cpu
        if cpu.pc != cpu.pc_left and (cpu.reset_due or not cpu.inside_instruction):
            self._accept_pc()  # before anybody notes that it was set
        for watcher in tuple(self._bus.watchers.runs):
            watcher.about_to_run()
        self._begin()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: object) -> None:
        self._end(error)
        if kind is not None:
            return
        bus = self._bus
        if bus.recording.ring is not None:
            bus.recording.ring.raise_failure()
        bus.agenda.raise_owed()

    def _begin(self) -> None:
        self._cpu.running = True
        self._bus.turn.thread = get_ident()

    def _end(self, error: BaseException | None) -> None:
        cpu = self._cpu
        cpu.running = False
        cpu.pc_left = cpu.pc
        for watcher in tuple(self._bus.watchers.runs):
            watcher.has_run(error)

    def _accept_pc(self) -> None:
        """Take the PC that was set since the CPU stood still, or put it back and say why it would be lost.

        Raises:
            SimkitError: RESET comes before the instruction there, or the CPU is halted until RESET.
            CardError: a card failed in what comes in the cycle that is about to start.
        """
        cpu = self._cpu
        if cpu.halted is None and not cpu.reset_due:
            self._look_ahead()
        led = "the vector says" if cpu.start is None else f"its start says, ${cpu.start:04X}"
        if cpu.halted is not None:
            why = f"the CPU is {cpu.halted}, and goes on by RESET alone"
            remedy = "Set m.cpu.halted = None as well, or bring it back with m.reset() or m.power_cycle() before."
        elif cpu.reset_due and cpu.cycle == 0:
            why = f"that is before the sequence of RESET, behind which the CPU goes on where {led}"
            remedy = "Set it after m.step(), which does the sequence, or load the machine with start=0x0200, say."
        elif cpu.reset_due or cpu.reset_low:
            why = f"RESET comes first, in cycle {cpu.cycle}, and behind it the CPU goes on where {led}"
            remedy = (
                "Set it when RESET is over (m.step(), then m.run(until=lambda m: not m.cpu.reset_due)), or load the "
                "machine with start=0x0200, say."
            )
        else:
            return
        wanted, cpu.pc = cpu.pc, cpu.pc_left
        shown = f"${wanted:04X}" if isinstance(wanted, int) else repr(wanted)
        raise SimkitError(f"m.cpu.pc was set to {shown}, which would be lost: {why}.", remedy=remedy)

    def _look_ahead(self) -> None:
        """Have what comes in the cycle that is about to start come now: RESET may be among it."""
        cpu = self._cpu
        if cpu.cycle < cpu.horizon:
            return
        self._begin()
        try:
            self._bus.agenda.begin(cpu.cycle)
        except BaseException as error:
            self._end(error)
            raise
        cpu.running = False
