"""Options that every command that runs a machine shares: until when it runs, and what is done to it meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import attrs
import typer

from simkit.commands import exits
from simkit.commands.options import OptionTable, as_tuple, takes_machine
from simkit.commands.say import say
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.commands.goal import Goal
    from simkit.commands.script import Script
    from simkit.machine.machine import Machine
    from simkit.machine.views import Screen

_RUNNING: OptionTable = {
    "length": (
        Annotated[
            str | None,
            typer.Option(
                "--for", "--until", "--at", metavar="MOMENT", help="When the run ends: 2s, 120f, 5000c, label:NAME#3."
            ),
        ],
        None,
    ),
    "timeout": (
        Annotated[
            str | None,
            typer.Option(
                "--timeout",
                metavar="TIME",
                help="Give up an event of --for after so much machine time; 30s if not given.",
            ),
        ],
        None,
    ),
    "typed": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--type",
                metavar="TEXT@MOMENT",
                help="Type a text, without a keyboard over the serial line; \\n is the enter key. Repeatable.",
            ),
        ],
        None,
    ),
    "sent": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--send",
                metavar="TEXT@MOMENT",
                help="Send a text over the serial line as it stands; \\r, \\x1A. Repeatable.",
            ),
        ],
        None,
    ),
    "terminal_slot": (
        Annotated[
            int | None,
            typer.Option("--terminal-slot", metavar="SLOT", help="Which serial card, when there are several."),
        ],
        None,
    ),
    "pads": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--pad", metavar="N=BUTTONS@FROM..TO", help='Hold pad buttons, e.g. "1=right+a@1.5s..2s". Repeatable.'
            ),
        ],
        None,
    ),
}
"""What every command takes that runs a machine: by field of Running."""

MOMENTS = (
    "A MOMENT is a time after power-on (2s, 20ms, 120f frames of the screen, 5000c cycles; 120f/5 of the screen in "
    'slot 5) or KIND:VALUE: label:NAME (its instruction is next), finding:RULE, text:"WORDS" (on the screen, or the '
    "terminal), read:ADDRESS, write:ADDRESS, access:ADDRESS, where SLOT.REGISTER stands for an address, too; #3 behind "
    "it is the third time, +5000c so long after it. A VALUE stands in double quotes when it holds anything but "
    "letters, digits, _ . $ : -. The run ends at the MOMENT of --for; an event that does not come is given up after 30 "
    "s of machine time, or --timeout (exit code 1). In --type, --send and --pad the MOMENT stands behind the last @ "
    "that is not quoted; input whose moment did not come is told."
)
MOMENT_EXAMPLES = (
    "simkit {} my-machine --for label:main_loop#3+5000c",
    """simkit {} my-machine --type 'help\\n@text:"list of words"' --for 10s""",
    'simkit {} my-machine --pad "1=start@label:title..+0.1s"',
)
"""Examples of moments, for the name of a command."""


def runs_machine(command: Callable[..., None]) -> Callable[..., None]:
    """As `takes_machine` for a command that runs it: its second parameter gets the options of Running together."""
    return takes_machine(command, _RUNNING, Running)


@attrs.frozen(kw_only=True)
class Running:
    """What the command line says about a run.

    Attributes:
        length: text of the moment at which it ends, or None.
        typed: texts to type.
        sent: texts to send over the serial line.
        pads: pad buttons to hold.
        timeout: text of the time after which an event at which the run is to end is given up, or None.
        terminal_slot: which serial card, when there are several.
    """

    length: str | None = None
    timeout: str | None = None
    typed: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    sent: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    pads: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    terminal_slot: int | None = None

    def begin(self, machine: Machine, usually: str) -> tuple[Goal, Script]:
        """Queue what is to be done; gives where the run ends, `usually` if nothing was said.

        Raises:
            SimkitError: a text says nothing that this machine knows.
        """
        if self.terminal_slot is not None and not (self.sent or self.typed):
            raise SimkitError("--terminal-slot says where --send and --type go.", remedy="Add one, or leave it out.")
        script = self.script(machine, None)
        return self.goal(machine, None, usually), script

    def script(self, machine: Machine, screen: Screen | None) -> Script:
        """Queue what is to be done; frames are those of the screen, if none is named.

        Raises:
            SimkitError: a text says nothing that this machine knows.
        """
        from simkit.commands.script import Script

        return Script(machine, screen, self.typed, self.pads, self.sent, self.terminal_slot)

    def goal(self, machine: Machine, screen: Screen | None, usually: str) -> Goal:
        """Where the run ends.

        Raises:
            SimkitError: it is no moment of this machine.
        """
        from simkit.commands.goal import Goal, cycles_of

        timeout = None if self.timeout is None else cycles_of(machine, screen, self.timeout, "--timeout")
        goal = Goal(machine, screen, usually if self.length is None else self.length, timeout)
        if timeout is not None and goal.is_time:
            raise SimkitError(
                "--timeout is for a run that ends at an event; this one ends at a time.",
                remedy="Leave it out, or write e.g. --for label:NAME.",
            )
        return goal


def missed_as_dict(goal: Goal, script: Script) -> dict[str, Any]:
    """For --json: whether the moment at which the run ends has come, and what input was not given."""
    return {"until": goal.as_dict(), "not_given": script.as_dicts()}


def leave(goal: Goal, script: Script, *, reached: bool) -> None:
    """Tell of moments that have not come, beside the result, and leave.

    Args:
        goal: where the run should have ended.
        script: the input.
        reached: whether nobody ended it before.

    Raises:
        typer.Exit: somebody did, or the goal has not come.
    """
    missed = goal.missed() if reached else []
    lines = [f"Note: {text}" for text in (*script.not_given(), *missed)]
    if lines:
        say(*lines, error=True)
    if not reached:
        raise typer.Exit(exits.INTERRUPTED)
    if missed:
        raise typer.Exit(exits.FOUND)
