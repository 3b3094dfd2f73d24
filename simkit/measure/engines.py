"""How fast the engines are, measured side by side: the same program on plain py65 and on both engines.

py65 alone has 64 KiB of flat memory, no cards, no time of day: the least a simulation can do. The engines have a whole
machine round them. What counts is the ratio, as the speed of a host changes from one second to the next; therefore the
three take turns, and each takes its best turn.
"""

from __future__ import annotations

from collections.abc import Callable
from math import prod
from time import perf_counter

import attrs
from py65.devices.mpu65c02 import MPU as CMOS
from py65.devices.mpu6502 import MPU as NMOS

from simkit.machine.machine import Machine

ORIGIN = 0x8000
TURNS = 3
TURN_SECONDS = 0.15
WARM_UP_CYCLES = 1_500_000
"""Machine time before the clock starts: programs have set up what they need, hot code is recognised."""


@attrs.frozen
class Workload:
    """A program to measure with.

    Attributes:
        name: what the report calls it.
        about: what it is good for.
        code: machine code for $8000, or None for the machine's own ROM.
        play: called between stretches of a run; presses buttons.
    """

    name: str
    about: str
    code: bytes | None = None
    play: Callable[[Machine, int], None] | None = None


@attrs.frozen
class Measured:
    """What came out, in millions of machine cycles a second."""

    name: str
    py65_mhz: float
    exact_mhz: float
    core_mhz: float

    @property
    def ratio(self) -> float:
        """The core to py65."""
        return self.core_mhz / self.py65_mhz


def _play_game(machine: Machine, stretch: int) -> None:
    if len(machine.bus.seats) and any(seat.kind == "serial-pads" for seat in machine.bus.seats):
        pad = machine.pads[1]
        button = ("right", "down", "left", "up", "a")[stretch % 5]
        if stretch == 1:
            button = "start"
        pad.press(button)
        pad.release(button, at=machine.cycle + 200_000)


def _hex(text: str) -> bytes:
    return bytes.fromhex(text)


WORKLOADS = (
    Workload(
        "arithmetic loop",
        "adds, shifts and a counter, all in page 0",
        # ldx #0, lda #0 | loop: clc, adc $10, eor $11, rol, sta $10, dex, bne loop | inc $11, jmp loop
        _hex("A200A900 1865104511 2A8510CAD0F5 E6114C0480"),
    ),
    Workload(
        "block copy",
        "4 KiB through (zp),Y pointers, round and round",
        # pointers to $2000 and $4000 | loop: lda ($10),y, sta ($12),y, iny, bne | inc both pages, until $30, again
        _hex("A90085108512A9208511A9408513A000 B1109112C8D0F9 E611E613A511C930D0EF4C0080"),
    ),
    Workload(
        "subroutines",
        "small routines that call each other and keep registers on the stack",
        # ldx #$ff, txs | loop: jsr $8010, jsr $8021, dex, bne loop, jmp loop
        # $8010: pha, txa, clc, adc $20, sta $20, pla, rts | $8021: jsr $8010, ldy #3, dey, bne, jsr $8010, rts
        _hex("A2FF9A201080202180CAD0F74C0380EA 488A186520852068 60").ljust(0x21, b"\xea")
        + _hex("201080A00388D0FD20108060"),
    ),
    Workload(
        "decimal",
        "four-digit sums with D set",
        # sed, ldx #0 | loop: clc, lda $10, adc #$37, sta $10, lda $11, adc #$12, sta $11, sec, sbc #$09, sta $12,
        # dex, bne loop, jmp loop
        _hex("F8A200 18A510693785 10A51169128511 38E9098512CAD0EB4C0380"),
    ),
    Workload(
        "self-modifying",
        "a loop in RAM that rewrites the address of its own load",
        # ldx #$1f | copy $8020.. to $0400.., jmp $0400
        # $0400: ldy #0 | loop: lda $2000,y, sta $3000, inc $0403, iny, bne loop, inc $0404, lda $0404, cmp #$40,
        # bne loop, lda #$20, sta $0404, jmp $0400
        _hex("A21FBD20809D0004CA10F74C0004").ljust(0x20, b"\xea")
        + _hex("A000B90020 8D0030EE0304C8D0F4 EE0404AD0404C940D0EA A9208D0404 4C0004"),
    ),
    Workload(
        "video upload",
        "bytes from ROM to the video memory, at the pace the chip can follow",
        # lda #0, sta $7f31, lda #$40, sta $7f31 | loop: lda $9000,x, sta $7f30, nop, nop, inx, bne loop, jmp loop
        _hex("A9008D317FA9408D317F BD00908D307FEAEAE8D0F54C0A80"),
    ),
    Workload(
        "keyboard polling",
        "waits for a key that nobody presses",
        # loop: lda $7f10, and #1, beq loop, lda $7f11, jmp loop
        _hex("AD107F2901F0F9AD117F4C0080"),
    ),
    Workload("Slug Watch", "the game, as played by a script", None, _play_game),
)
"""What the demo machine is measured with."""

DEMO = "demo:marlpit"


def measure(machine: str | None = None, report: Callable[[str], None] = lambda name: None) -> list[Measured]:
    """Measure the workloads on the demo machine, or another machine with the ROM it holds.

    Args:
        machine: a folder, a machine.toml or demo:NAME; None: the demo machine and all workloads.
        report: called with the name of each workload before it is measured.
    """
    if machine is not None:
        name = Machine.load(machine).description.name
        return [_measure(Workload(name, "the machine as it is"), machine, report)]
    return [_measure(workload, DEMO, report) for workload in WORKLOADS]


def geometric_mean(measured: list[Measured]) -> float:
    """Of the ratios."""
    return prod(one.ratio for one in measured) ** (1 / len(measured))


def _measure(workload: Workload, machine: str, report: Callable[[str], None]) -> Measured:
    report(workload.name)
    runners = (_plain(workload, machine), _engine(workload, machine, "exact"), _engine(workload, machine, "auto"))
    best = [0.0, 0.0, 0.0]
    for _ in range(TURNS):
        for number, run in enumerate(runners):
            best[number] = max(best[number], turn(run))
    return Measured(workload.name, *best)


def turn(run: Callable[[], int]) -> float:
    """Millions of cycles a second over one turn."""
    start = perf_counter()
    cycles = 0
    while True:
        cycles += run()
        spent = perf_counter() - start
        if spent >= TURN_SECONDS:
            return cycles / spent / 1e6


def image_of(workload: Workload) -> bytes | None:
    """ROM image of 32 KiB for a workload, or None for the machine's own."""
    if workload.code is None:
        return None
    image = bytearray(workload.code.ljust(0x8000, b"\xea"))
    image[0x7FFA:0x8000] = _hex("008000800080")
    return bytes(image)


def _load(workload: Workload, machine: str, engine: str) -> Machine:
    image = image_of(workload)
    return Machine.load(machine, images={2: image} if image is not None else None, engine=engine)


def _engine(workload: Workload, machine: str, engine: str) -> Callable[[], int]:
    """Runs a stretch on an engine and gives its cycles."""
    board = _load(workload, machine, engine)
    stretch = 0

    def run() -> int:
        nonlocal stretch
        before = board.cycle
        if workload.play is not None:
            workload.play(board, stretch)
        stretch += 1
        board.run(cycles=300_000 if engine == "exact" else 1_000_000)
        return board.cycle - before

    while board.cycle < WARM_UP_CYCLES * (1 if engine == "exact" else 4):
        run()
    return run


def _plain(workload: Workload, machine: str) -> Callable[[], int]:
    """Runs py65 alone on flat memory with what the machine has in memory after the warm-up."""
    board = _load(workload, machine, "auto")
    board.run(cycles=WARM_UP_CYCLES)
    memory = list(board.peek(0, 0x10000))
    mpu = (CMOS if board.description.cpu == "65C02" else NMOS)(memory=memory, pc=board.cpu.pc)
    mpu.a, mpu.x, mpu.y, mpu.sp, mpu.p = board.cpu.a, board.cpu.x, board.cpu.y, board.cpu.sp, board.cpu.p

    def run() -> int:
        before = mpu.processorCycles
        step = mpu.step
        for _ in range(20_000):
            step()
        return int(mpu.processorCycles - before)

    return run
