"""What is read as a recording, and what is refused, with one message each; also recordings of versions before."""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.contract.shapes import StateError
from simkit.machinefile.programs import Program
from simkit.machinefile.tomlplaces import Place as FilePlace
from simkit.outside import recording as recording_module
from simkit.outside.entries import MAX_CYCLE, SHAPES, Entry, Place, entry_of, line_of
from simkit.outside.journal import record
from simkit.outside.player import Player, replay
from simkit.outside.recording import read_recording
from tests.examples import examples

STATE = b"PK"
FIELDS = {
    "input": {"slot": 4, "port": "pads", "action": "press", "arguments": (1, "a")},
    "reset": {"asserted": True},
    "power": {},
    "reload": None,  # filled in below
    "state poke": {"address": 0x300, "value": 7},
    "state registers": {"registers": {"a": 1, "pc": 0x8000, "halted": None}},
    "state loaded": {"cycle": 12, "data": STATE},
    "hash": {"parts": {"cpu": "00ff"}},
    "chapter": {"name": "Level 2", "caption": "*Here* it is.\n\nAt `$7F11`."},
    "end": {"why": None},
}


@pytest.fixture(scope="module")
def marlpit():
    return Machine.load("demo:marlpit", seed=3)


@pytest.fixture(scope="module")
def whole(tmp_path_factory, marlpit):
    """Lines of a recording with every kind of entry but those that load something."""
    path = tmp_path_factory.mktemp("whole") / "whole.rec"
    m = Machine.load("demo:marlpit", seed=3)
    with record(m, path) as journal:
        m.run(cycles=1000)
        m.pads[1].press("a")
        m.reset()
        m.run(cycles=1000)
        m.poke(0x300, 7)
        m.cpu.x = 5
        journal.chapter("Level 2")
        m.power_cycle()
        m.run(cycles=1000)
    return path.read_text().splitlines()


def written(tmp_path, lines):
    path = tmp_path / "a.rec"
    path.write_text("".join(line + "\n" for line in lines))
    return path


def changed(line, **fields):
    """The line with these fields; None takes one away."""
    data = {**json.loads(line), **fields}
    return json.dumps({name: value for name, value in data.items() if value is not ...})


@pytest.mark.parametrize("kind", SHAPES)
def test_what_is_written_is_read_again(kind, marlpit):
    fields = FIELDS[kind]
    if fields is None:
        description = marlpit.description
        fields = {
            "machine": description.name,
            "seed": -5,
            "clock": description.clock_text,
            "fingerprint": marlpit.fingerprint,
            "images": {2: bytes(range(256))},
            "programs": (
                Program(Path("a program of the recording"), 0x200, 1, FilePlace("the recording"), ((0x200, b"\xea"),)),
            ),
            "start": 0x200,
        }
    entry = Entry(kind, Place(3, 77), fields)
    line = line_of(entry)
    assert line.endswith(b"}\n")
    assert b"\n" not in line[:-1]
    again = entry_of(json.loads(line))
    assert (again.kind, again.at) == (entry.kind, entry.at)
    assert {name: dict(value) if isinstance(value, dict) else value for name, value in again.fields.items()} == fields


def test_a_recording_tells_its_machine_its_end_and_its_chapters(tmp_path, whole):
    recording = read_recording(written(tmp_path, whole))
    assert recording.header.machine == "Marlpit"
    assert (recording.header.seed, recording.header.clock) == (3, "2 MHz")
    assert recording.header.fingerprint == Machine.load("demo:marlpit", seed=3).fingerprint
    assert [(chapter.name, chapter.at.power_on) for chapter in recording.chapters] == [("Level 2", 1)]
    assert recording.end.power_on == 2
    assert not recording.cut
    assert recording.why is None
    assert recording.words() == []
    assert recording.as_dict()["chapters"][0]["name"] == "Level 2"
    assert json.dumps(recording.as_dict())
    kinds = [entry.kind for entry in recording.entries()]
    assert kinds == [
        "input", "reset", "reset", "state poke", "state registers", "chapter", "hash", "power", "hash", "end",
    ]  # fmt: skip
    assert str(Place(1, 1234567)) == "cycle 1 234 567"
    assert str(Place(2, 7)) == "cycle 7 of power-on 2"


BAD_LINES = {
    "no JSON": ("{", "no JSON object"),
    "an empty line": ("", "no JSON object"),
    "a list": ("[]", "no JSON object"),
    "nested without end": ("[" * 100_000, "no JSON object"),
    "NaN": ('{"kind":"reset","at":[1,NaN],"asserted":true}', "no JSON object"),
    "a fraction": ('{"kind":"reset","at":[1,5.0],"asserted":true}', "no JSON object"),
    "a number without end": ('{"kind":"reset","at":[1,1e999],"asserted":true}', "no JSON object"),
    "a number of 5000 digits": ('{"kind":"reset","at":[1,' + "9" * 5000 + '],"asserted":true}', "no JSON object"),
    "a name twice": ('{"kind":"reset","at":[1,5],"asserted":true,"asserted":false}', "no JSON object"),
    "no UTF-8": (b'{"kind":"chapter","at":[1,5],"name":"\xff"}', "no JSON object"),
    "no kind": ('{"at":[1,5]}', "kind: is missing"),
    "a kind that is a number": ('{"kind":5,"at":[1,5]}', "kind: 5 is not a text"),
    "no place": ('{"kind":"power"}', "at: is missing"),
    "a place of three": ('{"kind":"power","at":[1,5,6]}', "is not a place"),
    "a cycle that is true": ('{"kind":"power","at":[1,true]}', "at: True is not a whole number"),
    "a power-on that is true": ('{"kind":"power","at":[true,5]}', "at: True is not a whole number"),
    "a negative cycle": ('{"kind":"power","at":[1,-5]}', "at: -5 is not a whole number"),
    "a huge cycle": (f'{{"kind":"power","at":[1,{MAX_CYCLE + 1}]}}', "is not a whole number from 0"),
    "power-on 0": ('{"kind":"power","at":[0,5]}', "at: 0 is not a whole number from 1"),
    "a power-on that jumps": ('{"kind":"power","at":[2,5]}', "at: lies in power-on 2; power-on 1 goes on here"),
    "a field more": ('{"kind":"power","at":[1,5],"why":"so"}', "why: nothing of that name"),
    "what, where it does not belong": ('{"kind":"power","at":[1,5],"what":"poke"}', "what: stands in an entry"),
    "a field less": ('{"kind":"reset","at":[1,5]}', "asserted: is missing"),
    "a reset of 1": ('{"kind":"reset","at":[1,5],"asserted":1}', "asserted: 1 is neither true nor false"),
    "a slot that is true": (
        '{"kind":"input","at":[1,5],"slot":true,"port":"p","action":"a","arguments":[]}', "slot: True is not"),
    "an argument that is a list": (
        '{"kind":"input","at":[1,5],"slot":4,"port":"p","action":"a","arguments":[[]]}', "arguments: "),
    "nine arguments": (
        '{"kind":"input","at":[1,5],"slot":4,"port":"p","action":"a","arguments":[1,2,3,4,5,6,7,8,9]}', "has 9"),
    "half a character": (
        '{"kind":"input","at":[1,5],"slot":4,"port":"\\ud800","action":"a","arguments":[]}', "half a character"),
    "a long text": (
        '{"kind":"input","at":[1,5],"slot":4,"port":"' + "p" * 1001 + '","action":"a","arguments":[]}', "has 1001"),
    "an address too high": ('{"kind":"state","what":"poke","at":[1,5],"address":65536,"value":0}', "address: 65536"),
    "a register that is none": (
        '{"kind":"state","what":"registers","at":[1,5],"registers":{"b":1}}', "registers.b: nothing of that name"),
    "a register too large": (
        '{"kind":"state","what":"registers","at":[1,5],"registers":{"a":256}}', "registers.a: 256 is not"),
    "no registers": ('{"kind":"state","what":"registers","at":[1,5],"registers":{}}', "not a table of registers"),
    "the cycle as register": ('{"kind":"state","what":"registers","at":[1,5],"registers":{"cycle":1}}', "cycle"),
    "a state that is no base64": (
        '{"kind":"state","what":"loaded","at":[1,5],"cycle":1,"data":"*"}', "data: is not base64"),
    "images for no slot": (None, "is not the number of a slot"),
    "a hash that is no text": ('{"kind":"hash","at":[1,5],"parts":{"cpu":1}}', "parts.cpu: 1 is not a text"),
    "a chapter without name": ('{"kind":"chapter","at":[1,5],"name":" "}', "name: is no name"),
    "a chapter of two lines": ('{"kind":"chapter","at":[1,5],"name":"a\\nb"}', "name: holds characters that cannot be"),
    "a chapter that turns the line round": ('{"kind":"chapter","at":[1,5],"name":"\\u202eab"}', "name: holds char"),
    "an end that rings the bell": ('{"kind":"end","at":[1,5],"why":"\\u0007"}', "why: holds characters"),
    "a part that paints": ('{"kind":"hash","at":[1,5],"parts":{"\\u001b[31m":"a"}}', "parts: holds characters"),
    "a halt that paints": (
        '{"kind":"state","what":"registers","at":[1,5],"registers":{"halted":"\\u001b[31m"}}', "halted: holds"),
    "an end without why": ('{"kind":"end","at":[1,5]}', "why: is missing"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD_LINES)
def test_a_damaged_line_is_refused_with_its_number_and_what_is_wrong(tmp_path, whole, marlpit, name):
    line, message = BAD_LINES[name]
    if line is None:
        fingerprint = marlpit.fingerprint.to_data()
        fields = {"machine": "m", "seed": 1, "clock": "2 MHz", "fingerprint": fingerprint, "images": {"two": ""}}
        line = json.dumps({"kind": "reload", "at": [1, 5], **fields})
    path = tmp_path / "a.rec"
    path.write_bytes(whole[0].encode() + b"\n" + (line if isinstance(line, bytes) else line.encode()) + b"\n")
    with pytest.raises(SimkitError, match="The recording is damaged") as told:
        read_recording(path)
    assert message in told.value.message
    assert (told.value.file, told.value.line) == (str(path), 2)
    assert told.value.remedy


def test_a_place_before_the_last_is_refused(tmp_path, whole):
    lines = [
        whole[0],
        *(changed(whole[-1], kind="reset", asserted=True, why=..., at=[1, cycle]) for cycle in (9, 9, 8)),
    ]
    with pytest.raises(SimkitError, match=r"damaged: at: lies in cycle 8, before the one before, 9\.") as told:
        read_recording(written(tmp_path, lines))
    assert told.value.line == 4


@pytest.mark.parametrize("kind", ["end", "chapter", "power"])
def test_a_place_hours_behind_the_last_is_refused_as_no_run_writes_one(tmp_path, whole, kind):
    fields = {"end": {"why": None}, "chapter": {"name": "a", "why": ...}, "power": {"why": ...}}[kind]
    for cycle, refused in ((3600 * 2_000_000, False), (3600 * 2_000_000 + 1, True), (1 << 48, True)):
        path = written(tmp_path, [whole[0], changed(whole[-1], kind=kind, at=[1, cycle], **fields)])
        if refused:
            with pytest.raises(SimkitError, match="hours behind the one before"):
                read_recording(path)
        else:
            read_recording(path)


def test_nothing_stands_behind_the_end(tmp_path, whole):
    for more in (whole[1], "{"):
        with pytest.raises(SimkitError, match="something stands behind the end"):
            read_recording(written(tmp_path, [*whole, more]))
    path = written(tmp_path, whole)
    path.write_bytes(path.read_bytes() + b"{")
    with pytest.raises(SimkitError, match="something stands behind the end"):
        read_recording(path)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('{"kind":"wish","at":[1,5]}', "holds an entry of the kind 'wish', which this kit does not know"),
        ('{"kind":"fault","at":[1,5],"fault":"…"}', "holds a fault put in, which this kit does not play yet"),
        ('{"kind":"state","what":"mood","at":[1,5]}', "holds a state changed by 'mood', which this kit does not know"),
        ('{"kind":"state","what":"fault","at":[1,5]}', "holds a fault put in, which this kit does not play yet"),
    ],
)
def test_what_is_not_known_is_refused_by_its_name(tmp_path, whole, line, message):
    with pytest.raises(SimkitError, match=message) as told:
        read_recording(written(tmp_path, [whole[0], line]))
    assert told.value.line == 2


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"version": 5}, "has format version 5; this kit reads versions 1 to 4"),
        ({"version": True}, "has format version True"),
        ({"version": "3"}, "has format version 3"),
        ({"version": ...}, "has format version None"),
        ({"format": "other"}, "The file is no recording"),
        ({"machine": 5}, "damaged: machine: 5 is not a text"),
        ({"seed": True}, "damaged: seed: True is not"),
        ({"seed": ...}, "damaged: seed: is missing"),
        ({"clock": "fast"}, "damaged: clock: 'fast' is not a clock"),
        ({"clock": "2 MHz" + " " * 2000}, "damaged: clock: has 2005 characters"),
        ({"fingerprint": {}}, "damaged: fingerprint: does not say of which machine it is"),
        ({"state_version": 0}, "damaged: state_version: 0 is not"),
        ({"colour": "green"}, "damaged: colour: nothing of that name"),
    ],
)
def test_a_header_is_checked_field_by_field(tmp_path, whole, fields, message):
    with pytest.raises(SimkitError, match=message):
        read_recording(written(tmp_path, [changed(whole[0], **fields), *whole[1:]]))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "The recording is empty"),
        (b"\n", "The file is no recording"),
        (b"root:x:0:0:root:/root:/bin/sh\n", "The file is no recording"),
        (b"\0" * 1000, "The file is no recording"),
        (b'{"format":"simkit-recording","vers', "cut off within its first line"),
        (b'{"format":"simkit-coverage","version":1}\n', "The file is no recording"),
        (b"[" * 100_000, "The file is no recording"),
        (b"\xff\xfe{\0", "The file is no recording"),
    ],
)
def test_another_file_is_no_recording_and_not_a_word_of_it_is_told(tmp_path, content, message):
    path = tmp_path / "a.rec"
    path.write_bytes(content)
    with pytest.raises(SimkitError, match=message) as told:
        read_recording(path)
    assert "root:x" not in str(told.value)


def test_folders_pipes_and_what_is_not_there_are_told(tmp_path):
    with pytest.raises(SimkitError, match="There is no recording"):
        read_recording(tmp_path / "no.rec")
    with pytest.raises(SimkitError, match="is a folder"):
        read_recording(tmp_path)


def test_one_limit_holds_for_writing_and_for_reading(tmp_path, whole, monkeypatch):
    monkeypatch.setattr(recording_module, "MAX_ENTRIES", len(whole) - 2)
    with pytest.raises(SimkitError, match=f"holds more than {len(whole) - 2} entries"):
        read_recording(written(tmp_path, whole))
    monkeypatch.setattr(recording_module, "MAX_ENTRIES", len(whole) - 1)
    read_recording(written(tmp_path, whole))
    monkeypatch.setattr(recording_module, "MAX_FILE_BYTES", 100)
    with pytest.raises(SimkitError, match="100 are allowed"):
        read_recording(written(tmp_path, whole))
    monkeypatch.undo()
    monkeypatch.setattr(recording_module, "MAX_LINE_BYTES", 600)
    with pytest.raises(SimkitError, match="600 are allowed"):
        read_recording(written(tmp_path, [*whole[:-1], changed(whole[-1], why="w" * 900)]))


def test_what_no_reader_takes_no_writer_writes():
    for kind, fields in {
        "input": {**FIELDS["input"], "arguments": (1.5,)},
        "state poke": {"address": -1, "value": 0},
        "chapter": {"name": "a\nb"},
        "end": {"why": "w" * 1001},
    }.items():
        with pytest.raises(StateError):
            line_of(Entry(kind, Place(1, 5), fields))
    with pytest.raises(StateError, match="makes a line of"):
        line_of(Entry("state loaded", Place(1, 5), {"cycle": 0, "data": bytes(7_000_000)}))
    with pytest.raises(StateError):
        line_of(Entry("power", Place(1, MAX_CYCLE + 1)))


# recordings of versions before --------------------------------------------------------------------------------------

OLD = {
    "format": "simkit-recording", "version": 2, "machine": "Marlpit",
    "fingerprint": {"parts": {}, "models": {}},
    "end": 9000,
    "events": [[1, 4, "pads", "press", [1, "a"]], [3, 4, "pads", "release", [1, "a"]],
               [30, -1, "machine", "reset", [True]], [40, -1, "machine", "reset", [False]]],
}  # fmt: skip
FIRST = {**{name: value for name, value in OLD.items() if name != "fingerprint"}, "version": 1, "identity": "00ff"}


@pytest.mark.parametrize("old", [OLD, FIRST], ids=["version 2", "version 1"])
@pytest.mark.parametrize("form", [{"separators": (",", ":")}, {"indent": 2}])
def test_a_recording_of_a_version_before_is_read_and_played(tmp_path, old, form):
    path = tmp_path / "old.rec"
    path.write_text(json.dumps(old, **form) + "\n")
    recording = read_recording(path)
    assert (recording.version, recording.end, recording.cut) == (old["version"], Place(1, 9000), False)
    assert [entry.kind for entry in recording.entries()] == ["input", "input", "reset", "reset", "end"]
    player = replay(Machine.load("demo:marlpit"), path)
    assert player.compared == 0
    (note,) = player.notes
    assert ("nothing can be compared" if old is FIRST else "These differ: ") in note
    expected = Machine.load("demo:marlpit")
    for cycle, slot, port, action, arguments in old["events"]:
        expected.outside(slot, port, action, *arguments, at=cycle)
    expected.run(cycles=9000)
    assert player.machine.state_hashes() == expected.state_hashes()


def test_a_recording_of_version_2_of_the_same_machine_plays_without_a_word(tmp_path):
    machine = Machine.load("demo:marlpit")
    path = tmp_path / "old.rec"
    path.write_text(json.dumps({**OLD, "fingerprint": machine.fingerprint.to_data()}))
    assert Player(machine, read_recording(path)).notes == []


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"end": -1}, "end: -1 is not a whole number"),
        ({"end": True}, "end: True is not a whole number"),
        ({"end": "soon"}, "end: 'soon' is not a whole number"),
        ({"end": 2}, "at: lies in cycle 2, before the one before, 40"),
        ({"end": 1 << 60}, "is not a whole number"),
        ({"end": ...}, "end: is missing"),
        ({"events": {}}, "events: {} is not a list"),
        ({"events": [[5, 4, "pads", "press"]]}, r"events\[0\]: has 4 entries"),
        ({"events": [[-5, 4, "pads", "press", []]]}, r"events\[0\]\[0\]: -5"),
        ({"events": [[True, 4, "pads", "press", []]]}, r"events\[0\]\[0\]: True"),
        ({"events": [[5, False, "pads", "press", []]]}, r"events\[0\]\[1\]: False"),
        ({"events": [[5, 4, "pads", "press", [[]]]]}, r"events\[0\]\[4\]"),
        ({"events": [[5, 4, "pads", "press", []], [3, 4, "pads", "press", []]]}, "cycle 3, before the one before, 5"),
        ({"machine": None}, "machine: None is not a text"),
        ({"fingerprint": 5}, "fingerprint: does not say"),
        ({"more": 5}, "more: nothing of that name"),
        ({"version": 1}, "identity: is missing"),
    ],
)
def test_an_old_recording_is_checked_field_by_field(tmp_path, fields, message):
    path = tmp_path / "old.rec"
    path.write_text(changed(json.dumps(OLD), **fields))
    with pytest.raises(SimkitError, match=message):
        read_recording(path)


# whatever is in a file ----------------------------------------------------------------------------------------------

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from(["poke", "power"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip


@given(data=st.data())
@settings(max_examples=examples(120), deadline=None)
def test_whatever_becomes_of_a_recording_nothing_but_one_error_is_raised(tmp_path_factory, whole, data):
    """Fields exchanged, taken away, put in; lines doubled, moved, cut, spoiled byte by byte."""
    lines = list(whole)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        change = data.draw(st.sampled_from(["field", "more", "less", "double", "drop", "move", "bytes"]))
        try:
            fields = json.loads(lines[at])
        except ValueError:
            continue
        name = data.draw(st.sampled_from(sorted(fields))) if isinstance(fields, dict) and fields else ""
        if change == "field" and name:
            lines[at] = json.dumps({**fields, name: data.draw(VALUES)})
        elif change == "more" and name:
            lines[at] = json.dumps({**fields, data.draw(st.text(max_size=5)): data.draw(VALUES)})
        elif change == "less" and name:
            del fields[name]
            lines[at] = json.dumps(fields)
        elif change == "double":
            lines.insert(at, lines[at])
        elif change == "drop" and len(lines) > 1:
            del lines[at]
        elif change == "move":
            lines.insert(data.draw(st.integers(0, len(lines) - 1)), lines.pop(at))
        elif change == "bytes" and lines[at]:
            spot = data.draw(st.integers(0, len(lines[at]) - 1))
            lines[at] = lines[at][:spot] + data.draw(st.text(max_size=3)) + lines[at][spot + 1 :]
    content = "".join(line + "\n" for line in lines).encode("utf-8", "surrogatepass")
    path = tmp_path_factory.getbasetemp() / "fuzzed.rec"
    path.write_bytes(content[: len(content) - data.draw(st.integers(0, 3))])
    try:
        recording = read_recording(path)
        player = Player(Machine.load("demo:marlpit", seed=3), recording)
        while player.played < 20_000 and not player.ended:
            player.run(20_000)
        assert all(isinstance(note, str) for note in player.notes)
        json.dumps(recording.as_dict())
    except SimkitError:
        pass


@given(content=st.binary(max_size=300) | st.text(max_size=100).map(lambda text: text.encode("utf-8", "surrogatepass")))
@settings(max_examples=examples(120), deadline=None)
def test_any_bytes_are_a_recording_or_one_error(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "any.rec"
    path.write_bytes(content)
    with pytest.raises(SimkitError):
        read_recording(path)


def test_recordings_of_before_captions_are_read_and_played_as_they_were(tmp_path):
    """Version 3 had no captions; everything else is as it was."""
    machine, path = Machine.load("demo:marlpit"), tmp_path / "a.rec"
    with record(machine, path) as journal:
        machine.run(cycles=1000)
        journal.chapter("One")
        machine.run(cycles=1000)
    text = path.read_text()
    assert text.count('"version":4') == 1
    path.write_text(text.replace('"version":4', '"version":3').replace(',"caption":""', ""))
    found = read_recording(path)
    assert found.version == 3
    assert [(chapter.name, chapter.caption) for chapter in found.chapters] == [("One", "")]
    assert replay(Machine.load("demo:marlpit"), path).compared >= 1
