"""How Python's `if`, `while`, `break` and `continue` stand for the branches of a region.

A block with one way in is written where it is reached. A block where ways meet (a join) is written behind the block
that dominates it, and ways that lead there fall through to it. A loop is `while True`; what follows it is written
behind it and reached by `break`. A way that has to pass over a join on its way to a later one sets `go` to the later
one's number, plus one; the join passed over is guarded by `if not go`.
"""

from __future__ import annotations

import attrs

from simkit.cpu.translate.emit import Emitter
from simkit.cpu.translate.flow import Block, Edge, Flow
from simkit.cpu.translate.operand import Lines
from simkit.cpu.translate.region import Region, Survey
from simkit.cpu.translate.values import Knowledge
from simkit.cpu.translate.waiting import Wait, find_waits


@attrs.define(slots=True, eq=False)
class _Place:
    """Something that a way can lead to: a join still to be written, or a loop we are in.

    Attributes:
        block: the join, or the head.
        is_loop: which of the two.
        passed: some way passes over the join.
        named: some way sets `go` to it.
        left: some `break` leaves the loop.
        known: what is known at a join with a single way in, once that way is written.
    """

    block: Block
    is_loop: bool
    passed: bool = False
    named: bool = False
    left: bool = False
    known: Knowledge | None = None


def write_function(name: str, region: Region, flow: Flow, survey: Survey, *, skipping: bool) -> str:
    """Source of the function for a region."""
    return _Writer(region, flow, survey, skipping=skipping).function(name)


class _Writer:
    def __init__(self, region: Region, flow: Flow, survey: Survey, *, skipping: bool) -> None:
        self.emitter = Emitter(region, survey)
        self.flow = flow
        self.waits: dict[Edge, Wait] = find_waits(flow, survey) if skipping else {}
        self.polls = {node: name for wait in self.waits.values() for node, name in wait.polls.items()}
        self.behind: dict[Block, list[Block]] = {}  # joins by the block or (loop) head they are written behind
        self.after_loop: dict[Block, list[Block]] = {}
        self.placed: set[Block] = set()
        for block in flow.blocks[1:]:
            self._find_owner(block)

    def _find_owner(self, block: Block) -> None:
        forward = [edge for edge in block.into if not edge.back]
        source = forward[0].source
        entered = {block.number} if block.is_head else set()
        if len(forward) == 1 and block.loops - entered == source.loops:
            return
        owner = block.idom
        assert owner is not None
        left = owner.loops - block.loops
        if left:
            head = self.flow.blocks[min(left)]  # the outermost loop that is left: heads come before their bodies
            self.after_loop.setdefault(head, []).append(block)
        else:
            self.behind.setdefault(owner, []).append(block)
        self.placed.add(block)

    def function(self, name: str) -> str:
        body, _ = self._tree(self.flow.blocks[0], Knowledge(), [])
        top = [f"stop = limit - {self.flow.worst}"]
        if any("go = " in line for line in body):
            top.append("go = 0")
        lines = [f"def {name}(a, x, y, s, n, z, c, v, cycle, last, limit):"]
        return "\n".join(lines + ["    " + line for line in top + body]) + "\n"

    # blocks ---------------------------------------------------------------------------------------------------------

    def _tree(self, block: Block, know: Knowledge, places: list[_Place]) -> tuple[Lines, bool]:
        """A block and all that it dominates. Gives the lines and whether their end can be reached."""
        if not block.is_head:
            return self._with_joins(block, know, places)
        joins = [_Place(join, False) for join in self.after_loop.get(block, ())]
        loop = _Place(block, True)
        lines = know.settle(block.live[0])
        body, _ = self._with_joins(block, know, [*places, *reversed(joins), loop])
        if loop.named:
            body.insert(0, "go = 0")
        waits = [self.waits[edge] for edge in block.into if edge in self.waits]
        body[:0] = dict.fromkeys(line for wait in waits for line in wait.begin())
        if body and body[-1] == "continue":
            body.pop()
        lines += ["while True:", *_indented(body)]
        return self._joins(lines, loop.left, joins, places)

    def _with_joins(self, block: Block, know: Knowledge, places: list[_Place]) -> tuple[Lines, bool]:
        joins = [_Place(join, False) for join in self.behind.get(block, ())]
        lines, open_ = self._block(block, know, [*places, *reversed(joins)])
        return self._joins(lines, open_, joins, places)

    def _joins(self, lines: Lines, open_: bool, joins: list[_Place], places: list[_Place]) -> tuple[Lines, bool]:
        """Write joins behind what leads to them."""
        for number, join in enumerate(joins):
            know = join.known if join.known is not None else Knowledge()
            code, end = self._tree(join.block, know, [*places, *reversed(joins[number + 1 :])])
            if join.named:
                code.insert(0, "go = 0")
            if join.passed:
                condition = f"not go or go == {join.block.number + 1}" if join.named else "not go"
                code = [f"if {condition}:", *_indented(code)]
                end = True
            lines += code
            open_ = end
        return lines, open_

    def _block(self, block: Block, know: Knowledge, places: list[_Place]) -> tuple[Lines, bool]:
        lines: Lines = []
        emitter = self.emitter
        for index, node in enumerate(block.nodes):
            if index in block.looks:
                lines += [f"if {know.now()} > stop:", f"    {emitter.leave(node.key, know)}"]
            if node.handed:
                lines.append(emitter.leave(node.key, know))
                return lines, False
            if node.taken is None and node.fall is None:
                emitter.computed(node, know, lines)
                return lines, False
            if block.taken is not None and block.fall is not None and node is block.nodes[-1]:
                return self._branch(block, know, lines, places)
            if node in self.polls:
                lines.append(f"{self.polls[node]} = {know.now(3)}")
            emitter.instruction(block, index, know, lines)
            if node in self.polls:
                lines.append(f"{self.polls[node]}_byte = {know.last}")
        (way,) = block.ways
        more, open_ = self._go(way, know, places)
        return lines + more, open_

    def _branch(self, block: Block, know: Knowledge, lines: Lines, places: list[_Place]) -> tuple[Lines, bool]:
        if_taken, if_not, gone, stayed = self.emitter.branch(block.nodes[-1], know, lines)
        assert block.taken is not None
        taken, taken_open = self._go(block.taken, gone, places)
        assert block.fall is not None
        fall, fall_open = self._go(block.fall, stayed, places)
        if not taken_open:
            lines += [f"if {if_taken}:", *_indented(taken), *fall]
        elif not fall_open:
            lines += [f"if {if_not}:", *_indented(fall), *taken]
        elif not taken and not fall:
            pass
        elif not fall:
            lines += [f"if {if_taken}:", *_indented(taken)]
        elif not taken:
            lines += [f"if {if_not}:", *_indented(fall)]
        else:
            lines += [f"if {if_taken}:", *_indented(taken), "else:", *_indented(fall)]
        return lines, taken_open or fall_open

    # ways -----------------------------------------------------------------------------------------------------------

    def _go(self, edge: Edge, know: Knowledge, places: list[_Place]) -> tuple[Lines, bool]:
        """A way out of a block. Gives the lines and whether control falls out at their end."""
        target = edge.target
        if target is None:
            return [self.emitter.leave(edge.key, know)], False
        if target not in self.placed and not edge.back:
            return self._tree(target, know, places)
        position = max(n for n, place in enumerate(places) if place.block is target and place.is_loop == edge.back)
        place = places[position]
        if edge.back:
            lines = self._back(edge, target, know)
        elif len([way for way in target.into if not way.back]) == 1 and not target.is_head:
            place.known, lines = know.copy(), []
        else:
            lines = know.settle(target.live[0])
        return self._jump(lines, position, places)

    def _jump(self, lines: Lines, position: int, places: list[_Place]) -> tuple[Lines, bool]:
        loops = [n for n, place in enumerate(places) if place.is_loop]
        place = places[position]
        if place.is_loop and position == loops[-1]:
            return [*lines, "continue"], False
        start = len(places)
        if loops and position < loops[-1]:  # out of the innermost loop, never out of two: see flow
            start = loops[-1]
            places[start].left = True
        for between in places[position + 1 : start]:
            between.passed = True
        if position != start - 1:
            place.named = True
            lines = [*lines, f"go = {place.block.number + 1}"]
        return ([*lines, "break"], False) if start < len(places) else (lines, True)

    def _back(self, edge: Edge, head: Block, know: Knowledge) -> Lines:
        """The end of a round: look at the clock, skip rounds that cannot differ, settle."""
        lines: Lines = []
        if know.cycles:
            lines.append(f"cycle += {know.cycles}")
            know.cycles = 0
        wait = self.waits.get(edge)
        if wait is not None:
            lines += know.settle_flags(wait.carried)
            lines += wait.skip()
        lines += ["if cycle > stop:", f"    {self.emitter.leave(edge.key, know)}"]
        return lines + know.settle(head.live[0])


def _indented(lines: Lines) -> Lines:
    return ["    " + line for line in lines] or ["    pass"]
