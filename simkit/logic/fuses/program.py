"""What a device does with a fuse map in it: its product terms and macrocells, and one pass through them.

A level is a table of bits, one for each case that is asked about at once: over all addresses it is one integer of
`simkit.backplane.select`, and `ones` is the table that is true in every case. A flip-flop's level is that of its Q.

Sources stand in `devices.py`; what follows from the makers' data sheets alone is from memory: that a 16V8 in simple
mode feeds its pins back, that flip-flops are 0 at power-up, that a 22V10 feeds the inverse of Q back, that its reset
acts at once and wins over the preset, which acts at the clock.
"""

from __future__ import annotations

from collections.abc import Mapping

import attrs

from simkit.contract.errors import SimkitError
from simkit.logic.drive import Drive
from simkit.logic.fuses.devices import Device, Macrocell, Mode, device_of
from simkit.logic.fuses.jedec import FuseMap


@attrs.frozen
class Term:
    """A product term: the AND of some levels.

    Attributes:
        row: of the AND array.
        literals: pins whose level it takes, each with True where it takes the inverse; none at all is always true.
        never: whether it is false always: its row is taken out, or asks for a level and its inverse.
    """

    row: int
    literals: tuple[tuple[int, bool], ...]
    never: bool


@attrs.frozen
class Output:
    """A macrocell that drives its pin.

    Attributes:
        pin: its pin.
        terms: of which one must be true for its sum to be true.
        registered: whether the sum goes to a flip-flop, which takes it at the clock.
        sum_inverted: whether the flip-flop takes the inverse of the sum.
        inverted: whether the pin is the inverse of the sum, or of the flip-flop's Q.
        enable: the term that lets it drive its pin; None where it is always driven, or the pin for that enables it.
        by_pin: whether it drives its pin while the device's pin for that is low.
    """

    pin: int
    terms: tuple[Term, ...]
    registered: bool
    sum_inverted: bool
    inverted: bool
    enable: Term | None
    by_pin: bool


@attrs.frozen
class Program:
    """A device with a fuse map in it.

    Attributes:
        device: the device.
        mode: of its macrocells.
        outputs: macrocells that drive their pins, by pin.
        reset, preset: terms of a 22V10 for all its flip-flops.
        signature: what its fuses for that hold, as text; "" where there is none.
    """

    device: Device
    mode: Mode
    outputs: Mapping[int, Output]
    reset: Term | None
    preset: Term | None
    signature: str

    @property
    def registers(self) -> tuple[int, ...]:
        """Pins of the macrocells with a flip-flop."""
        return tuple(pin for pin, output in self.outputs.items() if output.registered)

    def asked(self) -> tuple[int, ...]:
        """Pins whose level matters, in order: those in terms that can be true, the clock, the one that enables."""
        terms = [term for output in self.outputs.values() for term in output.terms]
        terms += [output.enable for output in self.outputs.values() if output.enable is not None]
        terms += [term for term in (self.reset, self.preset) if term is not None and self.registers]
        pins = {pin for term in terms if not term.never for pin, _ in term.literals} - set(self.registers)
        if self.registers:
            pins.add(self.device.clock)
        if any(output.by_pin for output in self.outputs.values()) and self.device.output_enable is not None:
            pins.add(self.device.output_enable)
        return tuple(sorted(pins))

    def drives(self, levels: Mapping[int, int], registers: Mapping[int, int], ones: int) -> dict[int, Drive]:
        """One pass: what the outputs do, by pin.

        Args:
            levels: of every pin in `asked`.
            registers: Q of every flip-flop, by the pin of its macrocell.
            ones: the table that is true in every case.
        """
        q = self.after_reset(levels, registers, ones)
        return {pin: self.drive(pin, levels, q, ones) for pin in self.outputs}

    def drive(self, pin: int, levels: Mapping[int, int], q: Mapping[int, int], ones: int) -> Drive:
        """What one output does; arguments as for `drives`, the flip-flops as a reset has left them."""
        output = self.outputs[pin]
        inner = q[pin] if output.registered else _either(output.terms, levels, q, ones)
        if output.by_pin and self.device.output_enable is not None:
            driven = ones ^ levels[self.device.output_enable]
        else:
            driven = ones if output.enable is None else _all(output.enable, levels, q, ones)
        return Drive(driven, driven & (ones ^ inner if output.inverted else inner))

    def heard_by(self, pin: int) -> tuple[int, ...]:
        """Pins on whose level an output depends now, not at a clock; flip-flops stand under their pin."""
        output = self.outputs[pin]
        terms = () if output.registered else output.terms
        if output.enable is not None:
            terms = (*terms, output.enable)
        pins = {at for term in terms if not term.never for at, _ in term.literals}
        if output.registered:
            pins.add(pin)
        if output.by_pin and self.device.output_enable is not None:
            pins.add(self.device.output_enable)
        return tuple(sorted(pins))

    def after_reset(self, levels: Mapping[int, int], registers: Mapping[int, int], ones: int) -> dict[int, int]:
        """Q of every flip-flop where the reset of a 22V10 acts, as it does at once."""
        if self.reset is None:
            return dict(registers)
        held = ones ^ _all(self.reset, levels, registers, ones)
        return {pin: q & held for pin, q in registers.items()}

    def clocked(self, levels: Mapping[int, int], registers: Mapping[int, int], ones: int) -> dict[int, int]:
        """Q of every flip-flop after the clock has risen; arguments as for `drives`, levels as they stood before."""
        q = self.after_reset(levels, registers, ones)
        found = {}
        for pin in self.registers:
            output = self.outputs[pin]
            taken = _either(output.terms, levels, q, ones)
            found[pin] = ones ^ taken if output.sum_inverted else taken
        if self.preset is not None:
            preset = _all(self.preset, levels, q, ones)
            found = {pin: taken | preset for pin, taken in found.items()}
        return self.after_reset(levels, found, ones)

    def power_up(self) -> dict[int, int]:
        """Q of every flip-flop when the power comes on: 0 (from memory)."""
        return dict.fromkeys(self.registers, 0)


def _all(term: Term, levels: Mapping[int, int], q: Mapping[int, int], ones: int) -> int:
    """Where a term is true. A flip-flop feeds back the inverse of its Q, whether or not it drives its pin."""
    if term.never:
        return 0
    table = ones
    for pin, inverted in term.literals:
        level = ones ^ q[pin] if pin in q else levels[pin]
        table &= ones ^ level if inverted else level
    return table


def _either(terms: tuple[Term, ...], levels: Mapping[int, int], q: Mapping[int, int], ones: int) -> int:
    table = 0
    for term in terms:
        table |= _all(term, levels, q, ones)
    return table


def programmed(part: str, fuse_map: FuseMap) -> Program:
    """The program of a fuse map in a part.

    Args:
        part: name of the part, e.g. "GAL16V8".
        fuse_map: what goes into it.

    Raises:
        SimkitError: another part than those known, a file for another one, fuses that no mode goes with; with the line.
    """
    device = device_of(part)
    if device is None:
        raise SimkitError(
            f"{part!r} is no programmable device known here.",
            remedy="Known are 16V8, 20V8 and 22V10, by names as GAL16V8, ATF22V10C or PALCE20V8.",
        )
    count = len(fuse_map.fuses)
    if count not in device.fuse_counts:
        said = " or ".join(map(str, device.fuse_counts))
        raise fuse_map.error(
            f"The file has {count} fuses; a {device.name} has {said}.",
            fuse_map.count_line,
            "Name the file for this part, or the part that the file is for.",
        )
    if fuse_map.pins not in (None, device.pins):
        raise fuse_map.error(
            f"The file is for a part with {fuse_map.pins} pins; a {device.name} has {device.pins}.",
            fuse_map.pins_line,
            "Name the file for this part, or the part that the file is for.",
        )
    return _Reading(device, fuse_map).program()


class _Reading:
    """Reads a device's fuses."""

    def __init__(self, device: Device, fuse_map: FuseMap) -> None:
        self._device = device
        self._map = fuse_map
        self._fuses = fuse_map.fuses
        self._mode = self._the_mode()
        self._feeds = {column: pin for pin, column in device.feeds[self._mode].items()}

    def program(self) -> Program:
        device = self._device
        outputs = (self._output(cell) for cell in device.cells)
        return Program(
            device=device,
            mode=self._mode,
            outputs={output.pin: output for output in outputs if output is not None},
            reset=None if device.reset_row is None else self._term(device.reset_row),
            preset=None if device.preset_row is None else self._term(device.preset_row),
            signature=self._signature(),
        )

    def _the_mode(self) -> Mode:
        if self._device.mode_fuses is None:
            return Mode.EACH
        syn, ac0 = (self._fuses[fuse] for fuse in self._device.mode_fuses)
        if (syn, ac0) == (0, 0):
            raise self._map.error(
                f"The fuses SYN and AC0 ({self._device.mode_fuses[0]} and {self._device.mode_fuses[1]}) are both 0, "
                f"which is no mode of a {self._device.name}.",
                self._map.line_of(self._device.mode_fuses[0]),
                "Have the assembler write the file anew.",
            )
        return {(1, 0): Mode.SIMPLE, (1, 1): Mode.COMPLEX, (0, 1): Mode.REGISTERED}[syn, ac0]

    def _output(self, cell: Macrocell) -> Output | None:
        high, kind = self._fuses[cell.polarity] == 1, self._fuses[cell.kind]
        rows = range(cell.first_row, cell.first_row + cell.rows)
        if self._mode is Mode.SIMPLE and kind == 1:
            return None  # an input
        registered = self._mode in (Mode.REGISTERED, Mode.EACH) and kind == 0
        by_pin = self._mode is Mode.REGISTERED and registered
        enabled = self._mode is not Mode.SIMPLE and not by_pin
        if self._mode is Mode.EACH:
            sum_inverted, inverted = False, not high
        elif registered:
            sum_inverted, inverted = high, True  # the flip-flop drives its pin through an inverter
        else:
            sum_inverted, inverted = False, not high
        return Output(
            pin=cell.pin,
            terms=tuple(self._term(row) for row in rows[1 if enabled else 0 :]),
            registered=registered,
            sum_inverted=sum_inverted,
            inverted=inverted,
            enable=self._term(rows[0]) if enabled else None,
            by_pin=by_pin,
        )

    def _term(self, row: int) -> Term:
        start = row * self._device.columns
        connected = [c for c in range(self._device.columns) if self._fuses[start + c] == 0]
        taken_out = self._device.row_enables is not None and self._fuses[self._device.row_enables + row] == 0
        both = any(column ^ 1 in connected for column in connected)
        literals = tuple((self._feeds[column & ~1], column & 1 == 1) for column in connected)
        return Term(row, literals, never=taken_out or both)

    def _signature(self) -> str:
        first = self._device.signature
        bits = self._fuses[first : first + 64]
        if len(bits) < 64:
            return ""
        text = int("".join(map(str, bits)), 2).to_bytes(8).rstrip(b"\0")
        return text.decode("ascii") if text.isascii() and text.decode("ascii").isprintable() else text.hex(" ").upper()
