"""Bad cards that raise."""

import asyncio

from simkit.contract import SimkitError
from tests.bad_cards.kinds.sound import Sound, bad, spoiled


def raising(name, error, *words, **known):
    """A card one method of which raises."""

    def method(self, *arguments):
        raise error

    title = f"{name.strip('_').title().replace('_', '')}Raises{type(error).__name__}"
    cls = spoiled(globals(), title, __doc__=f"{name} raises.", **{name: method})
    told = f"raised {type(error).__name__}"
    if name == "peek":
        cls.read = lambda self, offset, cycle: 0
    return bad(f": {name} ", told, *words, **known)(cls)


class OwnBase(BaseException):
    pass


class TextRaisesError(Exception):
    def __str__(self):
        raise RuntimeError("no text")


for method in ("power_on", "reset", "event", "read", "write", "pin_changed", "outside", "advance", "words", "save"):
    raising(method, ValueError(f"{method} went wrong"), f"{method} went wrong")
    raising(method, SystemExit(0))
raising("peek", ValueError("x"))
raising("steady_until", ValueError("x"))
raising("wait_cycles", ValueError("x"))
raising("write_late", ValueError("x"), only="core")
raising("load", SystemExit(0))
raising("plain_memory", ValueError("x"), at="class")
raising("rom", SystemExit(0), at="class")
raising("holds_program", SystemExit(0))
raising("__init__", ValueError("x"), at="class")
raising("__init__", SystemExit(0), at="class")
raising("read", GeneratorExit())
raising("read", StopIteration())
raising("read", asyncio.CancelledError())
raising("read", RecursionError())
raising("read", MemoryError())
raising("read", OwnBase("own"), "own")
raising("read", TextRaisesError(), "whose text raises RuntimeError")
raising("read", SimkitError("The program reads nothing here.", remedy="Correct the program."), "Correct the program.")
raising("event", GeneratorExit())
raising("write", SimkitError("The program is wrong."))


@bad("raised KeyError", "…")
class SpeaksForEver(Sound):
    def read(self, offset, cycle):
        raise KeyError("x" * 1_000_000)


@bad(": read in cycle ", "raised RecursionError")
class CallsItself(Sound):
    def read(self, offset, cycle):
        return self.read(offset, cycle)


@bad(": load refused what save had given a moment before: ValueError('no')")
class TakesNothingBack(Sound):
    def load(self, state):
        raise ValueError("no")
