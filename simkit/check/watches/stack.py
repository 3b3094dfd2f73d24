"""How deep the stack is, and whether it was set up at all."""

from __future__ import annotations

from simkit.check.result.notes import Notes

PAGE = 256


class StackDepth:
    """Counts bytes pushed and not yet pulled. S itself cannot tell: it runs round its page without a sign.

    Attributes:
        depth: bytes on the stack.
        set: whether TXS was executed since RESET, or a loader has seen to it.

    Args:
        notes: where findings go.
        by_loader: whether a loader starts the program, as after a start address.
    """

    def __init__(self, notes: Notes, *, by_loader: bool = False) -> None:
        self._notes = notes
        self.depth = 0
        self.set = self._by_loader = by_loader
        self._deepest = PAGE  # that was noted

    def reset(self) -> None:
        """After RESET S is undefined, but for a program that a loader starts: that has set it."""
        self.depth = 0
        self.set = self._by_loader

    def pointer_set(self, s: int) -> None:
        """TXS was executed."""
        self.depth = 0xFF - s
        self.set = True

    def is_quiet(self, lowest: int, highest: int) -> bool:
        """Whether nothing is to be said of changes that lead from here at most so far down and up."""
        return self.set and self.depth + lowest >= 0 and self.depth + highest <= self._deepest

    def moved(self, change: int, pc: int, cycle: int, what: str) -> None:
        """Bytes were pushed (change above 0) or pulled."""
        if change > 0 and not self.set:
            self._notes.add(
                "stack-pointer-unset",
                cycle,
                f"{what} pushes, but S was never set since RESET (LDX #$FF, TXS).",
                pc=pc,
            )
            self.set = True  # once is enough
        self.depth += change
        if change > 0 and self.depth > self._deepest:
            self._deepest = self.depth
            self._notes.add(
                "stack-wrap",
                cycle,
                f"{what} pushes byte {self.depth} onto the stack of {PAGE}: it overwrites the oldest, at the top of "
                "page 1.",
                pc=pc,
            )
        elif self.depth < 0:
            self._notes.add(
                "stack-underflow",
                cycle,
                f"{what} pulls {-self.depth} byte{'s' if self.depth < -1 else ''} more than were pushed.",
                pc=pc,
            )
            self.depth = 0
