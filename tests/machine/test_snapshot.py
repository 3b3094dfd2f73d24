"""The file of a state: everything comes back, the same state gives the same bytes, and bounds hold."""

import io
import json
import zipfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.machine.fingerprint import Fingerprint
from simkit.machine.snapshot import (
    MAX_ENTRIES,
    MAX_ENTRY_BYTES,
    MAX_TOTAL_BYTES,
    Snapshot,
    SnapshotError,
    hashes,
    pack,
    unpack,
)

FINGERPRINT = Fingerprint({"clock": "0123", "slot 1": "4567"}, {1: ("sram", 1)})
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5) | st.binary(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=12,
)
STATES = st.dictionaries(st.text(max_size=4), VALUES, max_size=4)


def state(cards=None, **fields):
    return Snapshot(
        **{"fingerprint": FINGERPRINT, "seed": 5, "cycle": 77, "state": {"bus": {}}, "cards": cards or {}, **fields}
    )


def entries(data):
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(content):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in content.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def with_manifest(**changes):
    content = entries(pack(state()))
    manifest = {**json.loads(content["manifest.json"]), **changes}
    content["manifest.json"] = json.dumps({k: v for k, v in manifest.items() if v != "left out"}).encode()
    return packed(content)


@given(st.dictionaries(st.integers(1, 999), STATES, max_size=3), st.integers(), st.integers(0))
def test_whatever_cards_save_comes_back(cards, seed, cycle):
    """Bytes inside too; an object that looks like the mark for bytes is the one thing a card cannot save."""
    found = unpack(pack(state(cards, seed=seed, cycle=cycle)))
    assert (found.cards, found.seed, found.cycle, found.fingerprint) == (cards, seed, cycle, FINGERPRINT)
    assert found.state == {"bus": {}}


@given(st.dictionaries(st.integers(1, 99), STATES, max_size=3), st.randoms())
def test_the_same_state_is_the_same_file_in_whatever_order_it_was_gathered(cards, chance):
    def shuffled(value):
        if isinstance(value, dict):
            items = [(key, shuffled(inner)) for key, inner in value.items()]
            chance.shuffle(items)
            return dict(items)
        return [shuffled(inner) for inner in value] if isinstance(value, list) else value

    assert pack(state(shuffled(cards))) == pack(state(cards))
    tuples = {
        slot: {key: tuple(v) if isinstance(v, list) else v for key, v in found.items()} for slot, found in cards.items()
    }
    assert pack(state(tuples)) == pack(state(cards))


def test_bytes_under_names_in_any_order_give_one_file_and_one_hash_also_behind_a_file():
    """Bytes are numbered as the names stand in order, cards written as their slots do: a file gives names in order."""
    gathered = {9: {"b": b"1", "a": {"z": b"2", "y": b"3"}}, 2: {"d": b"4", "c": b"5"}}
    in_order = {2: {"c": b"5", "d": b"4"}, 9: {"a": {"y": b"3", "z": b"2"}, "b": b"1"}}
    first, second = (state(cards, state={"bus": {"outside": [], "lines": {}}}) for cards in (gathered, in_order))
    assert pack(first) == pack(second)
    assert hashes(first) == hashes(second) == hashes(unpack(pack(first)))


def test_the_file_is_a_zip_of_json_and_blobs_with_no_time_in_it():
    data = pack(state({3: {"b": bytearray(b"\x01"), "a": [b"\x02\x03"]}, 12: {}}))
    assert list(entries(data)) == [
        "manifest.json", "state.json", "cards/03.json", "cards/03/0", "cards/03/1", "cards/12.json",
    ]  # fmt: skip
    assert entries(data)["cards/03/0"] == b"\x02\x03", "keys in order, so that names are the same each time"
    assert json.loads(entries(data)["manifest.json"])["format"] == "simkit-state"
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {info.compress_type for info in archive.infolist()} == {zipfile.ZIP_DEFLATED}


@pytest.mark.parametrize(
    ("damaged", "words"),
    [
        (lambda: b"", "not a whole zip file"),
        (lambda: packed({}), "lacks manifest.json"),
        (lambda: with_manifest(format="other"), "not a machine's state"),
        (lambda: with_manifest(format="left out"), "not a machine's state"),
        (lambda: with_manifest(version=1), "format version 1; this kit reads version 3"),
        (lambda: with_manifest(version="left out"), "format version None"),
        (lambda: with_manifest(cycle="left out"), "lacks cycle or seed"),
        (lambda: with_manifest(seed="5"), "lacks cycle or seed"),
        (lambda: with_manifest(cycle=1.5), "lacks cycle or seed"),
        (lambda: with_manifest(fingerprint=5), "does not say of which machine it is"),
        (lambda: packed({**entries(pack(state())), "manifest.json": b"{"}), "manifest.json is not JSON"),
        (lambda: packed({**entries(pack(state())), "state.json": b"[" * 100_000}), "state.json is not JSON"),
        (lambda: packed({**entries(pack(state())), "state.json": b"[]"}), "state.json holds no table"),
        (lambda: packed({**entries(pack(state())), "cards/1000.json": b"{}"}), "'cards/1000.json' that names no slot"),
        (lambda: packed({**entries(pack(state())), "cards/01.json": b'{"a": {"$bytes": 0}}'}), "lacks cards/01/0"),
        (lambda: packed({f"e{n}": b"" for n in range(MAX_ENTRIES + 1)}), "holds 4001 entries; 4000 are allowed"),
        (lambda: packed({"big": bytes(MAX_ENTRY_BYTES + 1)}), "unpacks to more than is allowed"),
        (
            lambda: packed({f"e{n}": bytes(MAX_ENTRY_BYTES) for n in range(8)} | {"one": b"1"}),
            "unpacks to more than is allowed",
        ),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) else "",
)
def test_a_file_that_is_none_is_told_in_one_message(damaged, words):
    data = damaged()
    with pytest.raises(SnapshotError, match=words):
        unpack(data)


def test_bounds_are_themselves_allowed():
    assert MAX_TOTAL_BYTES == 8 * MAX_ENTRY_BYTES
    whole = {f"e{n}": bytes(MAX_ENTRY_BYTES) for n in range(7)}
    content = entries(pack(state()))
    rest = MAX_ENTRY_BYTES - sum(map(len, content.values()))
    unpack(packed({**content, **whole, "rest": bytes(rest)}))
    unpack(packed({**content, **{f"e{n}": b"" for n in range(MAX_ENTRIES - len(content))}}))


def test_an_entry_that_is_longer_than_it_says_is_refused():
    data = bytearray(packed({**entries(pack(state())), "blob": b"x" * 1000}))
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as archive:
        at = data.index(b"PK\x01\x02", archive.start_dir)
    while b"blob" not in data[at : at + 60]:
        at = data.index(b"PK\x01\x02", at + 4)
    data[at + 24 : at + 28] = (999).to_bytes(4, "little")  # its size in the directory (APPNOTE.TXT 6.3.10, 4.3.12)
    with pytest.raises(SnapshotError, match="damaged"):
        unpack(bytes(data))
