"""`simkit new card`: a card of one's own, as a file beside a machine or as a package for everybody."""

from __future__ import annotations

import keyword
import os
import re
import shlex
from pathlib import Path
from typing import Annotated

import typer

from simkit.commands.options import ForceOption, JsonOption, help_text
from simkit.commands.say import say, say_json, say_notes
from simkit.contract import SimkitError
from simkit.files.whole import Written, write_together
from simkit.machinefile.catalogue import entries

HELP = help_text(
    "Write a card that works at once, to be changed into yours: a Python file to stand beside a machine file, "
    "or with --package a package that anybody can install.",
    "The card counts milliseconds down and pulls its INT pin at zero, its STOP pin holds the count: a register, a "
    "setting, an event, a pin that listens, a finding and a saved state, some hundred lines.",
    examples=(
        "simkit new card my-machine/night-light",
        "simkit new card night-light --package",
        "simkit cards --test file:night_light.py:NightLight",
    ),
)

CARD = '''\
"""{title} card: a byte that counts down once a millisecond, and an interrupt when it reaches zero.

Faithful to: nothing yet. Name the parts on your board here.
Left out: what your model does not do.

Sources: name the data sheets your figures come from; "from memory" where you have none.
"""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import attrs

from simkit.contract import BYTE, CYCLE, FLAG, NEVER, Card, Drive, PinSpec, Register, Slot, remembers, saved, setting

COUNT = 0
CONTROL = 1

RUNNING = 0x01
DONE = 0x80


@attrs.frozen(kw_only=True)
class {name}Settings:
    """Jumpers and options of the board."""

    step_us: int = setting(1_000, unit="us", low=10, high=1_000_000, help="time between two counts")


@remembers
class {name}(Card):
    """Counts down from the byte written to it."""

    kind: ClassVar[str] = "{kind}"
    Settings: ClassVar[type] = {name}Settings
    title: ClassVar[str] = ""  # what people call it, e.g. "Night light"; "": its kind
    faithful_to: ClassVar[str] = ""

    # Everything the card remembers, with what it begins with: what a snapshot saves and checks. Pins and pending events
    # are the machine's.
    _left: int = saved(BYTE, 0)  # count ...
    _since: int = saved(CYCLE, 0)  # ... at the start of this cycle
    _running: bool = saved(FLAG, False)
    _done: bool = saved(FLAG, False)
    _halted: bool = saved(FLAG, False)

    @classmethod
    def registers(cls, settings: {name}Settings) -> tuple[Register, ...]:
        """What the address pins select; the map, the constants and the inspector read this table."""
        return (
            Register(COUNT, "count", "rw", write_effect="starts the count"),
            Register(
                CONTROL,
                "control",
                "r",
                bits=("RUNNING", "", "", "", "", "", "", "DONE"),
                driven=RUNNING | DONE,  # the other bits float
                read_effect="clears DONE and lets INT go",
            ),
        )

    @classmethod
    def pins(cls, settings: {name}Settings) -> tuple[PinSpec, ...]:
        """Pins that `lines` in the machine file joins to the backplane."""
        return (
            PinSpec(name="INT", drive=Drive.OPEN_DRAIN, help="low at zero, until control is read"),
            PinSpec(name="STOP", drive=Drive.INPUT, listens=True, help="low: the count stands still"),
        )

    def __init__(self, settings: {name}Settings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._step = Fraction(settings.step_us, 1_000_000) * slot.clock_hz  # machine cycles a count, exact

    # A card is lazy: it works out what it is from the cycle number when it is asked. Only what others can see without
    # asking, a pin, needs an event.

    def _count(self, cycle: int) -> int:
        if self._halted or not self._running:
            return self._left
        return max(0, self._left - int((cycle - self._since) / self._step))

    def _go_on(self, left: int, cycle: int) -> None:
        """Count from `left` on, if nothing holds the count; a step that was under way begins again."""
        self._left, self._since = left, cycle
        self.slot.cancel("zero")
        if self._running and not self._halted:
            steps = left * self._step
            self.slot.at(cycle + max(1, -(-steps.numerator // steps.denominator)), "zero")

    def power_on(self, cycle: int) -> None:
        """Nothing runs."""
        self._halted = not self.slot.pin("STOP").level(cycle)
        self.reset(True, cycle)

    def reset(self, asserted: bool, cycle: int) -> None:
        """RESET stops the count."""
        if asserted:
            self._running = self._done = False
            self._go_on(0, cycle)
            self.slot.pin("INT").drive(None, cycle)

    def peek(self, offset: int, cycle: int) -> int:
        """Byte a read would give; changes nothing."""
        if offset == COUNT:
            return self._count(cycle)
        return (RUNNING if self._running else 0) | (DONE if self._done else 0)

    def read(self, offset: int, cycle: int) -> int:
        """The byte, and what the read does."""
        value = self.peek(offset, cycle)
        if offset == CONTROL and self._done:
            self._done = False
            self.slot.pin("INT").drive(None, cycle)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """A byte to COUNT starts the count."""
        if offset != COUNT:
            self.slot.report("{kind}-read-only", cycle, f"${{value:02X}} was stored in control, which only reads.")
            return
        if self._running:
            self.slot.report("{kind}-restarted", cycle, f"${{value:02X}} was stored before the count had ended.")
        self._running, self._done = True, False
        self._go_on(value, cycle)
        self.slot.pin("INT").drive(None, cycle)

    def event(self, name: str, cycle: int) -> None:
        """The count has reached zero."""
        self._left, self._running, self._done = 0, False, True
        self.slot.pin("INT").drive(False, cycle)

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """STOP moved: only pins that are declared with `listens` are told here."""
        left = self._count(cycle)
        self._halted = not level
        self._go_on(left, cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        """How long a polled register stays as it is, so that waiting loops run fast."""
        if offset == CONTROL and not self._done:
            return self.slot.armed("zero") or NEVER
        return cycle

    def words(self, cycle: int) -> list[str]:
        """What `simkit show` tells."""
        if self._running:
            return [f"{{'halted' if self._halted else 'counting'}}, {{self._count(cycle)}} to go"]
        return ["at zero, INT low" if self._done else "at rest"]
'''

TEST = '''\
"""Tests of the {title} card, on the bench: one card on a bus, the test is the CPU."""

{imports}


@pytest.fixture
def bench():
    return Bench({name})  # 1 MHz: a millisecond is 1000 cycles


@pytest.mark.parametrize("seed", range(1, 6))
def test_it_keeps_the_contract_of_a_card(seed):
    assert check_contract({name}, seed=seed).problems == ()


def test_it_counts_down_and_pulls_int_at_zero(bench):
    start = bench.cycle
    bench.write(0, 5)
    bench.run_to(start + 2_500)
    assert bench.peek(0) == 3
    bench.run_to(start + 4_999)
    assert bench.level("INT")
    bench.run_to(start + 5_000)
    assert not bench.level("INT")
    assert bench.read(1) & 0x80
    assert bench.level("INT")


def test_stop_holds_the_count_and_lets_it_go_on(bench):
    bench.write(0, 5)
    bench.run(2_500)
    bench.pull("STOP", False)
    bench.run(1_000_000)
    assert bench.peek(0) == 3
    assert bench.level("INT")
    bench.pull("STOP", True)
    bench.run(2_999)
    assert bench.level("INT")
    bench.run(1)
    assert not bench.level("INT")


def test_a_store_into_the_control_register_is_reported(bench):
    bench.write(1, 0)
    assert [finding.rule for finding in bench.findings] == ["{kind}-read-only"]
'''

IMPORTS_BESIDE = """\
from pathlib import Path

import pytest

from simkit.machinefile.catalogue import card_class
from simkit.testing.bench import Bench
from simkit.testing.contract import check_contract

{name} = card_class("{file_kind}", Path(__file__).parent)\
"""

IMPORTS_INSTALLED = """\
import pytest
from {module} import {name}

from simkit.testing.bench import Bench
from simkit.testing.contract import check_contract\
"""

PYPROJECT = """\
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "{project}"
version = "0.1.0"
description = "{title} card for the backplane simulator kit"
readme = "README.md"
requires-python = ">=3.11"
dependencies = ["backplane-simkit"]

[project.entry-points."simkit.cards"]
{kind} = "{module}:{name}"

[tool.hatch.build.targets.wheel]
only-include = ["{module}.py"]
"""

README = """\
# {title} card

A card for the backplane simulator kit: a byte that counts down once a millisecond, and an interrupt at zero.

    pip install .
    simkit cards {kind}
    simkit cards --test {kind}
    pytest

In a machine file:

{snippet}
"""

SNIPPET = """\
[[card]]
slot = 6
kind = "{machine_kind}"
select = "0111 1111 0100 000x"         # your jumpers: A15 .. A0, x = not decoded
lines = {{ INT = "IRQ" }}
"""


def new_card(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the card; a folder may stand before it.")],
    package: Annotated[
        bool, typer.Option("--package", help="Write a package with entry point, test and README into a new folder.")
    ] = False,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write a card that works at once (see HELP)."""
    write = write_package if package else write_file
    written, snippet, kind = write(Path(name), force=force)
    say_notes(written)
    files = [str(path) for path in written.files]
    if as_json:
        say_json({"files": files, "kind": kind, "machine_file": snippet})
        return
    say(f"Written: {', '.join(files)}.")
    if package:
        # A bare name would have pip look for a stranger's package.
        place = Path(name).as_posix()
        say(f"Install it:  pip install {shlex.quote(place if place.startswith(('/', '..')) else './' + place)}")
        say(f"Test it:     pytest {shlex.quote(name)}")
    else:
        say(f"Test it: pytest {shlex.quote(files[1])}")
    say("Then, in a machine file:", "", *snippet.split("\n"))


def write_file(path: Path, *, force: bool = False) -> tuple[Written, str, str]:
    """Write a card and its test as two Python files.

    Returns:
        What was written, the lines for a machine file, and the kind.

    Raises:
        FileError: the system does not let one be written.
        SimkitError: the name cannot be used, or a file exists already and `force` does not say that it is written over.
    """
    words = _words(path.name)
    card = path.parent / f"{words['module']}.py"
    test = path.parent / f"test_{words['module']}.py"
    kind = f"file:{card.name}:{words['name']}"
    imports = IMPORTS_BESIDE.format(file_kind=kind, **words)
    written = _write({card: CARD.format(**words), test: TEST.format(imports=imports, **words)}, force=force)
    return written, SNIPPET.format(machine_kind=kind), kind


def write_package(folder: Path, *, force: bool = False) -> tuple[Written, str, str]:
    """Write a card as a package.

    Returns:
        What was written, the lines for a machine file, and the kind.

    Raises:
        FileError: the system does not let one be written.
        SimkitError: the name cannot be used, a card has it, or the folder exists already and `force` does not say that
            it is written into.
    """
    words = _words(folder.name)
    if os.path.lexists(folder) and not force:
        raise _taken(folder)
    kind = words["kind"]
    if kind in entries():
        raise SimkitError(f"There is a card {kind!r} already; nothing was written.", remedy="Choose another name.")
    snippet = SNIPPET.format(machine_kind=kind)
    indented = "".join(f"    {line}\n" for line in snippet.splitlines()).rstrip()
    files = {
        folder / "pyproject.toml": PYPROJECT.format(project=f"simkit-card-{kind}", **words),
        folder / "README.md": README.format(snippet=indented, **words),
        folder / f"{words['module']}.py": CARD.format(**words),
        folder / "tests" / f"test_{words['module']}.py": TEST.format(
            imports=IMPORTS_INSTALLED.format(**words), **words
        ),
    }
    return _write(files, force=force), snippet, kind


def _words(name: str) -> dict[str, str]:
    """The name in the forms that kind, module, class and people use."""
    parts = re.findall(r"[a-z0-9]+", name.lower())
    module = "_".join(parts)
    if not parts or not re.fullmatch(r"[A-Za-z0-9 _-]{1,40}", name) or not module.isidentifier():
        raise SimkitError(
            f"{name!r} is not a name for a card.", remedy="Begin with a letter; write letters, figures and hyphens."
        )
    if keyword.iskeyword(module):
        raise SimkitError(f"{name!r} is a word of Python.", remedy="Choose another name.")
    return {
        "kind": "-".join(parts),
        "module": module,
        "name": "".join(part.capitalize() for part in parts),
        "title": " ".join(parts).capitalize(),
    }


def _write(files: dict[Path, str], *, force: bool) -> Written:
    for path in files:
        if os.path.lexists(path) and not force:
            raise _taken(path)
    return write_together(files, what="card", force=force, make_folders=True)


def _taken(path: Path) -> SimkitError:
    return SimkitError(
        f"{path} exists already; nothing was written.", remedy="Choose another name; --force writes over files."
    )
