"""A capture held against all candidates: ranked by what their runs show, then verified, the nearest first.

What runs show is a sample of what a candidate does. It says which candidates are near. Of these it is then asked
whether the capture can be theirs, cycle by cycle; one that leaves anything falls back behind those that do not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs

from simkit.compare.rows import full
from simkit.suspect.captures import Capture
from simkit.suspect.followed import Following
from simkit.suspect.judged import NOT_FIRST, Judged
from simkit.suspect.library import Library
from simkit.suspect.more import More
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.seen import SeenCapture

MOST_ROWS = 400_000
"""Rows by which the CPU model is led for the candidates that are nearest: some seconds. Ours."""
FARTHEST = 3.0
"""How far behind the nearest one that leaves nothing may be: what runs show is a sample. Ours."""

IN_RUNS = 0.5
"""Part of a capture that runs of a candidate must show for them to show all of it, but for noise. Ours."""

FAR_ROWS = 200_000
"""The same for those that are farther, where no nearer one can be the cause. Ours."""

AS_MUCH = 0.9
"""Part of the levels told with another candidate which must be told with this one for the CPU model alone to say that
nothing is left: a part that does not answer leaves nothing because it says nothing. Ours."""


@attrs.define
class _Verified:
    """What verifying came to.

    Attributes:
        fitting: candidates that leave nothing.
        loose: those that leave nothing but on lines that nobody drives, with that in a sentence.
        left: by name what others leave, in a sentence, in the order in which they are near.
        unasked: those that are as near and were not asked any longer; nothing is known of them but what runs show.
        words: by name how they fit.
    """

    fitting: list[str] = attrs.field(factory=list)
    loose: dict[str, str] = attrs.field(factory=dict)
    left: dict[str, str] = attrs.field(factory=dict)
    unasked: list[str] = attrs.field(factory=list)
    words: dict[str, str] = attrs.field(factory=dict)


def judge_capture(
    seen: SeenCapture, outcomes: Outcomes, groups: Sequence[Sequence[str]], library: Library, more: More | None = None
) -> Judged:
    """Hold it against candidates.

    Args:
        seen: the capture.
        outcomes: of the candidates.
        groups: names of those that are in question, together where their runs are the same. The CPU model may tell
            these apart: the way that the real machine goes may be one that none of the runs goes.
        library: of these outcomes.
        more: knows the machines; None: what was run must do.

    Raises:
        SimkitError: no line of it is one of the machine's, or it is too short.
    """
    capture, heads = Capture(seen.captured, outcomes, library), [group[0] for group in groups]
    capture.compare(heads)
    best = capture.best(heads)
    far = {head: capture.behind(head, best) for head in heads}
    far |= {head: capture.behind_but_for_noise(head, best) for head in heads if far[head] <= 1.0 + FARTHEST}
    head_of = {name: group[0] for group in groups for name in group}
    behind = {name: far[head] for name, head in head_of.items()}
    verifying = _Verifying(seen, capture, head_of, library, more)
    found = verifying.verified(behind)
    if not verifying.is_settled(found, best):
        verifying.verify_unforetold(behind, found)
    words = {name: found.words.get(name, "") or capture.part(head) for name, head in head_of.items()}
    words |= {name: f"{words[name]}; the CPU model was not asked" for name in found.unasked}
    least = min(behind.values())
    fitting = found.fitting or [*found.loose] or [name for name in found.unasked if behind[name] - least <= 1.0]
    if not fitting:
        return Judged(behind, words, next(iter(found.left.values())))
    ahead = min(behind[name] for name in fitting)
    refuted = [*found.left, *(found.loose if found.fitting else ())]
    for name in refuted:  # who foretells what did not come is not the cause, though he explain as much
        behind[name] = max(behind[name], ahead) + 1.0 + NOT_FIRST
    return Judged(behind, words, "")


class _Verifying:
    """Asks of candidates, the nearest first, whether the capture can be theirs."""

    def __init__(
        self, seen: SeenCapture, capture: Capture, head_of: Mapping[str, str], library: Library, more: More | None
    ) -> None:
        self._captured, self._capture, self._head_of = seen.captured, capture, head_of
        self._following: Following | None = None
        if more is not None and full(seen.captured):
            self._following = Following(seen.captured, more.trial)
        self._told = 0.0  # levels of data lines that are told with any candidate that leaves nothing
        if self._following is not None and more is not None:
            self._registers = library.read_registers(more.trial)
            sound = self._following.left_over(SOUND)  # of which as much is told as can be
            self._told = 0.0 if sound is None or sound.cycles else sound.told

    def verified(self, behind: Mapping[str, float]) -> _Verified:
        """Those that leave nothing, and what others leave."""
        found = _Verified()
        ahead: float | None = None
        least = min(behind.values())
        for name in self._in_order(behind):
            beyond = ahead if ahead is not None else 0.0 if self._following is None else FARTHEST
            if behind[name] - least > 1.0 + beyond:
                break
            if self._following is not None and self._following.rows >= MOST_ROWS:
                found.unasked.append(name)
                continue
            left = self._left_by(name)
            if left:
                found.left[name] = left
                found.words[name] = f"not this: {left}"
            elif floating := self._floating(name):
                found.loose[name] = floating
                found.words[name] = f"hardly this: {floating}"
            else:
                found.fitting.append(name)
                found.words[name] = self._words(name)
                ahead = behind[name] - least if ahead is None else ahead
        return found

    def is_settled(self, found: _Verified, best: str) -> bool:
        """Whether it is enough to have asked those that are near.

        Where few lines are seen and the CPU runs astray at once, all who do so fit. They are near or far by what they
        have in common with the best one, which says nothing where that is none of them.
        """
        if self._following is not None:
            return bool(found.fitting or found.loose)
        return best in found.fitting or any(self._capture.is_foretold(self._head_of[name]) for name in found.fitting)

    def _in_order(self, behind: Mapping[str, float]) -> list[str]:
        """The nearest first; of those that are as near, who shows more of the capture."""
        return sorted(behind, key=lambda name: (behind[name], -self._capture.shown(self._head_of[name])))

    def verify_unforetold(self, behind: dict[str, float], found: _Verified) -> None:
        """Ask those that are far.

        Where what a CPU does hangs on a byte of the power-up, a few runs show a few of the ways that it may go, and the
        real machine goes another. The CPU model must bear out then what no run does; where it cannot, as lines are
        missing, it is enough that the runs do not speak against it.

        Args:
            behind: how far candidates are behind; those that leave nothing are all put as near as the first of them.
            found: what verifying those that are near came to; this is added to it.
        """
        if self._following is None and self._capture.is_in_order:
            return  # what that costs who leaves what his runs foretell is in the order
        least = min(behind.values())
        most = 0 if self._following is None else self._following.rows + FAR_ROWS
        found.unasked = []
        for name in self._in_order(behind):
            if name in found.left or name in found.fitting:
                continue
            if self._following is not None and self._following.rows >= most:
                found.unasked.append(name)
                continue
            if self._following is None:
                is_misfit = self._capture.is_misfit(self._head_of[name])
                left = "the capture does not go as its runs do" if is_misfit else ""
            else:
                left = self._left_by(name) or self._floating(name)
            if left:
                found.left[name] = left
                found.words[name] = f"not this: {left}"
            else:
                found.fitting.append(name)
                found.words[name] = self._words(name)
                behind[name] = least

    def _left_by(self, name: str) -> str:
        left = None if self._following is None else self._following.left_over(name)
        if left is not None:
            if left.cycles:
                return left.words
            self._told = max(self._told, left.told)
            if left.told >= AS_MUCH * self._told and not left.floating:
                return self._registers.strange(self._captured, self._head_of[name])
        return self._capture.misfit(self._head_of[name])  # of a part that answers nothing, or late, the runs must tell

    def _floating(self, name: str) -> str:
        """What one that is not refuted has otherwise on lines that nobody drives."""
        left = None if self._following is None else self._following.left_over(name)
        return "" if left is None else left.floating

    def _words(self, name: str) -> str:
        """What speaks for one that leaves nothing."""
        left = None if self._following is None else self._following.left_over(name)
        if left is not None:
            return "every captured cycle can be its own, but for noise"
        reach = self._capture.reach(self._head_of[name])
        if reach > IN_RUNS * len(self._captured):
            return "its runs show all of the capture, but for noise"
        return f"its runs go along for {reach} cycles of the capture; behind them the CPU runs astray"
