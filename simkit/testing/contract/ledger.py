"""What a contract test has found so far: promises kept, promises broken, and what was never put to the test."""

from __future__ import annotations

from collections import Counter
from typing import Any

from simkit.testing.contract.plain import difference
from simkit.testing.contract.seen import Seen, tell
from simkit.testing.contract.witness import WitnessBench


class Ledger:
    """Book of one contract test.

    Attributes:
        broken: sentences by topic, the first of each topic.
        kept: comparisons made, by promise.
        exercised: what was put to the test.
    """

    def __init__(self) -> None:
        self.broken: dict[str, str] = {}
        self.kept: Counter[str] = Counter()
        self.exercised: set[str] = set()
        self._noted: set[str] = set()

    def breaks(self, topic: str, sentence: str) -> None:
        """A promise is broken; of one topic the first sentence stays, as the others follow from it."""
        self.broken.setdefault(topic, sentence)

    def holds(self, promise: str, kept: bool) -> bool:
        """Count one comparison and give its outcome back; who finds it wrong says so with `breaks`."""
        self.kept[promise] += 1
        return kept

    def note(self, what: str, *, done: bool) -> None:
        """Something that is to be exercised, with the reason why it may be missed, and whether it was."""
        self._noted.add(what)
        if done:
            self.exercised.add(what)

    @property
    def missed(self) -> set[str]:
        """What no run exercised."""
        return self._noted - self.exercised

    def take_misdeeds(self, bench: WitnessBench) -> None:
        """Take over what a bench saw its card do where it may do nothing."""
        for sentence in bench.misdeeds:
            self.breaks("misdeed", sentence)

    def same_log(self, promise: str, who: str, log: list[Seen], other: list[Seen], why: str = "") -> bool:
        """Compare what was seen of a card with what was seen of one that was treated otherwise.

        Args:
            promise: what is counted.
            who: the other one in words, e.g. "asked in between".
            log: of the card.
            other: of the other one.
            why: what is added to the sentence.
        """
        told = ""
        for mine, theirs in zip(log, other, strict=False):
            self.kept[promise] += 1
            if mine != theirs:
                told = f"{tell(mine)}; {who}: {tell(theirs)}"
                break
        else:
            if len(log) != len(other):
                longer, when = (log, "only without that") if len(log) > len(other) else (other, "only then")
                told = f"{tell(longer[min(len(log), len(other))])}, {when}"
        if told:
            self.breaks(promise, f"A card {who} behaves otherwise: {told}. {why}".rstrip())
        return not told

    def same_look(self, promise: str, who: str, look: dict[str, Any], other: dict[str, Any], why: str = "") -> bool:
        """Compare everything there is to see of two cards in the same cycle; arguments as for `same_log`."""
        self.kept[promise] += len(look)
        for part in look:
            if look[part] != other[part]:
                told = difference(look[part], other[part], part)
                self.breaks(promise, f"A card {who} ends otherwise: {told}. {why}".rstrip())
                return False
        return True
