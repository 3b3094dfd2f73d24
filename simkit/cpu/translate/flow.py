"""Blocks, loops, what is needed later, and where the function must look at the clock.

A block is a run of instructions entered only at its top. Blocks are numbered in reverse postorder: an edge that does
not go back leads to a higher number. An edge that Python's control flow cannot express (into the middle of a loop, or
out of two loops at once) is cut: there the function ends, and the engine goes on with the function for that address.
"""

from __future__ import annotations

import attrs

from simkit.cpu.translate import costs
from simkit.cpu.translate.region import Key, Node, Reach, Region

LOOK_EVERY = 100
"""Most cycles between two looks at the clock on a way without loops; the stretch before an event that is left to exact
is about as long."""

MAX_LOOP_DEPTH = 10
"""Loops inside loops; Python allows 20 nested blocks."""

LAST = "l"
"""Stands among the flags for the byte that was last on the data lines."""

EVERYTHING = costs.ALL_FLAGS | {LAST}


@attrs.define(slots=True, eq=False)
class Edge:
    """A way out of a block.

    Attributes:
        source: where it comes from.
        key: the instruction it leads to.
        target: its block, or None when the function ends there.
        back: leads back to the head of a loop that holds the source.
    """

    source: Block
    key: Key
    target: Block | None
    back: bool = False


@attrs.define(slots=True, eq=False)
class Block:
    """A run of instructions.

    Attributes:
        nodes: the instructions; only the last may go elsewhere than to the next.
        number: place in reverse postorder.
        taken, fall: the ways out; None when there is no such way.
        into: edges that lead here.
        idom: the block through which every way from the entry to here goes last.
        loops: numbers of the heads of the loops it is in.
        live: for each instruction, what is needed when it begins (flags and LAST).
        live_after: for each instruction, what is needed when it is done.
        looks: indexes of instructions before which the function looks at the clock.
    """

    nodes: list[Node]
    number: int = -1
    taken: Edge | None = None
    fall: Edge | None = None
    into: list[Edge] = attrs.field(factory=list)
    idom: Block | None = None
    loops: set[int] = attrs.field(factory=set)
    live: list[frozenset[str]] = attrs.field(factory=list)
    live_after: list[frozenset[str]] = attrs.field(factory=list)
    looks: set[int] = attrs.field(factory=set)

    @property
    def ways(self) -> list[Edge]:
        """Its edges."""
        return [edge for edge in (self.taken, self.fall) if edge is not None]

    @property
    def is_head(self) -> bool:
        """Whether a loop begins here."""
        return self.number in self.loops


@attrs.define(slots=True, eq=False)
class Flow:
    """The blocks of a region, in reverse postorder; the first is the entry.

    Attributes:
        blocks: the blocks.
        worst: most cycles from one look at the clock to the next.
    """

    blocks: list[Block]
    worst: int = 0


def analyse(region: Region, cmos: bool) -> Flow:
    """Blocks of a region with everything worked out."""
    blocks = _blocks(region)
    while True:
        blocks = _in_order(blocks)
        _find_dominators(blocks)
        cut = [edge for edge in _edges(blocks) if edge.target is not None and _crooked(edge, edge.target)]
        if not cut:
            _find_loops(blocks)
            cut = [edge for edge in _edges(blocks) if edge.target is not None and _too_far(edge, edge.target)]
        if not cut:
            break
        for edge in cut:
            edge.target = None
    flow = Flow(blocks)
    flow.worst = _place_looks(blocks, cmos)
    _find_live(blocks)
    return flow


def _edges(blocks: list[Block]) -> list[Edge]:
    return [edge for block in blocks for edge in block.ways]


def _blocks(region: Region) -> list[Block]:
    """Cut the nodes into blocks."""
    nodes = region.nodes
    into: dict[Key, int] = {}
    heads = {region.entry}
    for node in nodes.values():
        ways = [way for way in (node.fall, node.taken) if way is not None]
        for way in ways:
            into[way] = into.get(way, 0) + 1
            if len(ways) > 1:
                heads.add(way)
    heads |= {key for key, count in into.items() if count > 1}
    by_head: dict[Key, Block] = {}
    for key in nodes:
        if key not in heads:
            continue
        run = [nodes[key]]
        while True:
            ways = [way for way in (run[-1].fall, run[-1].taken) if way is not None]
            if len(ways) != 1 or ways[0] in heads or ways[0] not in nodes:
                break
            run.append(nodes[ways[0]])
        by_head[key] = Block(run)
    for block in by_head.values():
        last = block.nodes[-1]
        if last.taken is not None:
            block.taken = Edge(block, last.taken, by_head.get(last.taken))
        if last.fall is not None:
            block.fall = Edge(block, last.fall, by_head.get(last.fall))
    return [by_head[region.entry], *(block for key, block in by_head.items() if key != region.entry)]


def _in_order(blocks: list[Block]) -> list[Block]:
    """The blocks that can be reached, in reverse postorder, numbered, with their incoming edges."""
    order: list[Block] = []
    state: dict[Block, int] = {}
    stack = [blocks[0]]
    while stack:
        block = stack[-1]
        done = state.get(block, 0)
        ways = block.ways
        if done < len(ways):
            state[block] = done + 1
            target = ways[done].target
            if target is not None and target not in state:
                stack.append(target)
                state[target] = 0
        else:
            order.append(stack.pop())
            state[block] = len(ways)
    order.reverse()
    for number, block in enumerate(order):
        block.number = number
        block.into = []
        block.idom = None
        block.loops = set()
    for block in order:
        for edge in block.ways:
            edge.back = False
            if edge.target is not None:
                edge.target.into.append(edge)
    return order


def _find_dominators(blocks: list[Block]) -> None:
    """Immediate dominators (Cooper, Harvey, Kennedy: A Simple, Fast Dominance Algorithm, 2001)."""
    blocks[0].idom = blocks[0]
    changed = True
    while changed:
        changed = False
        for block in blocks[1:]:
            found: Block | None = None
            for edge in block.into:
                other: Block | None = edge.source
                if other is None or other.idom is None:
                    continue
                found = other if found is None else _common(other, found)
            if found is not block.idom:
                block.idom = found
                changed = True


def _common(one: Block, two: Block) -> Block:
    while one is not two:
        while one.number > two.number:
            assert one.idom is not None
            one = one.idom
        while two.number > one.number:
            assert two.idom is not None
            two = two.idom
    return one


def _dominates(above: Block, block: Block) -> bool:
    while block.number > above.number:
        assert block.idom is not None
        block = block.idom
    return block is above


def _crooked(edge: Edge, target: Block) -> bool:
    """Goes back to a block that does not dominate it: no loop that `while` could stand for."""
    if target.number > edge.source.number:
        return False
    edge.back = _dominates(target, edge.source)
    return not edge.back


def _find_loops(blocks: list[Block]) -> None:
    for head in blocks:
        tails = [edge.source for edge in head.into if edge.back]
        if not tails:
            continue
        inside = {head}
        queue = [tail for tail in tails if tail is not head]
        while queue:
            block = queue.pop()
            if block not in inside:
                inside.add(block)
                queue.extend(edge.source for edge in block.into)
        for block in inside:
            block.loops.add(head.number)


def _too_far(edge: Edge, target: Block) -> bool:
    return len(edge.source.loops - target.loops) > 1 or len(target.loops) > MAX_LOOP_DEPTH


def _place_looks(blocks: list[Block], cmos: bool) -> int:
    """Mark where to look at the clock; every edge back looks anyway. Gives the most cycles between two looks."""
    since: dict[Block, int] = {}
    worst = 0
    for block in blocks:
        gone = max((since[edge.source] for edge in block.into if not edge.back), default=0)
        block.looks = set()
        for index, node in enumerate(block.nodes):
            cycles = _most_cycles(node, cmos)
            if gone and gone + cycles > LOOK_EVERY:
                block.looks.add(index)
                gone = 0
            gone += cycles
            worst = max(worst, gone)
        since[block] = gone
    return worst


def _most_cycles(node: Node, cmos: bool) -> int:
    """Most cycles the instruction can take inside the function."""
    if node.handed:
        return 0
    cycles = costs.fixed_cycles(node.opcode, cmos, node.key.decimal) + costs.pays_crossing(node.opcode, cmos)
    if node.taken is not None and node.opcode.mode in ("rel", "zprel"):
        cycles += costs.taken_cycles(node.after, node.taken.address)
    return cycles


def _find_live(blocks: list[Block]) -> None:
    at_top: dict[Block, frozenset[str]] = {block: frozenset() for block in blocks}
    changed = True
    while changed:
        changed = False
        for block in reversed(blocks):
            live = _live_at_end(block, at_top)
            block.live = [live] * len(block.nodes)
            block.live_after = [live] * len(block.nodes)
            for index in range(len(block.nodes) - 1, -1, -1):
                node = block.nodes[index]
                if node.reach is Reach.CARD:
                    live = EVERYTHING
                block.live_after[index] = live
                live = live - costs.flags_set(node.opcode) - {LAST} | costs.flags_used(node.opcode)
                if node.may_leave or index in block.looks:
                    live = EVERYTHING
                block.live[index] = live
            if live != at_top[block]:
                at_top[block] = live
                changed = True


def _live_at_end(block: Block, at_top: dict[Block, frozenset[str]]) -> frozenset[str]:
    if not block.ways:
        return EVERYTHING
    live: frozenset[str] = frozenset()
    for edge in block.ways:
        live |= EVERYTHING if edge.target is None or edge.back else at_top[edge.target]
    return live
