"""States that were cut, overwritten or edited: refused with one message and nothing changed, or taken whole."""

import io
import json
import random
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.machine.snapshot import SnapshotError
from tests.examples import examples

ODD_VALUES = (None, -1, 0, 1, 2**70, 1.5, "x", "", [], {}, True, [1], {"a": 1}, "IRQ", 256, float("nan"), {"$bytes": 7})


@pytest.fixture(scope="module")
def busy():
    """Marlpit in the game's title with a text half typed, a pad about to be pressed, events armed."""
    m = Machine.load("demo:marlpit", engine="exact")
    m.run(seconds=0.5)
    m.keys.type("ab")
    m.pads[1].press("left", at=m.cycle + 5000)
    m.pads[2].unplug(at=m.cycle + 6000)
    m.run(cycles=4000)
    return m, m.save_state()


def entries(data):
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(content):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in content.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def places(value, path=()):
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, found in inner:
        yield (*path, key)
        yield from places(found, (*path, key))


def take(machine, whole, damaged):
    """Load it; a refusal must leave everything as it was."""
    try:
        machine.load_state(damaged)
    except SnapshotError:
        assert machine.save_state() == whole
        return False
    machine.save_state()
    machine.load_state(whole)
    return True


@given(st.integers(0, 2**32))
@settings(max_examples=examples(150), deadline=None)
def test_bytes_overwritten_or_cut_off(busy, seed):
    machine, whole = busy
    chance = random.Random(seed)
    damaged = bytearray(whole)
    for _ in range(chance.randrange(1, 4)):
        damaged[chance.randrange(len(damaged))] = chance.randrange(256)
    if chance.random() < 0.3:
        del damaged[chance.randrange(len(damaged)) :]
    take(machine, whole, bytes(damaged))


@given(st.integers(0, 2**32))
@settings(max_examples=examples(150), deadline=None)
def test_one_value_edited_or_taken_out(busy, seed):
    machine, whole = busy
    chance = random.Random(seed)
    content = entries(whole)
    name = chance.choice([n for n in content if n.endswith(".json")])
    table = json.loads(content[name])
    path = chance.choice(list(places(table)))
    inside = table
    for key in path[:-1]:
        inside = inside[key]
    if chance.random() < 0.2:
        del inside[path[-1]]
    else:
        inside[path[-1]] = chance.choice(ODD_VALUES)
    content[name] = json.dumps(table).encode()
    take(machine, whole, packed(content))


@pytest.mark.parametrize("extra", ["cards/².json", "cards/99.json", "cards/-1.json", "cards/x.json", "cards/1e1.json"])
def test_an_entry_for_a_slot_that_is_none_is_refused(busy, extra):
    machine, whole = busy
    assert not take(machine, whole, packed({**entries(whole), extra: b"{}"}))


def test_every_entry_is_needed_and_memory_must_have_its_size(busy):
    machine, whole = busy
    content = entries(whole)
    for name, data in content.items():
        assert not take(machine, whole, packed({n: d for n, d in content.items() if n != name})), name
        if not name.endswith(".json") and name != "cards/03/0":  # that one is the keyboard's scan codes, of any number
            assert not take(machine, whole, packed({**content, name: data[:-1]})), name


@pytest.mark.parametrize(
    "queued", [[9, 12, "keys", "press", ["a"]], [9, 3, "door", "press", ["a"]], [9, -1, "machine", "x", []]]
)
def test_queued_input_for_what_is_not_there_is_refused(busy, queued):
    machine, whole = busy
    content = entries(whole)
    state = json.loads(content["state.json"])
    state["bus"]["outside"].append(queued)
    content["state.json"] = json.dumps(state).encode()
    assert not take(machine, whole, packed(content))


def test_a_state_of_another_machine_does_not_even_finish_the_instruction_begun():
    machine, other = Machine.load("demo:marlpit"), Machine.load("demo:marlpit", seed=2)
    machine.step()
    machine.step_cycle()
    cycle = machine.cycle
    for wrong in (other.save_state(), b"no zip"):
        with pytest.raises(SnapshotError):
            machine.load_state(wrong)
    assert machine.cycle == cycle
    assert machine.inside_instruction
