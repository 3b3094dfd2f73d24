"""Makes an input small that shows a fault: what can be left out, and the fault is still the same, is left out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import TypeVar

import attrs

from fuzzing.faults import Fault, Outcome
from fuzzing.sample import Sample

T = TypeVar("T", bytes, list[str], list[bytes])

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
        for step in (_fewer_files, _fewer_words, _fewer_lines, _fewer_bytes, _shorter_words):
            for smaller in step(sample):
                if still(smaller):
                    sample = smaller
                    break
            else:
                continue
            break
    return sample


def _pieces(whole: T) -> Iterator[T]:
    """The whole without a piece: halves, quarters, and so on to single ones."""
    size = len(whole) // 2 or len(whole)
    while size:
        for at in range(0, len(whole), size):
            yield whole[:at] + whole[at + size :]
        size = size // 2 if size > 1 else 0


def _fewer_files(sample: Sample) -> Iterator[Sample]:
    for name in sample.files:
        yield attrs.evolve(sample, files={key: content for key, content in sample.files.items() if key != name})


def _fewer_words(sample: Sample) -> Iterator[Sample]:
    if sample.call == "command":  # of the other calls each argument has its place
        for words in _pieces(list(sample.argv)):
            yield attrs.evolve(sample, argv=tuple(words))


def _fewer_lines(sample: Sample) -> Iterator[Sample]:
    for name, content in sample.files.items():
        if isinstance(content, bytes) and content.count(b"\n") > 1:
            for lines in _pieces(content.split(b"\n")):
                yield attrs.evolve(sample, files={**sample.files, name: b"\n".join(lines)})


def _fewer_bytes(sample: Sample) -> Iterator[Sample]:
    for name, content in sample.files.items():
        if isinstance(content, bytes):
            for smaller in _pieces(content):
                yield attrs.evolve(sample, files={**sample.files, name: smaller})
    if sample.stdin:
        for smaller in _pieces(sample.stdin):
            yield attrs.evolve(sample, stdin=smaller)


def _shorter_words(sample: Sample) -> Iterator[Sample]:
    for number, word in enumerate(sample.argv):
        for shorter in _pieces(word.encode("utf-8", "surrogatepass")):
            argv = (*sample.argv[:number], shorter.decode("utf-8", "replace"), *sample.argv[number + 1 :])
            yield attrs.evolve(sample, argv=argv)
