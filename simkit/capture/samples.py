"""What a logic analyser wrote: levels of its channels over time, as its file gives them."""

from __future__ import annotations

from fractions import Fraction

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.contract.errors import SimkitError

MOST_CHANNELS = 64


def refuse_too_many(channels: int) -> None:
    """Refuse more channels than a word has bits.

    Raises:
        SimkitError: there are more than MOST_CHANNELS.
    """
    if channels > MOST_CHANNELS:
        raise SimkitError(
            f"The capture has {channels} channels that are lines; {MOST_CHANNELS} can be read.",
            remedy="Say in a channel file which are wanted, under [channels].",
        )


@attrs.frozen(eq=False)
class Samples:
    """Levels of channels, a row for each sample or each change; a row holds until the next.

    Attributes:
        names: channels as the file calls them; bit i of a word belongs to names[i]. At most MOST_CHANNELS.
        tick: unit of the times, in seconds.
        time: int64 of shape (n,), in ticks, strictly increasing; may be negative, before a trigger.
        levels: uint64 of shape (n,), a bit a channel.
        unknown: uint64 of shape (n,): channels for which the file has no data there.
        period: ticks from one sample to the next; None where the file does not say, as where it holds changes alone.
        end: the tick at which the capture ends; nothing is known from there on.
        complete: whether the analyser sampled at every period, so that a level which lasts long did so on the wire;
            where samples were dropped and the file tells it, all channels are unknown in between.
        by_cycle: whether each row is a bus cycle, taken by its clock, as the file's own format says; a row in which
            nothing is known stands for cycles that were lost.
    """

    names: tuple[str, ...]
    tick: Fraction
    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    period: Fraction | None
    end: int
    complete: bool = False
    by_cycle: bool = False

    def __attrs_post_init__(self) -> None:
        refuse_too_many(len(self.names))

    def __len__(self) -> int:
        return len(self.time)

    @property
    def seconds(self) -> float:
        """From the first row to the end."""
        return float((self.end - int(self.time[0])) * self.tick) if len(self) else 0.0
