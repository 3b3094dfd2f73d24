"""How the machine in the window goes: on, or what holds it."""

from __future__ import annotations

import attrs


@attrs.define
class Going:
    """What holds the machine.

    Attributes:
        paused: the person stopped it.
        off: it is switched off.
        failure: why it cannot go on until its files change or it is powered on again; "" when it can.
    """

    paused: bool = False
    off: bool = False
    failure: str = ""

    @property
    def on(self) -> bool:
        """Whether machine time goes by."""
        return not (self.paused or self.off)

    def words(self, halted: str | None) -> str:
        """What holds it, or why the CPU stands still; "" when nothing does."""
        if self.failure:
            return "stopped"
        if self.off:
            return "switched off"
        if self.paused:
            return "paused"
        return f"the CPU {halted}" if halted else ""
