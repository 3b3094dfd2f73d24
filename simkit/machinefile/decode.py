"""How a card's select is made, as its decoder is wired: the table `decode` of a card, checked.

    [card.decode]
    select = "U2.Y4"
    [card.decode.U1]
    part = "74HC688"
    pins = { P = "A15..A8", Q = "0111 1111", G = "low" }
    [card.decode.U2]
    part = "74HC138"
    pins = { C = "A7", B = "A6", A = "A5", G1 = "high", G2A = "U1.P=Q", G2B = "low" }

What stands at a pin, or at a group of pins (highest number first): lines of the backplane, "high" and "low" (switches
and supplies, also as 1 and 0), "open", or an output of another part. Pins go by number or by the names of data sheets.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import attrs

from simkit.backplane.wiring import DATA_LINES
from simkit.contract.errors import SimkitError, near
from simkit.logic.parttype import PartType, Pin
from simkit.logic.wired.decode import Decode, DecodePart, Wanted
from simkit.machinefile.decode_nets import net_at, output_net, pins_of, row_of_nets
from simkit.machinefile.decode_parts import NamedPart, named_part
from simkit.machinefile.wires import Fail

WANTED = ("select", "output_enable", "write_enable")
"""What a decoder may give."""
MAX_PARTS = 40
_REF = re.compile(r"[A-Za-z][A-Za-z0-9]{0,15}")


def read_decode(value: Any, path: Callable[[str, str], Path], fail: Fail) -> Decode | None:
    """The decoder of a card that a table describes.

    Args:
        value: the table.
        path: where a path leads, by field and text.
        fail: told what is wrong.

    Returns:
        None if something is wrong.
    """
    wanted = {key: value[key] for key in WANTED if key in value}
    if not wanted:
        fail("decode", "no pin is named that selects the card.", 'Write e.g. select = "U2.Y4".')
    return _read(value, wanted, path, fail, on_backplane=False)


def read_backplane_decode(value: Any, path: Callable[[str, str], Path], fail: Fail) -> Decode | None:
    """The decoder on the backplane that a table describes: its pins are lines, by name; else as `read_decode`."""
    if not isinstance(value, dict):
        fail("decode", f"{value!r:.80} is no table.", "Write [backplane.decode].")
        return None
    wanted = value.get("signals")
    if not isinstance(wanted, dict) or not wanted:
        fail("decode", "no line is named that it drives.", 'Write e.g. signals = { IOSEL = "U1.Y0" }.')
        return None
    return _read(value, wanted, path, fail, on_backplane=True)


def _read(
    value: Mapping[str, Any],
    wanted: Mapping[str, Any],
    path: Callable[[str, str], Path],
    fail: Fail,
    *,
    on_backplane: bool,
) -> Decode | None:
    wrong: list[str] = []

    def tell(field: str, message: str, remedy: str) -> None:
        wrong.append(message)
        fail(f"decode.{field}".rstrip("."), message, remedy)

    reader = _Reader(value, wanted, path, tell, on_backplane)
    found = reader.decode()
    if found is not None and not wrong:  # else what follows from it would only mislead
        reader.look_at_what_is_heard(found)
    return found if not wrong and wanted else None


class _Reader:
    """Reads the table of one decoder.

    Args:
        value: the table.
        asked: the pins that it names for what it gives, as written.
        path: where a path leads, by field and text.
        tell: told what is wrong.
        on_backplane: whether it drives lines of the backplane, at the level of its pins; else what a card hears.
    """

    def __init__(
        self,
        value: Mapping[str, Any],
        asked: Mapping[str, Any],
        path: Callable[[str, str], Path],
        tell: Fail,
        on_backplane: bool,
    ) -> None:
        self._value = value
        self._asked = asked
        self._on_backplane = on_backplane
        self._keys = ("signals", "pulls") if on_backplane else (*WANTED, "pulls")
        self._path = path
        self._tell = tell
        self._parts: dict[str, NamedPart] = {}
        self._kinds: dict[str, PartType] = {}

    def decode(self) -> Decode | None:
        """The decoder, as far as it can be made out."""
        tables = {key: table for key, table in self._value.items() if key not in self._keys}
        if len(tables) > MAX_PARTS:
            remedy = "Put what all cards share on the backplane."
            self._tell("", f"{len(tables)} parts; {MAX_PARTS} are allowed.", remedy)
            return None
        for ref, table in tables.items():
            if not isinstance(table, dict) or not _REF.fullmatch(ref):
                self._tell(ref, f"{ref!r} is neither a key nor a part.", near(ref, self._keys))
                continue
            try:
                self._parts[ref] = named_part(ref, table, partial(self._path, f"decode.{ref}.fuses"))
            except SimkitError as error:
                self._tell(f"{ref}.{error.field}".rstrip("."), error.message, error.remedy or "")
        if tables.keys() != self._parts.keys():
            return None  # what the others say of their pins would only mislead
        self._kinds = {ref: part.kind for ref, part in self._parts.items()}
        parts = _with_joined_outputs([self._part(ref, tables[ref]) for ref in tables])
        wanted = {key: self._wanted(key, text) for key, text in self._asked.items()}
        pulls = self._pulls(self._value.get("pulls", {}))
        return Decode(parts, pulls, {key: pin for key, pin in wanted.items() if pin is not None})

    def look_at_what_is_heard(self, decode: Decode) -> None:
        """Tell of what selects and strobes hear and is not said, or may not be heard."""
        for key in decode.wanted:
            self._look_at(decode, key)

    def _look_at(self, decode: Decode, key: str) -> None:
        decoded = decode.decoded(key)
        for ref, number in decoded.without_net():
            part = decode.part(ref)
            pin = _pin_name(part.type.pins[number])
            self._tell(
                f"{ref}.pins",
                f"{key} hears pin {pin} of {ref} ({part.part}), and nothing is said of it.",
                'Say what stands at it: a line, "high", "low", "open", or an output as "U1.Y".',
            )
        if data := [line for line in decoded.lines if line in DATA_LINES]:
            remedy = "No decoder looks at data lines: those come too late."
            self._tell(self._field(key), f"it hangs on {', '.join(data)}.", remedy)

    def _part(self, ref: str, table: dict[str, Any]) -> DecodePart:
        named, pins = self._parts[ref], table.get("pins", {})
        nets: dict[int, str] = {pin: f"{ref}.{pin}" for pin in named.kind.outputs}
        if not isinstance(pins, dict):
            self._tell(f"{ref}.pins", "pins is a table.", 'Write e.g. pins = { A = "A5", G = "low" }.')
            pins = {}
        singles = [key for key in pins if named.kind.pin(key) is not None]
        groups = [key for key in pins if key not in singles]
        said: dict[int, str] = {}
        for key in (*groups, *singles):  # a pin counts over the group that it is of
            try:
                self._join(named.kind, key, pins[key], nets)
                if key in singles:
                    number = pins_of(named.kind, key)[0].number
                    if number in said:
                        remedy = f"Leave {said[number]} or {key} out."
                        raise SimkitError(f"pin {number} is said to be at something twice.", remedy=remedy)
                    said[number] = key
            except SimkitError as error:
                self._tell(f"{ref}.pins.{key}", error.message, error.remedy or "")
        return DecodePart(ref, named.name, named.kind, nets, named.program, named.fuses, named.notes)

    def _join(self, kind: PartType, key: str, value: Any, nets: dict[int, str]) -> None:
        """Put what is said at a pin or a group of pins there."""
        found = pins_of(kind, key)
        for pin, text in zip(found, row_of_nets(value, len(found)), strict=True):
            net = net_at(self._kinds, kind, pin, text)
            if net is not None:
                nets[pin.number] = net

    def _output_net(self, text: str, field: str) -> str | None:
        try:
            return output_net(self._kinds, text)
        except SimkitError as error:
            self._tell(field, error.message, error.remedy or "")
            return None

    def _pulls(self, value: Any) -> dict[str, bool]:
        found: dict[str, bool] = {}
        if not isinstance(value, dict):
            self._tell("pulls", "pulls is a table.", 'Write e.g. pulls = { "U1.Y" = "up" }.')
            return found
        for net, way in value.items():
            resolved = self._output_net(net, f"pulls.{net}")
            if way not in ("up", "down"):
                self._tell(f"pulls.{net}", f"{way!r} is neither 'up' nor 'down'.", "Write one of them.")
            elif resolved is not None:
                found[resolved] = way == "up"
        return found

    # what it gives ----------------------------------------------------------------------------------------------------

    def _field(self, key: str) -> str:
        return f"signals.{key}" if self._on_backplane else key

    def _wanted(self, key: str, value: Any) -> Wanted | None:
        field = self._field(key)
        text = value if isinstance(value, str) else ""
        match = re.fullmatch(r"\s*(\S+?\.\S+)(?:\s+(high|low))?\s*", text)
        if match is None:
            remedy = 'Write e.g. "U2.Y4", or "U3.19 low" with the level that is true.'
            self._tell(field, f"{value!r} is no pin of a part.", remedy)
            return None
        net = self._output_net(match[1], field)
        if net is None:
            return None
        ref, _, number = net.partition(".")
        pin = self._kinds[ref].pins[int(number)]
        if self._on_backplane:
            if match[2] is not None:
                self._tell(field, f"{text!r}: a line has the level of its pin.", "Leave the level out.")
            return Wanted(ref, pin.number, True, text)
        if match[2] is None and not pin.low:
            remedy = f'Write "{match[1]} low" if it is true while the pin is low, or "{match[1]} high".'
            self._tell(field, f"{match[1]} does not say at which level it is true.", remedy)
            return None
        return Wanted(ref, pin.number, match[2] == "high", text)


def _with_joined_outputs(parts: list[DecodePart]) -> tuple[DecodePart, ...]:
    """The parts, each output by the net that it is joined to, be it that of another output or a line."""
    other = {f"{part.ref}.{pin}": part.nets[pin] for part in parts for pin in part.type.outputs}

    def joined(net: str) -> str:
        seen = {net}
        while other.get(net, net) not in seen:
            net = other[net]
            seen.add(net)
        return net

    return tuple(attrs.evolve(part, nets={pin: joined(net) for pin, net in part.nets.items()}) for part in parts)


def _pin_name(pin: Pin) -> str:
    return pin.name if pin.name == str(pin.number) else f"{pin.name} ({pin.number})"
