"""Running a machine up to something: a length, a moment, a condition."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError
from simkit.machine.lengths import length, whole
from simkit.machine.moments import Moment
from simkit.machine.until import moment_named, not_come, run_to_moment

if TYPE_CHECKING:
    from simkit.cpu.core.engine import CoreCpu
    from simkit.machine.machine import Machine

DEFAULT_TIMEOUT_SECONDS = 30.0
"""Machine time after which a run that waits for something gives up."""


def run(
    machine: Machine,
    moment: Moment | str | None = None,
    *,
    cycles: int | None = None,
    seconds: float | Fraction | None = None,
    frames: int | None = None,
    label: str | None = None,
    screen_text: str | None = None,
    finding: str | None = None,
    access: int | str | None = None,
    read: int | str | None = None,
    write: int | str | None = None,
    until: Callable[[Machine], bool] | None = None,
    timeout: float = DEFAULT_TIMEOUT_SECONDS,
) -> int:
    """Run up to a moment; stops at the first instruction boundary at or after it. This is `Machine.run`.

    Args:
        machine: the machine.
        moment: as on the command line (`simkit.machine.moments`): "label:main_loop#3+100c"; a time counts from
            power-on.
        cycles: that many cycles from now.
        seconds: that much machine time from now.
        frames: that many frames of the only screen from now.
        label: until the instruction at the label is next.
        screen_text: until the text stands on the only screen (looked at after every frame), and on until a whole
            frame has been drawn with it.
        finding: until a finding of that rule (any rule when "") comes up.
        access: until the address, or the label's, or the register of a card ("4.status"), was read or written.
        read: until it was read.
        write: until it was written.
        until: until it gives True; asked at every instruction boundary.
        timeout: machine time in seconds after which what is waited for is given up.

    Returns:
        The cycle. A CPU that halts ends the run early; `m.cpu.halted` says why. Running on lets time pass.

    Raises:
        MomentError: what was waited for did not happen within `timeout`, or the CPU halted first.
        SimkitError: not exactly one moment was named, or it is none.
    """
    moments = {
        "moment": moment,
        "cycles": cycles,
        "seconds": seconds,
        "frames": frames,
        "label": label,
        "screen_text": screen_text,
        "finding": finding,
        "access": access,
        "read": read,
        "write": write,
        "until": until,
    }
    named = {name: value for name, value in moments.items() if value is not None}
    if len(named) != 1:
        raise SimkitError(
            f"run needs exactly one moment, not {len(named)} ({', '.join(named) or 'none'}).",
            remedy=f"Name one of {', '.join(moments)}.",
        )
    check_registers(machine.cpu)
    if cycles is not None:
        return machine.run_to(machine.cycle + whole(length("cycles", cycles)))
    if seconds is not None:
        return machine.run_to(machine.cycle + whole(length("seconds", seconds) * machine.description.clock_hz))
    if frames is not None:
        return machine.run_to(machine.cycle + whole(length("frames", frames) * machine.screen.frame_cycles))
    limit = machine.cycle + whole(length("timeout", timeout) * machine.description.clock_hz)
    if until is not None:
        return _step_until(machine, until, limit)
    ((name, value),) = named.items()
    return run_to_moment(machine, moment_named(name, value), limit=limit)


def _step_until(machine: Machine, done: Callable[[Machine], bool], limit: int) -> int:
    machine.finish_instruction()
    cpu = machine.cpu
    while True:
        cpu.step()
        if done(machine):
            return cpu.cycle
        if cpu.halted or cpu.cycle >= limit:
            raise not_come(machine, "the condition")


def check_registers(cpu: CoreCpu) -> None:
    """The CPU's own code trusts its registers, so what was set from outside is looked at before it runs.

    Raises:
        SimkitError: a register was set to what it cannot hold.
    """
    for name, value, highest in (
        ("pc", cpu.pc, 0xFFFF),
        ("a", cpu.a, 0xFF),
        ("x", cpu.x, 0xFF),
        ("y", cpu.y, 0xFF),
        ("sp", cpu.sp, 0xFF),
    ):
        if not isinstance(value, int) or not 0 <= value <= highest:
            raise SimkitError(f"m.cpu.{name} was set to {value!r}.", remedy=f"Set it to 0 to ${highest:X}.")
