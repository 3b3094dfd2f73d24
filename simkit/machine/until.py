"""Runs that wait for something: up to a moment, and what is said when it does not come."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError
from simkit.machine.accessed import SIDES, register_named
from simkit.machine.lengths import whole
from simkit.machine.moments import Moment, parse_moment
from simkit.machine.views import Screen
from simkit.machine.waiting import Wait, address_of, text_shown_by

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

LINES_SHOWN = 30
"""Of a screen or terminal on which a text did not come, the last."""
FRAMES_DRAWN = 2
"""Frames after which a whole one has been drawn with the text that a run waited for: the rest of one, and one."""


class MomentError(SimkitError):
    """What a run waited for did not happen."""


def moment_named(keyword: str, value: object) -> Moment:
    """The moment that a keyword of `Machine.run` means.

    Raises:
        SimkitError: the value is of another kind.
    """
    if keyword == "moment" and isinstance(value, Moment):
        return value
    if keyword in SIDES:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | str)
            or (isinstance(value, int) and not 0 <= value <= 0xFFFF)
        ):
            raise SimkitError(f"{value!r} is not an address.", remedy="Write 0 to $FFFF, or a label.")
        where = value if isinstance(value, str) else f"${value:04X}"
        return Moment(keyword, where)
    if not isinstance(value, str):
        raise SimkitError(f"{keyword} is {value!r}, not a text.", remedy=f'Write e.g. {keyword}="...".')
    if keyword == "moment":
        return parse_moment(value)
    return Moment({"screen_text": "text"}.get(keyword, keyword), value)


def run_to_moment(machine: Machine, moment: Moment, *, limit: int) -> int:
    """Run up to a moment; one that comes true in cycle `limit` has come.

    Raises:
        MomentError: it did not.
    """
    come: list[int] = []

    def comes(cycle: int) -> None:
        come.append(cycle)
        machine.end_run_at(0)

    what = waited_for(machine, moment)
    if machine.inside_instruction:
        machine.step()
    wait = Wait(machine, moment, comes)
    try:
        if not come and not (machine.cpu.halted and not machine.bus.agenda.pending_outside()):
            machine.run_to(limit)
    finally:
        wait.cancel()
    if not come:
        raise not_come(machine, what, text=moment)
    return machine.run_to(come[0] + frames_to_draw(machine, moment))


def frames_to_draw(machine: Machine, moment: Moment) -> int:
    """Cycles after which a whole frame has been drawn with the text that is waited for; 0 where it says how long."""
    if moment.kind != "text" or moment.after:
        return 0
    shown = text_shown_by(machine, moment)
    return whole(FRAMES_DRAWN * shown.frame_cycles) if isinstance(shown, Screen) else 0


def waited_for(machine: Machine, moment: Moment) -> str:
    """What is waited for, with its address.

    Raises:
        SimkitError: there is no such label.
    """
    words = moment.words()
    if moment.kind in SIDES and register_named(machine, moment.value, moment.kind) is not None:
        return words
    if (moment.kind == "label" or moment.kind in SIDES) and not moment.value.startswith("$"):
        words = words.replace(moment.value, f"{moment.value} (${address_of(machine, moment.value):04X})", 1)
    return words


def not_come(machine: Machine, what: str, *, text: Moment | None = None) -> MomentError:
    """What is told when it did not come up to now."""
    cpu = machine.cpu
    began = f"{what[0].upper()}{what[1:]} did not come"
    if text is not None and text.kind == "text":
        shown = text_shown_by(machine, text)
        where = "the screen" if isinstance(shown, Screen) else f"the terminal at the serial line of {shown.card_title}"
        return MomentError(
            f"{began} on {where} up to cycle {machine.cycle}; it shows:",
            lines=(shown.text().strip("\n") or "nothing").splitlines()[-LINES_SHOWN:],
            remedy=f"The CPU is {cpu.halted}." if cpu.halted else "Give a longer timeout.",
        )
    if cpu.halted:
        return MomentError(f"The CPU was {cpu.halted} before {what} came, in cycle {machine.cycle}.")
    return MomentError(
        f"{began} up to cycle {machine.cycle} ({machine.place(cpu.pc).words()} is next).",
        remedy="Give a longer timeout, or look at m.last_folded() and m.findings.",
    )
