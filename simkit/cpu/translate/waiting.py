"""Loops that wait: every round does the same until something outside the CPU changes.

A way round a loop waits when it stores nothing but return addresses, and a round begins with the same registers and
flags as the round before: those it sets before it uses them do not count, the others are compared. Then the next round
equals the last one as long as the memory and the card registers it reads stay as they are. Memory stays until the next
event; a register that still gives the byte just read (a read may have cleared a flag) stays as long as the card says
(`steady_until`). Whole rounds up to then are counted instead of run. It
does not matter where a loop is entered, nor that other ways round it do more: after one round the comparison holds.
"""

from __future__ import annotations

import attrs

from simkit.contract.card import Card
from simkit.cpu.isa import operations as ops
from simkit.cpu.translate import costs
from simkit.cpu.translate.flow import Block, Edge, Flow
from simkit.cpu.translate.region import Node, Reach, Survey


@attrs.define(slots=True, eq=False)
class Wait:
    """A way round a loop that waits.

    Attributes:
        number: number of the head of the loop.
        polls: its reads of card registers, each with the name of the variable that holds the cycle, -1 when the round
            did not come by; another one, with `_byte` behind its name, holds what was read.
        carried: registers and flags that a round hands on to the next.
    """

    number: int
    polls: dict[Node, str]
    carried: list[str]

    def begin(self) -> list[str]:
        """Statements at the beginning of a round."""
        lines = [f"began{self.number} = cycle"]
        lines += [f"{name} = {name}_byte = -1" for name in self.polls.values()]
        return lines + [f"{name}{self.number} = {name}" for name in self.carried]

    def skip(self) -> list[str]:
        """Statements at the end of a round that move `cycle` on by whole rounds, at most to `stop`."""
        same = "".join(f" and {name}{self.number} == {name}" for name in self.carried)
        period = f"cycle - began{self.number}"
        if not self.polls:
            return [f"if cycle <= stop{same}:", f"    cycle += (stop - cycle) // ({period}) * ({period})"]
        polls = ", ".join(f"(0x{node.operand:04X}, {name}, {name}_byte)" for node, name in self.polls.items())
        return [f"if cycle <= stop{same}:", f"    cycle = skip(cycle, {period}, stop, ({polls},))"]


def find_waits(flow: Flow, survey: Survey) -> dict[Edge, Wait]:
    """The ways round loops that wait, by the edge back to the head."""
    found = {}
    for head in flow.blocks:
        for edge in head.into:
            if edge.back:
                wait = _wait(head, edge.source, survey)
                if wait is not None:
                    found[edge] = wait
    return found


def _wait(head: Block, tail: Block, survey: Survey) -> Wait | None:
    polls: dict[Node, str] = {}
    changed: set[str] = set()
    loaded: set[str] = set()  # registers that get a value that does not come from their old one
    blocks = _on_the_way(head, tail)
    for block in blocks:
        for index, node in enumerate(block.nodes):
            name = node.opcode.mnemonic
            if node.handed or name in ("CLI", "SEI", "SED", "CLD", "TXS"):
                return None
            if costs.is_store(node.opcode) or costs.is_modify(node.opcode) or name in ops.PUSH or name in ops.PULL:
                return None
            if name == "JSR" and not (node.taken and node.taken.callers):
                return None  # it is not known to come back: the stack grows
            if node.reach is Reach.CARD:
                if block.loops != head.loops or (_always(block, tail) and not _promises(node.operand, survey)):
                    return None
                polls[node] = f"polled{block.number}_{index}"
            changed |= costs.flags_set(node.opcode) | costs.registers_set(node.opcode)
            loaded |= costs.registers_set(node.opcode) - costs.registers_used(node.opcode)
    carried = changed & _needed_at_top(head, blocks)
    if carried - loaded - costs.ALL_FLAGS:
        return None  # it counts: no round is like the one before
    return Wait(head.number, polls, sorted(carried))


def _on_the_way(head: Block, tail: Block) -> list[Block]:
    """The blocks between the head of a loop and one of its ends, both included, in order."""
    found = {head}
    queue = [tail]
    while queue:
        block = queue.pop()
        if block not in found:
            found.add(block)
            queue.extend(edge.source for edge in block.into)
    return sorted(found, key=lambda block: block.number)


def _always(block: Block, tail: Block) -> bool:
    """Every round that ends in `tail` went through the block."""
    while tail.number > block.number:
        assert tail.idom is not None
        tail = tail.idom
    return tail is block


def _promises(address: int, survey: Survey) -> bool:
    """The cards that answer at an address say until when a register stays."""
    return all(type(seat.card).steady_until is not Card.steady_until for seat, _ in survey.memory.bus.where(address))


def _needed_at_top(head: Block, blocks: list[Block]) -> frozenset[str]:
    """Registers and flags that a round uses before it sets them."""
    inside = set(blocks)
    at_top: dict[Block, frozenset[str]] = dict.fromkeys(blocks, frozenset())
    changed = True
    while changed:
        changed = False
        for block in reversed(blocks):
            live: frozenset[str] = frozenset()
            for edge in block.ways:
                if edge.target is not None and edge.target in inside:
                    live |= at_top[edge.target]
            for node in reversed(block.nodes):
                opcode = node.opcode
                live -= costs.flags_set(opcode) | costs.registers_set(opcode)
                live |= costs.flags_used(opcode) | costs.registers_used(opcode)
            if live != at_top[block]:
                at_top[block] = live
                changed = True
    return at_top[head]
