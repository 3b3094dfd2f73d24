"""What a program owes to luck as findings of the check."""

from __future__ import annotations

from collections.abc import Callable

from simkit.check.result.notes import Noted
from simkit.luck.executed import OTHER, executed
from simkit.luck.luck import MOST_CAUSES, Luck, luck
from simkit.luck.unknown import Maker
from simkit.luck.words import noted
from simkit.machine.again import Again
from simkit.machine.machine import Machine


def owed_to_luck(
    again: Again,
    cycles: int,
    *,
    power_ups: int,
    parts: bool = False,
    goes_on: Callable[[float], bool] = lambda part: True,
) -> tuple[list[Noted], str]:
    """Run a program over many power-ups; gives what it owes to luck, and a sentence on how it was looked for.

    Args:
        again: of a machine that was run, `whole`.
        cycles: of each run.
        power_ups: how many.
        parts: also other parts of the CPU and the cards.
        goes_on: called often with the part that is done, 0 to 1; False ends it.
    """
    done = executed(again.machine(), cycles)
    other = done.other_part(again.of.description.cpu) if parts else ""
    maker = Maker(again, other_part=other, parts=parts, compared=done.compared)
    found = luck(maker, cycles, power_ups=power_ups, goes_on=goes_on)
    return [noted(maker, again.of, cause) for cause in found.causes], _told(
        found, parts=parts, other=other, of=again.of
    )


def _told(found: Luck, *, parts: bool, other: str, of: Machine) -> str:
    text = f"Run over {found.power_ups} power-ups{', other parts among them' if parts else ''}"
    if parts and not other:
        text += f" (of the CPU none: the program holds opcodes that a {OTHER[of.description.cpu]} lacks)"
    if found.stopped:
        return f"{text}, and stopped there before the end."
    number = len(found.causes)
    if not number:
        return f"{text}: all show the same."
    more = f"; after {MOST_CAUSES} of them no more were looked for" if found.more else ""
    return f"{text}: what they show hangs on {number} thing{'' if number == 1 else 's'}{more}."
