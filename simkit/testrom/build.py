"""From the checks of a card to the ROM: program, image, labels, and the text that it should show."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import count

import attrs

from simkit.contract.errors import SimkitError
from simkit.testrom.checks import IRQ_LABELS, PATTERNS, WAITS, Check, Failing, Plan
from simkit.testrom.code import Code
from simkit.testrom.kinds import Task, plan_for
from simkit.testrom.learn import VECTORS, Load, rom_image
from simkit.testrom.memory import CHECKSUM, program_start, rom_markers
from simkit.testrom.outputs import COLUMNS, ROWS, LampsOutput, Output, ScreenOutput, TextOutput, find_outputs, letters
from simkit.testrom.survey import Survey

PASS = "PASS"
STRAY = "STRAY"
PASS_TEXT = "ALL CHECKS PASS"
_SUM_CELL = 3  # from the ROM's first address on; no address line alone leads there
_MOST_CHECKS = ROWS - 2


@attrs.frozen(kw_only=True)
class TestRom:
    """A test ROM for one card.

    Attributes:
        survey: the machine.
        outputs: ways in which it tells, the most trusted first.
        left_silent: outputs for which the ROM has no room, in words.
        plan: its checks.
        code: the program.
        image: content of the ROM.
        size: bytes of program and texts.
    """

    __test__ = False  # what tests are named like, for pytest

    survey: Survey
    outputs: tuple[Output, ...]
    left_silent: tuple[str, ...]
    plan: Plan
    code: Code
    image: bytes
    size: int

    @property
    def labels(self) -> dict[str, int]:
        """Labels that people are to know, by address."""
        return dict(sorted(((name, self.code.labels[name]) for name in self.code.told), key=lambda item: item[1]))

    @property
    def expected(self) -> str:
        """The text that a sound machine shows, on its screen or over its serial line; a line a check."""
        checks = [f"{_title(number, check)} OK" for number, check in enumerate(self.plan.checks, start=1)]
        return "\n".join([header(self.survey), *checks, PASS_TEXT, ""])


def header(survey: Survey) -> str:
    """First line of the text."""
    return f"TEST OF SLOT {survey.slot}: {type(survey.seat.card).kind.upper()}"[:COLUMNS]


def fail_label(number: int) -> str:
    """Where the CPU stays when a check has failed."""
    return f"FAIL_{number:02d}"


def _title(number: int, check: Check) -> str:
    return f"{number:02d} {check.title}"


def build(survey: Survey, load: Load) -> TestRom:
    """Write the test ROM for the card under test.

    Raises:
        SimkitError: the ROM is too small, or there is nothing that could be tested.
    """
    outputs = find_outputs(survey)
    size = 0
    for brief in (False, True):
        plan = plan_for(Task(survey, tuple(outputs), load, brief))
        kept = list(outputs)
        silent: list[str] = []
        while True:
            code = _program(survey, kept, plan)
            size = code.at - program_start(survey)
            if code.at <= min(plan.cells, default=VECTORS):
                return _finish(survey, kept, silent, plan, size)
            spare = [one for one in kept if not isinstance(one, LampsOutput) and one.slot != survey.slot]
            if not brief or not spare:
                break
            kept.remove(spare[-1])
            silent.append(f"the {spare[-1].word} in slot {spare[-1].slot}")
    raise SimkitError(
        f"The test needs {size} bytes; the ROM in slot {survey.rom.seat.slot} has "
        f"{VECTORS - program_start(survey)} for it at ${program_start(survey):04X}-${VECTORS - 1:04X}.",
        remedy="Try it with a larger ROM part, or a select that shows more of it.",
    )


def _finish(survey: Survey, outputs: list[Output], silent: list[str], plan: Plan, size: int) -> TestRom:
    def whole(correction: int) -> Code:
        code = _program(survey, outputs, plan, correction)
        for address, value in sorted(plan.cells.items()):
            code.remark("Read by the check of neighbours.")
            code.fill_to(address)
            code.data(bytes([value]))
        code.fill_to(VECTORS)
        code.add(f".word {STRAY}, RESET, IRQ")
        return code

    others = sum(whole(0).image())
    correction = next(value for value in range(256) if _folded(others + value) == CHECKSUM)
    code = whole(correction if survey.slot == survey.rom.seat.slot else 0)
    return TestRom(
        survey=survey,
        outputs=tuple(outputs),
        left_silent=tuple(silent),
        plan=plan,
        code=code,
        image=rom_image(survey, code.image()),
        size=size,
    )


def _folded(total: int) -> int:
    """Sum of bytes with carries added again, as `adc` after `adc` makes it: never 0 but for no bytes at all."""
    return (total - 1) % 0xFF + 1 if total else 0


class _Writer:
    """The texts of a program, and how they are shown."""

    def __init__(self, code: Code, outputs: Sequence[Output]) -> None:
        self.code = code
        self.outputs = outputs
        self.texts: dict[str, str] = {}

    def say(self, text: str, row: int, column: int, *, end: bool = False) -> None:
        """Show a text on all outputs that can."""
        label = self.texts.setdefault(text, f"text_{len(self.texts)}")
        for output in self.outputs:
            output.text(self.code, label, row, column)
            if end:
                output.end_line(self.code)

    def lamps(self, value: Callable[[LampsOutput], int]) -> None:
        """Show a number on all lamps."""
        for output in self.outputs:
            if isinstance(output, LampsOutput):
                output.lamps(self.code, value(output))


def _program(survey: Survey, outputs: Sequence[Output], plan: Plan, correction: int = 0) -> Code:
    assert len(plan.checks) <= _MOST_CHECKS, "more checks than lines"
    code = Code(survey.rom.first)
    if program_start(survey) > survey.rom.first:
        cells = {**rom_markers(survey), survey.rom.first + _SUM_CELL: correction}
        code.remark("Each address line leads to its number and 1; the fourth byte makes the sum of all right.")
        for address, value in sorted(cells.items()):
            code.fill_to(address)
            code.data(bytes([value]))
        code.fill_to(program_start(survey))
    writer = _Writer(code, outputs)
    code.name("RESET")
    code.add("sei\ncld\nldx #$FF\ntxs ; no memory is used: the stack pointer just holds a byte")
    for output in outputs:
        output.start(code)
    writer.say(header(survey), 0, 0, end=True)
    numbers = [(number, check) for number, check in enumerate(plan.checks, start=1)]
    for number, check in numbers:
        code.remark(f"{number}: {check.title}")
        code.name(f"CHECK_{number:02d}")
        writer.lamps(lambda row, number=number: number & row.all())  # type: ignore[misc]
        writer.say(_title(number, check), number, 0)
        check.emit(code, Failing(code, f"failed_{number}"))
        writer.say(" OK", number, len(_title(number, check)), end=True)
    code.remark("All is well.")
    writer.lamps(LampsOutput.all)
    writer.say(PASS_TEXT, len(numbers) + 1, 0, end=True)
    code.stay(PASS)
    for number, check in numbers:
        _failed(writer, number, check)
    _interrupts(code)
    _data(code, writer, any(isinstance(output, ScreenOutput) for output in outputs))
    return code


def _failed(writer: _Writer, number: int, check: Check) -> None:
    """What follows on a failed check: A goes into the stack pointer, is told, and the CPU stays."""
    code = writer.code
    code.remark(f"{number} failed; A tells what.")
    code.add(f"failed_{number}:\ntax\ntxs")
    writer.lamps(lambda row: (number & row.all()) | row.top)
    writer.say(f" FAIL, {check.word} ", number, len(_title(number, check)))
    for output in writer.outputs:
        if isinstance(output, TextOutput):
            output.figures(code)
            output.end_line(code)
    code.stay(fail_label(number))


def _interrupts(code: Code) -> None:
    code.remark("Interrupts: Y says what is waited for; any other one, NMI and BRK end in STRAY.")
    code.add("IRQ:")
    numbers = count()
    for wanted, label in zip(WAITS, IRQ_LABELS, strict=True):
        if label in code.labels:
            other = f"irq_{next(numbers)}"
            code.add(f"cpy #${wanted:02X}\nbne {other}\njmp {label}\n{other}:")
    code.stay(STRAY)


def _data(code: Code, writer: _Writer, shows_letters: bool) -> None:
    code.remark("Bytes to try, figures, texts.")
    code.add("patterns:")
    code.data(bytes(PATTERNS))
    code.add("figures:")
    code.data(b"0123456789ABCDEF")
    for text, label in writer.texts.items():
        code.add(f"{label}: ; {text.strip()}".replace(f"{label}: ;", f"{label}:\n;", 1))
        code.data(text.encode("ascii") + b"\0")
    if shows_letters:
        code.remark("Letters from the space on, eight bytes each.")
        shapes = letters()
        for page in range(2):
            code.add(f"letters_{page}:")
            code.data(shapes[page * 256 : page * 256 + 256])
