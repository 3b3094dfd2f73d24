"""When interrupts are seen: the decision that both engines share.

What counts is the level of a line as sampled in a cycle (after phase 0). An instruction decides by the sample at the
end of its penultimate cycle, unless it says otherwise:

- a branch not taken, or taken within its page, decides at the end of its first cycle only;
- a branch taken into another page decides at the end of its first and of its third (penultimate) cycle;
- BRK, the interrupt sequences and RESET decide nothing: at least one instruction of the handler runs;
- CLI, SEI and PLP change I after their decision, RTI before it.

IRQ is a level, masked by I as it stands at the decision. NMI is an edge that stays latched until its vector is fetched.
The NMOS part looks at the NMI latch once more in the first four cycles of BRK and IRQ sequences: an edge seen by then
takes the vector over. The W65C02S does not.

Sources: MOS Technology, MCS6500 Programming Manual, 1976, pp. 124-147; Rockwell, R65C00 data 29651N52, 1984, item 7;
VisualChips wiki, 6502 Interrupt Recognition Stages and Tolerances; CPU interrupts, developers' wiki of the 2A03 family.
Not modelled: the NMI lost in the half cycle around a vector fetch (same VisualChips page), as half cycles are not.
"""

from __future__ import annotations

from typing import Any

from simkit.contract.lines import Line
from simkit.contract.nets import Nets
from simkit.contract.shapes import CYCLE, FURTHEST, optional, record, whole

_SINCE = whole(-1, FURTHEST)
NMI = record(edge=optional(CYCLE), last_edge=optional(CYCLE), fell=_SINCE, rose=_SINCE)
"""What is saved of the NMI latch."""


class Recogniser:
    """Latches edges and decides.

    Attributes:
        irq: the IRQ line.
        nmi: the NMI line.
        edge: first cycle whose sample shows the latched NMI edge; None: nothing latched.
    """

    __slots__ = ("_fell", "_last_edge", "_rose", "edge", "irq", "nmi")

    def __init__(self, nets: Nets) -> None:
        self.irq = nets.line("IRQ")
        self.nmi = nets.line("NMI")
        nets.observe("NMI", self._nmi_moved)
        self.forget()

    def forget(self) -> None:
        """Empty the latch (power-on, RESET)."""
        self.edge: int | None = None
        self._last_edge: int | None = None
        self._fell = self._rose = -1  # cycles from which the last fall and rise count

    def _nmi_moved(self, line: Line, cycle: int) -> None:
        """Latch falling edges; a pulse or a gap that no cycle samples does not exist."""
        since = line.since
        if line.level:
            if since == self._last_edge and since == self._fell:  # low in no sample
                if self.edge == since:
                    self.edge = None
                self._last_edge = self.edge
            self._rose = since
            return
        self._fell = since
        if since == self._rose:  # high in no sample
            return
        self._last_edge = since
        if self.edge is None:
            self.edge = since

    def decide(self, polls: tuple[int, ...], masked: bool) -> str | None:
        """Which sequence follows: "NMI", "IRQ" or None.

        Args:
            polls: cycles at whose end the instruction looks.
            masked: I at that time.
        """
        for cycle in polls:
            if self.edge is not None and self.edge <= cycle:
                return "NMI"
            if not masked and not self.irq.level_at(cycle):
                return "IRQ"
        return None

    def quiet(self, masked: bool, cycle: int) -> bool:
        """No decision from `cycle` on can name an interrupt until a line moves or I is cleared.

        Behind an access that a card broke off, IRQ may have risen in a cycle that is still to come.
        """
        return self.edge is None and (masked or (self.irq.level and self.irq.since <= cycle))

    def edge_by(self, cycle: int) -> bool:
        """An NMI edge is latched that the sample of `cycle` or an earlier one shows."""
        return self.edge is not None and self.edge <= cycle

    def serviced(self, cycle: int) -> None:
        """The NMI vector was fetched in `cycle`: edges up to it are done with."""
        later = self._last_edge
        self.edge = later if later is not None and later > cycle else None

    def save(self) -> dict[str, Any]:
        """State for a snapshot."""
        return {"edge": self.edge, "last_edge": self._last_edge, "fell": self._fell, "rose": self._rose}

    def load(self, state: Any) -> None:
        """Take back what `save` gave.

        Raises:
            StateError: it is nothing of the kind.
        """
        new = NMI.take(state)
        self.edge, self._last_edge, self._fell, self._rose = new["edge"], new["last_edge"], new["fell"], new["rose"]
