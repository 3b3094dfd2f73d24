"""Checks of RAM and of the ROM itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

from simkit.testrom.checks import (
    Check,
    Failing,
    Mirror,
    Plan,
    add_mirror_reads,
    lines_text,
    mirrors,
    readable_mirror,
)
from simkit.testrom.code import Code
from simkit.testrom.survey import LINES, Survey

PAGE = 256
CHECKSUM = 0x5A
"""What the bytes of the ROM add up to, carries added again."""
_POINTER = 0x00
"""Zero page cells of the pointer that goes through memory, once they are proven."""
_CELL = "Probe the data line of each bit shown, at the card's connector, then the card's select and write strobe."


def ram_checks(survey: Survey, *, brief: bool) -> Plan:
    """Data lines, address lines one at a time and in pairs, every byte twice, neighbours.

    Args:
        survey: the machine.
        brief: leave the pairs out, where the ROM is small.
    """
    slot = survey.slot
    first, last = _unique(survey)
    whole = list(range((first + PAGE - 1) // PAGE, (last + 1) // PAGE))
    lines = [line for line in LINES if first <= first ^ 1 << line <= last]
    checks = [
        Check(
            title="DATA LINES",
            emit=lambda code, failing: _data(code, failing, first),
            proves=f"all eight data lines, at ${first:04X}: a walking 1, a walking 0, both checkerboards",
            probe=_CELL,
        ),
        Check(
            title="ADDRESS LINES",
            emit=lambda code, failing: _lines(code, failing, first, lines),
            word="LINE",
            proves=f"the address lines {lines_text(lines)}, one at a time: each reaches a byte of its own",
            probe="The number is that of the address line, hexadecimal: probe it at the RAM's own pin.",
        ),
    ]
    if not brief:
        checks.append(
            Check(
                title="ADDRESS PAIRS",
                emit=lambda code, failing: _pairs(code, failing, first, lines),
                word="LINES",
                proves="the same lines two at a time: no two are shorted",
                probe="The two figures are the numbers of two address lines: look for a bridge between their pins.",
            )
        )
    left_out = []
    pointer = first == _POINTER or _is_ram_at_zero(survey)
    if pointer and whole:
        if first == 0:
            checks.append(
                Check(
                    title="PAGE 0",
                    emit=_page_0,
                    proves="every byte of page 0 holds two opposite bytes; a pointer stands there from here on",
                    probe="Single cells fail: another RAM.",
                )
            )
            whole = whole[1:]
        checks.append(
            Check(
                title="EVERY BYTE",
                emit=lambda code, failing: _every_byte(code, failing, whole),
                proves=f"each byte of ${whole[0] * PAGE:04X}-${whole[-1] * PAGE + 255:04X} holds its own address "
                "folded to eight bits, and then the same inverted",
                probe="Bits that differ while the address lines are fine: another RAM, or noise on the supply.",
            )
        )
    else:
        left_out.append("Not every byte is tried: there is no page 0 of RAM to hold a pointer.")
    near, without = mirrors(survey, [first], survey.may_be_written)
    checks.append(_mirror_check(near, first))
    if without:
        left_out.append(f"Whether the decoder hears {lines_text(without)}: other cards stand at the neighbours.")
    if len(survey.areas(slot)) > 1:
        left_out.append(f"Areas of the card beyond ${first:04X}-${last:04X}.")
    return Plan(tuple(checks), tuple(left_out))


def _unique(survey: Survey) -> tuple[int, int]:
    """First and last address of the card's first area that have bytes of their own."""
    first, last = survey.areas(survey.slot)[0]
    plain = survey.seat.plain
    size = len(plain.write) if plain is not None and plain.write is not None else 1
    return first, min(last, first + size - 1)


def _is_ram_at_zero(survey: Survey) -> bool:
    return all(len(survey.owners(cell)) == 1 and survey.is_ram(survey.owners(cell)[0]) for cell in (0, 1))


def _data(code: Code, failing: Failing, cell: int) -> None:
    more = code.new_label()
    code.add(f"ldx #$11\n{more}:\nlda patterns,x\nsta ${cell:04X}\neor ${cell:04X}")
    failing.unless_zero()
    code.add(f"dex\nbpl {more}")


def _lines(code: Code, failing: Failing, first: int, lines: list[int]) -> None:
    code.add(f"lda #$00\nsta ${first:04X}")
    for line in lines:
        code.add(f"lda #${line + 1:02X}\nsta ${first ^ 1 << line:04X}")
    fine = code.new_label()
    code.add(f"lda ${first:04X}\nbeq {fine}\nsec ; the line whose number is there reached the first byte\nsbc #$01")
    code.add(f"jmp {failing.label}\n{fine}:")
    for line in lines:
        code.add(f"lda ${first ^ 1 << line:04X}")
        failing.unless_equal(line + 1, tells=line)


def _pairs(code: Code, failing: Failing, first: int, lines: list[int]) -> None:
    pairs = list(combinations(lines, 2))
    for number, (low, high) in enumerate(pairs):
        code.add(f"lda #${number + 0x40 & 0xFF:02X}\nsta ${first ^ 1 << low ^ 1 << high:04X}")
    for number, (low, high) in enumerate(pairs):
        code.add(f"lda ${first ^ 1 << low ^ 1 << high:04X}")
        failing.unless_equal(number + 0x40 & 0xFF, tells=high << 4 | low)


def _page_0(code: Code, failing: Failing) -> None:
    for flip in (0x00, 0xFF):
        for step in ("sta $00,x", None):
            more = code.new_label()
            code.add(f"ldx #$00\n{more}:\ntxa\neor #${flip:02X}")
            if step:
                code.add(step)
            else:
                code.add("eor $00,x")
                failing.unless_zero()
            code.add(f"inx\nbne {more}")


def _every_byte(code: Code, failing: Failing, pages: list[int]) -> None:
    for cell in (_POINTER, _POINTER + 1):
        for value in (0x55, 0xAA):
            code.add(f"lda #${value:02X}\nsta ${cell:02X}\nlda ${cell:02X}")
            failing.unless_equal(value)
    for flip in (0x00, 0xFF):
        for verify in (False, True):
            page, byte = code.new_label(), code.new_label()
            code.add(f"lda #$00\nsta ${_POINTER:02X}\nlda #${pages[0]:02X}\nsta ${_POINTER + 1:02X}")
            code.add(f"{page}:\nldy #$00\n{byte}:\ntya\neor ${_POINTER + 1:02X}\neor #${flip:02X}")
            if verify:
                code.add(f"eor (${_POINTER:02X}),y")
                failing.unless_zero()
            else:
                code.add(f"sta (${_POINTER:02X}),y")
            code.add(f"iny\nbne {byte}\ninc ${_POINTER + 1:02X}\nlda ${_POINTER + 1:02X}")
            code.add(f"cmp #${pages[-1] + 1 & 0xFF:02X}\nbne {page}")


def _mirror_check(near: list[Mirror], first: int) -> Check:
    def emit(code: Code, failing: Failing) -> None:
        for mirror in near:
            code.add(f"lda #$5A\nsta ${first:04X}\nlda #$A5\nsta ${mirror.address:04X}\nlda ${first:04X}")
            failing.unless_equal(0x5A, tells=mirror.line)

    return mirror_check([mirror.line for mirror in near], emit)


def mirror_check(lines: Sequence[int], emit: Callable[[Code, Failing], None]) -> Check:
    """The check that a card leaves neighbours of its addresses alone."""
    return Check(
        title="NEIGHBOURS",
        emit=emit,
        word="LINE",
        proves=f"the card answers at its own addresses alone, as far as {lines_text(lines)} decide that"
        if lines
        else "nothing: no address line decides by itself",
        probe="The number is that of an address line, hexadecimal, that the card's decoder does not hear: probe it at "
        "the decoder's input, then look for an input that is open or tied.",
    )


# the ROM ------------------------------------------------------------------------------------------------------------


def program_start(survey: Survey) -> int:
    """Where the program begins: of a ROM under test behind the cell of its highest address line."""
    rom = survey.rom
    return rom.first + rom.room // 2 + 1 if survey.slot == rom.seat.slot else rom.first


def rom_markers(survey: Survey) -> dict[int, int]:
    """Bytes by address that tell the ROM's address lines apart; they lie before the program."""
    first, end = survey.rom.first, program_start(survey)
    cells = {first: 0x3C}
    return cells | {first | 1 << line: line + 1 for line in LINES if first < first | 1 << line < end}


def rom_checks(survey: Survey) -> Plan:
    """Address lines by bytes that stand at one line each, every byte by a sum, neighbours."""
    rom = survey.rom
    markers = rom_markers(survey)

    def lines(code: Code, failing: Failing) -> None:
        for cell, value in markers.items():
            code.add(f"lda ${cell:04X}")
            failing.unless_equal(value, tells=(value - 1) & 0xFF if cell != rom.first else 0xFF)

    def total(code: Code, failing: Failing) -> None:
        code.add("lda #$00\nclc\nldx #$00")
        for page in range(rom.first, 0x10000, PAGE):
            more = code.new_label()
            code.add(f"{more}:\nadc ${page:04X},x\ninx\nbne {more}")
        code.add("adc #$00")
        failing.unless_equal(CHECKSUM)

    near, without = mirrors(survey, list(markers), readable_mirror(survey))

    def neighbours(code: Code, failing: Failing) -> None:
        for mirror in near:
            add_mirror_reads(code, failing, survey, [mirror], markers[mirror.own])

    left_out = [f"Whether the ROM's decoder hears {lines_text(without)}."] if without else []
    return Plan(
        (
            Check(
                title="ROM ADDRESS LINES",
                emit=lines,
                word="LINE",
                proves="each address line reaches a byte of the ROM that tells its number",
                probe="The number is that of the address line, hexadecimal: probe it at the ROM's own pin.",
            ),
            Check(
                title="ROM SUM",
                emit=total,
                word="SUM",
                proves=f"all {rom.room} bytes from ${rom.first:04X} on are what was burned",
                probe="A weak part or a bad contact: read the part back (simkit burn --verify), clean the socket.",
            ),
            mirror_check([mirror.line for mirror in near], neighbours),
        ),
        (*left_out, "Most faults of the ROM's own lines keep the program from starting: nothing is shown then."),
    )
