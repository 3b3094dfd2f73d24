"""Makes an input small that shows a fault: what can be left out, and the fault is still the same, is left out."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

import attrs

from fuzzing.faults import Fault, Outcome
from fuzzing.sample import Sample

Whole = TypeVar("Whole", bytes, list[str], list[bytes])

SECONDS = 60.0
"""Time after which what was reached is small enough."""


def shrunk(sample: Sample, fault: Fault, run: Callable[[Sample], Outcome], seconds: float = SECONDS) -> Sample:
    """The smallest sample found that shows the fault.

    Args:
        sample: one that does.
        fault: the fault, told again by its kind and place.
        run: runs a sample.
        seconds: when to be content.
    """
    until = time.monotonic() + seconds

    def still(smaller: Sample) -> bool:
        return time.monotonic() < until and fault in run(smaller).faults

    before = None
    while before != sample and time.monotonic() < until:
        before = sample
        for step in (_fewer_files, _fewer_words, _shorter_files, _shorter_words):
            sample = step(sample, still)
    return sample


def _less(whole: Whole, still: Callable[[Whole], bool]) -> Whole:
    """The whole without every piece that is not needed: halves first, then quarters, and so on to single ones."""
    size = len(whole)
    while size:
        at = 0
        while at < len(whole):
            smaller = whole[:at] + whole[at + size :]
            if still(smaller):
                whole = smaller
            else:
                at += size
        size //= 2
    return whole


def _fewer_files(sample: Sample, still: Callable[[Sample], bool]) -> Sample:
    def of(names: list[str]) -> Sample:
        return attrs.evolve(sample, files={name: sample.files[name] for name in names})

    return of(_less(list(sample.files), lambda names: still(of(names))))


def _fewer_words(sample: Sample, still: Callable[[Sample], bool]) -> Sample:
    if sample.call != "command":  # of the other calls each argument has its place
        return sample
    words = _less(list(sample.argv), lambda words: still(attrs.evolve(sample, argv=tuple(words))))
    return attrs.evolve(sample, argv=tuple(words))


def _shorter_files(sample: Sample, still: Callable[[Sample], bool]) -> Sample:
    for name, content in sample.files.items():
        if isinstance(content, bytes):
            sample = _shorter_file(sample, name, content, still)
    if sample.stdin:
        sample = attrs.evolve(sample, stdin=_less(sample.stdin, lambda data: still(attrs.evolve(sample, stdin=data))))
    return sample


def _shorter_file(sample: Sample, name: str, content: bytes, still: Callable[[Sample], bool]) -> Sample:
    def of(data: bytes) -> Sample:
        return attrs.evolve(sample, files={**sample.files, name: data})

    lines = _less(content.split(b"\n"), lambda lines: still(of(b"\n".join(lines))))
    return of(_less(b"\n".join(lines), lambda data: still(of(data))))


def _shorter_words(sample: Sample, still: Callable[[Sample], bool]) -> Sample:
    for number in range(len(sample.argv)):

        def of(word: bytes, number: int = number, sample: Sample = sample) -> Sample:
            argv = (*sample.argv[:number], word.decode("utf-8", "replace"), *sample.argv[number + 1 :])
            return attrs.evolve(sample, argv=argv)

        word = _less(sample.argv[number].encode("utf-8", "surrogatepass"), lambda word, of=of: still(of(word)))
        if word != sample.argv[number].encode("utf-8", "surrogatepass"):
            sample = of(word)
    return sample
