"""The checks of each kind of card; of one that the kit does not know, by its register table and its model."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import combinations

import attrs

from simkit.contract.errors import SimkitError
from simkit.testrom.checks import Check, Failing, Plan, irq_check, lines_text
from simkit.testrom.code import Code
from simkit.testrom.hands import buttons, keyboard, pads
from simkit.testrom.learn import Learned, Load, Step, learn
from simkit.testrom.memory import mirror_check, ram_checks, rom_checks
from simkit.testrom.outputs import Output, SerialOutput
from simkit.testrom.panel import bank_latch, lamps
from simkit.testrom.registers import register_checks, sound_registers
from simkit.testrom.screen import screen
from simkit.testrom.survey import Survey

TIMER_CYCLES = 3
"""From the write of T1C-H by `sta` to the read of T1C-L by the `lda` behind it, four cycles, counts three: the counter
holds the start in the cycle after the write. MOS Technology, MCS6522 data sheet, timer 1 timing."""


@attrs.frozen
class Task:
    """What a plan is made from.

    Attributes:
        survey: the machine.
        outputs: in which ways it can tell.
        load: makes the machine with an image and a seed.
        brief: the ROM is small: leave out what costs much room.
    """

    survey: Survey
    outputs: tuple[Output, ...]
    load: Load
    brief: bool = False


def plan_for(task: Task) -> Plan:
    """The checks of the card under test.

    Raises:
        SimkitError: it answers at no address, and is joined to nothing that does.
    """
    survey = task.survey
    seat = survey.seat
    if seat.slot == survey.rom.seat.slot:
        return rom_checks(survey)
    kind = type(seat.card).kind
    if kind in _KINDS:
        return _KINDS[kind](task)
    if not survey.areas(seat.slot):
        joined = sorted({f"slot {slot}" for slot, _ in _joined_to(survey)})
        raise SimkitError(
            f"Slot {seat.slot} ({seat.kind}) answers at no address: a ROM cannot ask it.",
            remedy=f"Test the card that its pins are joined to: {', '.join(joined)}."
            if joined
            else "Give it a select, or join its pins to lines of another card.",
        )
    if survey.is_ram(seat):
        return ram_checks(survey, brief=task.brief)
    if not seat.registers:
        raise SimkitError(
            f"Slot {seat.slot} ({seat.kind}) has no registers in its table and no memory that can be written.",
            remedy="Declare `registers` in the card's class: simkit new card shows how.",
        )
    return stranger(task)


def _joined_to(survey: Survey) -> list[tuple[int, str]]:
    lines = survey.card(survey.slot).wiring.joined().values()
    return [
        (slot, pin)
        for line in lines
        for slot, pin in survey.pins_on(line)
        if slot != survey.slot and survey.areas(slot)
    ]


def _ports(task: Task) -> Plan:
    survey = task.survey
    cells, left_out = sound_registers(survey)
    at = {register.name: survey.address_of(survey.slot, register) for register in survey.seat.registers}
    enables = at["IER"]
    plan = register_checks(survey, cells) if cells else Plan()
    if enables is not None:

        def enable_bits(code: Code, failing: Failing) -> None:
            more = code.new_label()
            code.add(f"ldx #$11\n{more}:\nlda #$7F\nsta ${enables:04X}\nlda patterns,x\nora #$80")
            code.add(f"sta ${enables:04X}\neor ${enables:04X}")
            failing.unless_zero()
            code.add(f"dex\nbpl {more}\nlda #$7F\nsta ${enables:04X}\nlda ${enables:04X}")
            failing.unless_equal(0x80)

        check = Check(
            title="INTERRUPT ENABLES",
            emit=enable_bits,
            proves="IER takes each bit set and cleared by its bit 7",
            probe="RS0 to RS3 at the card, then the data line of each bit shown.",
        )
        plan += Plan((check,))
    if at["T1CL"] is not None and at["T1CH"] is not None:
        plan += Plan((_timer_check(at["T1CL"], at["T1CH"]),))
    needed = [at[name] for name in ("T1CL", "T1CH", "ACR", "IER")]
    if None not in needed:
        low, high, mode, enable = needed
        plan += irq_check(
            survey,
            pull=lambda code: code.add(
                f"lda #$00\nsta ${mode:04X}\nlda #$C0\nsta ${enable:04X}\nlda #$20\nsta ${low:04X}\n"
                f"lda #$00\nsta ${high:04X}"
            ),
            release=lambda code: code.add(f"lda #$7F\nsta ${enable:04X}\nlda ${low:04X}"),
            wait_cycles=200,
            how="timer 1 runs out",
        )
    caution = "For moments all port pins are outputs: take off what drives them hard (no totem-pole outputs on them)."
    left_out.append("Port pins are driven and read back by themselves alone; what hangs on them is not seen.")
    return plan + Plan((), tuple(left_out), (caution,))


def _timer_check(low: int, high: int) -> Check:
    """Timer 1 counts what was written: exchanged data lines, which registers give back, change the difference."""

    def emit(code: Code, failing: Failing) -> None:
        for start in _timer_starts():
            code.add(f"lda #${start:02X}\nsta ${low:04X}\nlda #$7F\nsta ${high:04X}\nlda ${low:04X}")
            failing.unless_equal(start - TIMER_CYCLES & 0xFF)

    return Check(
        title="TIMER 1 COUNTS",
        emit=emit,
        proves="timer 1 counts down by PHI2 from what was written: no two data lines are exchanged",
        probe="Two bits: look for exchanged data lines. Others: PHI2 at the chip.",
    )


def _timer_starts() -> list[int]:
    """Few values that any two exchanged data lines make count to something else."""
    starts: list[int] = []
    for one, other in combinations(range(8), 2):
        if not any(_differs(start, one, other) for start in starts):
            starts.append(next(start for start in range(256) if _differs(start, one, other)))
    return starts


def _differs(start: int, one: int, other: int) -> bool:
    def exchanged(byte: int) -> int:
        return byte ^ (1 << one | 1 << other) if (byte >> one ^ byte >> other) & 1 else byte

    return exchanged(exchanged(start) - TIMER_CYCLES & 0xFF) != start - TIMER_CYCLES & 0xFF


def _serial(task: Task) -> Plan:
    survey = task.survey
    cells, left_out = sound_registers(survey)
    output = next((one for one in task.outputs if isinstance(one, SerialOutput) and one.slot == survey.slot), None)
    if not cells or output is None:
        return Plan((), (*left_out, "Its registers have no addresses of their own."))

    def release(code: Code) -> None:
        output.set_up(code)
        code.add(f"lda ${output.status:04X} ; what asked for the interrupt is forgotten")

    def again(check: Check) -> Check:
        def emit(code: Code, failing: Failing) -> None:
            check.emit(code, failing)
            release(code)

        return attrs.evolve(check, emit=emit)

    plan = register_checks(survey, cells)
    plan = attrs.evolve(plan, checks=tuple(map(again, plan.checks)))
    if survey.seat.settings.part == "W65C51N":
        left_out.append("The interrupt of a W65C51N: transmit interrupts are not to be used, nothing is received.")
    else:
        plan += irq_check(
            survey,
            pull=lambda code: code.add(f"lda #$07\nsta ${output.command:04X}"),
            release=release,
            wait_cycles=2 * output.frame_cycles,
            how="transmitter empty, its interrupt enabled",
        )
    left_out.append("The receiver: a ROM cannot send to itself. Type something with a ROM that answers.")
    return plan + Plan((), tuple(left_out))


def stranger(task: Task) -> Plan:
    """A card that the kit does not know: its register table, and what its model answers."""
    survey = task.survey
    cells, left_out = sound_registers(survey)
    plan = register_checks(survey, cells) if cells else Plan()
    learned = learn(survey, task.load)
    if learned.answers:
        plan = _answers(learned) + plan
    told = {step.name for number, step in enumerate(learned.steps) if number in learned.answers}
    kept = [line for line in left_out if not any(f"Register {name} " in line for name in told)]
    kept += [f"{line} It must answer as its model does." for line in left_out if line not in kept]
    if learned.without:
        kept.append(f"Whether the decoder hears {lines_text(learned.without)}.")
    if learned.pulls is not None and learned.lets_go is not None:
        steps, pulls, lets_go = learned.steps, learned.pulls, learned.lets_go
        plan += irq_check(
            survey,
            pull=lambda code: _add_steps(code, steps[: pulls + 1]),
            release=lambda code: _add_steps(code, steps[pulls + 1 : lets_go + 1]),
            wait_cycles=200,
            how=f"{steps[pulls].name} {'read' if steps[pulls].value is None else 'written'}",
        )
    elif survey.pulls_irq(survey.slot):
        kept.append("The interrupt: none of the accesses above makes the model pull IRQ and let it go.")
    if not plan.checks:
        raise SimkitError(
            f"Nothing that slot {survey.slot} ({survey.seat.kind}) does can be foretold: no register gives back what "
            "was written, and its model answers differently each time.",
            remedy="Write a test of your own; simkit cards --machine MACHINE SLOT shows the registers.",
        )
    return plan + Plan((), tuple(kept))


def _add_steps(code: Code, steps: tuple[Step, ...]) -> None:
    for step in steps:
        step.add_to(code)


def _answers(learned: Learned) -> Plan:
    numbered = list(enumerate(learned.steps))
    near = [(number, step) for number, step in numbered if step.line is not None]

    def add(code: Code, failing: Failing, steps: Sequence[tuple[int, Step]]) -> None:
        for number, step in steps:
            step.add_to(code)
            if number in learned.answers:
                failing.unless_equal(learned.answers[number], step.mask, tells=step.line)

    check = Check(
        title="AS THE MODEL ANSWERS",
        emit=lambda code, failing: add(code, failing, numbered[: len(numbered) - len(near)]),
        proves="registers read from reset on, written with 55 and AA and read again give what the card's model gives "
        "(its register table says that accesses do more than keep a byte)",
        probe="Probe the data line of each bit shown, then the card's select, R/W, PHI2, and its register select "
        "lines. Does RESET reach the card?",
    )
    if not near:
        return Plan((check,))
    lines = list(dict.fromkeys(step.line for _, step in near if step.line is not None))
    return Plan((check, mirror_check(lines, lambda code, failing: add(code, failing, near))))


_KINDS: Mapping[str, Callable[[Task], Plan]] = {
    "ports-6522": _ports,
    "serial-6551": _serial,
    "tile-video": lambda task: screen(task.survey, task.outputs),
    "keyboard": lambda task: keyboard(task.survey),
    "serial-pads": lambda task: pads(task.survey, task.load),
    "button-row": lambda task: buttons(task.survey, task.load),
    "led-row": lambda task: lamps(task.survey, task.outputs),
    "bank-latch": lambda task: bank_latch(task.survey),
}
