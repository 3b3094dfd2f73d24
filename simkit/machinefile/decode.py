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
from pathlib import Path
from typing import Any

import attrs

from simkit.backplane.wiring import CONTROL_LINES, GROUND, SUPPLY
from simkit.contract.errors import SimkitError, near
from simkit.logic.fuses.devices import device_of
from simkit.logic.fuses.jedec import ChecksumError, load_fuse_map
from simkit.logic.fuses.part import programmed_part
from simkit.logic.fuses.program import Program, programmed
from simkit.logic.fuses.vectors import vectors_that_fail
from simkit.logic.parts import TYPES, part_type
from simkit.logic.parttype import Direction, PartType, Pin
from simkit.logic.wired.decode import FIXED, HIGH, LOW, OPEN, Decode, DecodePart, Wanted
from simkit.machinefile.wires import LINE_NAME, Fail

WANTED = ("select", "output_enable", "write_enable")
"""What a decoder may give."""
MAX_PARTS = 40
_PART_KEYS = ("part", "pins", "fuses", "fuse_checksum")
_REF = re.compile(r"[A-Za-z][A-Za-z0-9]{0,15}")
_WORDS = {**dict.fromkeys((*GROUND, "LOW", "0"), LOW), **dict.fromkeys((*SUPPLY, "HIGH", "1"), HIGH), "OPEN": OPEN}
_ROW = re.compile(r"([A-Za-z]+)(\d{1,2})\.\.([A-Za-z]*)(\d{1,2})")


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
    wrong = 0

    def tell(field: str, message: str, remedy: str) -> None:
        nonlocal wrong
        wrong += 1
        fail(f"decode.{field}".rstrip("."), message, remedy)

    found = _Reader(value, wanted, path, tell, on_backplane).decode()
    return found if found is not None and not wrong and wanted else None


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
        self._kinds: dict[str, PartType] = {}
        self._programs: dict[str, tuple[Program, Path, tuple[str, ...]]] = {}

    def decode(self) -> Decode | None:
        tables = {key: table for key, table in self._value.items() if key not in self._keys}
        if len(tables) > MAX_PARTS:
            self._tell(
                "", f"{len(tables)} parts; {MAX_PARTS} are allowed.", "Put what all cards share on the backplane."
            )
            return None
        for ref, table in tables.items():
            if not isinstance(table, dict) or not _REF.fullmatch(ref):
                remedy = near(ref, self._keys)
                self._tell(ref, f"{ref!r} is neither a key nor a part.", remedy)
            else:
                self._kind(ref, table)
        if tables.keys() != self._kinds.keys():
            return None  # what the others say of their pins would only mislead
        parts = _with_joined_outputs([self._part(ref, tables[ref]) for ref in tables])
        wanted = {key: self._wanted(key, text) for key, text in self._asked.items()}
        pulls = self._pulls(self._value.get("pulls", {}))
        found = Decode(parts, pulls, {key: pin for key, pin in wanted.items() if pin is not None})
        for key in found.wanted:
            self._look_at_what_is_heard(found, key)
        return found

    def _look_at_what_is_heard(self, decode: Decode, key: str) -> None:
        """Whether all that a select or strobe hears is said, and may be heard."""
        decoded = decode.decoded(key)
        for ref, number in decoded.without_net():
            part = decode.part(ref)
            pin = _pin_name(part.type.pins[number])
            self._tell(
                f"{ref}.pins",
                f"{key} hears pin {pin} of {ref} ({part.part}), and nothing is said of it.",
                'Say what stands at it: a line, "high", "low", "open", or an output as "U1.Y".',
            )
        if data := [line for line in decoded.lines if re.fullmatch("D[0-7]", line)]:
            self._tell(
                self._field(key),
                f"it hangs on {', '.join(data)}.",
                "No decoder looks at data lines: those come too late.",
            )

    # parts ------------------------------------------------------------------------------------------------------------

    def _kind(self, ref: str, table: dict[str, Any]) -> None:
        for key in table:
            if key not in _PART_KEYS:
                self._tell(f"{ref}.{key}", f"unknown key {key!r}.", near(key, _PART_KEYS))
        name = table.get("part")
        if not isinstance(name, str):
            self._tell(ref, f"{ref} is no part: its name is missing.", 'Write e.g. part = "74HC138".')
            return
        if device_of(name) is not None:
            self._programmed(ref, name, table)
            return
        kind = part_type(name)
        if kind is None:
            remedy = f"Known are 16V8, 20V8, 22V10 and {', '.join(sorted(TYPES))}, of any family."
            self._tell(f"{ref}.part", f"{name!r} is no part known here.", remedy)
        elif odd := [key for key in ("fuses", "fuse_checksum") if key in table]:
            self._tell(f"{ref}.{odd[0]}", f"a {name} has no fuses.", "Leave it out.")
        else:
            self._kinds[ref] = kind

    def _programmed(self, ref: str, name: str, table: dict[str, Any]) -> None:
        file, checksum = table.get("fuses"), table.get("fuse_checksum", "checked")
        if not isinstance(file, str):
            self._tell(f"{ref}.fuses", f"{ref} ({name}) has no fuse map.", 'Write e.g. fuses = "decoder.jed".')
            return
        if checksum not in ("checked", "ignored"):
            remedy = 'Write fuse_checksum = "ignored" where an assembler writes it wrongly.'
            self._tell(f"{ref}.fuse_checksum", f"{checksum!r} is neither 'checked' nor 'ignored'.", remedy)
            return
        path = self._path(f"decode.{ref}.fuses", file)
        try:
            fuse_map = load_fuse_map(path, checksum_counts=checksum == "checked")
            program = programmed(name, fuse_map)
        except SimkitError as error:
            where = f"{error.file}:{error.line}: " if error.line is not None else ""
            remedy = error.remedy or ""
            if isinstance(error, ChecksumError):
                remedy += ' Where the assembler is known to write it wrongly, fuse_checksum = "ignored" lets it pass.'
            self._tell(f"{ref}.fuses", f"{where}{error.message}", remedy)
        else:
            self._kinds[ref] = programmed_part(program)
            self._programs[ref] = program, path, (*fuse_map.notes, *vectors_that_fail(program, fuse_map))

    def _part(self, ref: str, table: dict[str, Any]) -> DecodePart:
        kind, pins = self._kinds[ref], table.get("pins", {})
        nets: dict[int, str] = {pin: f"{ref}.{pin}" for pin in kind.outputs}
        said: dict[int, str] = {}
        if not isinstance(pins, dict):
            self._tell(f"{ref}.pins", "pins is a table.", 'Write e.g. pins = { A = "A5", G = "low" }.')
            pins = {}
        singles = [key for key in pins if kind.pin(key) is not None]
        for key in [
            *(key for key in pins if key not in singles),
            *singles,
        ]:  # a pin counts over the group that it is of
            field = f"{ref}.pins.{key}"
            found = self._pins(ref, kind, key, field)
            levels = self._nets(pins[key], field) if found else None
            if levels is None:
                continue
            if len(levels) != len(found):
                names = found[0].name if len(found) == 1 else f"{found[0].name}..{found[-1].name}"
                self._tell(
                    field,
                    f"{pins[key]!r} says {len(levels)} levels of {len(found)} pins.",
                    f"Say one for each of {names}.",
                )
                continue
            for pin, net in zip(found, levels, strict=True):
                before = said.get(pin.number)
                if before in singles and key in singles:
                    self._tell(
                        field, f"pin {pin.number} is said to be at something twice.", f"Leave {before} or {key} out."
                    )
                said[pin.number] = key
                self._join(ref, kind, pin, net, field, nets)
        program, path, notes = self._programs.get(ref, (None, None, ()))
        return DecodePart(ref, table["part"], kind, nets, program, path, notes)

    def _pins(self, ref: str, kind: PartType, key: str, field: str) -> tuple[Pin, ...]:
        one = kind.pin(key)
        found = kind.group(key) if one is None else (one,)
        if not found:
            supply = key in (str(kind.ground), str(kind.supply), *GROUND, *SUPPLY)
            message = f"pin {key} is its supply." if supply else f"a {kind.name} has no pin {key!r}."
            names = [pin.name for pin in kind.pins.values()]
            self._tell(field, message, "Leave it out." if supply else near(key, names))
        return found

    def _nets(self, value: Any, field: str) -> list[str] | None:
        """What stands at a row of pins, an item each."""
        if not isinstance(value, str) or not value.strip():
            self._tell(field, f"{value!r} is no level.", 'Write a line, "high", "low", "open", or an output as "U1.Y".')
            return None
        found: list[str] = []
        word: str
        for word in re.split(r"[,\s]+", value.strip()):
            row = _ROW.fullmatch(word)
            if row and row[3] in ("", row[1]):
                first, last = int(row[2]), int(row[4])
                numbers = range(first, last - 1, -1) if first > last else range(first, last + 1)
                found += [f"{row[1].upper()}{number}" for number in numbers]
            elif re.fullmatch("[01]+", word):
                found += [_WORDS[bit] for bit in word]
            else:
                found.append(_WORDS.get(word.upper(), word))
        return found

    def _join(self, ref: str, kind: PartType, pin: Pin, net: str, field: str, nets: dict[int, str]) -> None:
        """Put a net at a pin."""
        if net not in FIXED:
            is_register = pin.number in kind.state
            resolved = self._output_net(net, field) if "." in net else self._line(net, field)
            if resolved is None:
                return
            if pin.direction is Direction.OUTPUT and not is_register and "." not in net:
                self._tell(
                    field,
                    f"pin {pin.name} is an output, and {net} a line of the backplane.",
                    "An output is named where it goes, as an input of another part or in `select`.",
                )
                return
            if is_register and (net in CONTROL_LINES or re.fullmatch(r"A\d+", net)):
                remedy = "Name the line of a card that has this level, a latch for instance."
                self._tell(field, f"the flip-flop at pin {pin.number} is not {net}.", remedy)
                return
            net = resolved
        elif pin.direction is Direction.OUTPUT and net != OPEN:
            self._tell(field, f"pin {pin.name} is an output, and is tied {net}.", "Leave it out.")
            return
        elif pin.direction is Direction.OUTPUT:
            return
        nets[pin.number] = net

    def _line(self, net: str, field: str) -> str | None:
        name = net.upper() if re.fullmatch(r"[Aa]\d+|[Rr][Ww]|[Pp][Hh][Ii]2", net) else net
        if not LINE_NAME.fullmatch(name) or (re.fullmatch(r"A\d+", name) and int(name[1:]) > 15):
            remedy = 'Write A0 to A15, RW, PHI2, another line, "high", "low", "open", or an output as "U1.Y".'
            self._tell(field, f"{net!r} is no line.", remedy)
            return None
        return name

    def _output_net(self, text: str, field: str) -> str | None:
        """The net of an output, "U1.Y4" by name or number."""
        ref, _, name = text.partition(".")
        kind = self._kinds.get(ref)
        if kind is None:
            self._tell(field, f"{text!r}: there is no part {ref!r}.", near(ref, self._kinds))
            return None
        pin = kind.pin(name)
        if pin is None or pin.number not in kind.outputs:
            names = [kind.pins[number].name for number in kind.outputs]
            self._tell(field, f"{text!r}: {ref} has no output {name!r}.", near(name, names))
            return None
        return f"{ref}.{pin.number}"

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
