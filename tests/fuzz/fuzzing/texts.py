"""Texts that stand in files and options: patterns, expressions, clocks, durations, typing, pads, settings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import attrs

from fuzzing import paths
from fuzzing.rolls import Rolls
from fuzzing.structure import spoilt
from simkit.machinefile.catalogue import entries, load_entry

LINES = (
    "A0",
    "A13",
    "A14",
    "A15",
    "A16",
    "RW",
    "PHI2",
    "D0",
    "D7",
    "IRQ",
    "NMI",
    "RESET",
    "RDY",
    "SO",
    "SYNC",
    "BANK0",
    "B1",
)
PARTS = ("6502", "65C02")
KEYS = ("name", "clock", "cpu", "seed", "base", "card", "note", "backplane", "cpu_options", "slot", "kind", "select")
KEYS += (
    "not_select",
    "output_enable",
    "write_enable",
    "image",
    "labels",
    "constants",
    "schematic",
    "ready_gated",
    "remove",
    "settings",
    "wires",
    "lines",
    "decode",
    "pins",
    "part",
    "fuses",
)


def _spoil(rolls: Rolls, text: str, one_in: int = 5) -> str:
    return spoilt(rolls, text) if rolls.chance(one_in) else text


def pattern(rolls: Rolls) -> str:
    """Bits of an address as a select pattern writes them."""
    length = 16 if rolls.randrange(5) else rolls.choice((0, 1, 15, 17, 64))
    bits = "".join(rolls.choice("01xxxX") for _ in range(length))
    if rolls.chance(2):
        bits = " ".join(bits[at : at + 4] for at in range(0, length, 4))
    return _spoil(rolls, bits, 8)


def expression(rolls: Rolls, depth: int = 0) -> str:
    """A Boolean expression over lines; rarely a very deep or very long one."""
    if depth == 0 and rolls.chance(30):
        many = rolls.choice((40, 400, 4000))
        return rolls.choice(
            ("(" * many + "A0" + ")" * many, "not " * many + "A0", " or ".join(["A0"] * many), "A0 and " * many)
        )
    roll = rolls.randrange(8)
    if depth > 5 or roll < 3:
        return rolls.choice(LINES) if rolls.randrange(12) else rolls.word()
    if roll < 5:
        return f"{rolls.choice(('not', 'NOT', '!', 'not not'))} {expression(rolls, depth + 1)}"
    if roll == 5:
        return f"({expression(rolls, depth + 1)})"
    joined = rolls.choice((" and ", " or ", " AND ", "&", " xor ", " "))
    return _spoil(rolls, f"{expression(rolls, depth + 1)}{joined}{expression(rolls, depth + 1)}", 20)


def select(rolls: Rolls) -> str:
    """A pattern or an expression."""
    return pattern(rolls) if rolls.chance(2) else expression(rolls)


def clock(rolls: Rolls) -> str:
    """A frequency."""
    number = rolls.choice(
        ("1", "2", "0", "0.5", "10.738635", "1000", "1001", "1e6", "-1", "9" * 13, "1." + "3" * 20, str(rolls.number()))
    )
    unit = rolls.choice(("MHz", "kHz", "Hz", "mhz", "GHz", "", "MHz / 3", "MHz/0", "MHz / 99999999999", "Hz / 2"))
    return _spoil(rolls, f"{number}{rolls.choice((' ', '', '  '))}{unit}")


def duration(rolls: Rolls, *, short: bool = False) -> str:
    """A length of machine time; a short one takes no time worth mentioning to run."""
    if short:
        return rolls.choice(("0c", "1c", "7c", "100c", "3000c", "0.001s", "1ms", "10us", "1f", "0s", "0.0000001s"))
    number = rolls.choice(
        ("0", "1", "0.5", "120", "5000", "999999999999", "-1", ".5", "1.", "1e3", "9" * 30, str(rolls.number()))
    )
    return _spoil(rolls, f"{number}{rolls.choice(('s', 'ms', 'us', 'c', 'f', '', 'm', 'h', ' s', 'S', 'f/main'))}")


def moment(rolls: Rolls) -> str:
    """A moment: a duration, or one that another kit may know."""
    if rolls.randrange(3):
        return duration(rolls)
    kind = rolls.choice(("label", "finding", "text", "read", "write", "", "at"))
    name = rolls.choice(("reset", "contention", "HELLO", rolls.word()))
    return f"{kind}:{name}{rolls.choice(('', '#3', '#0', '#-1', '+5000c', '#9+1c', '/main'))}"


def when(rolls: Rolls) -> str:
    """A time behind an @, mostly a sound one."""
    return duration(rolls, short=True) if rolls.randrange(3) else moment(rolls)


def typing(rolls: Rolls) -> str:
    """TEXT@MOMENT."""
    text = rolls.choice(
        (
            "LIST\\n",
            "a",
            "",
            "HELLO WORLD",
            "\\q\\",
            "@",
            "a@b",
            "\u00e9",
            "\t",
            rolls.word(),
            "x" * rolls.choice((3, 900)),
        )
    )
    return text if rolls.chance(3) else f"{text}@{when(rolls)}"


def pad(rolls: Rolls) -> str:
    """N=BUTTONS@FROM..TO."""
    number = rolls.choice(("1", "2", "0", "3", "-1", "1" * 30, "\u0661", "x", ""))
    buttons = "+".join(
        rolls.choice(("a", "b", "start", "select", "up", "left", "fire", "", " a ", rolls.word()))
        for _ in range(rolls.randint(1, 4))
    )
    times = rolls.choice((f"@{when(rolls)}..{when(rolls)}", f"@{when(rolls)}", "", "@..", f"@{when(rolls)}.."))
    return _spoil(rolls, f"{number}={buttons}{times}", 10)


@cache
def _settings() -> dict[str, dict[str, attrs.Attribute[Any]]]:
    return {
        kind: {field.name: field for field in attrs.fields(load_entry(entry).Settings)}
        for kind, entry in sorted(entries().items())
    }


def kinds() -> list[str]:
    """Kinds of cards that are installed."""
    return list(_settings())


def setting(rolls: Rolls, kind: str | None = None) -> tuple[str, Any]:
    """Name and value of a setting, mostly one that the card has."""
    known = _settings().get(kind or rolls.choice(kinds()), {})
    if not known or rolls.chance(12):
        return rolls.word(), rolls.scalar()
    field = known[rolls.choice(list(known))]
    roll = rolls.randrange(6)
    if roll == 0:
        return field.name, rolls.scalar()
    choices = field.metadata.get("one_of") or ()
    if choices and roll < 5:
        return field.name, rolls.choice(list(choices))
    if isinstance(field.default, bool):
        return field.name, rolls.choice((True, False, 1, "true"))
    if isinstance(field.default, int):
        limits = [field.metadata[name] for name in ("low", "high") if field.metadata.get(name) is not None]
        return field.name, rolls.choice(
            (field.default, field.default + rolls.choice((-1, 1)), *limits, *(n + 1 for n in limits), rolls.number())
        )
    if isinstance(field.default, str):
        return field.name, spoilt(rolls, field.default)
    return field.name, rolls.choice(([], {}, [rolls.scalar()], {rolls.word(): rolls.scalar()}, rolls.scalar()))


def sound_setting(rolls: Rolls, kind: str) -> tuple[str, Any]:
    """Name and value of a setting that the card takes, if it has one."""
    known = _settings().get(kind, {})
    if not known:
        return setting(rolls)
    field = known[rolls.choice(list(known))]
    choices = field.metadata.get("one_of") or ()
    if choices:
        return field.name, rolls.choice(list(choices))
    if isinstance(field.default, bool):
        return field.name, rolls.chance(2)
    limits = [field.metadata[name] for name in ("low", "high") if field.metadata.get(name) is not None]
    return field.name, rolls.choice([field.default, *limits])


def setting_option(rolls: Rolls, cards: Mapping[int, str] | None = None) -> str:
    """SLOT.NAME=VALUE; with the kinds of a machine's cards by slot mostly one that the machine takes."""
    if cards and rolls.randrange(3):
        slot: object = rolls.choice(list(cards))
        name, value = (
            sound_setting(rolls, cards[int(str(slot))]) if rolls.randrange(3) else setting(rolls, cards[int(str(slot))])
        )
        return _spoil(rolls, f"{slot}.{name}={_toml(value)}", 12)
    name, value = setting(rolls)
    shown = _toml(value)
    slot = rolls.choice(("1", "2", "3", "4", "5", "99", "0", "-1", "\u0662", "", str(rolls.number())))
    return _spoil(
        rolls,
        f"{slot}.{name}={rolls.choice((shown, shown, repr(value), f'[{shown}]', f'{{a = {shown}}}', '[' * 300))}",
        8,
    )


def _toml(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def kind_of_card(rolls: Rolls) -> str:
    """What a card's `kind` may say."""
    if rolls.randrange(3):
        return rolls.choice(kinds())
    file = rolls.choice(("trap_card.py", "nothing.py", "folder", "..", "../foreign/script.py", "rom.bin", rolls.word()))
    return rolls.choice(
        (
            f"file:{file}:{rolls.choice(('TrapCard', 'Card', 'nothing', '', '__name__', 'a.b'))}",
            f"file:{file}",
            "file:",
            rolls.word(),
        )
    )


def known_value(rolls: Rolls, key: str, value: Any) -> Any:
    """Another value for a key of a machine file, as the key means it."""
    if key in ("select", "not_select", "output_enable", "write_enable"):
        new: Any = select(rolls)
        return [new, select(rolls)] if rolls.chance(5) else new
    if key == "clock":
        return clock(rolls)
    if key in ("base", "image", "labels"):
        return paths.to_read(rolls)
    if key == "decode":
        return decoder(rolls)
    if key == "pins":
        return at_pins(rolls)
    if key == "part":
        return rolls.choice(LOGIC)
    if key == "kind":
        return kind_of_card(rolls)
    if key == "slot":
        return rolls.choice((1, 2, 3, 0, -1, 99, 100, 10**9, True, "1", 1.0))
    if key == "wires":
        pins = ("A0", "A3", "A15", "A16", "D0", "D7", "D8", "RW", "RS0", rolls.word())
        return {rolls.choice(pins): rolls.choice((*pins, "0", "1", "low", "open")) for _ in range(rolls.randint(1, 4))}
    if key == "lines":
        return {
            rolls.choice(("INT", "CS", "PA0", rolls.word())): rolls.choice((*LINES, rolls.word(), "X" * 40))
            for _ in range(rolls.randint(1, 3))
        }
    if key == "settings":
        return dict(setting(rolls) for _ in range(rolls.randint(1, 3)))
    if key == "cpu":
        return rolls.choice((*PARTS, "65c02", "Z80", ""))
    if key == "seed":
        return rolls.number()
    if key in ("name", "note"):
        return rolls.word()
    if isinstance(value, bool):
        return not value
    return rolls.number() if isinstance(value, int) else rolls.scalar()


LOGIC = ("74HC138", "74HC139", "SN74LS00", "74688", "GAL16V8", "ATF22V10C", "7404", "74HC154", "74HC574", "6522", "")
OUTPUTS = ("U1.Y0", "U1.19", "U2.1Y low", "U2.P=Q", "U1.17 high", "U3.2", "U1", "U2.", ".")


def decoder(rolls: Rolls) -> dict[str, Any]:
    """A decoder of a few parts, as a card's table has it."""
    found: dict[str, Any] = {
        f"U{n}": {
            "part": rolls.choice(LOGIC),
            "pins": at_pins(rolls),
            **({"fuses": "rom.jed"} if rolls.chance(4) else {}),
        }
        for n in range(1, rolls.randint(2, 4))
    }
    for key in rolls.some(("select", "output_enable", "write_enable", "pulls"), 2) or ["select"]:
        found[key] = (
            rolls.choice(OUTPUTS) if key != "pulls" else {rolls.choice(OUTPUTS): rolls.choice(("up", "down", ""))}
        )
    return found


def at_pins(rolls: Rolls) -> dict[str, Any]:
    """What stands at pins of a part."""
    names = (
        "1",
        "2",
        "3",
        "19",
        "20",
        "A",
        "B",
        "C",
        "1A",
        "1B",
        "P",
        "Q",
        "Q7",
        "G",
        "G1",
        "G2A",
        "G2B",
        rolls.word(),
    )
    nets = (*LINES, *OUTPUTS, "high", "low", "open", "A15..A8", "0111 1111", "A0..A99", "A7..A2 low low", rolls.word())
    found = {rolls.choice(names): rolls.choice(nets) for _ in range(rolls.randint(0, 9))}
    return found if rolls.randrange(9) else {**found, "A": rolls.scalar()}


def sound_value(rolls: Rolls, card: dict[str, Any]) -> None:
    """Change a card's table into another one that is most likely sound, too."""
    roll = rolls.randrange(6)
    if roll < 3:
        kind = str(card.get("kind", rolls.choice(kinds())))
        card.setdefault("settings", {}).update([sound_setting(rolls, kind)])
    elif roll == 3:
        one, other = rolls.choice((("D0", "D7"), ("D3", "D4"), ("A0", "A1"), ("A2", "A3")))
        card["wires"] = {one: other, other: one}
    elif roll == 4:
        card["ready_gated"] = rolls.chance(2)
    else:
        card[rolls.choice(("output_enable", "write_enable"))] = rolls.choice(
            ("PHI2", "RW and PHI2", "not RW", "not RW and PHI2")
        )
