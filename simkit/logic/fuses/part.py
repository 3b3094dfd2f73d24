"""A programmed device as a part of a network."""

from __future__ import annotations

from simkit.logic.drive import Drive
from simkit.logic.fuses.devices import Device
from simkit.logic.fuses.program import Program
from simkit.logic.parttype import Direction, Levels, Output, PartType, Pin


def programmed_part(program: Program) -> PartType:
    """The type of a device with its fuse map in it; its pins go by their numbers.

    The state of a flip-flop is that of its Q, as a reset has left it.
    """
    device = program.device
    pins = {
        number: Pin(number, str(number), _direction(device, program, number))
        for number in range(1, device.pins + 1)
        if number not in (device.ground, device.supply)
    }
    outputs = {pin: _output(program, pin) for pin in program.outputs}
    return PartType(device.name, pins, device.ground, device.supply, outputs, program.registers)


def _direction(device: Device, program: Program, pin: int) -> Direction:
    if pin not in program.outputs:
        return Direction.INPUT
    return Direction.BOTH if program.outputs[pin].enable is not None else Direction.OUTPUT


def _output(program: Program, pin: int) -> Output:
    of = tuple(at for at in program.heard_by(pin) if at != pin or not program.outputs[pin].registered)

    def drive(levels: Levels, state: Levels, ones: int) -> Drive:
        return program.drive(pin, levels, state, ones)

    return Output(of, drive)
