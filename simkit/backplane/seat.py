"""A seat: a card in its slot with the wiring round it, and the guarded way to ask the card."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import attrs

from simkit.backplane import answers
from simkit.backplane.blame import failure, place
from simkit.backplane.board import Board
from simkit.backplane.conductors import DataPins
from simkit.backplane.select import Expression, Levels, Select, as_table
from simkit.backplane.wiring import Done, Wiring
from simkit.contract.card import Card
from simkit.contract.errors import CardError, CardMisuse, shown
from simkit.contract.ports import Port
from simkit.contract.registers import PlainMemory, Register
from simkit.contract.slot import Slot
from simkit.contract.turn import BETWEEN, LOADING

if TYPE_CHECKING:
    from simkit.backplane.guard import Guard


@attrs.define(slots=True, eq=False)
class Seat:
    """A card in its slot, with the wiring round it.

    What the card is asked through its methods goes through the guard of the backplane it is plugged into
    (`simkit.backplane.guard`): they raise CardError when the card fails.

    Attributes:
        card: the card; who calls it itself is not guarded.
        slot: slot number.
        kind: its kind, for messages.
        select: when it is selected.
        output_enable: when, selected, it drives the data lines.
        write_enable: when, selected, it takes the data lines.
        wiring: what is done to its pins, and to lines as they come in at its slot.
        ready_gated: its strobes are gated with ready: a stalled access is seen once.
        connector: what the card knows of the machine, with its pins.
        settings: how it is wired.
        registers: the board as wired.
        address_pins: number of address pins the card looks at.
        image_size: bytes of the part in its socket, None without one.
        ports: its ports by name, guarded.
        image: what was put into its socket.
        plain: its plain memory, if it has any.
        waits: whether its card may ask for wait states: every access must come to it.
        held_in_reset: whether wiring at its slot holds it in reset while the line is released; it takes no writes.
        driven: bits that its pins drive on a read, by offset.
        data: the way of data between the lines and its pins; None: straight.
        takes_data: byte at its pins for each that the CPU drives; None: the same.
        gives_data: byte that the CPU reads for each at its pins; None: the same.
        crossed: whether wiring comes between its pins and the CPU.
        transceiver: what drives the data lines in its place where its transceiver is wired wrong; None: nothing.
        board: what its class says of it; None: to be asked.
        guard: calls the card.
    """

    card: Card
    slot: int
    kind: str
    select: Select
    output_enable: Expression
    write_enable: Expression
    wiring: Wiring = attrs.field(factory=Wiring)
    ready_gated: bool = False
    connector: Slot = attrs.field(kw_only=True)
    settings: Any = attrs.field(kw_only=True)
    board: Board | None = attrs.field(kw_only=True, default=None)
    registers: tuple[Register, ...] = attrs.field(init=False, default=())
    address_pins: int = attrs.field(init=False, default=16)
    image_size: int | None = attrs.field(init=False, default=None)
    ports: dict[str, Port] = attrs.field(init=False, factory=dict)
    image: bytes = attrs.field(init=False, default=b"")
    plain: PlainMemory | None = attrs.field(init=False, default=None)
    driven: dict[int, int] = attrs.field(init=False, factory=dict)
    data: DataPins | None = attrs.field(init=False, default=None)
    takes_data: bytes | None = attrs.field(init=False, default=None)
    gives_data: bytes | None = attrs.field(init=False, default=None)
    crossed: bool = attrs.field(init=False, default=False)
    transceiver: Seat | None = attrs.field(init=False, default=None)
    waits: bool = attrs.field(init=False, default=False)
    held_in_reset: bool = attrs.field(init=False)
    guard: Guard = attrs.field(init=False)

    @connector.default
    def _its_slot(self) -> Slot:
        return self.card.slot

    @settings.default
    def _its_settings(self) -> Any:
        return self.card.settings

    @held_in_reset.default
    def is_held_in_reset(self) -> bool:
        """Whether wiring holds it in reset while the line is released."""
        return self.reset_arrives(False) is True and type(self.card).reset is not Card.reset

    @property
    def name(self) -> str:
        """How messages call it."""
        return f"slot {self.slot} ({self.kind})"

    @property
    def title(self) -> str:
        """How people are told of it, with its slot."""
        return titled(type(self.card), self.slot)

    def drives(self, offset: int) -> int:
        """Data pins that it drives on a read."""
        return self.driven.get(offset, 0) or (0xFF if self.holds_program(offset) else 0)

    def on_the_lines(self, byte: int, offset: int) -> int:
        """What it gives on a read, as it is on the data lines."""
        return byte if self.data is None else self.data.on_the_lines(byte, self.drives(offset))

    @property
    def own_phi2(self) -> bool:
        """Whether its part has a PHI2 pin of its own."""
        return type(self.card).own_phi2

    @property
    def winning_strobe(self) -> str:
        """Which of its strobes counts where both are true: "write", "output", or "" for both."""
        return type(self.card).winning_strobe

    def strobes(self, levels: Levels) -> tuple[int, int]:
        """Truth tables of the addresses at which it is selected with output enable, and with write enable, true.

        Args:
            levels: of RW, PHI2 and the lines in its expressions, as they arrive at the slot.
        """
        selected = self.select.table(levels)
        if self.own_phi2:
            selected &= as_table(levels["PHI2"])
        return selected & self.output_enable.table(levels), selected & self.write_enable.table(levels)

    def acts(self, levels: Levels) -> tuple[int, int]:
        """Truth tables of the addresses at which it drives the data lines, and at which it takes them; as `strobes`."""
        drives, takes = self.strobes(levels)
        if self.held_in_reset:
            return drives, 0
        if self.winning_strobe == "write":
            return drives & ~takes, takes
        return drives, takes & ~drives if self.winning_strobe == "output" else takes

    # what the card is asked -----------------------------------------------------------------------------------------

    def advance(self, cycle: int) -> None:
        """Have it bring itself up to date."""
        self.guard.ask(self, cycle, "advance", cycle)

    def peek(self, offset: int, cycle: int) -> int:
        """Byte a read would give."""
        return self.guard.ask(self, cycle, "peek", offset, cycle, check=answers.byte)

    def steady_until(self, offset: int, cycle: int) -> int:
        """Cycle up to which a read has no effect and its value stays."""
        return self.guard.ask(self, cycle, "steady_until", offset, cycle, check=answers.cycle)

    def wait_cycles(self, offset: int, is_write: bool, cycle: int) -> int:
        """Cycles by which it delays an access."""
        return self.guard.wait_cycles(self, offset, is_write, cycle)

    def unfinished(self, cycle: int) -> str:
        """What the program has begun and another access would break."""
        return self.guard.ask(self, cycle, "unfinished", check=answers.text)

    def standstill(self, bit: str, cycle: int) -> str:
        """Why a status bit, or a request, will not come by itself."""
        return self.guard.ask(self, cycle, "standstill", bit, cycle, check=answers.text)

    def set_up(self, cycle: int) -> bool:
        """Whether the program waits for something of it."""
        return self.guard.ask(self, cycle, "set_up", cycle, check=answers.flag)

    def left_undone(self, cycle: int) -> str:
        """What the program began to set up and never finished."""
        return self.guard.ask(self, cycle, "left_undone", cycle, check=answers.text)

    def words(self, cycle: int) -> list[str]:
        """What it looks like inside."""
        return self.guard.ask(self, cycle, "words", cycle, check=answers.words)

    def rom(self) -> bytes | bytearray | memoryview | None:
        """What it gives by offset when that never changes."""
        return self.guard.ask(self, BETWEEN, "rom", check=answers.content)

    def holds_program(self, offset: int) -> bool:
        """Whether instructions may stand at the offset."""
        return self.guard.ask(self, BETWEEN, "holds_program", offset, check=answers.flag)

    def save(self, cycle: int) -> dict[str, Any]:
        """Its state: JSON values and bytes, with lists and tables of its own."""
        return self.guard.ask(self, cycle, "save", cycle, check=answers.state)

    def kept(self, cycle: int) -> dict[str, Any]:
        """What stays when power goes."""
        return self.guard.ask(self, cycle, "kept", cycle, check=answers.state)

    # what it does ---------------------------------------------------------------------------------------------------

    def read(self, offset: int, cycle: int) -> int:
        """Have it make a read."""
        return self.guard.call(self, cycle, "read", offset, cycle, check=answers.byte)

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Have it take a write."""
        self.guard.call(self, cycle, "write", offset, value, cycle)

    def insert(self, image: bytes) -> None:
        """Put an image into its socket."""
        self.guard.call(self, 0, "insert", image)
        self.image = image

    def power_on(self) -> None:
        """Have power come up, in cycle 0."""
        self.guard.call(self, 0, "power_on", 0)

    @property
    def unreset(self) -> bool:
        """Whether RESET never comes in at the slot, whatever the line does."""
        return not (self.reset_arrives(True) or self.reset_arrives(False))

    def left_unreset(self) -> None:
        """Tell it, in cycle 0, that power has come up and no RESET with it."""
        self.guard.call(self, 0, "left_unreset", 0)

    def keep(self, kept: dict[str, Any]) -> None:
        """Power has come up again, in cycle 0."""
        self.guard.call(self, 0, "keep", kept)

    def reset_arrives(self, asserted: bool) -> bool | None:
        """How RESET comes in at the slot while the line is asserted or not; None where it does not come in."""
        level: bool | None = asserted
        for entry in self.wiring.line_entries():
            exchanged = entry.done is Done.EXCHANGED and entry.other == "RESET"
            if (entry.name != "RESET" and not exchanged) or level is None or entry.shorted_to_rail:
                continue
            if entry.done in (Done.LOW, Done.HIGH):
                level = entry.done is Done.LOW
            elif entry.done is Done.INVERTED:
                level = not level
            else:
                level = None
        return level

    def reset(self, asserted: bool, cycle: int) -> None:
        """Tell it that the line RESET was asserted or released."""
        self.guard.call(self, cycle, "reset", asserted, cycle)

    def load(self, state: dict[str, Any]) -> None:
        """Have it take back a state."""
        self.guard.call(self, LOADING, "load", state)

    def followed(self, name: str, cycle: int) -> None:
        """Tell it that somebody begins to follow the line of an output, or ends."""
        self.guard.call(self, cycle, "pin_followed", name, cycle)


def refusal(seat: Seat, reason: BaseException | None) -> CardError:
    """The error to tell of a card that does not take back what it has saved, with what it raised."""
    did = f"refused what save had given a moment before: {shown(reason, 200)}"
    told = failure(CardMisuse(did, "What save gives, load takes."), seat.name, "load", slot=seat.slot)
    told.file, told.line = place(reason)
    return told


def titled(card: type[Card], slot: int) -> str:
    """How people are told of a card of that class in that slot, as "Keyboard controller (slot 3)"."""
    return f"{card.title or card.kind.replace('-', ' ').capitalize()} (slot {slot})"
