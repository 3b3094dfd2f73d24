"""Stories: a Markdown file says at which moments of a recording chapters begin, and what is to be said there.

# An evening in the beds            the first chapter, at the very beginning, if there is a heading or a text
The clubhouse, nine o'clock.
## label:main_loop#3: The game      a moment, as all commands write it, and the name of the chapter
What is to be said, in Markdown.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

import attrs

from simkit.contract.errors import Errors, SimkitError
from simkit.contract.shapes import StateError
from simkit.files.bounded import lines_of, read_text
from simkit.machine.history import Bystander
from simkit.machine.machine import Machine
from simkit.machine.moments import Moment, parse_moment
from simkit.machine.waiting import Wait, span_cycles
from simkit.outside.entries import OPENS_POWER_ON, Entry, Place, line_of
from simkit.outside.player import Player
from simkit.outside.recording import IN_LINES, Recording

MAX_BYTES = 1_000_000
PIECE_SECONDS = 1
"""Machine time that is played between two looks at whether to go on."""

_HEADING = re.compile(r"(#{1,2})\s+(.*)")
_COLON = re.compile(r":\s+(?=\S)")
_FENCE = re.compile(r"\s{0,3}(`{3,}|~{3,})")


@attrs.frozen
class Told:
    """A chapter of a story.

    Attributes:
        moment: when it begins; None: at the very beginning.
        name: of the chapter.
        caption: Markdown.
        line: of its heading in the file.
        file: the file.
    """

    moment: Moment | None
    name: str
    caption: str
    line: int
    file: str


def read_story(path: Path) -> list[Told]:
    """The chapters of a story, as they stand in the file.

    Raises:
        FileError: the file cannot be read.
        SimkitError: there is none, or it tells nothing; SeveralErrors for several headings that are wrong.
    """
    file = str(path)
    try:
        text = read_text(path, MAX_BYTES, "story")
    except FileNotFoundError as error:
        raise SimkitError(f"There is no story {path}.", remedy="Correct the path.") from error
    errors = Errors()
    chapters: list[Told] = []
    head: Told | None = Told(None, "", "", 1, file)
    body: list[str] = []
    fence = ""

    def end() -> None:
        caption = "\n".join(body).strip("\n")
        if head is not None and (head.name or caption):
            chapters.append(attrs.evolve(head, name=head.name or "The beginning", caption=caption))
        body.clear()

    for number, line in enumerate(lines_of(text), start=1):
        mark = _FENCE.match(line)
        if mark is not None and (not fence or line.strip().startswith(fence)):
            fence = "" if fence else mark[1]
        heading = None if fence else _HEADING.fullmatch(line)
        if heading is None or (heading[1] == "#" and (chapters or head is None or head.name or any(body))):
            body.append(line)
            continue
        end()
        try:
            head = _head(heading[1], heading[2].strip(), number, file)
        except SimkitError as error:
            head = None
            errors.add(error)
    end()
    errors.raise_any()
    if not chapters:
        raise SimkitError("The story tells nothing.", file=file, remedy="Write a heading: ## 2s: The title")
    return chapters


def _head(marks: str, text: str, line: int, file: str) -> Told:
    """A chapter from its heading."""
    if marks == "#":
        return Told(None, text, "", line, file)
    wrong: SimkitError | None = None
    for colon in _COLON.finditer(text):  # one may stand in the text of a moment
        name = text[colon.end() :].strip()
        try:
            return Told(parse_moment(text[: colon.start()].strip()), name, "", line, file)
        except SimkitError as error:
            wrong = wrong or error
    if wrong is not None:
        raise SimkitError(wrong.message, file=file, line=line, lines=wrong.lines, remedy=wrong.remedy) from wrong
    raise SimkitError(
        f"{text[:60]!r} is no heading of a chapter.",
        file=file,
        line=line,
        remedy="Write a moment, a colon, a blank, and a name: ## label:main_loop#3: The game",
    )


def told(
    machine: Machine,
    recording: Recording,
    chapters: Sequence[Told],
    goes_on: Callable[[float], bool] = lambda part: True,
) -> bytes:
    """A recording with the chapters of a story in place of its own.

    Args:
        machine: just switched on.
        recording: of it.
        chapters: of the story.
        goes_on: told how much is done, 0 to 1; False ends it, and what comes then is nothing to be kept.

    Raises:
        SimkitError: the recording cannot be played, is of an old version, or a moment does not come; SeveralErrors for
            several moments.
    """
    if recording.version not in IN_LINES:
        raise SimkitError(
            "The recording is too old to hold chapters.", file=str(recording.path), remedy="Record it again."
        )
    places = _places(machine, recording, chapters, goes_on)
    lines = [recording.header.line()]
    left = sorted(zip(places, range(len(chapters)), strict=True))
    try:
        for entry in recording.entries():
            while left and _comes_before(left[0][0], entry):
                place, number = left.pop(0)
                lines.append(_line(place, chapters[number]))
            if entry.kind != "chapter":
                lines.append(line_of(entry))
        lines += [_line(place, chapters[number]) for place, number in left]
    except StateError as error:
        raise SimkitError(f"The recording cannot hold the story: {error}.", remedy="Shorten it.") from error
    return b"".join(lines)


def _line(place: Place, chapter: Told) -> bytes:
    try:
        return line_of(Entry("chapter", place, {"name": chapter.name, "caption": chapter.caption}))
    except StateError as error:
        raise SimkitError(
            f"The chapter cannot be kept: {error}.", file=chapter.file, line=chapter.line, remedy="Write it shorter."
        ) from error


def _comes_before(place: Place, entry: Entry) -> bool:
    """Whether a chapter stands before an entry: behind all of its own place, but not behind what ends that."""
    return place < entry.at or (place == entry.at and entry.kind in (*OPENS_POWER_ON, "end"))


class _Marked(Bystander):
    """Waits for the moment of a chapter, on whichever machine the recording loads."""

    def __init__(self, machine: Machine, moment: Moment) -> None:
        self.cycle: int | None = None
        self._moment = moment
        self._await(machine)
        machine.histories.append(self)

    def _await(self, machine: Machine) -> None:
        self._machine = machine
        self._wait = Wait(machine, self._moment, self._comes)

    def _comes(self, cycle: int) -> None:
        self.cycle = cycle
        self._machine.end_run_at(cycle)

    def go_on_with(self, machine: Machine) -> None:
        """Another machine takes the place of this one."""
        self._wait.cancel()
        if self.cycle is None:
            self._await(machine)
        machine.histories.append(self)


def _places(
    machine: Machine, recording: Recording, chapters: Sequence[Told], goes_on: Callable[[float], bool]
) -> list[Place]:
    """Where each chapter begins."""
    places: dict[int, Place] = {}
    times: dict[int, int] = {}
    events: dict[int, _Marked] = {}
    for number, one in enumerate(chapters):
        if one.moment is None:
            places[number] = Place(1, 0)
            continue
        try:
            if one.moment.kind:
                events[number] = _Marked(machine, one.moment)
            else:
                times[number] = sum(span_cycles(machine, span) for span in one.moment.after)
        except SimkitError as error:
            raise SimkitError(error.message, file=one.file, line=one.line, remedy=error.remedy) from error
    player = Player(machine, recording)
    piece = max(1, int(PIECE_SECONDS * machine.clock_hz))
    while not player.ended and goes_on(player.played / max(1, recording.cycles)):
        for number in [number for number, cycles in times.items() if cycles <= player.played]:
            del times[number]
            places[number] = player.place
        player.run(min([piece, *(cycles - player.played for cycles in times.values())]))
        for number in [number for number, one in events.items() if one.cycle is not None]:
            if player.machine.cycle >= (events[number].cycle or 0):
                del events[number]
                places[number] = player.place
    for number in [number for number, cycles in times.items() if cycles <= player.played]:
        del times[number]
        places[number] = player.place
    errors = Errors()
    for number in sorted({*times, *events}):
        one = chapters[number]
        errors.add(
            SimkitError(
                f"The moment {str(one.moment)!r} does not come in the recording.",
                file=one.file,
                line=one.line,
                remedy="Write one that comes, or take the chapter out.",
            )
        )
    errors.raise_any()
    return [places[number] for number in range(len(chapters))]
