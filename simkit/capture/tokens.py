"""Words of a text as arrays: where each begins and ends, and what number it is. No word costs Python anything."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]

BLANKS = b" \t\r\n\v\f"


def _table(characters: bytes) -> NDArray[np.bool_]:
    table = np.zeros(256, np.bool_)
    table[list(characters)] = True
    return table


_BLANK = _table(BLANKS)
_DIGIT = _table(b"0123456789")
_HEX = np.full(256, 255, np.uint8)
for _value, _letter in enumerate("0123456789abcdef"):
    _HEX[ord(_letter)] = _HEX[ord(_letter.upper())] = _value


def words(text: Bytes, between: NDArray[np.bool_] = _BLANK) -> tuple[Places, Places]:
    """Where the words of a text begin and end (exclusive); they are separated by one or more of the bytes `between`."""
    inside = np.empty(len(text) + 2, np.bool_)
    inside[0] = inside[-1] = False
    np.logical_not(between[text], out=inside[1:-1])
    edges = np.flatnonzero(inside[1:] != inside[:-1])
    return edges[::2], edges[1::2]


def decimals(text: Bytes, begin: Places, end: Places) -> tuple[Places, NDArray[np.bool_]]:
    """Decimal numbers of up to 18 digits, and which words are such."""
    length = end - begin
    value, good = np.zeros(len(begin), np.int64), (length > 0) & (length <= 18)
    for place in range(int(length[good].max(initial=0))):
        here = np.flatnonzero(good & (length > place))
        if len(here) == len(begin):
            letter = text[begin + place]
            value = value * 10 + (letter - np.uint8(48))
            good &= _DIGIT[letter]
        else:
            letter = text[begin[here] + place]
            value[here] = value[here] * 10 + (letter - np.uint8(48))
            good[here] &= _DIGIT[letter]
    return value, good


def hexadecimals(text: Bytes, begin: Places, end: Places) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
    """Hexadecimal numbers of up to 16 digits, and which words are such."""
    length = end - begin
    value, good = np.zeros(len(begin), np.uint64), (length > 0) & (length <= 16)
    for place in range(int(length[good].max(initial=0))):
        here = np.flatnonzero(good & (length > place))
        digit = _HEX[text[begin[here] + place]]
        value[here] = value[here] << np.uint64(4) | digit
        good[here] &= digit < 16
    return value, good


def keys(text: Bytes, begin: Places, end: Places) -> NDArray[np.uint64]:
    """A number for each word, the same for the same word: of up to 8 bytes its bytes, of longer ones a mixture."""
    length = end - begin
    key = np.zeros(len(begin), np.uint64)
    if int(length.max(initial=0)) <= 1:
        return text[begin].astype(np.uint64)
    for place in range(int(length.max(initial=0))):
        here = np.flatnonzero(length > place)
        key[here] = mixed(key[here], text[begin[here] + place].astype(np.uint64))
    return key


def mixed(key: NDArray[np.uint64], letter: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """A key with one more letter."""
    return (key << np.uint64(8)) ^ (key >> np.uint64(56)) * np.uint64(0x9E3779B97F4A7C15) ^ letter


def key_of(word: str | bytes) -> int:
    """The same number for one word."""
    data = word.encode("latin-1") if isinstance(word, str) else word
    text = np.frombuffer(data, np.uint8)
    return int(keys(text, np.array([0]), np.array([len(text)]))[0])


def is_blank(text: Bytes) -> NDArray[np.bool_]:
    """Which bytes separate words."""
    return _BLANK[text]
