"""The kinds of input: what is made, from what it is made, how often."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import attrs

from fuzzing import binaries, captures, cardfiles, commandlines, corpus, fuses, kits, lists, paths, texts
from fuzzing.rolls import Rolls
from fuzzing.sample import FIFO, LINK, Content, Sample, Special
from fuzzing.structure import Change, changed, toml


@attrs.frozen
class Kind:
    """A kind of input.

    Attributes:
        make: gives one, by chance.
        weight: how often, beside the others.
    """

    make: Callable[[Rolls], Sample]
    weight: int


def encoded(rolls: Rolls, text: str, one_in: int = 9) -> bytes:
    """A text as a file, now and then with something done to its bytes."""
    data = text.encode("utf-8", "surrogatepass")
    return rolls.spoil(data) if rolls.chance(one_in) else data


def placed(rolls: Rolls, call: str, name: str, content: Content, *more: str) -> Sample:
    """A sample that reads one file; rarely the path leads elsewhere."""
    if rolls.chance(25):
        return Sample(call=call, files=dict(paths.AROUND), argv=(paths.to_read(rolls), *more))
    return Sample(call=call, files={name: content, **paths.around(rolls)}, argv=(name, *more))


def scalars(rolls: Rolls, key: str, value: Any) -> Any:
    """Another value of the same kind."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return rolls.number()
    return rolls.word() if isinstance(value, str) else rolls.scalar()


# machine files --------------------------------------------------------------------------------------------------------


def machine_files(rolls: Rolls, *, gently: bool) -> dict[str, Content]:
    """Files of a demo machine, its machine file or its base changed: into another machine, or anyhow."""
    found = rolls.choice(corpus.machines())
    spoilt = rolls.choice([name for name, content in found.items() if isinstance(content, dict)])
    files: dict[str, Content] = {}
    for name, content in found.items():
        if not isinstance(content, dict):
            files[name] = content
        elif name != spoilt:
            files[name] = encoded(rolls, toml(rolls, content), 10**9)
        elif gently:
            tree = copy.deepcopy(content)
            for card in rolls.some(tree.get("card", []), 3):
                texts.sound_value(rolls, card)
            tree |= {
                "seed": rolls.getrandbits(16),
                "clock": rolls.choice(("1 MHz", "4 MHz", "100 kHz", "10.738635 MHz / 3")),
            }
            files[name] = encoded(rolls, toml(rolls, tree), 10**9)
        else:
            files[name] = encoded(rolls, toml(rolls, changed(rolls, content, texts.known_value, texts.KEYS)), 15)
    return files


def machine(rolls: Rolls) -> Sample:
    """A machine file with something changed."""
    return Sample(call="machine", files={**machine_files(rolls, gently=rolls.chance(3)), **paths.around(rolls)})


def chain_of_bases(rolls: Rolls) -> Sample:
    """Machine files that name each other as bases: in a circle, or down to a machine."""
    names = [f"m{number}.toml" for number in range(rolls.choice((1, 2, 2, 3, 3, 4, 12, 60)))]
    files: dict[str, Content] = {**machine_files(rolls, gently=rolls.randrange(9) > 0), **dict(paths.AROUND)}
    wrong = rolls.randrange(len(names)) if rolls.chance(3) else -1
    for number, name in enumerate(names):
        last = number == len(names) - 1
        base = corpus.MACHINE if last and rolls.randrange(4) else names[(number + 1) % len(names)]
        slot, card = rolls.choice((1, 2, 2, 3, 9)), {}
        texts.sound_value(rolls, card)
        tree: dict[str, Any] = {
            "base": base,
            "card": [{"slot": slot, **rolls.choice(({}, {"remove": True}, {"note": "x"}, card))}],
        }
        if number == wrong:
            tree = {
                **changed(rolls, tree, texts.known_value, texts.KEYS),
                "base": rolls.choice((base, paths.to_read(rolls))),
            }
        files[name] = encoded(rolls, toml(rolls, tree), 60)
    return Sample(call="machine", files=files, argv=(names[0],))


def toml_text(rolls: Rolls) -> Sample:
    """TOML of any form, large and deep ones too."""
    tree = changed(rolls, rolls.choice(corpus.machines())[corpus.MACHINE], scalars)
    text = toml(rolls, tree)
    if rolls.chance(4):
        many = rolls.choice((50, 1000, 30_000, 150_000))
        text += rolls.choice(
            (
                ".".join(["a"] * many) + " = 1",
                f"a = {'[' * many}",
                f"a = {'{ a = ' * (many // 5)}",
                f"a = {'9' * many}",
                f"a = 0x{'F' * many}",
                f'a = "{"x" * many}"',
                "\n".join(f"a{number} = {number}" for number in range(many // 10)),
                "\n".join(f"[a.b{number}]" for number in range(many // 10)),
                "[[a]]\n" * (many // 8),
                f"a = '''{chr(10) * many}",
                "a = 1" + " " * many + "x",
                "#" * many,
                f"a = 2000-01-01T00:00:00.{'9' * many}Z",
            )
        )
    return placed(rolls, "toml", "a.toml", encoded(rolls, text, 3))


def with_known_keys(
    tree: Callable[[], dict[str, Any]], call: str, knows: Change, keys: tuple[str, ...]
) -> Callable[[Rolls], Sample]:
    """Makes TOML files of a kind whose values mean something."""

    def make(rolls: Rolls) -> Sample:
        return placed(rolls, call, f"{call}.toml", encoded(rolls, toml(rolls, changed(rolls, tree(), knows, keys))))

    return make


def controls_value(rolls: Rolls, key: str, value: Any) -> Any:
    """Names of host keys and contacts."""
    names = (
        "a",
        "scroll lock",
        "right ctrl",
        "keypad 8",
        "button 0",
        "button 999",
        "axis 1 -",
        "axis -1 +",
        "hat 0 up",
        "hat 9 x",
        "",
    )
    return rolls.choice((rolls.choice(names), [rolls.choice(names), rolls.word()], rolls.scalar()))


def controls(rolls: Rolls) -> Sample:
    """Controls files: other keys and contacts for the buttons, or anything."""
    if rolls.randrange(3):
        return ANY_CONTROLS(rolls)
    tree = copy.deepcopy(corpus.controls())
    pad = tree["pad"][rolls.choice("12")]
    pad["keys"][rolls.choice(list(pad["keys"]))] = rolls.choice(("a", "f9", "keypad 5", "right ctrl", ["q", "w"], []))
    contact = rolls.choice(("button 31", "axis 3 +", "hat 1 left", ["button 2", "button 3"], []))
    pad["joystick"][rolls.choice(list(pad["joystick"]))] = contact
    tree["dead_zone"] = rolls.choice((0.1, 0.9))
    if rolls.chance(2):
        tree["pad"].pop(rolls.choice("12"))
    return placed(rolls, "controls", "controls.toml", toml(rolls, tree).encode())


PART_KEYS = ("source", "basis", "title", "part", "name", "grade", "kind", "fits", "size", "figures", "worst", "typical")


def part_value(rolls: Rolls, key: str, value: Any) -> Any:
    """Names, kinds, times."""
    return rolls.choice(
        (
            *(
                "memory",
                "cpu",
                "logic",
                "read",
                "from memory",
                "sram",
                "rom",
                "65C02",
                "74HC138",
                "worst",
                "70 ns",
                "-1",
            ),
            *(0, 1, 1e-9, 1e300, -1, float("inf"), [18, 23], [], [[]], True, {}, rolls.word()),
        )
    )


DECODERS = (["74HC688", "74HC138 enable"], ["CD74HC138 select"], "74HC04", [["74AC32"], ["74HC139 enable", "74F521"]])
TIMING = {
    "buffer": ("74HC245", "74AC245"),
    "buffer_gate": ("74HC00",),
    "read_gate": ("74HC32", "74LS00"),
    "write_gate": ("74AC00",),
    "port": ("74HC541", "74LS240"),
    "latch": ("74HC574", "74AC573"),
    "counter": ("74HC161",),
    "collector": ("74HC595",),
}
CPUS = (
    {"kind": "65C02", "part": "W65C02S", "grade": "14 MHz"},
    {"kind": "65C02", "part": "R65C02"},
    {"kind": "6502", "grade": "2 MHz"},
    {"phi2_high": "5 %", "data_buffer": "74HC245"},
)


def parts(rolls: Rolls) -> Sample:
    """A machine whose file names parts, from the kit's table and one of its own; now and then anything for a value."""
    tree = changed(rolls, corpus.parts(), part_value, PART_KEYS) if rolls.chance(3) else corpus.parts()
    cpu = dict(rolls.choice(CPUS))
    kind, names = rolls.choice(
        (
            ("sram", ("62256-70", "62256", "AS6C4008-55")),
            ("bank-latch", ("74HC574", "74AC573")),
            ("ports-6522", ("6522A", "W65C22S")),
        )
    )
    timing: dict[str, Any] = {key: rolls.choice(TIMING[key]) for key in rolls.some(list(TIMING), 4)}
    timing["decode"] = rolls.choice(DECODERS)
    card = {"slot": 1, "kind": kind, "select": "not A15", "timing": timing}
    if rolls.chance(2):
        card["part"] = rolls.choice(names)
    clock = rolls.choice(("1 MHz", "1 Hz", "999 MHz", "1 MHz / 7"))
    machine = {"name": "m", "clock": clock, "cpu": cpu, "card": [card], "parts": "own.toml"}
    if rolls.chance(3):
        spoilt = rolls.choice((cpu, card, timing, machine))
        spoilt[rolls.choice(list(spoilt))] = part_value(rolls, "", None)
    files = {"own.toml": encoded(rolls, toml(rolls, tree)), "machine.toml": toml(rolls, machine).encode()}
    return Sample(call="parts", files=files, argv=("machine.toml",))


def accepted_value(rolls: Rolls, key: str, value: Any) -> Any:
    """Rules, places, slots."""
    return rolls.choice(
        ("never-written", "contention", "no-such", "$8012", "$", "$12345", "reset", 3, True, rolls.word())
    )


# JSON -----------------------------------------------------------------------------------------------------------------


def as_json(rolls: Rolls, trees: list[Any]) -> str:
    """Trees as JSON a line, with what Python's JSON takes and others do not."""
    shown = [json.dumps(tree, ensure_ascii=rolls.chance(2), indent=2 if rolls.chance(9) else None) for tree in trees]
    if rolls.chance(12):
        at = rolls.randrange(len(shown))
        shown[at] = rolls.choice(
            ("NaN", "[" * 5000, '{"a":' * 2000, "1" * 6000, '{"format": 1, "format": 2}', shown[at] + shown[at], "")
        )
    return rolls.choice(("\n", "\n", "\n", "\r\n", "")).join(shown) + rolls.choice(("\n", "\n", "", "\n\n"))


def json_file(name: str, call: str, keys: tuple[str, ...]) -> Callable[[Rolls], Sample]:
    """Makes files of a format that the kit writes as JSON, as a whole or a line at a time."""

    def make(rolls: Rolls) -> Sample:
        trees = [*corpus.trees(name)]
        for _ in range(rolls.choice((1, 1, 2))):
            at = rolls.randrange(len(trees))
            roll = rolls.randrange(12)
            if roll == 0:
                trees.insert(at, trees[rolls.randrange(len(trees))])
            elif roll == 1 and len(trees) > 1:
                trees.pop(at)
            elif roll == 2:
                rolls.shuffle(trees)
            else:
                trees[at] = changed(rolls, trees[at], scalars, keys)
        return placed(rolls, call, f"a.{name}", encoded(rolls, as_json(rolls, trees)))

    return make


def recording(rolls: Rolls) -> Sample:
    """Recordings: other ones that can be played, cut off anywhere, or with something changed."""
    if rolls.chance(6):
        return old_recording(rolls)
    if rolls.chance(2):
        return SPOILT_RECORDING(rolls)
    entries = [json.dumps(sound_entry(rolls, entry), separators=(",", ":")) for entry in corpus.trees("recording")]
    data = ("\n".join(entries) + "\n").encode()
    return placed(rolls, "recording", "a.rec", data[: rolls.randint(1, len(data))] if rolls.chance(2) else data)


def old_recording(rolls: Rolls) -> Sample:
    """Recordings of the versions that are still read: other input, or something changed."""
    tree = corpus.old_recording(rolls.choice((1, 2)))
    if rolls.chance(2):
        tree = changed(rolls, tree, scalars, FIELDS)
    else:
        pressed = [
            [rolls.randrange(9000), 4, "pads", "press", [1, rolls.choice("ab")]] for _ in range(rolls.randrange(9))
        ]
        tree["events"] = [*sorted(pressed), [9000, -1, "machine", "reset", [rolls.chance(2)]]]
        tree["end"] = rolls.randint(9000, 20_000)
    text = json.dumps(tree, indent=rolls.choice((None, 2)))
    return placed(rolls, "recording", "a.rec", encoded(rolls, text))


def sound_entry(rolls: Rolls, entry: dict[str, Any]) -> dict[str, Any]:
    """An entry of a recording that says something else, but nothing wrong."""
    other: dict[str, dict[str, Any]] = {
        "poke": {"address": rolls.getrandbits(16), "value": rolls.getrandbits(8)},
        "registers": {"registers": {rolls.choice("axy"): rolls.getrandbits(8)}},
        "chapter": {
            "name": rolls.choice(("start", "Kap\u00edtel 2", "\u7b2c", ".")),
            "caption": rolls.choice(("", "*Here* it is.\n\n- `$7F11`\n", "x" * 10_001, "\u202e")),
        },
    }
    return entry | other.get(entry.get("what") or entry.get("kind", ""), {})


FIELDS = (
    "format",
    "version",
    "machine",
    "fingerprint",
    "end",
    "events",
    "program",
    "ran",
    "taken",
    "passed",
    "kind",
    "cycle",
)
FIELDS += (
    "power",
    "input",
    "reset",
    "reload",
    "state",
    "hash",
    "chapter",
    "fault",
    "seed",
    "clock",
    "models",
    "identity",
)
FIELDS += (
    "at",
    "what",
    "slot",
    "port",
    "action",
    "arguments",
    "asserted",
    "images",
    "state_version",
    "poke",
    "registers",
)
FIELDS += (
    "loaded",
    "address",
    "value",
    "data",
    "parts",
    "name",
    "why",
    "pc",
    "a",
    "halted",
    "press",
    "release",
    "pads",
)


SPOILT_RECORDING = json_file("recording", "recording", FIELDS)


# texts ----------------------------------------------------------------------------------------------------------------


def of_text(call: str, make: Callable[[Rolls], str]) -> Callable[[Rolls], Sample]:
    """Makes samples that are one text."""
    return lambda rolls: Sample(call=call, argv=(make(rolls),))


def labels(rolls: Rolls) -> Sample:
    """Label lists, now and then with the source that a map names beside them."""
    sample = placed(rolls, "labels", "a.labels", lists.labels(rolls))
    if rolls.chance(3):
        source = rolls.choice((lists.source(rolls), lists.source(rolls), Special(FIFO), Special(LINK, "to-zero")))
        sample = attrs.evolve(sample, files={**sample.files, "main.asm": source, **AROUND_SOURCE})
    return sample


AROUND_SOURCE: dict[str, Content] = {"to-zero": Special(LINK, "/dev/zero")}


def paste(rolls: Rolls) -> Sample:
    """Texts that are pasted into a machine over its serial line."""
    text = rolls.choice(
        (b"10 PRINT\n20 GOTO 10\n", b"help\r\n", bytes(range(256)), b"\xff" * 5000, rolls.word().encode(), b"")
    )
    text = rolls.choice((text, text, rolls.spoil(text), bytes(rolls.choice((1_000_000, 1_000_001, 20_000_000)))))
    pause = rolls.choice(("0", "1", "20000", "-1", str(rolls.number())))
    if rolls.chance(6):
        return Sample(call="paste", files=dict(paths.AROUND), argv=(paths.to_read(rolls), pause))
    return placed(rolls, "paste", "a.txt", text, pause)


def script(rolls: Rolls) -> Sample:
    """Typing and pads."""
    words: list[str] = []
    for _ in range(rolls.randint(1, 2)):
        words += ["type", texts.typing(rolls)] if rolls.chance(2) else ["pad", texts.pad(rolls)]
    return Sample(call="script", argv=tuple(words))


def settings(rolls: Rolls) -> Sample:
    """Settings of the command line on a machine that comes with the kit."""
    name = rolls.choice(("bench", "marlpit", "lamps-and-buttons", "ports-test", "keyboard-on-ports", "monitor"))
    cards = corpus.cards_of(name)
    return Sample(
        call="settings",
        argv=(f"demo:{name}", *(texts.setting_option(rolls, cards) for _ in range(rolls.randint(1, 3)))),
    )


def capture(rolls: Rolls) -> Sample:
    """Captures in each form, now and then spoilt, with a channel file or without."""
    form = rolls.choice(list(captures.FORMS))
    data = captures.FORMS[form](rolls)
    sample = placed(rolls, "capture", "a.cap", rolls.spoil(data) if rolls.chance(6) else data)
    if form == "numbered" or rolls.chance(3):
        tree = captures.channels(rolls, numbered=form == "numbered")
        tree = changed(rolls, tree, captures.value, captures.NAMES) if rolls.chance(3) else tree
        files = {**sample.files, captures.CHANNELS: encoded(rolls, toml(rolls, tree), 30)}
        sample = attrs.evolve(sample, files=files, argv=(*sample.argv, captures.CHANNELS))
    return sample


def fuse_map(rolls: Rolls) -> Sample:
    """Fuse maps, for a part that they are made for or not."""
    part, data = fuses.fuse_map(rolls)
    return placed(rolls, "fuses", "a.jed", data, part)


ANY_CONTROLS = with_known_keys(corpus.controls, "controls", controls_value, ("pad", "keys", "joystick", "bar_key"))


KINDS: dict[str, Kind] = {
    "machine": Kind(machine, 14),
    "bases": Kind(chain_of_bases, 3),
    "toml": Kind(toml_text, 6),
    "cardfile": Kind(cardfiles.machine, 3),
    "settings": Kind(settings, 3),
    "select": Kind(of_text("select", texts.select), 7),
    "clock": Kind(of_text("clock", texts.clock), 2),
    "moment": Kind(of_text("moment", texts.when), 2),
    "script": Kind(script, 2),
    "labels": Kind(labels, 9),
    "constants": Kind(lambda rolls: placed(rolls, "constants", "a.inc", lists.constants(rolls)), 5),
    "listing": Kind(lambda rolls: placed(rolls, "listing", "a.lst", lists.listing(rolls)), 6),
    "toolfile": Kind(lambda rolls: placed(rolls, "toolfile", "a.dbg", lists.tool_file(rolls)), 5),
    "raw": Kind(lambda rolls: placed(rolls, "image", "a.bin", binaries.raw(rolls), binaries.size(rolls)), 2),
    "intel-hex": Kind(lambda rolls: placed(rolls, "image", "a.hex", lists.intel_hex(rolls), binaries.size(rolls)), 7),
    "s-record": Kind(lambda rolls: placed(rolls, "image", "a.s19", lists.s_records(rolls), binaries.size(rolls)), 7),
    "picture": Kind(lambda rolls: placed(rolls, "picture", "a.png", binaries.picture(rolls)), 5),
    "state": Kind(lambda rolls: Sample(call="state", files={"a.state": binaries.state(rolls)}, argv=("a.state",)), 5),
    "recording": Kind(recording, 6),
    "paste": Kind(paste, 2),
    "capture": Kind(capture, 8),
    "fuses": Kind(fuse_map, 4),
    "kit": Kind(kits.kit, 8),
    "counts": Kind(json_file("counts", "counts", FIELDS), 4),
    "controls": Kind(controls, 4),
    "parts": Kind(parts, 4),
    "accepted": Kind(
        with_known_keys(corpus.accepted, "accepted", accepted_value, ("accept", "rule", "at", "reason")), 3
    ),
    "command": Kind(commandlines.command, 6),
}
"""All kinds; a new one is one more line, and one more name in the report."""
