"""What a check is, and what all of them are written with."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import attrs

from simkit.testrom.code import Code
from simkit.testrom.outputs import add_pause
from simkit.testrom.survey import LINES, Survey

PATTERNS = (
    *(1 << bit for bit in range(8)),
    *(0xFF ^ 1 << bit for bit in range(8)),
    0x55,
    0xAA,
)
"""Walking 1, walking 0, and both checkerboards; in the ROM at the label `patterns`."""
WAITS = (0xC1, 0xC2, 0xC3)
"""In Y while IRQ is let through: whether it must not come yet, must come, must be gone. The handler goes by it."""
IRQ_LABELS = ("IRQ_EARLY", "IRQ_CAME", "IRQ_STAYS")
KEYBOARD_SECONDS = 100e-6
"""Time for a keyboard card to see what was read and to put up the next code: many times what its controller needs."""
KEYBOARD_TEST_SECONDS = 1.2
"""A keyboard's self-test takes 300 to 750 ms (`self_test_ms` in cards/simkit_cards/ps2/settings.py); with room."""
LOOP_CYCLES = 256 * 256 * 5
"""Cycles that `add_long_pause` waits a round, at least."""


class Failing:
    """Where a check goes when it fails; A tells what failed.

    Args:
        code: the program.
        label: where it goes.
    """

    def __init__(self, code: Code, label: str) -> None:
        self.code = code
        self.label = label

    def unless_zero(self, tells: int | None = None) -> None:
        """Fail if the zero flag is clear.

        Args:
            tells: what A tells; None: what is in it.
        """
        fine = self.code.new_label()
        self.code.add(f"beq {fine}")
        if tells is not None:
            self.code.add(f"lda #${tells:02X}")
        self.code.add(f"jmp {self.label}\n{fine}:")

    def unless_equal(self, value: int, mask: int = 0xFF, tells: int | None = None) -> None:
        """Fail if A is not the value in the bits of the mask; A tells which bits differ."""
        self.code.add(f"eor #${value:02X}")
        if mask != 0xFF:
            self.code.add(f"and #${mask:02X}")
        self.unless_zero(tells)

    def now(self, tells: int) -> None:
        """Fail."""
        self.code.add(f"lda #${tells:02X}\njmp {self.label}")


@attrs.frozen(kw_only=True)
class Press:
    """What somebody does while the ROM waits.

    Attributes:
        label: where it waits for that.
        what: "pad", "button" or "type".
        number: of the pad.
        name: of the button, or the text.
    """

    label: str
    what: str
    name: str
    number: int = 0


@attrs.frozen(kw_only=True)
class Check:
    """One check of a test ROM.

    Attributes:
        title: what the outputs show, capitals, at most 24 characters.
        emit: adds the program, which falls through when all is well.
        proves: what it proves, for people.
        probe: what to look at first when it fails.
        word: what the figures behind FAIL are: "BITS" that differ, the number of an address "LINE", a "STEP".
        presses: what somebody must do, in order.
        sees: what is seen meanwhile, for people.
    """

    title: str
    emit: Callable[[Code, Failing], None]
    proves: str
    probe: str
    word: str = "BITS"
    presses: tuple[Press, ...] = ()
    sees: str = ""


@attrs.frozen
class Plan:
    """The checks of a card.

    Attributes:
        checks: in order.
        left_out: what is not checked, and why, in sentences.
        cautions: what to do before power is switched on, in sentences.
        cells: bytes by address that the ROM must hold for the checks.
    """

    checks: tuple[Check, ...] = ()
    left_out: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    cells: Mapping[int, int] = attrs.field(factory=dict)

    def __add__(self, other: Plan) -> Plan:
        return Plan(
            self.checks + other.checks,
            self.left_out + other.left_out,
            self.cautions + other.cautions,
            {**self.cells, **other.cells},
        )


def add_long_pause(code: Code, rounds: int) -> None:
    """Wait so many times LOOP_CYCLES and a little more; A, X, Y are lost."""
    outer, middle, inner = code.new_label(), code.new_label(), code.new_label()
    code.add(f"lda #${rounds:02X}\n{outer}:\nldy #$00\n{middle}:\nldx #$00\n{inner}:\ndex\nbne {inner}")
    code.add(f"dey\nbne {middle}\nsec\nsbc #$01\nbne {outer}")


def rounds(survey: Survey, seconds: float) -> int:
    """Rounds of `add_long_pause` that last about so long."""
    return min(255, max(1, round(survey.cycles(seconds) / LOOP_CYCLES)))


@attrs.frozen
class Mirror:
    """An address that differs from one of the card in a single line, and must not reach it.

    Attributes:
        line: number of the address line.
        address: the address.
        own: the card's address that it differs from.
    """

    line: int
    address: int
    own: int


def mirrors(survey: Survey, addresses: Sequence[int], fits: Callable[[int], bool]) -> tuple[list[Mirror], list[int]]:
    """For each address line a neighbour of the card's addresses that does not select it.

    Args:
        survey: the machine.
        addresses: at which the card sees one register, or one cell.
        fits: whether an address can be used.

    Returns:
        The neighbours, and lines for which there is none though the card's decoder hears them.
    """
    found: list[Mirror] = []
    without: list[int] = []
    slot = survey.slot
    for line in LINES:
        outside = [
            (address, address ^ 1 << line)
            for address in addresses
            if not survey.reads(slot, address ^ 1 << line) and not survey.writes(slot, address ^ 1 << line)
        ]
        fitting = [(own, other) for own, other in outside if fits(other)]
        free = [pair for pair in fitting if not survey.owners(pair[1])]
        if fitting:
            own, other = (free or fitting)[0]
            found.append(Mirror(line, other, own))
        elif outside:
            without.append(line)
    return found, without


def lines_text(lines: Sequence[int]) -> str:
    """Address lines in words."""
    return ", ".join(f"A{line}" for line in lines)


def undriven(survey: Survey, address: int) -> int:
    """What `lda address` finds where nobody drives the lines, as the machine file has it."""
    open_bus = survey.machine.description.backplane.open_bus
    return {"pull-up": 0xFF, "pull-down": 0x00}.get(open_bus, address >> 8)


def add_mirror_reads(code: Code, failing: Failing, survey: Survey, found: Sequence[Mirror], holds: int) -> None:
    """Read neighbours: RAM must give what was put there, and where nobody is nobody must answer.

    Args:
        code: the program.
        failing: where it goes otherwise, with the number of the line.
        survey: the machine.
        found: the neighbours.
        holds: what the card gives at its own address, so that RAM is filled with bits that it would pull low.
    """
    for mirror in found:
        if drivers := survey.drivers(mirror.address):
            if survey.is_ram(drivers[0]):
                code.add(f"lda #$FF\nsta ${mirror.address:04X}")
            code.add(f"lda ${mirror.address:04X}")
            failing.unless_equal(0xFF, tells=mirror.line)
        elif undriven(survey, mirror.address) != holds:
            code.add(f"lda ${mirror.address:04X}")
            failing.unless_equal(undriven(survey, mirror.address), tells=mirror.line)


def readable_mirror(survey: Survey) -> Callable[[int], bool]:
    """Whether `add_mirror_reads` can use an address."""

    def fits(address: int) -> bool:
        drivers = survey.drivers(address)
        if len(drivers) != 1:
            return not drivers
        return survey.is_ram(drivers[0]) or (drivers[0] is survey.rom.seat and address >= late)

    late = survey.rom.first + survey.rom.room * 3 // 4

    return fits


def cells_of(survey: Survey, found: Sequence[Mirror]) -> dict[int, int]:
    """Cells of the ROM among neighbours that `add_mirror_reads` reads: they hold what a second driver pulls low."""
    return {one.address: 0xFF for one in found if survey.rom.seat in survey.drivers(one.address)}


def irq_check(
    survey: Survey,
    *,
    pull: Callable[[Code], None],
    release: Callable[[Code], None],
    wait_cycles: int | None,
    how: str,
    title: str = "INTERRUPT",
    presses: tuple[Press, ...] = (),
) -> Plan:
    """The check of a card's interrupt output.

    Args:
        survey: the machine.
        pull: source that has the card pull IRQ.
        release: source that has it let go.
        wait_cycles: cycles within which IRQ must come; None: it comes when somebody does something.
        how: what makes the card pull, in words.
        title: of the check.
        presses: what somebody must do.
    """
    if not survey.pulls_irq(survey.slot):
        return Plan(left_out=("The interrupt output is joined to no IRQ line in the machine file: it is not checked.",))

    def emit(code: Code, failing: Failing) -> None:
        early, late = code.new_label(), code.new_label()
        _quieten(code, survey)
        code.add(f"ldy #${WAITS[0]:02X} ; nobody may pull IRQ yet\ncli\nnop\nnop\nnop\nsei\njmp {early}")
        code.name("IRQ_EARLY")
        failing.now(1)
        code.add(f"{early}:")
        pull(code)
        again = code.new_label()
        if wait_cycles is None:
            code.add(f"ldy #${WAITS[1]:02X} ; IRQ ends this loop\ncli\n{again}:\njmp {again}")
        else:
            add_irq_loops(code, wait_cycles)
            failing.now(2)
        code.name("IRQ_CAME")
        release(code)
        code.add(f"ldy #${WAITS[2]:02X} ; and be gone now\ncli\nnop\nnop\nnop\nsei\njmp {late}")
        code.name("IRQ_STAYS")
        failing.now(3)
        code.add(f"{late}:")

    return Plan(
        checks=(
            Check(
                title=title,
                emit=emit,
                word="STEP",
                presses=presses,
                proves=f"the card pulls IRQ when told to ({how}), and lets it go again",
                probe="STEP 01: IRQ is low before anything asked for it, probe IRQ for a short. STEP 02: it does not "
                "come, probe the card's interrupt pin, then IRQ at the CPU (pull-up fitted?). STEP 03: it stays low.",
            ),
        )
    )


def add_irq_loops(code: Code, cycles: int) -> None:
    """Let IRQ through for at least so many cycles; it ends the waiting."""
    outer, inner = code.new_label(), code.new_label()
    code.add(f"ldy #${WAITS[1]:02X} ; IRQ must come now")
    loops = cycles // (256 * 5) + 1
    code.add(f"lda #${min(255, loops):02X}\nldx #$00\ncli")
    code.add(f"{outer}:\n{inner}:\ndex\nbne {inner}\nsec\nsbc #$01\nbne {outer}\nsei")


def add_mid_pause(code: Code, cycles: int) -> None:
    """Wait at least so many cycles, up to LOOP_CYCLES; X and Y are lost."""
    outer, inner = code.new_label(), code.new_label()
    loops = min(256, cycles // (256 * 5) + 1)
    code.add(f"ldy #${loops & 0xFF:02X}\n{outer}:\nldx #$00\n{inner}:\ndex\nbne {inner}\ndey\nbne {outer}")


def _quieten(code: Code, survey: Survey) -> None:
    """Take the code of a keyboard's self-test from keyboards that share the line and are not under test."""
    for seat in survey.of_kind("keyboard"):
        status, data = survey.address_of(seat.slot, 0), survey.address_of(seat.slot, 1)
        if seat.slot == survey.slot or not survey.pulls_irq(seat.slot) or status is None or data is None:
            continue
        code.remark(f"The keyboard in slot {seat.slot} pulls IRQ while the code of its self-test waits: take it.")
        add_long_pause(code, rounds(survey, KEYBOARD_TEST_SECONDS))
        code.add(f"lda ${status:04X}")
        settle(code, survey, KEYBOARD_SECONDS)
        code.add(f"lda ${data:04X}")
        settle(code, survey, KEYBOARD_SECONDS)
        code.add(f"lda ${status:04X}")
        settle(code, survey, KEYBOARD_SECONDS)


def settle(code: Code, survey: Survey, seconds: float) -> None:
    """Wait so long, at most some milliseconds; Y is lost."""
    add_pause(code, survey.cycles(seconds))
