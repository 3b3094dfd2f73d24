"""The flags in words, wherever they are shown to people.

Source: MOS Technology, MCS6500 Programming Manual, January 1976, p. 27 (order of the bits).
"""

from __future__ import annotations

FLAG_WORDS = (
    (0x80, "negative"),
    (0x40, "overflow"),
    (0x08, "decimal"),
    (0x04, "interrupts off"),
    (0x02, "zero"),
    (0x01, "carry"),
)
"""Bits of the flags byte P and what it means that they are 1; bits 5 and 4 are no flags."""


def flags_set(p: int) -> list[str]:
    """The flags that are set in P, bit 7 first."""
    return [word for mask, word in FLAG_WORDS if p & mask]


def flags_sentence(words: list[str]) -> str:
    """What `flags_set` gave, as it stands in a sentence: "negative, carry", or "no flag"."""
    return ", ".join(words) or "no flag"
