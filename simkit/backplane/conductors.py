"""What arrives where: address and control lines through the wiring as truth tables, data lines as tables of bytes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache, reduce
from operator import and_

import attrs

from simkit.backplane.select import ADDRESS_LINES, ALL, address_bit, as_table, expression
from simkit.backplane.wiring import CONTROL_LINES, DATA_LINES, Done, Entry, Wiring, plain

_STRAIGHT = bytes(range(256))


def groups(entries: Iterable[Entry]) -> list[set[str]]:
    """Names that shorts make one, each group whole."""
    found: list[set[str]] = []
    for entry in entries:
        if entry.done is Done.SHORTED:
            both = {entry.name, entry.other}
            found = [group for group in found if not group & both] + [
                both.union(*(group for group in found if group & both))
            ]
    return found


def conducted(base: Mapping[str, int], entries: Iterable[Entry], pulls: Wiring | None = None) -> dict[str, int]:
    """Truth tables of what arrives, by name, for those that come in.

    First wires lead elsewhere, or nowhere; then shorts make the low one win; what is held low or high stays so.
    """
    entries = [entry for entry in entries if entry.name in base]
    out = dict(base)
    for entry in entries:
        if entry.done is Done.EXCHANGED and entry.other in out:
            out[entry.name], out[entry.other] = out[entry.other], out[entry.name]
        elif entry.done is Done.INVERTED:
            out[entry.name] = ALL ^ out[entry.name]
        elif entry.done is Done.JOINED:
            source = base[plain(entry.other)]
            out[entry.name] = ALL ^ source if entry.other.startswith("not ") else source
        elif entry.done is Done.DRIVEN:
            out[entry.name] = expression(entry.other).table(base)
        elif entry.done is Done.OPEN:
            out[entry.name] = 0 if pulls is not None and pulls.pull(entry.name) is Done.PULLED_DOWN else ALL
    for group in groups(entries):
        low_wins = reduce(and_, (out[name] for name in group if name in out))
        out.update({name: low_wins for name in group if name in out})
    for entry in entries:
        if entry.done in (Done.LOW, Done.HIGH):
            held = ALL if entry.done is Done.HIGH else 0
            for name in {entry.name}.union(*(group for group in groups(entries) if entry.name in group)):
                out[name] = held
    return out


def on_the_bus(levels: Mapping[str, bool], bus: Wiring) -> Mapping[str, bool | int]:
    """Levels of lines on the backplane: as given, or tables where wiring makes them odd or decoders drive them.

    Args:
        levels: of RW, PHI2 and lines of cards.
        bus: wiring of the backplane.
    """
    return _on_the_bus(tuple(levels.items()), bus) if bus else levels


@lru_cache(maxsize=16)
def _on_the_bus(levels: tuple[tuple[str, bool], ...], bus: Wiring) -> Mapping[str, bool | int]:
    given, signals = dict(levels), bus.signals()
    entries = [entry for entry in bus.line_entries() if is_decoded(entry.name) or entry.name in given]
    if not (entries or signals):
        return given
    found = conducted(_tables(given), entries, bus)
    return _odd(found | _driven(signals, found, bus))


def _driven(signals: Mapping[str, str], lines: Mapping[str, int], bus: Wiring) -> dict[str, int]:
    """Tables of the lines that decoders drive, with what is done to those; one decoder may hear another."""
    entries = [entry for entry in bus.line_entries() if entry.name in signals]
    found = dict.fromkeys(signals, ALL)
    unheard = set[str]().union(*(expression(text).lines for text in signals.values())) - set(lines) - set(signals)
    lines = {**lines, **dict.fromkeys(unheard, ALL)}  # of decoders that nobody asks for here
    for _ in range(len(signals) + 1):  # in one pass each is right whose inputs are
        raw = {name: expression(text).table({**lines, **found}) for name, text in signals.items()}
        before, found = found, conducted(raw, entries, bus)
        if found == before:
            break
    return found


def _tables(levels: Mapping[str, bool | int]) -> dict[str, int]:
    base = {name: address_bit(n) for n, name in enumerate(ADDRESS_LINES)}
    return base | {name: as_table(level) for name, level in levels.items()}


def _odd(tables: Mapping[str, int]) -> dict[str, bool | int]:
    """Without those address lines that carry their own."""
    straight = {name: address_bit(n) for n, name in enumerate(ADDRESS_LINES)}
    return {name: table for name, table in tables.items() if straight.get(name) != table}


def at_slot(arriving: Mapping[str, bool | int], slot: Wiring) -> Mapping[str, bool | int]:
    """Levels of lines as they arrive at a slot: as `on_the_bus` gave them, or tables where wiring makes them odd."""
    entries = [entry for entry in slot.line_entries() if is_decoded(entry.name) or entry.name in arriving]
    return _odd(conducted(_tables(arriving), entries)) if entries else arriving


def address_pins(count: int, arriving: Mapping[str, bool | int], slot: Wiring) -> tuple[bytes, ...] | None:
    """Truth tables of a card's address pins, of 8,192 bytes each; None where each carries its own line.

    Args:
        count: of the pins.
        arriving: what `at_slot` gave.
        slot: wiring of the slot.
    """
    own = slot.pin_entries()
    moved = any(entry.name[0] == "A" and entry.name[1:].isdigit() for entry in own)
    if not moved and not any(name in arriving for name in ADDRESS_LINES):
        return None
    lines = {name: address_bit(n) for n, name in enumerate(ADDRESS_LINES)}
    lines |= {name: as_table(level) for name, level in arriving.items()}
    pins = [f"A{n}" for n in range(count)]
    base = {pin: lines.get(pin, 0) for pin in pins}
    found = conducted({**lines, **base}, own)
    return tuple(found[pin].to_bytes(1 << 13, "little") for pin in pins)


def pin_tables(pins: tuple[bytes, ...] | None, count: int) -> tuple[int, ...]:
    """What `address_pins` gave as truth tables of every pin, also of those that carry their own lines."""
    if pins is None:
        return tuple(address_bit(n) if n < len(ADDRESS_LINES) else 0 for n in range(count))
    return tuple(int.from_bytes(pin, "little") for pin in pins)


@attrs.frozen
class DataPins:
    """The way of data through wiring between the lines and the pins of a card, or of the CPU.

    Attributes:
        takes: byte at the pins for each byte on the lines.
        gives: byte on the lines for each byte that the pins drive; lines that none of them does float.
        drives: lines driven for each mask of pins that drive.
        late: lines on which what the pins drive comes too late to be taken.
        shorts: whether what one pin drives depends on which others do.
    """

    takes: bytes
    gives: bytes
    drives: bytes
    late: int = 0
    shorts: bool = False

    @classmethod
    def of(cls, entries: Iterable[Entry], floating: int = 0xFF) -> DataPins | None:
        """As entries say; None when data go through as they are.

        Args:
            entries: what is done to data pins; others are passed over.
            floating: what open inputs read.
        """
        of_data = tuple(entry for entry in entries if entry.name in DATA_LINES)
        return cls._worked_out(of_data, floating) if of_data else None

    @classmethod
    @lru_cache(maxsize=64)  # each decoding of a machine asks for the same
    def _worked_out(cls, entries: tuple[Entry, ...], floating: int) -> DataPins | None:
        source: dict[str, str | None] = {name: name for name in DATA_LINES}
        turned = dict.fromkeys(DATA_LINES, False)
        late = 0
        for entry in entries:
            name, other = entry.name, entry.other
            if entry.done is Done.EXCHANGED:
                source[name], source[other] = source[other], source[name]
                turned[name], turned[other] = turned[other], turned[name]
            elif entry.done is Done.INVERTED:
                turned[name] = not turned[name]
            elif entry.done is Done.JOINED:
                source[name], turned[name] = plain(other), other.startswith("not ")
            elif entry.done is Done.OPEN:
                source[name] = None
            elif entry.done is Done.LATE:
                late |= _bit(source[name])
        shorted = groups(entries)
        mates = {name: next((group for group in shorted if name in group), {name}) for name in DATA_LINES}
        held = {entry.name: entry.done is Done.HIGH for entry in entries if entry.done in (Done.LOW, Done.HIGH)}
        held = {name: level for one, level in held.items() for name in mates[one]}
        # Of each pin, as masks: itself, its line (0: none), those shorted with it; its level if held; if it is turned.
        ways = [
            (_bit(pin), _bit(line), _byte(dict.fromkeys(mates[pin], True)), held.get(pin), turned[pin])
            for pin, line in source.items()
        ]

        def arrives(byte: int) -> int:
            raw = sum(
                pin for pin, line, _, _, turn in ways if (bool(byte & line) is not turn if line else floating & pin)
            )
            return sum(
                pin for pin, _, shorted, level, _ in ways if (raw & shorted == shorted if level is None else level)
            )

        def leaves(byte: int, driving: int) -> tuple[int, int]:
            levels, driven = 0xFF, 0
            for _, line, shorted, level, turn in ways:
                of_them = driving & shorted
                if line and of_them:
                    driven |= line
                    if (byte & of_them == of_them if level is None else level) is turn:
                        levels &= ~line
            return levels & driven | floating & ~driven, driven

        takes = bytes(arrives(byte) for byte in range(256))
        gives = bytes(leaves(byte, 0xFF)[0] for byte in range(256))
        drives = bytes(leaves(0xFF, mask)[1] & ~late for mask in range(256))
        if takes == gives == drives == _STRAIGHT:
            return None
        return cls(takes, gives, drives, late, bool(shorted))

    def on_the_lines(self, byte: int, driving: int) -> int:
        """What pins drive, of which only those of a mask do, as it is on the lines."""
        return self.gives[byte | ~driving & 0xFF if self.shorts else byte]


@attrs.frozen
class CpuData:
    """The way of data between the lines and the CPU, where wiring makes it odd.

    Attributes:
        gives: byte on the lines for each byte that the CPU drives.
        takes: byte that the CPU sees for each byte on the lines.
        late: what comes too late for it.
        lines: byte that is on the lines for each that is driven there, as shorts and lines that are held make it.
    """

    gives: bytes
    takes: bytes
    late: int
    lines: bytes

    @classmethod
    def of(cls, wiring: Wiring, pulled: int) -> CpuData | None:
        """As the wiring of the backplane says, whose released data lines are pulled high as a mask says."""
        entries = [entry for entry in wiring.line_entries() if entry.name in DATA_LINES]
        down = sum(_bit(name) for name in DATA_LINES if wiring.pull(name) is Done.PULLED_DOWN)
        found = DataPins.of(entries, floating=pulled | 0xFF & ~down)
        if found is None:
            return None
        on_the_lines = DataPins.of(entry for entry in entries if entry.done in (Done.LOW, Done.HIGH, Done.SHORTED))
        return cls(found.gives, found.takes, found.late, _STRAIGHT if on_the_lines is None else on_the_lines.takes)

    def taken(self, value: int, last: int) -> int:
        """What the CPU takes of a byte on the lines, after another that it saw."""
        return self.takes[value] & ~self.late | last & self.late


@attrs.frozen
class Given:
    """What the CPU takes on a read of a memory, by what the memory holds and by what the CPU took in the cycle before.

    Attributes:
        gives: byte for each byte in the memory, without the bits of `keeps`; None: the same.
        keeps: bits that are those of the byte before: of lines that nobody drives, or that are driven too late.
    """

    gives: bytes | None
    keeps: int

    @classmethod
    def of(
        cls, data: DataPins | None, gives: bytes | None, cpu: CpuData | None, released: tuple[int, int]
    ) -> Given | None:
        """As wiring says; None where it cannot be said so, as lines float that are others at the CPU.

        Args:
            data: the way between pins and lines.
            gives: byte for each at the pins, through all wiring.
            cpu: the way between lines and CPU.
            released: what `open_bus_levels` gave.
        """
        floating = 0 if data is None else 0xFF & ~data.drives[0xFF]
        late = 0 if cpu is None else cpu.late
        if not floating and not late:
            return cls(gives, 0)
        if floating and cpu is not None:
            return None
        keeps, pulled = (floating & lines for lines in released)
        taken = _STRAIGHT if gives is None else gives
        return cls(bytes(byte & ~(floating | late) | pulled for byte in taken), keeps | late)


def open_bus_levels(open_bus: str, wiring: Wiring) -> tuple[int, int]:
    """Data lines that keep their last level when nobody drives them, and those of the others that are pulled high."""
    keeps, pulled = {"last": (0xFF, 0), "pull-up": (0, 0xFF), "pull-down": (0, 0)}[open_bus]
    for name in DATA_LINES:
        pull = wiring.pull(name)
        if pull is not None:
            keeps, pulled = keeps & ~_bit(name), pulled & ~_bit(name)
        if pull is Done.NOT_PULLED:
            keeps |= _bit(name)
        elif pull is Done.PULLED_UP:
            pulled |= _bit(name)
    return keeps, pulled


def through(first: bytes | None, second: bytes | None) -> bytes | None:
    """Two tables of bytes one after the other; None is the one that changes nothing."""
    if first is None or second is None:
        return second if first is None else first
    both = first.translate(second)
    return None if both == _STRAIGHT else both


def _bit(name: str | None) -> int:
    return 0 if name is None else 1 << int(name[1:])


def _byte(levels: Mapping[str, bool]) -> int:
    return sum(_bit(name) for name, level in levels.items() if level)


def is_decoded(name: str) -> bool:
    """Whether decoders look at the line, of those that the CPU drives."""
    return name in ADDRESS_LINES or name in CONTROL_LINES
