"""The note for the bench: what to burn, what is seen, and what each failure means, in Markdown."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from simkit.backplane.areas import area
from simkit.contract.plain import plain
from simkit.testrom.build import PASS, STRAY, TestRom, fail_label, header
from simkit.testrom.checks import Press
from simkit.testrom.outputs import LampsOutput, Output, ScreenOutput, SerialOutput
from simkit.testrom.trial import PRESS_AFTER_SECONDS, PRESS_SECONDS


def bench_note(rom: TestRom, name: str, machine: str) -> str:
    """The note.

    Args:
        rom: the test ROM.
        name: of its files, without their endings.
        machine: as the command line named it.
    """
    survey = rom.survey
    described = survey.machine.description
    seat, boot = survey.seat, survey.rom
    kind = type(seat.card).kind
    lines = [
        f"# {header(survey).capitalize()}, {described.name}",
        "",
        f"`{name}.bin` ({len(rom.image)} bytes) goes into the ROM socket of slot {boot.seat.slot}, seen at "
        f"${boot.first:04X}-$FFFF; the image for the programmer, label included:",
        "",
        f"    {_burn(rom, name, machine)}",
        "",
        "It runs on a 6502 and a 65C02. It uses no RAM and no stack: only the checks of a RAM and the interrupt check "
        f"store there at all. The card under test is slot {seat.slot} ({kind}), as the machine file has it:",
        "",
        *(f"- {one}" for one in _wired(rom)),
        "",
        "## Before power comes on",
        "",
        "- Set the jumpers so that the card answers as said above; put no other card at its addresses.",
        *(f"- {one}" for one in rom.plan.cautions),
        "- Take the part out and put it in with power off; touch ground first, static kills. Leave mains supplies "
        "closed; an EPROM eraser's lamp harms eyes and skin, never run it open.",
        "",
        "## What is seen",
        "",
        *_outputs(rom),
        *_sound(rom, name),
        "",
        "## Where the CPU stays",
        "",
        "Each result is a loop of one instruction at an address of its own: A15 to A2 stand still in it and can be "
        f"read with a logic probe; A1 and A0 move. `simkit` knows the labels from `{name}.labels`, also for "
        "`--hangs-at LABEL`.",
        "",
        "| loop | address | A15 .. A2 | what it means |",
        "|---|---|---|---|",
        *(_loop(rom, label, text) for label, text in _loops(rom)),
        "",
        "If the CPU stays in none of them, it has left the program: probe RESET, PHI2, the ROM's select, then A15 "
        "downward.",
        "",
        "## The checks, in order",
        "",
        "The first that fails ends the test. Behind FAIL stand two hexadecimal figures: BITS are the data bits that "
        "differ (01 is D0, 80 is D7), LINE the number of an address line (0A is A10), LINES one figure for each of two "
        "lines, STEP which part of the check, SUM what the sum differs in.",
        "",
    ]
    for number, check in enumerate(rom.plan.checks, start=1):
        at = rom.code.labels[f"CHECK_{number:02d}"]
        lines += [f"{number}. **{check.title}** (from ${at:04X}) proves: {check.proves}."]
        if check.sees:
            lines += [f"   You see: {check.sees}."]
        lines += [*(f"   Do: {_do(press)}." for press in check.presses), f"   If it fails: {check.probe}"]
    lines += ["", "## What it cannot notice", "", *(f"- {one}" for one in rom.plan.left_out)]
    lines += [f"- Nothing is shown on {one}: the ROM has no room for it." for one in rom.left_silent]
    lines += [
        "- Faults of timing, of supply and of contacts that come and go; PHI2 missing at a strobe.",
        "- A line that carries the level it is tied to at every access of this card; two lines exchanged that the "
        "card treats alike (address or data lines of RAM).",
        "",
        "## The same in the simulator",
        "",
        f"    {run_command(rom, name, machine)}",
        "",
    ]
    return "\n".join(map(plain, lines))


def run_command(rom: TestRom, name: str, machine: str) -> str:
    """The command that runs it on the simulated machine to its end."""
    boot = rom.survey.rom.seat.slot
    words = ["simkit", "run", machine, "--headless", "--image", f"{boot}={name}.bin", "--labels", f"{name}.labels"]
    words += ["--for", f"label:{PASS}+0.05s", "--text"]
    held = f"+{PRESS_AFTER_SECONDS}s..+{PRESS_SECONDS}s"
    for check in rom.plan.checks:
        for press in check.presses:
            if press.what == "pad":
                words += ["--pad", f"{press.number}={press.name}@label:{press.label}{held}"]
            elif press.what == "type":
                words += ["--type", f"{press.name}@label:{press.label}"]
    return " ".join(shlex.quote(word) for word in words)


def _burn(rom: TestRom, name: str, machine: str) -> str:
    boot, size = rom.survey.rom.seat.slot, len(rom.image)
    words = ["simkit", "burn", machine, "--slot", str(boot), "--image", f"{boot}={name}.bin", "--part", str(size)]
    return " ".join(shlex.quote(word) for word in [*words, "--out", f"{name}.hex"])


def _wired(rom: TestRom) -> list[str]:
    survey = rom.survey
    areas = survey.areas(survey.slot)
    shown = [area(first, last) for first, last in areas[:4]]
    more = " and more" if len(areas) > len(shown) else ""
    told = [f"answers at {', '.join(shown)}{more}"] if shown else ["answers at no address of its own"]
    return told + [f"{pin} joined to {line}" for pin, line in survey.card(survey.slot).wiring.joined().items()]


def _outputs(rom: TestRom) -> list[str]:
    told = [_output(output, rom) for output in rom.outputs]
    if not told:
        return ["The machine has no lamps, serial line or screen: a logic probe at the address lines tells, see below."]
    return ["Trust them in this order:", "", *(f"{number}. {one}" for number, one in enumerate(told, start=1))]


def _output(output: Output, rom: TestRom) -> str:
    if isinstance(output, LampsOutput):
        return (
            f"Lamps in slot {output.slot}: the number of the check under way, binary; with the leftmost lamp besides "
            "when it has failed; all lit when everything passes."
        )
    if isinstance(output, SerialOutput):
        return f"Serial line in slot {output.slot}: 19 200 baud, 8 data bits, no parity, 1 stop bit; a line a check."
    assert isinstance(output, ScreenOutput)
    return f"Screen in slot {output.slot}: black on light yellow, a line a check."


def _sound(rom: TestRom, name: str) -> list[str]:
    if not has_text(rom):
        return []
    return [
        "",
        f"A sound machine shows this (also in `{name}.expected.txt`, fit for `--seen-text`):",
        "",
        *(f"    {line}" for line in rom.expected.splitlines()),
    ]


def has_text(rom: TestRom) -> bool:
    """Whether there is a screen or a serial line to show a text."""
    return any(not isinstance(output, LampsOutput) for output in rom.outputs)


def _loops(rom: TestRom) -> Sequence[tuple[str, str]]:
    failures = [
        (fail_label(number), f"check {number} failed: {check.title}")
        for number, check in enumerate(rom.plan.checks, start=1)
    ]
    stray = "an interrupt or BRK that nobody asked for: NMI or IRQ is low, or the program was read wrong"
    waits = [(press.label, f"it waits: {_do(press)}") for check in rom.plan.checks for press in check.presses]
    return [(PASS, "all checks pass"), *failures, (STRAY, stray), *waits]


def _loop(rom: TestRom, label: str, text: str) -> str:
    address = rom.code.labels[label]
    if not label.startswith((PASS, "FAIL_", STRAY)):
        return f"| {label} | from ${address:04X} on | | {text} |"
    levels = f"{address:016b}"[:14]
    return f"| {label} | ${address:04X} | {levels[:4]} {levels[4:8]} {levels[8:12]} {levels[12:]} | {text} |"


def _do(press: Press) -> str:
    if press.what == "type":
        return f"type {press.name}"
    if press.what == "pad":
        return f"press {press.name} on pad {press.number} and let go"
    return f"press the button {press.name} and let go"
