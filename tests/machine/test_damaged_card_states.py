"""Every field of every card's saved state: removed, of another kind, out of range, of another length.

Each is refused with slot and field named, and the machine stays as it was.
"""

import io
import json
import random
import re
import zipfile
from itertools import groupby

import pytest

from simkit import Machine
from simkit.backplane.cycle import Kind
from simkit.contract import ButtonsPort, KeysPort, PadsPort, SerialPort
from simkit.machine.snapshot import SnapshotError
from simkit.machinefile.catalogue import entries, load_entry

SLOT = 7
ADDRESS = 0x4000
SETTINGS = {
    "button-row": [{"bounce_us": 5_000}],
    "keyboard": [{"can_send": True}, {"delivers": "characters", "whole_sequences": True, "ring_form": "counted"}],
    "pad-sockets": [{"oscillator": "99.7 kHz"}],
    "rom": [{"size": 1024}],
    "sram": [{"size": 1024}],
}
OF_ANY_LENGTH = {
    "bus-logger": ("log",),
    "button-row": ("bounces",),
    "keyboard": (
        "controller.arriving", "controller.edges", "decoder[*]", "line.device.breaks.*", "line.device.buffer",
        "line.device.down", "line.device.gone", "line.device.lengths", "line.device.replies", "line.receiver",
    ),
    "ps2-keyboard": (
        "device.breaks.*", "device.buffer", "device.down", "device.gone", "device.lengths", "device.replies",
    ),
    "serial-6551": ("queue", "spoiled"),
    "serial-pads": ("pads.1", "pads.2"),
    "tile-video": ("fixed", "frame_inks", "journal", "said"),
}  # fmt: skip
"""Lists and bytes of which there may be more or fewer, or whose number only fits others."""
OF_ANY_NAMES = ("controller.ticks", "line.device.breaks", "device.breaks")
FREE_TEXT = ("said[*]", "halted")
ARGUMENT = "outside[*][*][*]"
OR_NOTHING = ("arriving", "due", "halted", "lines.*.pins[*][*]")
"""What may be None as well."""
KINDS = [(kind, settings) for kind in sorted(entries()) for settings in SETTINGS.get(kind, [{}])]


def machine_with(folder, kind, settings):
    """A machine of three cards, the third of that kind; its program does nothing."""
    image = bytearray(1024)
    image[:3] = (0x4C, 0x00, 0xFC)  # JMP itself
    image[-4:-2] = (0x00, 0xFC)
    (folder / "rom.bin").write_bytes(image)
    card = load_entry(entries()[kind])
    made = card.Settings(**settings)
    lines = [
        'name = "Three cards"\nclock = "1 MHz"\ncpu = "6502"\nseed = 1',
        '[[card]]\nslot = 1\nkind = "sram"\nselect = "0000 000x xxxx xxxx"\n[card.settings]\nsize = 512',
        '[[card]]\nslot = 2\nkind = "rom"\nselect = "1111 11xx xxxx xxxx"\nimage = "rom.bin"',
        "[card.settings]\nsize = 1024",
        f'[[card]]\nslot = {SLOT}\nkind = "{kind}"',
    ]
    if card.registers(made) or card.address_pins(made):
        lines.append('select = "0100 00xx xxxx xxxx"')
    if card.image_size(made):
        lines.append('image = "rom.bin"')
    if any(pin.name == "INT" for pin in card.pins(made)):
        lines.append('lines = { INT = "IRQ" }')
    lines.append("[card.settings]\n" + "\n".join(f"{name} = {json.dumps(value)}" for name, value in settings.items()))
    (folder / "machine.toml").write_text("\n".join(lines))
    return Machine.load(folder)


def inputs(port):
    if isinstance(port, KeysPort):
        return [
            (action, (key,)) for key in ("a", "left shift", "up", "pause") for action in ("press", "press", "release")
        ]
    if isinstance(port, PadsPort):
        return [*((a, (n, b)) for n in (1, 2) for b in port.buttons for a in ("press", "release")), ("unplug", (1,))]
    if isinstance(port, SerialPort):
        return [("receive", (65,)), ("receive", (200, "parity")), ("receive", (66, "framing"))] * 3
    if isinstance(port, ButtonsPort):
        return [(action, (label,)) for label in port.labels for action in ("press", "release")]
    return []


def busy_states(machine):
    """States of the machine while the card's registers, pins and ports are used at random."""
    rng = random.Random(1)
    card = machine.bus.seats[-1].card
    offsets = 1 << type(card).address_pins(card.settings)
    has_keys = any(isinstance(port, KeysPort) for port in card.slot.ports.values())
    for step in range(45 if has_keys else 15):  # a keyboard has its last field in state 128 of 180, others in state 40
        for name, port in card.slot.ports.items():
            for action, arguments in rng.sample(inputs(port), k=min(3, len(inputs(port)))):
                machine.outside(SLOT, name, action, *arguments, at=machine.cycle + rng.randrange(200))
        for _ in range(4):
            byte = rng.choice((0x1F, 0x09, 0x09, rng.randrange(256)))
            machine.bus.accesses.write(ADDRESS + rng.randrange(min(offsets, 0x8000)), byte, machine.cycle, Kind.DATA)
            machine.run(cycles=rng.choice((2, 20, 300, 900)))
            yield machine.save_state()
        machine.run(cycles=600_000 if has_keys and step == 20 else rng.choice((100, 1_000, 20_000)))


def entries_of(data):
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(content):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, data in content.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def places(value, path=()):
    """Every place in a state with what stands there; bytes are a place, what stands for them is not."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    if isinstance(value, dict) and set(value) == {"$bytes"}:
        return
    for key, found in inner:
        yield (*path, key), found
        yield from places(found, (*path, key))


def named(path):
    return "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path).removeprefix(".")


def general(name):
    """The name with any index for each index."""
    return re.sub(r"\[\d+\]", "[*]", name)


def damages(value, name, kind):
    """(what is done to it, the value then) for everything that no such field can be."""
    name = re.sub(r"(breaks|lines)\.[^.\[]+", r"\1.*", name)
    return [(what, odd) for what, odd in _damages(value, name, kind) if not (odd is None and name in OR_NOTHING)]


def _damages(value, name, kind):
    if isinstance(value, bool):
        return [("another kind", 2), ("another kind", 0), ("another kind", None), ("another kind", "x")]
    if isinstance(value, int):
        others = [
            ("another kind", other) for other in (1.5, [], float("nan"), *([] if name == ARGUMENT else [True, "x"]))
        ]
        return [*others, ("out of range", 2**70), ("out of range", -(2**70))]
    if isinstance(value, str):
        free = [] if name in FREE_TEXT else [("out of range", "no such thing")]
        return [("another kind", 5), ("another kind", None), ("another kind", [value]), *free]
    if value is None:
        return [("another kind", other) for other in (1.5, {}, *([] if name in FREE_TEXT else ["x"]))]
    if isinstance(value, list):
        odd = [("another kind", other) for other in ({}, None, 5, "x")]
        if name not in OF_ANY_LENGTH.get(kind, ()):
            odd += [("another length", [*value, *value[-1:]]), ("another length", value[:-1])]
        return odd
    return [("another kind", other) for other in ([], None, 5, "x")]


def every_damage(states, kind):
    """(field, what is done to it, the snapshot then): each field once, wherever it first has something in it."""
    done = set()
    for whole in states:
        content = entries_of(whole)
        entry = f"cards/{SLOT:02d}.json"
        state = json.loads(content[entry])
        for path, value in [((), state), *places(state)]:
            field = named(path)
            name = general(field)
            known = OF_ANY_NAMES if isinstance(value, dict) else ()
            if (name, type(value)) in done or value in ([], {}):
                continue
            done.add((name, type(value)))
            if isinstance(value, dict) and set(value) == {"$bytes"}:
                blob = f"cards/{SLOT:02d}/{value['$bytes']}"
                if field not in OF_ANY_LENGTH.get(kind, ()):
                    yield whole, field, "another length", packed({**content, blob: content[blob][:-1]})
                    yield whole, field, "another length", packed({**content, blob: content[blob] + b"\0"})
            for what, odd in damages(value, name, kind) if path else ():
                yield whole, field, what, packed({**content, entry: json.dumps(edited(state, path, odd)).encode()})
            if isinstance(value, dict) and set(value) != {"$bytes"} and field not in known:
                for key in value:
                    less = {k: v for k, v in value.items() if k != key}
                    damaged = edited(state, path, less)
                    yield (
                        whole,
                        named((*path, key)),
                        "removed",
                        packed({**content, entry: json.dumps(damaged).encode()}),
                    )
                more = edited(state, path, {**value, "more": 1})
                yield whole, named((*path, "more")), "added", packed({**content, entry: json.dumps(more).encode()})


def edited(state, path, value):
    """A copy of the state with another value at that place."""
    if not path:
        return value
    copy = dict(state) if isinstance(state, dict) else list(state)
    copy[path[0]] = edited(state[path[0]], path[1:], value)
    return copy


def refusal_of(machine, damaged):
    """The error with which it is refused, None when it is taken."""
    try:
        machine.load_state(damaged)
    except SnapshotError as error:
        return error
    return None


@pytest.fixture(scope="module", params=KINDS, ids=lambda case: case[0])
def used(request, tmp_path_factory):
    """(kind of a card, a machine with it, the states it went through)."""
    kind, settings = request.param
    machine = machine_with(tmp_path_factory.mktemp("used"), kind, settings)
    return kind, machine, list(busy_states(machine))


def test_every_field_that_cannot_be_is_refused_by_name_and_the_machine_stays(used):
    kind, machine, states = used
    machine.load_state(states[0])
    present, tried = states[0], 0
    # The machine is looked at after all that was done to one field.
    for (whole, field), done in groupby(every_damage(states, kind), key=lambda damage: damage[:2]):
        if whole is not present:
            machine.load_state(whole)
            present = whole
        for _, _, what, damaged in done:
            refusal = refusal_of(machine, damaged)
            assert refusal is not None, f"{field}, {what}: taken"
            assert (refusal.slot, refusal.field) == (SLOT, field), (what, refusal.message)
            assert f"slot {SLOT} ({kind}), {field}: " in refusal.message, what
            tried += 1
        assert machine.save_state() == present, field
    assert tried >= 4


def test_a_state_that_is_taken_back_can_be_saved_loaded_and_run(used):
    """Whatever single value is edited: it is refused, or the machine runs on without a fault of the card."""
    kind, machine, states = used
    rng = random.Random(2)
    taken = 0
    for whole in states[:: len(states) // 20]:
        content = entries_of(whole)
        entry = f"cards/{SLOT:02d}.json"
        state = json.loads(content[entry])
        path, value = rng.choice(list(places(state)) or [((), state)])
        odd = rng.choice((0, 1, 2, 7, 100, 255, -1, True, False, None, "", "a", [], [0], value))
        if isinstance(value, int) and not isinstance(value, bool):
            odd = rng.choice((odd, value + 1, value - 1, value ^ 1 << rng.randrange(12), 1 << 40))
        damaged = packed({**content, entry: json.dumps(edited(state, path, odd)).encode()})
        machine.load_state(whole)
        try:
            machine.load_state(damaged)
        except SnapshotError:
            assert machine.save_state() == whole, (named(path), odd)
            continue
        again = machine.save_state()
        machine.load_state(again)
        assert machine.save_state() == again, (named(path), odd)
        machine.run(cycles=5_000)
        taken += 1
    assert taken or kind == "rom"


@pytest.mark.parametrize("part", ["findings", "cpu", "bus"])
def test_every_field_of_the_machine_itself_is_refused_too(part, tmp_path):
    machine = machine_with(tmp_path, "serial-6551", {})
    machine.run(cycles=500)
    machine.outside(SLOT, "serial", "receive", 65, at=machine.cycle + 900)
    machine.bus.accesses.write(ADDRESS + 2, 0x09, machine.cycle, Kind.DATA)
    machine.findings.add("some-rule", 3, "Something happened.", address=0x4000, slot=SLOT)
    whole = machine.save_state()
    content = entries_of(whole)
    state = json.loads(content["state.json"])
    done = set()
    for path, value in [((), state[part]), *places(state[part])]:
        name = general(named(path))
        if (name, type(value)) in done or value in ([], {}):
            continue
        done.add((name, type(value)))
        tried = [
            (named(path), edited(state[part], path, odd)) for what, odd in damages(value, name, "") if "kind" in what
        ]
        if isinstance(value, dict):
            for key in value:
                less = edited(state[part], path, {k: v for k, v in value.items() if k != key})
                tried.append((named((*path, key)), less))
        for field, damaged in tried:
            content["state.json"] = json.dumps({**state, part: damaged}).encode()
            refusal = refusal_of(machine, packed(content))
            assert refusal is not None, f"{field}: {damaged} taken"
            assert refusal.field == field, refusal.message
            assert f"{part}, {field}".removesuffix(", ") in refusal.message
        assert machine.save_state() == whole, name
