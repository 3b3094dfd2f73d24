"""What a card's model answers to a row of accesses, where its register table alone does not say it.

A test program with nothing but these accesses is run on the machine as described, under several seeds and at several
moments. What is the same each time is what the card must answer; the rest is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import attrs

from simkit.machine.machine import Machine
from simkit.testrom.checks import Mirror, mirrors
from simkit.testrom.code import Code
from simkit.testrom.outputs import add_pause
from simkit.testrom.survey import Survey

Load = Callable[[bytes, int], Machine]
"""Makes the machine with an image in the ROM's socket and a seed."""

SEEDS = (1, 2, 3)
_IDLE_CYCLES = (0, 1_000, 7_777)  # before the first access, by seed
_BYTES = (0x55, 0xAA)
MANY = 0x55
"""How often an access is made to see whether something counts it."""
VECTORS = 0xFFFA


@attrs.frozen
class Step:
    """One access.

    Attributes:
        address: where.
        value: byte to write; None: a read.
        mask: of a read: bits that the card drives.
        name: of the register.
        line: of an access that belongs to a neighbour: the number of the address line in which it differs.
        times: how often it is made.
    """

    address: int
    value: int | None = None
    mask: int = 0xFF
    name: str = ""
    line: int | None = None
    times: int = 1

    def add_to(self, code: Code) -> None:
        """The access as source."""
        again = code.new_label()
        if self.times > 1:
            code.add(f"ldx #${self.times:02X}\n{again}:")
        if self.value is None:
            code.add(f"lda ${self.address:04X}")
        else:
            code.add(f"lda #${self.value:02X}\nsta ${self.address:04X}")
        if self.times > 1:
            code.add(f"dex\nbne {again}")


@attrs.frozen
class Learned:
    """A row of accesses and what comes of it.

    Attributes:
        steps: the accesses.
        answers: by number of a step that reads: what it gives each time; left out where that differs.
        pulls: number of the step after which the card pulls IRQ; None: it never does.
        lets_go: number of the step after which it has let go again.
        without: address lines for which there is no neighbour that could be tried.
    """

    steps: tuple[Step, ...]
    answers: dict[int, int]
    pulls: int | None
    lets_go: int | None
    without: tuple[int, ...] = ()


def learn(survey: Survey, load: Load) -> Learned:
    """Have the model answer: every register read, then written and all read again."""
    basic = _steps(survey)
    answers, runs = _learn(survey, load, basic)
    rows, without = _neighbours(survey, load, basic)
    steps = [*basic, *rows]
    if rows:
        answers, runs = _learn(survey, load, steps)
    runs = [(answered[: len(basic)], pulled[: len(basic)]) for answered, pulled in runs]
    irq = runs[0][1] if all(pulled == runs[0][1] for _, pulled in runs) else []
    pulls = next((number for number, low in enumerate(irq) if low), None)
    lets_go = next((n for n, low in enumerate(irq) if pulls is not None and n > pulls and not low), None)
    if pulls in (None, 0) or lets_go is None:
        pulls = lets_go = None
    return Learned(tuple(steps), answers, pulls, lets_go, tuple(without))


def _learn(
    survey: Survey, load: Load, steps: Sequence[Step]
) -> tuple[dict[int, int], list[tuple[list[int], list[bool]]]]:
    runs = [_run(survey, load, steps, seed, idle) for seed, idle in zip(SEEDS, _IDLE_CYCLES, strict=True)]
    answers = {}
    for number, step in enumerate(steps):
        if step.value is None:
            given = {answered[number] & step.mask for answered, _ in runs}
            if len(given) == 1:
                answers[number] = given.pop()
    return answers, runs


def _neighbours(survey: Survey, load: Load, steps: Sequence[Step]) -> tuple[list[Step], list[int]]:
    """Accesses that show whether a write to a neighbour reaches a register; of all registers the one that shows it."""
    reads = [step for step in steps if step.value is None][: len({s.address for s in steps if s.value is None})]
    for address in dict.fromkeys(step.address for step in steps if step.value is not None):
        offset = survey.offset(survey.slot, address, is_write=True) or 0
        addresses = list(survey.addresses_of(survey.slot, offset, is_write=True))
        found, without = mirrors(survey, addresses, survey.may_be_written)
        if not found:
            continue
        sound, reached = _row(found[0], reads), _row(found[0], reads)
        reached[1] = attrs.evolve(reached[1], address=found[0].own)
        said = [_run(survey, load, [*steps, *row], SEEDS[0], 0)[0][-len(reads) :] for row in (sound, reached)]
        if said[0] != said[1]:
            return [step for mirror in found for step in _row(mirror, reads)], without
    return [], []


def _row(mirror: Mirror, reads: Sequence[Step]) -> list[Step]:
    written = [Step(mirror.own, _BYTES[0]), Step(mirror.address, _BYTES[1])]
    return [attrs.evolve(step, line=mirror.line) for step in (*written, *reads)]


def _steps(survey: Survey) -> list[Step]:
    seat = survey.seat
    reads, writes = [], []
    for register in seat.registers:
        if "r" in register.access and register.driven:
            at = survey.address_of(seat.slot, register)
            if at is not None:
                reads.append(Step(at, None, register.driven, register.name))
        if "w" in register.access:
            at = survey.address_of(seat.slot, register, is_write=True)
            if at is not None:
                writes.append((at, register.name))
    steps = list(reads)
    for address, name in writes:
        for value in _BYTES:
            steps += [Step(address, value, name=name), *reads]
    for step in [*reads, *(Step(address, _BYTES[0], name=name) for address, name in writes)]:
        for _ in _BYTES:  # what counts accesses moves every bit
            steps += [attrs.evolve(step, times=MANY), *reads]
    return steps


def idle_image(survey: Survey, code: Code | None = None) -> bytes:
    """Content of the ROM with a program that begins where its piece does; without one: a loop."""
    if code is None:
        code = Code(survey.rom.first)
        code.add("again:\njmp again")
    first = survey.rom.first
    code.fill_to(VECTORS)
    code.add(f".word ${first:04X}, ${first:04X}, ${first:04X}")
    return rom_image(survey, code.image())


def rom_image(survey: Survey, seen: bytes) -> bytes:
    """What the ROM holds, as its own pins have it, for what the CPU is to see from its lowest address on."""
    first, seat = survey.rom.first, survey.rom.seat
    image = bytearray(b"\xff") * survey.rom.size
    places = Places(survey)
    gives = seat.gives_data
    for index, byte in enumerate(seen):
        image[places.offset(first + index)] = gives.index(byte) if gives is not None else byte
    return bytes(image)


class Places:
    """Where in the ROM an address is: each address line moves some of the part's pins."""

    def __init__(self, survey: Survey) -> None:
        self._base = survey.rom.first
        slot = survey.rom.seat.slot
        at_base = survey.offset(slot, self._base) or 0
        self._at_base = at_base
        self._moves = []
        for line in range(16):
            other = survey.offset(slot, self._base | 1 << line)
            self._moves.append(at_base ^ other if other is not None and not self._base >> line & 1 else 0)

    def offset(self, address: int) -> int:
        """Place in the part of the byte at an address of the piece."""
        found, moved = self._at_base, address ^ self._base
        for line in range(16):
            if moved >> line & 1:
                found ^= self._moves[line]
        return found


def _run(survey: Survey, load: Load, steps: Sequence[Step], seed: int, idle: int) -> tuple[list[int], list[bool]]:
    code = Code(survey.rom.first)
    code.add("sei\ncld")
    add_pause(code, idle + 1)
    for number, step in enumerate(steps):
        step.add_to(code)
        code.add(f"done_{number}:\nnop\nnop")
    code.add("again:\njmp again")
    machine = load(idle_image(survey, code), seed)
    answers, pulled = [], []
    for number in range(len(steps)):
        at = code.labels[f"done_{number}"]
        machine.run(f"label:${at:04X}", timeout=1)
        answers.append(machine.cpu.a)
        machine.step()
        machine.step()
        pulled.append(machine.lines["IRQ"].asserted)
    return answers, pulled
