"""State as data: what is saved, what is taken back, and with which words the rest is refused."""

import json
from collections import deque
from enum import IntFlag

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract import (
    BIT,
    BUFFER,
    BYTE,
    COUNT,
    CYCLE,
    FLAG,
    FURTHEST,
    MERGED,
    MOMENT,
    NEVER,
    PART,
    TEXT,
    WORD,
    Card,
    SimkitError,
    StateError,
    blob,
    choice,
    load_data,
    many,
    optional,
    record,
    remembers,
    row,
    saved,
    table,
    to_data,
    whole,
)
from simkit.contract.events import EVENTS
from simkit.contract.findings import FINDINGS


class Lamp(IntFlag):
    RED = 1
    GREEN = 2


@attrs.define(eq=False)
class Hand:
    """Made with a setting that is not saved."""

    _length: int
    angle: int = saved(whole(0, 359), 90)
    _beats: list[int] = saved(many(CYCLE), [])

    def check_state(self):
        if len(self._beats) > self._length:
            raise StateError("beats", f"are more than {self._length}")


@attrs.define(eq=False)
class Spring:
    """Stands in the state of the clock as if it were no part."""

    _turns: int = saved(BYTE, 3)
    worn: bool = saved(FLAG, False)
    lost: int = saved(BYTE, 2, only=("worn", True))

    def check_state(self):
        if self.worn and self._turns > 100:
            raise StateError("turns", "break a worn spring")


@remembers
class Clock:
    """One attribute of each kind."""

    hand: Hand = saved(PART)
    _chimes: bool = saved(FLAG, False)
    _spring: Spring = saved(MERGED)
    _memory: bytearray = saved(BUFFER)
    _alarm: int | None = saved(optional(CYCLE), None)
    _frame: tuple[int, bool] = saved(row(MOMENT, FLAG), (-3, True))
    _ring: deque[int] = saved(many(BYTE, 2).into(lambda values: deque(values, maxlen=2)), None)
    _keys: set[int] = saved(many(BYTE).into(set), {9, 1})
    _times: dict[str, int] = saved(table(CYCLE, ("tick", "tock")), {})
    _lamps: Lamp = saved(whole(0, 3).into(Lamp, int), Lamp.RED)
    _hours: int = saved(BYTE, 1, within="face")
    _minutes: int = saved(BYTE, 2, within="face")
    _mode: str = saved(choice("stands", "runs"), "runs", name="state")
    _count: int = saved(COUNT, 5, only=("_chimes", False))
    _melody: bytes = saved(blob(), b"", only=("_chimes", True))
    unsaved = 0

    def __init__(self, hand_length=3):
        self.__attrs_init__()
        self.hand = Hand(hand_length)
        self._spring = Spring()
        self._memory = bytearray(b"abc")
        self._ring = deque((7, 8), maxlen=2)
        self.refreshed = 0

    def check_state(self):
        if self._alarm == self.hand.angle:
            raise StateError("alarm", "stands where the hand is")


PLAIN = {
    "hand": {"angle": 90, "beats": []},
    "chimes": False,
    "turns": 3,
    "worn": False,
    "memory": b"abc",
    "alarm": None,
    "frame": [-3, True],
    "ring": [7, 8],
    "keys": [1, 9],
    "times": {},
    "lamps": 1,
    "face": [1, 2],
    "state": "runs",
    "count": 5,
}


def test_what_is_saved_is_json_and_bytes_under_names_without_underscore():
    data = to_data(Clock())
    assert data == PLAIN
    assert list(data) == list(PLAIN), "in the order of the class"
    assert type(data["lamps"]) is int
    json.dumps({**data, "memory": ""})


def test_an_object_takes_back_all_of_it_and_keeps_its_parts_and_buffers():
    clock = Clock()
    hand, spring, memory = clock.hand, clock._spring, clock._memory
    load_data(
        clock,
        {
            **PLAIN,
            "hand": {"angle": 10, "beats": [4, NEVER]},
            "turns": 7,
            "worn": True,
            "lost": 9,
            "memory": bytearray(b"xyz"),
            "alarm": 3,
            "frame": (-FURTHEST, False),
            "ring": [1, 2],
            "keys": [5],
            "times": {"tock": 6},
            "lamps": 3,
            "face": [11, 12],
            "state": "stands",
            "count": 0,
        },
    )
    assert clock.hand is hand
    assert (hand.angle, hand._beats) == (10, [4, NEVER])
    assert clock._spring is spring
    assert (spring._turns, spring.worn, spring.lost) == (7, True, 9)
    assert clock._memory is memory
    assert memory == b"xyz"
    assert (clock._alarm, clock._frame, clock._ring.maxlen) == (3, (-FURTHEST, False), 2)
    assert (list(clock._ring), clock._keys, clock._times) == ([1, 2], {5}, {"tock": 6})
    assert clock._lamps is Lamp.RED | Lamp.GREEN
    assert (clock._hours, clock._minutes, clock._mode, clock._count) == (11, 12, "stands", 0)


def test_saved_data_are_no_window_into_the_object():
    clock = Clock()
    data = to_data(clock)
    clock._memory[0] = 0
    clock._keys.add(3)
    clock.hand._beats.append(1)
    assert data == PLAIN


def test_defaults_are_each_objects_own():
    first, second = Clock(), Clock()
    first._keys.add(77)
    first.hand._beats.append(1)
    assert to_data(second) == PLAIN


def test_an_attribute_saved_only_while_a_flag_stands_so_is_asked_for_only_then():
    clock = Clock()
    tuneful = {**PLAIN, "chimes": True, "melody": b"cde"}
    del tuneful["count"]
    load_data(clock, tuneful)
    assert to_data(clock) == tuneful
    assert clock._count == 5, "left as it was"
    unfit = (({**tuneful, "count": 1}, "count"), ({**PLAIN, "chimes": True}, "melody"), ({**PLAIN, "lost": 1}, "lost"))
    for wrong, field in unfit:
        with pytest.raises(StateError) as refused:
            load_data(clock, wrong)
        assert refused.value.field == field


REFUSED = [
    ({"hand": None}, "hand: None is not a table"),
    ({"hand": {"angle": 360, "beats": []}}, "hand.angle: 360 is not a whole number from 0 to 359"),
    ({"hand": {"angle": 0}}, "hand.beats: is missing"),
    ({"hand": {"angle": 0, "beats": [1, -1]}}, f"hand.beats[1]: -1 is not a whole number from 0 to {FURTHEST}"),
    ({"hand": {"angle": 0, "beats": [1, 2, 3, 4]}}, "hand.beats: are more than 3"),
    ({"chimes": 0}, "chimes: 0 is neither true nor false"),
    ({"turns": 256}, "turns: 256 is not a whole number from 0 to 255"),
    ({"turns": 101, "worn": True, "lost": 0}, "turns: break a worn spring"),
    ({"worn": True}, "lost: is missing"),
    ({"spring": {"turns": 3}}, "spring: nothing of that name is saved. Did you mean 'ring'?"),
    ({"memory": b"ab"}, "memory: has 2 bytes, not 3"),
    ({"memory": [1, 2, 3]}, "memory: [1, 2, 3] is not bytes"),
    ({"alarm": True}, f"alarm: True is not a whole number from 0 to {FURTHEST}"),
    ({"alarm": 1}, "alarm: stands where the hand is"),
    ({"frame": [1]}, "frame: has 1 entries, not 2"),
    ({"frame": [1, None]}, "frame[1]: None is neither true nor false"),
    ({"ring": [1]}, "ring: has 1 entries, not 2"),
    ({"keys": "abc"}, "keys: 'abc' is not a list"),
    ({"keys": [1.0]}, "keys[0]: 1.0 is not a whole number from 0 to 255"),
    ({"times": {"tick": 1, "tack": 2}}, "times.tack: nothing of that name can stand here"),
    ({"times": {"tick": None}}, f"times.tick: None is not a whole number from 0 to {FURTHEST}"),
    ({"lamps": 4}, "lamps: 4 is not a whole number from 0 to 3"),
    ({"face": [1]}, "face: has 1 entries, not 2"),
    ({"face": [1, 256]}, "face[1]: 256 is not a whole number from 0 to 255"),
    ({"state": "walks"}, "state: 'walks' is not one of 'runs', 'stands'"),
    ({"state": ["runs"]}, "state: ['runs'] is not one of 'runs', 'stands'"),
    ({"count": None}, f"count: None is not a whole number from 0 to {FURTHEST}"),
    ({"tics": 1}, "tics: nothing of that name is saved. Did you mean 'times'?"),
    ({"hand": "x" * 100}, "hand: '" + "x" * 39 + "… is not a table"),
]


@pytest.mark.parametrize(
    ("damage", "words"), REFUSED, ids=[words.split(" ")[0] + str(n) for n, (_, words) in enumerate(REFUSED)]
)
def test_what_cannot_be_is_refused_in_words_and_nothing_changes(damage, words):
    clock = Clock()
    other = {"hand": {"angle": 1, "beats": []}, "turns": 90, "memory": b"new", "face": [7, 7], "count": 9}
    with pytest.raises(StateError) as refused:
        load_data(clock, {**PLAIN, **other, "alarm": 1000, **damage})
    assert str(refused.value) == words
    assert words.startswith(f"{refused.value.field}: ")
    assert to_data(clock) == PLAIN


@pytest.mark.parametrize("name", PLAIN)
def test_each_missing_name_is_told(name):
    clock = Clock()
    with pytest.raises(StateError) as refused:
        load_data(clock, {key: value for key, value in PLAIN.items() if key != name})
    assert str(refused.value) == f"{name}: is missing"


@pytest.mark.parametrize("data", [None, [], "x", 5])
def test_a_state_that_is_no_table_at_all_is_refused(data):
    for also in ({}, {"more": BYTE}):
        with pytest.raises(StateError, match="is not a table"):
            load_data(Clock(), data, **also)


def test_what_a_card_puts_together_itself_is_checked_with_the_rest():
    clock = Clock()
    more = {**PLAIN, "count": 6, "queue": b"12", "words": ["a"]}
    shapes = {"queue": blob(), "words": many(TEXT)}
    assert load_data(clock, more, **shapes) == {"queue": b"12", "words": ["a"]}
    assert clock._count == 6
    for damage, words in (
        ({"queue": 5}, "queue: 5 is not bytes"),
        ({"words": [None]}, "words[0]: None is not a text"),
        ({"wards": 1}, "wards: nothing of that name is saved"),
    ):
        with pytest.raises(StateError, match=words.replace("[", r"\[")):
            load_data(clock, {**more, "count": 1, **damage}, **shapes)
    with pytest.raises(StateError, match="queue: is missing"):
        load_data(clock, {**PLAIN, "count": 1, "words": []}, **shapes)
    assert clock._count == 6


def test_a_record_by_itself_checks_every_name():
    shape = record(a=BIT, b=record(c=WORD))
    assert shape.take({"a": 1, "b": {"c": 0xFFFF}}) == {"a": 1, "b": {"c": 0xFFFF}}
    assert shape.data({"a": 0, "b": {"c": 2}}) == {"a": 0, "b": {"c": 2}}
    for data, field in (({"a": 2, "b": {"c": 0}}, "a"), ({"a": 1, "b": {"c": -1}}, "b.c"), ({"a": 1, "b": {}}, "b.c")):
        with pytest.raises(StateError) as refused:
            shape.take(data)
        assert refused.value.field == field


@pytest.mark.parametrize("shapes", [(BYTE, many(BYTE)), (many(BYTE), BYTE), (many(BYTE), many(BYTE)), (BYTE, BYTE)])
def test_each_value_of_a_row_is_saved_by_its_own_shape(shapes):
    kept = tuple({3, 1, 2} if shape is not BYTE else 7 for shape in shapes)
    assert row(*shapes).data(kept) == [[1, 2, 3] if shape is not BYTE else 7 for shape in shapes]


@given(
    angle=st.integers(0, 359),
    beats=st.lists(st.integers(0, NEVER), max_size=3),
    memory=st.binary(min_size=3, max_size=3),
    alarm=st.none() | st.integers(400, NEVER),
    frame=st.tuples(st.integers(-FURTHEST, FURTHEST), st.booleans()),
    keys=st.sets(st.integers(0, 255)),
    times=st.dictionaries(st.sampled_from(["tick", "tock"]), st.integers(0, NEVER)),
    lamps=st.integers(0, 3),
)
def test_whatever_an_object_remembers_comes_back_through_json(angle, beats, memory, alarm, frame, keys, times, lamps):
    clock, copy = Clock(), Clock()
    clock.hand.angle, clock.hand._beats = angle, beats
    clock._memory[:] = memory
    clock._alarm, clock._frame, clock._keys, clock._times, clock._lamps = alarm, frame, keys, times, Lamp(lamps)
    data = to_data(clock)
    through = json.loads(json.dumps({**data, "memory": memory.hex()}))
    load_data(copy, {**through, "memory": bytes.fromhex(through["memory"])})
    assert to_data(copy) == data
    assert (copy._frame, copy._keys, copy._lamps) == (frame, keys, Lamp(lamps))
    assert copy.refreshed == 0


def test_a_card_begins_with_its_defaults_saves_itself_up_to_date_and_takes_itself_back():
    @remembers
    class Bell(Card):
        _rung: int = saved(COUNT, 0)
        _seen: int = saved(CYCLE, 0)
        _class: int = saved(BYTE, 4)

        def advance(self, cycle):
            self._seen = cycle

    bell = Bell(None, None)
    assert bell.save(12) == {"rung": 0, "seen": 12, "class": 4}
    bell.load({"rung": 3, "seen": 5, "class": 1})
    assert (bell._rung, bell._seen, bell._class) == (3, 5, 1)
    with pytest.raises(StateError, match="rung: is missing"):
        bell.load({"seen": 5, "class": 1})


def test_a_card_without_saved_attributes_remembers_nothing_and_takes_nothing():
    card = Card(None, None)
    assert card.save(0) == {}
    card.load({})
    with pytest.raises(StateError, match="nothing of that name is saved"):
        card.load({"count": 1})


def test_parts_and_buffers_are_no_shapes_of_values():
    for shape in (PART, MERGED, BUFFER):
        with pytest.raises(TypeError, match="attributes alone"):
            many(shape).take([b""])


@pytest.mark.parametrize("name", ["turns", "worn"])
def test_a_name_that_a_merged_part_and_another_save_under_is_told_and_nothing_is_lost(name):
    @remembers
    class Doubled:
        _first: Spring = saved(MERGED)
        _other: int = saved(BYTE, 1, name=name)

        def __init__(self):
            self.__attrs_init__()
            self._first = Spring()

    with pytest.raises(SimkitError, match="Parts of Doubled save different things under one name") as refused:
        to_data(Doubled())
    assert "name=" in refused.value.remedy


def test_saved_attributes_that_nothing_remembers_are_told_at_once():
    class Forgetful(Card):
        _count: int = saved(COUNT, 0)

    @remembers
    class Sound(Card):
        _count: int = saved(COUNT, 0)

    class Heir(Sound):
        _more: int = saved(COUNT, 0)

    for card, name, attribute in ((Forgetful, "Forgetful", "_count"), (Heir, "Heir", "_more")):
        with pytest.raises(SimkitError, match=f"class {name} has saved attributes \\({attribute}\\)") as refused:
            card(None, None)
        assert "@remembers" in refused.value.remedy
    heir = type("Plain", (Sound,), {})(None, None)
    assert heir.save(0) == {"count": 0}


@pytest.mark.parametrize(
    ("taken", "low", "high"),
    [
        (BIT.take, 0, 1),
        (BYTE.take, 0, 255),
        (WORD.take, 0, 65_535),
        (CYCLE.take, 0, 1 << 62),
        (COUNT.take, 0, 1 << 62),
        (MOMENT.take, -(1 << 62), 1 << 62),
        (whole(-1, 7).take, -1, 7),
        (lambda n: EVENTS.take([[n, 1, "move"]]), 0, 1 << 62),
        (lambda n: EVENTS.take([[1, n, "move"]]), 0, 1 << 62),
        (lambda n: FINDINGS.take({"kept": [], "counts": [["rule", n, 1]]}), 0, 1 << 62),
        (lambda n: FINDINGS.take({"kept": [], "counts": [["rule", 1, n]]}), 1, 1 << 62),
        (lambda n: FINDINGS.take({"kept": [["rule", 1, n, 1, "words", None]], "counts": []}), 0, 1 << 62),
        (lambda n: FINDINGS.take({"kept": [["rule", 1, 1, 1, "words", n]], "counts": []}), 0, 0xFFFF),
    ],
)
def test_a_number_is_taken_from_its_lowest_to_its_highest_and_no_farther(taken, low, high):
    for number in (low, low + 1, high - 1, high):
        taken(number)
    for number in (low - 1, high + 1, float(low), bool(low)):
        with pytest.raises(StateError, match=f"is not a whole number from {low} to {high}"):
            taken(number)
