"""What clocks the collectors of a pads card: which output of the counter shifts, and what stores."""

from __future__ import annotations

from simkit.schematic.board import Board
from simkit.schematic.found import INPUT_ORDER
from simkit.schematic.report import Report

_COUNTER = ("74161", "74163")
_TAPS = {14: 2, 13: 4, 12: 8, 11: 16}
"""By output of the counter the setting `divide`."""
_CARRY, _SHIFT, _STORE = 15, 11, 12
_PASSING = {"7404": True, "7405": True, "7406": True, "7414": True, "7407": False}
"""Parts with one input to an output, and whether they invert."""


def check_clocks(report: Report, ref: str) -> None:
    """Compare the clocks of one collector, a 74595."""
    board, settings = report.board, report.card.settings
    nets = board.network.parts[ref].nets
    shift, store = nets.get(_SHIFT), nets.get(_STORE)
    if shift is not None and (way := _counted(board, shift)) is not None and way[0] in _TAPS:
        pin, inverted = way
        report.compared[INPUT_ORDER] += 1
        edge = "fall" if inverted else "rise"
        for name, seen in (("divide", _TAPS[pin]), ("shift_edge", edge)):
            _compare(report, name, seen, getattr(settings, name, seen), f"{ref}.{_SHIFT}", shift)
    seen_store = _stored(board, shift, store)
    if store is not None and seen_store:
        report.compared[INPUT_ORDER] += 1
        said = getattr(settings, "store", seen_store)
        same = said.removesuffix("-early") == seen_store  # by how much it is early is not a matter of wires
        _compare(report, "store", said if same else seen_store, said, f"{ref}.{_STORE}", store)


def _stored(board: Board, shift: str | None, store: str | None) -> str:
    """The setting `store` that the net at RCLK comes to; "" for none that is known."""
    if store is None:
        return ""
    if store == shift:
        return "shift-clock"
    way = _counted(board, store)
    if way is None or way[0] != _CARRY:
        return ""
    return "carry-fall" if way[1] else "carry-rise"


def _compare(report: Report, name: str, seen: object, said: object, pin: str, net: str) -> None:
    if seen == said:
        return
    report.differ(
        INPUT_ORDER,
        f"{pin} ({report.board.netlist.at(net)}) makes {name} = {_written(seen)}; the machine file has "
        f"{_written(said)}.",
        fields=(f"settings.{name}", "settings"),
        remedy=f"Write {name} = {_written(seen)}, or join {pin} otherwise.",
        nets=[net],
        pins=[pin],
    )


def _written(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


def _counted(board: Board, net: str) -> tuple[int, bool] | None:
    """Output of a counter that a net comes from, through inverters, and whether it is inverted; None if from none."""
    inverted = False
    for _ in range(8):
        makers = [
            (part, pin)
            for part in board.network.parts.values()
            for pin in part.type.outputs
            if part.nets.get(pin) == net
        ]
        if len(makers) != 1:
            return None
        part, pin = makers[0]
        if part.type.name in _COUNTER:
            return pin, inverted
        source = part.nets.get(part.type.outputs[pin].of[0]) if part.type.name in _PASSING else None
        if source is None:
            return None
        inverted ^= _PASSING[part.type.name]
        net = source
    return None
