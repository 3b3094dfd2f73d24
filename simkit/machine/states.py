"""A machine's state taken out and taken back. All is checked; when something is wrong nothing has changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simkit.backplane.seat import refusal
from simkit.contract.errors import CardError, CardMisuse, SimkitError, shown
from simkit.contract.shapes import StateError
from simkit.machine.snapshot import Snapshot, SnapshotError, as_json, hashes, pack, unpack
from simkit.machine.views import Serial

if TYPE_CHECKING:
    from simkit.machine.machine import Machine


class States:
    """Saves and loads a machine.

    Args:
        machine: the machine.
        begins_anew: called when it goes on elsewhere, before its parts take their state.
    """

    def __init__(self, machine: Machine, begins_anew: Callable[[], None]) -> None:
        self._machine = machine
        self._begins_anew = begins_anew

    def save(self) -> bytes:
        """As `Machine.save_state`."""
        return pack(self.snapshot())

    def hashes(self) -> dict[str, str]:
        """As `Machine.state_hashes`."""
        return hashes(self.snapshot())

    def load(self, data: bytes) -> None:
        """As `Machine.load_state`."""
        machine = self._machine
        machine.cpu.refuse_while_running()
        snapshot = self._fitting(unpack(data))
        machine.finish_instruction()
        at = machine.cycle
        for history in tuple(machine.histories):
            history.about_to_be_another()
        before = self.snapshot()
        try:
            self._adopt(snapshot)
        except (SnapshotError, CardError):
            self._go_back(before)
            raise
        for history in tuple(machine.histories):
            history.state_loaded(data, at)

    def snapshot(self) -> Snapshot:
        """The state as it stands, with nothing in it that the machine goes on to change."""
        machine = self._machine
        machine.cpu.refuse_while_running()
        if machine.inside_instruction:
            raise SimkitError(
                f"The machine stands inside an instruction (cycle {machine.cycle}) and cannot be saved there.",
                remedy="Call step() first: it finishes the instruction.",
            )
        cards = {seat.slot: seat.save(machine.cycle) for seat in machine.bus.seats}
        state = {"bus": machine.bus.save(), "cpu": machine.cpu.save(), "findings": machine.findings.save()}
        return Snapshot(machine.fingerprint, machine.description.seed, machine.cycle, as_json(state), cards)

    def _go_back(self, before: Snapshot) -> None:
        """Become again what was saved a moment ago."""
        try:
            self.adopt(before)
        except SnapshotError as error:
            seat = next((seat for seat in self._machine.bus.seats if seat.slot == error.slot), None)
            if seat is None:
                raise
            raise refusal(seat, error.__cause__) from error

    def adopt(self, snapshot: Snapshot) -> None:
        """Have all parts take a state, and tell no history; what is wrong may be found in the middle.

        Raises:
            SnapshotError: damaged, or of another machine.
        """
        self._adopt(self._fitting(snapshot))

    def _fitting(self, snapshot: Snapshot) -> Snapshot:
        machine = self._machine
        parts = machine.fingerprint.other_parts(snapshot.fingerprint)
        if parts:
            raise SnapshotError(
                f"The state is that of another machine. These differ: {', '.join(parts)}.",
                remedy="Load the machine as it was when the state was saved.",
            )
        models = snapshot.fingerprint.other_models(machine.fingerprint)
        if models:
            raise SnapshotError(
                " ".join(models), remedy="Take the state again with this kit, or install the older card."
            )
        if set(snapshot.cards) != {seat.slot for seat in machine.bus.seats}:
            raise SnapshotError("The state does not hold the cards of this machine.")
        return snapshot

    def _adopt(self, snapshot: Snapshot) -> None:
        machine = self._machine
        machine.bus.recording.catch_up()  # cycles go on elsewhere
        self._begins_anew()
        machine.faulting.jump(snapshot.cycle)
        for seat in machine.bus.seats:
            _take(seat.name, seat.load, snapshot.cards[seat.slot], seat.slot)
        for name, load in (
            ("findings", machine.findings.load),
            ("cpu", machine.cpu.load),
            ("bus", machine.bus.load),
        ):
            _take(name, load, snapshot.state.get(name))
        for plug in machine.ports(Serial):
            plug.begin_anew()
        for wait in machine.looking:
            wait.begin_anew()


def _take(who: str, load: Callable[[Any], None], state: Any, slot: int | None = None) -> None:
    """Have a part of the machine take its state back.

    Raises:
        SnapshotError: it cannot; says which field of whose state is wrong.
        CardError: a card did something else than to refuse its state.
    """
    try:
        load(state)
    except (StateError, CardError) as told:
        error = told.__cause__ if isinstance(told, CardError) else told  # a card refuses a state in its own way
        if not isinstance(error, Exception) or isinstance(error, CardMisuse):
            raise
        wrong = str(error) if isinstance(error, StateError) else shown(error, 200)
        raise SnapshotError(
            f"The state is damaged: {who}, {wrong}.",
            slot=slot,
            field=error.field if isinstance(error, StateError) else None,
            remedy="Save it again, or use another file.",
        ) from error
