"""Bad cards whose answers are none."""

from typing import Any

from simkit.contract import PlainMemory
from tests.bad_cards.kinds.sound import Sound, bad, spoiled

OF_PORTS_AND_PINS = ("pixels", "border", "text", "levels", "tone")
"""What the machine asks there, and not the card."""


class ReprRaises:
    def __repr__(self):
        raise SystemExit(0)


def giving(name, value, *words, suffix, **known):
    """A card one method of which gives a value."""

    def method(self, *arguments):
        return value

    title = f"{name.title().replace('_', '')}Gives{suffix}"
    cls = spoiled(globals(), title, __doc__=f"{name} gives {suffix}.", **{name: method})
    if name == "peek":
        cls.read = lambda self, offset, cycle: 0
    asked = () if name in OF_PORTS_AND_PINS else (f": {name} ",)
    return bad(*asked, *words, **known)(cls)


for suffix, value, told in (
    ("None", None, "gave None"),
    ("MinusOne", -1, "gave -1"),
    ("TooMuch", 256, "gave 256"),
    ("Half", 0.5, "gave 0.5"),
    ("AWholeFloat", 90.0, "gave 90.0"),
    ("AText", "5", "gave '5'"),
    ("WhatHasNoRepr", ReprRaises(), "gave a ReprRaises"),
):
    giving("read", value, told, "which is no byte", "from 0 to 255", suffix=suffix)
giving("peek", None, "gave None, which is no byte", suffix="None")
giving("peek", -1, "gave -1, which is no byte", suffix="MinusOne")
for suffix, value in (
    ("MinusOne", -1),
    ("ForEver", 1 << 40),
    ("Half", 0.5),
    ("None", None),
    ("Infinity", float("inf")),
):
    giving("wait_cycles", value, "which is no delay of an access", suffix=suffix)
for suffix, value in (("Soon", "soon"), ("None", None), ("Half", 0.5), ("NotANumber", float("nan"))):
    giving("steady_until", value, "which is no number of cycles", suffix=suffix)
giving("words", None, "gave None, which is no list of texts", suffix="None")
giving("words", [1], "gave [1], which is no list of texts", suffix="Numbers")
giving("save", [1], "gave [1], which is no table", suffix="AList")
giving("save", {"a": {1, 2}}, "state.a is a set", suffix="ASet")
giving("save", {"a": [0, float("nan")]}, "state.a[1] is a number that JSON does not hold", suffix="NotANumber")
giving("save", {"a": {1: 2}}, "state.a is a table with a name that is no text", suffix="NumbersAsNames")
giving("save", {"a": {"$bytes": 0}}, "stands for bytes", suffix="AFalseBlob")
giving("save", {"a": 1 << 300}, "a whole number of more than 256 bits", suffix="AHugeNumber")
giving("save", {"a": ReprRaises()}, "state.a is a ReprRaises", suffix="AnObject")
giving("plain_memory", [0] * 256, "which is no PlainMemory", suffix="AList", at="class")
giving("plain_memory", PlainMemory(b"", None), "which is no memory", suffix="Nothing", at="class")
giving("plain_memory", PlainMemory(None, memoryview(b"123")), "cannot be written", suffix="ReadOnly", at="class")
giving("rom", "text", "which is no memory", suffix="AText", at="class")
giving("holds_program", "yes", "neither true nor false", suffix="AText")
giving("pixels", b"123", "port 'screen'", "which is no picture of 8 pixels", suffix="TooLittle")
giving("pixels", bytes([0, 1, 2, 0, 0, 0, 0, 0]), "port 'screen'", "a pixel of colour 2", suffix="NoColour")
giving("border", 0, "port 'screen'", "gave 0, which is no border", suffix="AColour")
giving("border", (), "port 'screen'", "gave (), which is no border", suffix="Nothing")
giving("border", (0, 1), "port 'screen'", "gave 0, which is no part of a border", suffix="ABarePair")
giving("border", ((0, 0), (3, "1")), "port 'screen'", "which is no part of a border", suffix="AText")
giving("border", ((0, 2),), "port 'screen'", "a border of colour 2", suffix="NoColour")
giving("border", ((1, 0),), "port 'screen'", "a colour from 1 on", "Here 0 to 0 can stand", suffix="NoBeginning")
giving("border", ((0, 0), (9, 1), (9, 0)), "port 'screen'", "a colour from 9 on", "10 to 23", suffix="TheSamePlace")
giving("border", ((0, 0), (24, 1)), "port 'screen'", "a colour from 24 on", "1 to 23", suffix="BeyondTheEnd")
giving("text", None, "port 'screen'", "gave None, which is no text", suffix="None")
giving("levels", (True,), "port 'lamps'", "which is no row of 2", suffix="TooFew")
giving("tone", 7, "the lazy_level of pin TONE", "which is no level of a pin", suffix="Seven")


@bad("state", "which has no end")
class SavesItself(Sound):
    def save(self, cycle):
        state: dict[str, Any] = {}
        state["again"] = state
        return state


@bad("port 'plug'", "has sent 'A'")
class SendsAText(Sound):
    def power_on(self, cycle):
        self.plug.sent.append("A")


@bad("the lazy_level of pin TONE", "raised ZeroDivisionError")
class ToneRaises(Sound):
    def tone(self, cycle):
        return cycle // 0


@bad("port 'screen'", "the pixels of port", "raised SystemExit")
class ScreenExits(Sound):
    def pixels(self, cycle):
        raise SystemExit(0)
