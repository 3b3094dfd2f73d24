"""What a failed test of a ROM tells: what its machine did last, what is on the screen, which line is the test's own."""

from __future__ import annotations

import re
import time
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import attrs
import pytest

from simkit.check.image.astray import astray
from simkit.check.leaving.search import Leaving, Search
from simkit.contract.plain import plain
from simkit.cpu.isa.flags import flags_sentence, flags_set
from simkit.machine.again import Again
from simkit.machine.found import by_place, place_words, times
from simkit.machine.machine import Machine
from simkit.machine.told import digits, last_lines
from simkit.machine.views import Screen

_SHOWN_INSTRUCTIONS = 12
_SHOWN_FINDINGS = 4
"""First and last ones shown of many."""

SEARCH_SECONDS = 10.0
"""For which a failed test is run again at most to find where its program left its code."""

_PACKAGE = Path(__file__).parent.parent


def modules_of_the_kit(error: BaseException) -> list[dict[str, Any]]:
    """Names in the kit's modules through which an error came, and what it came of."""
    found: list[dict[str, Any]] = []
    shown: BaseException | None = error
    while shown is not None:
        found += [
            frame.f_globals
            for frame, _ in traceback.walk_tb(shown.__traceback__)
            if Path(frame.f_code.co_filename).is_relative_to(_PACKAGE)
        ]
        shown = shown.__cause__
    return found


def shown_by_pytest(usual: Callable[..., Any], excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
    """A failure as pytest shows it; without values where the text of one, a card's, would end the session."""
    try:
        return usual(excinfo, style)
    except SystemExit:
        return "".join(traceback.format_exception(excinfo.value))


def state_text(found: Machine, again: Again, item: pytest.Item) -> str:
    """What the machine last did, and what is on its screens; of a machine whose cards fail, what can be shown."""
    lines: list[str] = []
    lost = _Lost()
    parts = (
        _run_lines,
        partial(_astray_lines, again, lost),
        partial(_finding_lines, lost),
        _note_lines,
        partial(_screen_lines, item),
    )
    for part in parts:
        try:
            lines += map(plain, part(found))
        except Exception as error:  # noqa: BLE001 - a report about a failure must not become another one
            lines.append(f"The rest cannot be shown: {type(error).__name__}: {error!r}")
    return "\n".join(lines)


def _run_lines(found: Machine) -> list[str]:
    return [
        f"cycle {digits(found.cycle)} ({found.seconds:.6f} s)",
        "last instructions:",
        *last_lines(found.last_folded(_SHOWN_INSTRUCTIONS)),
        _cpu_words(found),
    ]


@attrs.define
class _Lost:
    """From when on the program was lost; None: as far as is known it is not."""

    cycle: int | None = None


def _astray_lines(again: Again, lost: _Lost, found: Machine) -> list[str]:
    gone = astray(found)
    if gone is None and not found.cpu.halted:
        return []
    leaving = _searched(again)
    if leaving is not None:
        lost.cycle = leaving.cycle
        return leaving.lines()
    if gone is None:
        return []
    where, before = gone
    return [f"ran-away: {where}", *(["instructions before it:", *last_lines(before)] if before else [])]


def _searched(again: Again) -> Leaving | None:
    """Where the program left its code, when that is found in SEARCH_SECONDS."""
    search = Search(again)
    began = time.monotonic()
    while time.monotonic() - began < SEARCH_SECONDS and search.go_on():
        pass
    return search.leaving


def _note_lines(found: Machine) -> list[str]:
    """Why labels and lines may be missing above."""
    return [f"note: {note}" for note in found.notes]


def _finding_lines(lost: _Lost, found: Machine) -> list[str]:
    number = sum(found.findings.counts().values())
    if not number:
        return []
    told, followed = [], 0
    for f, often in by_place(found):
        if lost.cycle is not None and f.cycle >= lost.cycle:
            followed += often
            continue
        repeats = f" First of {times(often)}." if often > 1 else ""
        told.append(f"  cycle {digits(f.cycle)}{place_words(found, f)}: {f.rule}: {f.message}{repeats}")
    if len(told) > 2 * _SHOWN_FINDINGS:
        told[_SHOWN_FINDINGS:-_SHOWN_FINDINGS] = [f"  ... {len(told) - 2 * _SHOWN_FINDINGS} more places ..."]
    kept = len(found.findings)
    looked = f"; places are those of the first {digits(kept)}" if kept < number else ""
    lines = [f"findings ({digits(number)}{looked}):", *told]
    if followed:
        lines.append(f"  ... {digits(followed)} that followed, when the program was lost ...")
    led = last_lines(found.led_to_first_found(_SHOWN_INSTRUCTIONS))
    if led and found.first_found is not None:
        cycle = digits(found.first_found.cycle)
        lines += [f"instructions before the first of the run ({found.first_found.rule}, cycle {cycle}):", *led]
    return lines


def _screen_lines(item: pytest.Item, found: Machine) -> list[str]:
    lines: list[str] = []
    screens = found.ports(Screen)
    for number, screen in enumerate(screens):
        folder = failure_folder(item.config)
        name = re.sub(r"[^A-Za-z0-9_.-]+", "-", item.nodeid)[-100:].strip("-")
        path = folder / f"{name}{f'-{number}' if len(screens) > 1 else ''}.png"
        lines.append(f"picture: {screen.save_png(path, force=True)}")
        text = screen.text().strip("\n")
        if text.strip():
            lines += ["on the screen:", *(f"  {row.rstrip()}" for row in text.split("\n"))]
    return lines


def _cpu_words(found: Machine) -> str:
    """The CPU in words."""
    cpu = found.cpu
    text = (
        f"next at {found.place(cpu.pc).words()}; A ${cpu.a:02X}, X ${cpu.x:02X}, Y ${cpu.y:02X}, "
        f"stack pointer ${cpu.sp:02X}; set: {flags_sentence(flags_set(cpu.p))}"
    )
    return f"{text}; the CPU is {cpu.halted}" if cpu.halted else text


def failure_folder(config: pytest.Config) -> Path:
    """Folder for pictures of failures: pytest's cache, or a folder beside it when the cache is off."""
    cache = getattr(config, "cache", None)
    folder = Path(cache.mkdir("simkit-failures")) if cache is not None else config.rootpath / ".simkit-failures"
    folder.mkdir(parents=True, exist_ok=True)
    return folder
