"""A capture held against all candidates: ranked by what their runs show, then verified, the nearest first.

What runs show is a sample of what a candidate does. It says which candidates are near. Of these it is then asked
whether the capture can be theirs, cycle by cycle; one that leaves anything falls back behind those that do not.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from simkit.compare.rows import full
from simkit.suspect.captures import Capture
from simkit.suspect.followed import Following
from simkit.suspect.judged import NOT_FIRST, Judged
from simkit.suspect.library import Library
from simkit.suspect.more import More
from simkit.suspect.outcomes import Outcomes
from simkit.suspect.seen import SeenCapture

MOST_ROWS = 400_000
"""Rows by which the CPU model is led for the candidates that are nearest: some seconds. Ours."""
FARTHEST = 3.0
"""How far behind the nearest one that leaves nothing may be: what runs show is a sample. Ours."""


@attrs.define
class _Verified:
    """What verifying came to.

    Attributes:
        fitting: candidates that leave nothing.
        left: by name what others leave, in a sentence, in the order in which they are near; "" where runs say so.
    """

    fitting: list[str] = attrs.field(factory=list)
    left: dict[str, str] = attrs.field(factory=dict)


def judge_capture(
    seen: SeenCapture, outcomes: Outcomes, names: Sequence[str], library: Library, more: More | None = None
) -> Judged:
    """Hold it against candidates.

    Args:
        seen: the capture.
        outcomes: of the candidates.
        names: of those that are in question.
        library: of these outcomes.
        more: knows the machines; None: what was run must do.

    Raises:
        SimkitError: no line of it is one of the machine's, or it is too short.
    """
    capture = Capture(seen.captured, outcomes, library)
    capture.cut(names)
    best = capture.best(names)
    behind = {name: capture.behind(name, best) for name in names}
    near = [name for name in names if behind[name] <= 1.0 + FARTHEST]
    behind |= {name: capture.behind_but_for_noise(name, best) for name in near}
    following = Following(seen.captured, more.trial) if more is not None and full(seen.captured) else None
    found = _verified(capture, behind, following)
    words = {name: f"{capture.part(name):.1%} of the capture explained" for name in names}
    if not found.fitting:
        name, left = next(iter(found.left.items()))
        if not left:
            places = capture.strange(name)
            left = f"the capture shows at {places} places what not even the best candidate shows, and what is no noise"
        return Judged(behind, words, left)
    ahead = min(behind[name] for name in found.fitting)
    for name in found.left:  # who foretells what did not come is not the cause, though he explain as much
        behind[name] = max(behind[name], ahead) + 1.0 + NOT_FIRST
    return Judged(behind, words, "")


def _verified(capture: Capture, behind: dict[str, float], following: Following | None) -> _Verified:
    found = _Verified()
    ahead: float | None = None
    least = min(behind.values())
    for name in sorted(behind, key=lambda name: behind[name]):
        if behind[name] - least > 1.0 + (ahead if ahead is not None else 0.0 if following is None else FARTHEST):
            break
        if following is not None and following.rows >= MOST_ROWS:
            break
        left = None if following is None else following.left_over(name)
        if left is not None and left.cycles:
            found.left[name] = left.words
        elif capture.is_misfit(name):
            found.left[name] = ""
        else:
            found.fitting.append(name)
            ahead = behind[name] - least if ahead is None else ahead
    return found
