"""What a machine, a card or a file is called steers no terminal and forges no line, whichever command shows it."""

import json
import os
import re

import pytest

from simkit.commands.app import COMMANDS

EVIL = "x\x1b[2J\x07\r\nFORGED\u202e\u2066\u2028\x9b31m\x7fy"
"""Clears a screen, rings, ends a line and begins another, turns round what follows, ends a paragraph, deletes."""
NAME = "x\u202e\u2066y\u200f"
"""What the name of a machine may hold: one line, no control characters."""
NEVER = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069]")

CARD = f"""
import attrs
from fractions import Fraction
from simkit.contract import (
    Card, Drive, KeysPort, LampsPort, PadsPort, PinSpec, Register, ScreenPort, remembers, setting,
)

EVIL = {EVIL!a}

@attrs.frozen(kw_only=True)
class Settings:
    note: str = setting(EVIL, unit=EVIL, help=EVIL, one_of=(EVIL, "raise"))

@remembers
class Stranger(Card):
    kind = "stranger"
    Settings = Settings
    title = EVIL
    faithful_to = EVIL

    @classmethod
    def registers(cls, settings):
        return (Register(0, EVIL, "rw", bits=(EVIL,), help=EVIL, read_effect=EVIL, write_effect=EVIL),)

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="OUT", drive=Drive.OPEN_DRAIN, help=EVIL),)

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.port(LampsPort("lamps", (EVIL, EVIL + "2"), lambda cycle: (True, False)))
        slot.port(
            ScreenPort(
                "screen", 8, 8, lambda cycle: bytes(64), lambda cycle: ((0, 0),), lambda cycle: EVIL, ((0, 0, 0),) * 2,
                (0, 0, 0, 0), Fraction(20_000), lambda cycle: cycle // 20_000,
            )
        )

    def peek(self, offset, cycle):
        return 0

    def read(self, offset, cycle):
        if self.settings.note == "raise":
            raise RuntimeError(EVIL)
        self.slot.report("evil-rule", cycle, EVIL)
        self.slot.report(EVIL, cycle, EVIL)
        return 0

    def words(self, cycle):
        return [EVIL]
"""
PROGRAM = bytes.fromhex("AD 20 7F 4C 00 80") + b"\xff" * (32_762 - 6) + bytes.fromhex("00 80 00 80 00 80")
"""loop: lda $7F20; jmp loop; vectors."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A machine all of whose names are evil, as far as a name of its kind can be."""
    evil = EVIL if os.name == "posix" else NAME
    folder = tmp_path_factory.mktemp("machines") / evil.replace("/", "")
    folder.mkdir()
    (folder / f"{evil}.py").write_text(CARD, encoding="utf-8")
    (folder / f"{evil}.bin").write_bytes(PROGRAM)
    (folder / f"{evil}.labels").write_text("loop = $8000\n")
    (folder / f"{evil}.lst").write_text(
        "$8000  AD 20 7F   evil.asm:1   lda $7F20 ; \x1b[2J\u202e\n$8003  4C 00 80   evil.asm:2   jmp loop\n",
        encoding="utf-8",
    )
    quoted = json.dumps(evil)
    text = f"""
        name = {json.dumps(NAME)}
        about = {json.dumps(NAME)}
        clock = "1 MHz"
        note = {quoted}
        [[card]]
        slot = 1
        kind = "sram"
        select = "0000 xxxx xxxx xxxx"
        note = {quoted}
        [[card]]
        slot = 2
        kind = "rom"
        select = "A15"
        image = {json.dumps(f"{evil}.bin")}
        labels = {json.dumps(f"{evil}.labels")}
        [[card]]
        slot = 3
        kind = {json.dumps(f"file:{evil}.py:Stranger")}
        select = "0111 1111 0010 0000"
        [[card]]
        slot = 4
        kind = "led-row"
        select = "0111 1111 0011 0000"
        settings.labels = {quoted}
        [[card]]
        slot = 5
        kind = "tile-video"
        select = "0111 1111 0100 000x"
    """
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    (folder / "accepted.toml").write_text(
        f'[[accept]]\nrule = "evil-rule"\nreason = {json.dumps("so " + EVIL)}\n'
        f'[[accept]]\nrule = {json.dumps(EVIL)}\nreason = "never seen"\nat = {quoted}\n',
        encoding="utf-8",
    )
    (folder / "controls.toml").write_text(f'[pad.1.keys]\n{quoted} = "f9"\n', encoding="utf-8")
    return folder


COMMAND_LINES = {
    "run": ("run M --headless --for 5000c --screen 3 --text --png F/a.png", 0),
    "run again": ("run M --headless --for 5000c --screen 3 --png F/a.png --strict", 1),
    "run, which card fails": ("run M --headless --for 5000c --screen 3 --set 3.note=raise", 3),
    "run, no screen": ("run M --headless --for 5000c --text --screen 4", 2),
    "run, no image": ("run M --headless --image 2=F/E", 2),
    "run, no setting": ("run M --headless --set 3.E=E", 2),
    "run, no pad": ("run M --headless --screen 3 --pad 1=E@1s", 2),
    "run, no time": ("run M --headless --screen 3 --for E", 2),
    "run, no text": ("run M --headless --screen 3 --type E@1s", 2),
    "run, wrong file": ("run M --headless --screen 3 --png M/machine.toml", 2),
    "run, no recording": ("run M --headless --screen 3 --replay F/E", 2),
    "run, no folder": ("run M --headless --screen 3 --png F/E/a.png", 2),
    "run, no machine": ("run F/E", 2),
    "run, foreign option": ("run M --E", 2),
    "check": ("check M --for 5000c --sarif F/a.sarif", None),
    "check, a line each": ("check M --for 5000c --one-line", None),
    "check, no rule": ("check M --for 5000c --accepted F/E", 2),
    "burn": ("burn M --part 28C256 --out F/E.bin --date E", 0),
    "burn, wrong part": ("burn M --part E", 2),
    "burn, other dump": ("burn M --part 28C256 --verify F/E.dump", 2),
    "coverage": ("coverage M --for 5000c --html F/a.html --save F/a.json", 0),
    "coverage, files": ("coverage M --for 5000c --lcov F/a.info --cobertura F/a.xml", 0),
    "coverage, no counts": ("coverage M --for 5000c --merge M/machine.toml", 2),
    "compare, plan": ("compare M --plan --channels 4 --for 5000c --out F/c.toml", 0),
    "compare, no capture": ("compare M F/E", 2),
    "rehearse": ("rehearse M --for 5000c --out F/a.vcd", 0),
    "rehearse, no line": ("rehearse M --for 5000c --line E", 2),
    "show": ("show M --at 5000c --memory loop", 0),
    "show, no label": ("show M --at 5000c --memory E", 2),
    "suspect, nothing seen": ("suspect M", 2),
    "suspect, no capture": ("suspect M --seen F/E", 2),
    "suspect, no label": ("suspect M --hangs-at E", 2),
    "trace": ("trace M --for 5000c --from 4000c", 0),
    "trace, no label": ("trace M --label E --address E", 2),
    "video": ("video M --at 5000c --html F/b.html --folder F/E", 0),
    "pack": ("pack M --poster 5000c --out F/a.kit", None),
    "pack, no notes": ("pack M --poster 5000c --notes F/E --out F/a.kit", 2),
    "replay, no recording": ("replay M F/E", 2),
    "replay, no chapter": ("replay M F/E --chapter E --to 1s", 2),
    "unpack": ("unpack F/E.kit", 2),
    "page": ("page M --out F/E --runtime F/E", 2),
    "page, nothing there": ("page --serve F/E", 2),
    "film": ("film M --screen 3 --for 3f/3 --out F/a.webp", 0),
    "film, no screen": ("film M --screen 4 --for 5000c --out F/a.webp", 2),
    "controls": ("controls M", 0),
    "map": ("map M", 0),
    "budget": ("budget M", 0),
    "cards": ("cards C", 0),
    "cards, no card": ("cards E", 2),
    "cards of a machine": ("cards --machine M", 0),
    "a card of a machine": ("cards --machine M 3", 0),
    "cards of a machine, no card": ("cards --machine M E", 2),
    "completion": ("completion bash --line E", 0),
    "completion, no shell": ("completion E", 2),
    "cards, test": ("cards --test C", None),
    "bench, no card": ("bench --card E", 2),
    "bench, no machine": ("bench E", 2),
    "demo, none": ("demo E", 2),
    "demo": ("demo bench F/E", 0),
    "new machine": ("new machine F/E", 2),
    "new machine, folders": ("new machine F/E/mine", 0),
    "new card": ("new card F/E/my-card", 0),
    "new card, package": ("new card F/E/my-card --package", 0),
    "new card, no name": ("new card F/E", 2),
    "new test-rom": ("new test-rom M --slot 3 --name F/E", None),
    "new test-rom, no slot": ("new test-rom M --slot 77", 2),
    "new test-rom, no syntax": ("new test-rom M --slot 3 --syntax E", 2),
    "explain": ("explain E", 2),
    "opcode": ("opcode E", 2),
    "no command": ("E", 2),
    "version": ("--version E", 2),
}
"""M: the machine, C: its card, F: a folder to write to, E: an evil word; None as a code: whatever it is."""


def words(line, folder, place):
    evil = EVIL if os.name == "posix" else NAME
    stands = {"M": str(folder), "C": f"file:{folder / f'{evil}.py'}:Stranger", "F": str(place), "E": evil}
    return [re.sub(r"(?<![A-Za-z0-9])[MCFE](?![A-Z0-9])", lambda m: stands[m[0]], word) for word in line.split()]


@pytest.mark.parametrize("as_json", [False, True], ids=["", "json"])
@pytest.mark.parametrize(("line", "expected"), COMMAND_LINES.values(), ids=COMMAND_LINES)
def test_no_command_prints_a_name_that_does_something(line, expected, as_json, folder, tmp_path, simkit):
    place = tmp_path / "out"
    place.mkdir()
    code, out, err = simkit(*words(line, folder, place), *(["--json"] if as_json else []))
    assert expected in (code, None), err
    assert NEVER.search(out) is None, out
    assert NEVER.search(err) is None, err
    assert not [told for told in (out + err).split("\n") if told.startswith("FORGED")], out + err
    for path in (*place.glob("*.html"), *place.glob("*.sarif")):
        assert NEVER.search(path.read_text(encoding="utf-8")) is None, path
    if as_json:
        json.loads(out[out.index("{") if "{" in out else 0 :])


def test_every_command_is_tried():
    assert {line.split()[0] for line, _ in COMMAND_LINES.values()} >= set(COMMANDS)
