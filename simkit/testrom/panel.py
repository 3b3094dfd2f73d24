"""Checks of cards that only take bytes: rows of lamps, bank latches."""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from simkit.contract.errors import SimkitError
from simkit.testrom.checks import Check, Failing, Plan, add_long_pause, lines_text, mirrors, rounds
from simkit.testrom.code import Code
from simkit.testrom.memory import mirror_check
from simkit.testrom.outputs import LampsOutput, Output
from simkit.testrom.survey import Survey

WALK_SECONDS = 0.3
_OUTPUTS = 8


def lamps(survey: Survey, outputs: Sequence[Output]) -> Plan:
    """One lamp after the other, then all but one; stores to neighbours."""
    row = next((one for one in outputs if isinstance(one, LampsOutput) and one.slot == survey.slot), None)
    if row is None:
        raise SimkitError(
            f"Slot {survey.slot} ({survey.seat.kind}): no store lights these lamps.",
            remedy="Give the row a select, or join its pins to port pins of a 6522.",
        )
    own = row

    def walk(code: Code, failing: Failing) -> None:
        for invert in (False, True):
            for lamp in reversed(range(own.count)):
                own.lamps(code, own.all() ^ 1 << lamp if invert else 1 << lamp)
                code.name(f"{'DARK' if invert else 'LIT'}_{lamp}")
                add_long_pause(code, rounds(survey, WALK_SECONDS))

    plan = Plan(
        (
            Check(
                title="LAMPS",
                emit=walk,
                proves="one lamp at a time is lit from left to right, then one at a time is dark: look at them",
                probe="A lamp that never lights or never goes out: its data line or port pin, its resistor. Two at a "
                "time: a bridge. All lag or none moves: select, R/W, PHI2 of the latch.",
                sees="one lamp walks from left to right, then a dark one does",
            ),
        )
    )
    if survey.areas(survey.slot):
        addresses = list(survey.addresses_of(survey.slot, 0, is_write=True))
        near, without = mirrors(survey, addresses, survey.may_be_written)

        def neighbours(code: Code, failing: Failing) -> None:
            half = 0x55 & own.all()
            own.lamps(code, half)
            (store,) = own.stores
            for mirror in near:
                code.add(f"lda #${store.byte(~half & own.all()):02X}\nsta ${mirror.address:04X}")
            code.name("NEIGHBOURS_WRITTEN")
            add_long_pause(code, rounds(survey, WALK_SECONDS))

        check = mirror_check([mirror.line for mirror in near], neighbours)
        told = "for a moment every second lamp is lit, the rightmost among them; the others mean that it failed"
        plan += Plan((_evolve(check, told),), (f"Whether the decoder hears {lines_text(without)}.",) if without else ())
    return plan + Plan((), ("The ROM cannot see lamps: you do. OK behind them says only that all was stored.",))


def _evolve(check: Check, sees: str) -> Check:
    return attrs.evolve(check, sees=sees, word="STEP")


def bank_latch(survey: Survey) -> Plan:
    """Each bank holds bytes of its own; stores to neighbours change no bank."""
    slot = survey.slot
    joined = survey.card(slot).wiring.joined()
    lines = [joined.get(f"Q{n}") for n in range(_OUTPUTS)]
    at = survey.address_of(slot, 0, is_write=True)
    banked = next(
        (
            other
            for line in lines
            if line is not None
            for other, _ in survey.pins_on(line)
            if other != slot and survey.is_ram(survey.seats[other]) and survey.areas(other)
        ),
        None,
    )
    used = [bit for bit, line in enumerate(lines) if line is not None]
    if at is None or banked is None:
        raise SimkitError(
            f"Slot {slot} ({survey.seat.kind}) moves no bank of a RAM that the CPU sees: nothing shows what it holds.",
            remedy="Join its outputs to address pins of a RAM card (wires = { A14 = ... }).",
        )
    cell = survey.areas(banked)[0][0]
    values = [sum((number >> index & 1) << bit for index, bit in enumerate(used)) for number in range(1 << len(used))]

    def go_to(code: Code, value: int) -> None:
        code.add(f"lda #${value:02X}\nsta ${at:04X}")

    def banks(code: Code, failing: Failing) -> None:
        for flip in (0x00, 0xFF):
            for value in values:
                go_to(code, value)
                code.add(f"lda #${value ^ flip ^ 0x50:02X}\nsta ${cell:04X}")
            for value in values:
                go_to(code, value)
                code.add(f"lda ${cell:04X}")
                failing.unless_equal(value ^ flip ^ 0x50)

    near, without = mirrors(survey, [at], survey.may_be_written)

    def neighbours(code: Code, failing: Failing) -> None:
        low, high = values[0], values[-1]
        for value, content in ((high, 0xA5), (low, 0x5A)):
            go_to(code, value)
            code.add(f"lda #${content:02X}\nsta ${cell:04X}")
        for mirror in near:
            code.add(f"lda #${high:02X}\nsta ${mirror.address:04X}\nlda ${cell:04X}")
            failing.unless_equal(0x5A, tells=mirror.line)

    spare = [f"Q{bit}" for bit in range(_OUTPUTS) if bit not in used]
    left_out = [f"{', '.join(spare)}: joined to nothing."] if spare else []
    left_out += [f"Whether the decoder hears {lines_text(without)}."] if without else []
    return Plan(
        (
            Check(
                title="BANKS",
                emit=banks,
                proves=f"{len(values)} banks at ${cell:04X} hold different bytes: {lines_text_of(used)}",
                probe="The bits shown are those of bank numbers mixed up: probe the latch's output of each, then its "
                "data line, then the address pin of the RAM in slot " + f"{banked}.",
            ),
            mirror_check([mirror.line for mirror in near], neighbours),
        ),
        tuple(left_out),
    )


def lines_text_of(bits: Sequence[int]) -> str:
    """Outputs of the latch in words."""
    return ", ".join(f"Q{bit}" for bit in bits)
