"""Whether the program is still in its code: an opcode comes from where an instruction may begin."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from simkit.backplane.decode import Plan
from simkit.check.image.ground import Ground, Map, Place
from simkit.check.result.notes import Notes
from simkit.check.watches.starts import Starts
from simkit.machine.found import who
from simkit.machine.machine import Machine
from simkit.rom.listing import Listing, Seen


class Course:
    """Looks at the opcodes that are fetched, until the program has left its code.

    Args:
        machine: the machine.
        listing: of its program, if there is one.
        places: what an access reaches.
        notes: where findings go.
        ended: called when the program is lost.

    Attributes:
        lost: how the program left its code, or None; what follows means nothing.
        lost_at: the cycle of that.
    """

    def __init__(
        self, machine: Machine, listing: Listing | None, places: Map, notes: Notes, ended: Callable[[], None]
    ) -> None:
        self.lost: str | None = None
        self.lost_at = 0
        self._machine = machine
        self._starts = Starts(machine, listing) if listing is not None else None
        self._map = places
        self._notes = notes
        self._ended = ended
        self.sound: set[Plan] = set()
        """Fetches of opcodes that were found to be in order and stay so: from ROM."""

    def holds(self, address: int, cycle: int, plan: Plan, way: Sequence[int]) -> bool:
        """Whether an opcode may be fetched there; the program is lost if not.

        Args:
            address: of the opcode.
            cycle: of its fetch.
            plan: of that read.
            way: the last instructions, this one among them.
        """
        place = self._map(plan, False)
        if place.shadow is None or not place.shadow[place.offset]:
            if place.kind is not Ground.OTHER:
                self._run_away(address, cycle, place, way)
        elif place.kind is Ground.ROM:
            problem = self._starts.problem(address, seen(plan)) if self._starts is not None else None
            if problem is not None:
                self._lose(address, cycle, problem, way)
            self.sound.add(plan)
        return self.lost is None

    def _run_away(self, address: int, cycle: int, place: Place, way: Sequence[int]) -> None:
        where = {
            Ground.ROM: "filler of the ROM",
            Ground.RAM: "memory that was never written",
            Ground.REGISTER: f"a register of {who(self._machine, place.slot)}",
        }.get(place.kind, "no card")
        self._lose(address, cycle, f"The CPU fetches an opcode from {where} at ${address:04X}", way)

    def _lose(self, address: int, cycle: int, what: str, before: Sequence[int]) -> None:
        way = [pc for pc in before if pc != address]
        named = [(pc, self._machine.place(pc).name) for pc in way]
        shown = ", ".join(f"${pc:04X}{f' ({name})' if name else ''}" for pc, name in named)
        self.lost = what
        self.lost_at = cycle
        self._ended()
        self._notes.add(
            "ran-away",
            cycle,
            f"{what}; {f'instructions before it: {shown}' if way else 'it is the first one after RESET'}.",
            pc=way[-1] if way else address,
            address=address,
        )


def seen(plan: Plan) -> Seen | None:
    """Which byte of which card a read sees."""
    return (plan.drivers[0][0].slot, plan.drivers[0][1]) if plan.drivers else None
