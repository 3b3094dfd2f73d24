"""What a stranger's code may do besides raising: odd exceptions, threads, streams, Ctrl-C of its own.

Each card is a file of its own, written here.
"""

import os
import subprocess
import sys
import traceback

import pytest

from simkit import CardError, Machine, SimkitError
from simkit.commands.main import main
from tests.bad_cards.machine import MACHINE, PROGRAM

CARD = """
import os, signal, sys, threading, time
from typing import ClassVar
import attrs
from simkit.contract import Card, PlainMemory, Register, setting
from simkit.contract.errors import CardMisuse
{above}
@attrs.frozen(kw_only=True)
class Settings:
    nothing: int = setting(0, help="nothing")

class Stranger(Card):
    kind: ClassVar[str] = "stranger"
    Settings: ClassVar[type] = Settings

    @classmethod
    def registers(cls, settings):
        return tuple(Register(offset, f"r{{offset}}", "rw") for offset in range(4))

    def read(self, offset, cycle):
        return 0
{body}
"""


def folder_of(folder, body="", above=""):
    """A machine's folder with a card whose class goes on with `body`."""
    lines = "".join(f"    {line}\n" for line in body.strip().splitlines())
    (folder / "card.py").write_text(CARD.format(body=lines, above=above))
    rom = bytearray(0x8000)
    rom[: len(PROGRAM)] = PROGRAM
    rom[-6:] = bytes.fromhex("0081 0080 0081")
    (folder / "rom.bin").write_bytes(rom)
    (folder / "machine.toml").write_text(MACHINE.format(cards="card.py", name="Stranger"))
    return folder


def failure_of(folder, engine="exact"):
    """What is told of the card."""
    with pytest.raises(CardError) as raised:
        Machine.load(folder, engine=engine).run(cycles=1_000)
    return raised.value


# exceptions -----------------------------------------------------------------------------------------------------------

ODD = {
    "its class raises": "@property\n        def __class__(self): raise SystemExit(0)",
    "its traceback raises": "@property\n        def __traceback__(self): raise SystemExit(0)",
    "its cause raises": "@property\n        def __cause__(self): raise SystemExit(0)",
    "its attributes raise": "def __getattribute__(self, name): raise SystemExit(0)",
    "its text raises": "def __str__(self): raise SystemExit(0)",
    "its text is Ctrl-C": "def __str__(self): raise KeyboardInterrupt",
    "its text is no text": "def __str__(self): return 5",
    "its notes are none": "__notes__ = 5",
    "it equals nothing": "def __eq__(self, other): raise SystemExit(0)\n        __hash__ = None",
}
BASES = ("BaseException", "CardMisuse", "SyntaxError")


@pytest.mark.parametrize("engine", ["exact", "core"])
@pytest.mark.parametrize("base", BASES)
@pytest.mark.parametrize("odd", ODD)
def test_an_exception_that_cannot_be_looked_at_is_told_and_can_be_printed(tmp_path, odd, base, engine):
    made = "Odd('did', 'do')" if base == "CardMisuse" else "Odd('x')"
    body = f"def read(self, offset, cycle):\n    class Odd({base}):\n        {ODD[odd]}\n    raise {made}"
    error = failure_of(folder_of(tmp_path, body), engine)
    assert "slot 3 (file:card.py:Stranger): read in cycle 12 at $7F00 " in str(error)
    assert str(error.file).endswith("card.py")
    assert "".join(traceback.format_exception(error))
    assert isinstance(error.__cause__, BaseException)


@pytest.mark.parametrize(
    "made",
    [
        "error = SyntaxError('x', (5, 'y', 3, 4))",
        "error = SyntaxError('x'); error.filename, error.lineno = object(), 'a'",
        "error = ValueError('x'); error.__cause__ = error",
        "error = ValueError('x'); error.__context__ = KeyError('y'); error.__context__.__cause__ = error",
    ],
)
def test_an_exception_with_false_contents_is_told_and_can_be_printed(tmp_path, made):
    error = failure_of(folder_of(tmp_path, f"def read(self, offset, cycle):\n    {made}\n    raise error"))
    assert "read in cycle 12 at $7F00 raised " in str(error)
    assert str(error.file).endswith("card.py")
    assert "".join(traceback.format_exception(error))
    seen = set()
    cause = error.__cause__
    while cause is not None:
        assert id(cause) not in seen
        seen.add(id(cause))
        cause = cause.__cause__ or cause.__context__


# what it says of itself -----------------------------------------------------------------------------------------------

NOTHING_GIVEN = ("insert", "power_on", "reset", "advance", "write", "write_late", "event", "outside", "pin_changed")
NOTHING_GIVEN += ("pin_followed", "load", "forget")


@pytest.mark.parametrize("method", NOTHING_GIVEN)
@pytest.mark.parametrize("kind", ["def {}(self, *a):\n    yield", "async def {}(self, *a):\n    pass"])
def test_a_method_that_would_do_nothing_when_it_is_called_is_refused(tmp_path, method, kind):
    error = failure_of(folder_of(tmp_path, kind.format(method)))
    assert f"has `{method}` as a generator or a coroutine" in str(error)


def test_a_card_arms_nothing_before_it_is_plugged_in(tmp_path):
    for call in ("slot.at(5, 'x')", "slot.cancel('x')", "slot.armed('x')"):
        body = f"def __init__(self, settings, slot):\n    super().__init__(settings, slot)\n    {call}"
        error = failure_of(folder_of(tmp_path, body))
        assert "before it was plugged in" in str(error)
        assert "`power_on`" in str(error)


@pytest.mark.parametrize("engine", ["exact", "core"])
@pytest.mark.parametrize("pieces", ["range(1000): slot.memory(1 << 24)", "range(1 << 17): slot.memory(1)"])
def test_a_card_has_so_much_memory_and_no_more(tmp_path, engine, pieces):
    body = f"def __init__(self, settings, slot):\n    super().__init__(settings, slot)\n    for _ in {pieces}"
    error = failure_of(folder_of(tmp_path, body), engine)
    assert "bytes of memory and had " in str(error)


def test_plain_memory_smaller_than_what_the_pins_reach_is_refused(tmp_path):
    for given in ("bytearray(3), None", "None, bytearray(3)"):
        error = failure_of(folder_of(tmp_path, f"def plain_memory(self): return PlainMemory({given})"))
        assert "gave plain memory of 3 bytes, and its address pins reach 4" in str(error)


def test_a_report_without_end_is_refused(tmp_path):
    body = "def write(self, offset, value, cycle): self.slot.report('too-long', cycle, 'x' * 10_000_000)"
    assert "reported 'too-long' in 10000000 characters" in str(failure_of(folder_of(tmp_path, body)))


def test_a_file_card_may_use_what_looks_its_own_module_up(tmp_path):
    above = (
        "from __future__ import annotations\nimport dataclasses\nfrom typing import ClassVar\n"
        "@dataclasses.dataclass\nclass Two:\n    one: int = 1\n    other: ClassVar[int] = 2\n"
    )
    folder = folder_of(tmp_path, "def write(self, offset, value, cycle): assert Two().one == 1")
    text = (folder / "card.py").read_text()
    (folder / "card.py").write_text(above + text)
    Machine.load(folder).run(cycles=100)


def test_settings_without_words_are_listed(tmp_path, monkeypatch, capsys):
    folder = folder_of(tmp_path)
    text = (folder / "card.py").read_text().replace('setting(0, help="nothing")', "0")
    (folder / "card.py").write_text(text)
    monkeypatch.chdir(folder)
    with pytest.raises(SystemExit) as left:
        main(["cards", "file:card.py:Stranger"])
    assert left.value.code == 0
    assert "nothing = 0" in capsys.readouterr().out


def test_a_broken_file_leaves_no_module(tmp_path):
    before = set(sys.modules)
    with pytest.raises(SimkitError, match="division by zero"):
        Machine.load(folder_of(tmp_path, above="1 / 0"))
    assert not {name for name in set(sys.modules) - before if name.startswith("simkit_card_file_")}


# what it does to the process ------------------------------------------------------------------------------------------

LATER = "def event(self, name, cycle): pass\n"
INIT = "def __init__(self, settings, slot):\n    super().__init__(settings, slot)\n"
PROCESSES = {
    "its own KeyboardInterrupt": (
        "def read(self, offset, cycle): raise KeyboardInterrupt",
        3,
        "read in cycle 12 at $7F00",
    ),
    "one while it is made": (INIT + "    raise KeyboardInterrupt", 3, "__init__ raised KeyboardInterrupt"),
    "a thread that stays": (INIT + "    threading.Thread(target=time.sleep, args=(1e5,)).start()", 0, ""),
    "a thread that fails": (
        INIT + "    threading.Thread(target=self.fail).start()\ndef fail(self): raise ValueError('in a thread')",
        3,
        "raised ValueError: in a thread",
    ),
    "standard output closed": ("def write(self, offset, value, cycle): sys.stdout.close()", 74, "cannot be written"),
    "standard output gone": ("def write(self, offset, value, cycle): sys.stdout = None", 74, "cannot be written"),
    "standard error closed": (
        "def write(self, offset, value, cycle):\n    sys.stderr.close()\n    raise ValueError('x')",
        3,
        "raised ValueError: x",
    ),
    "a tracer that leaves": (
        "def write(self, offset, value, cycle): sys.settrace(self.leave)\ndef leave(self, *what): raise SystemExit(0)",
        3,
        "raised SystemExit: 0",
    ),
}


@pytest.mark.parametrize("what", PROCESSES)
def test_what_a_card_does_to_the_process_is_told_of_the_card_and_ends(tmp_path, what):
    body, code, told = PROCESSES[what]
    folder_of(tmp_path, body)
    command = [sys.executable, "-m", "simkit", "run", ".", "--headless", "--for", "3000c"]
    done = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False, env=os.environ
    )
    assert (done.returncode, "Traceback" in done.stderr, "fault in the kit" in done.stderr) == (code, False, False)
    assert told in done.stderr
