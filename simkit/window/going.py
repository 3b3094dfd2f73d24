"""How the machine in the window goes: on, or what holds it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from simkit.window.moment import Goal


@attrs.define
class Going:
    """What holds the machine.

    Attributes:
        paused: the person stopped it.
        off: it is switched off.
        goal: the moment it is to stand in; None: it goes on and on.
        failure: why it cannot go on until its files change or it is powered on again; "" when it can.
    """

    paused: bool = False
    off: bool = False
    goal: Goal | None = None
    failure: str = ""

    def aim(self, goal: Goal | None) -> None:
        """Run to another moment, or to none."""
        if self.goal is not None:
            self.goal.give_up()
        self.goal = goal

    @property
    def on(self) -> bool:
        """Whether machine time goes by."""
        return not (self.paused or self.off)

    def words(self, halted: str | None) -> str:
        """What holds it, where it is to stand, why the CPU stands still; "" when it simply goes."""
        if self.failure:
            return "stopped"
        if self.off:
            return "switched off"
        stands = f"the CPU is {halted}" if halted else ""
        if self.paused:
            return f"paused, {stands}" if stands else "paused"
        if self.goal is not None:
            return ", ".join(part for part in (f"running to {self.goal.text}", stands) if part)
        return stands
