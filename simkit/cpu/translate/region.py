"""Which instructions a function will hold: found from an entry on, through branches, jumps, calls and returns.

The same instruction is another `Node` for each way it is reached: with D set or clear, and inside which calls. A called
routine is thus copied into its caller, and its RTS knows where it goes back to; the function still checks the return
address on the stack before it goes there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Container
from enum import Enum

import attrs

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.opcodes import OPCODES, Opcode
from simkit.cpu.translate import costs
from simkit.cpu.translate.memory_map import MemoryMap, Place

MAX_CALLS = 4
"""Calls inside calls that are copied into one function."""

FIRST_ADDRESS = 0x200
"""Code in pages 0 and 1 stays with the exact engine: programs use these pages for pointers and the stack."""

STACK = 0x100


@attrs.frozen(slots=True)
class Key:
    """Names a node: address, D, and the return addresses of the calls it stands in (innermost last)."""

    address: int
    decimal: bool
    callers: tuple[int, ...] = ()


class Reach(Enum):
    """How an instruction gets at its byte."""

    NONE = "registers only"
    DIRECT = "plain memory whose place is known, perhaps with an index within one stretch"
    GUARDED = "an address found at run time; looked up, and left to exact when not plain"
    CARD = "a register of a card at a known address, in the last cycle"


@attrs.define(slots=True, eq=False)
class Node:
    """One instruction in one context.

    Attributes:
        key: its name.
        opcode: the opcode.
        operand: its operand bytes as a number; 0 for bytes that are read at run time.
        soft: addresses of operand bytes that the program overwrites: read at run time.
        reach: how it gets at its byte.
        handed: left to the exact engine: the function ends here.
        fall: where it goes on; None: nowhere, or where the function finds out at run time.
        taken: where a taken branch, a jump, a call or a known return goes.
    """

    key: Key
    opcode: Opcode
    operand: int
    soft: tuple[int, ...]
    reach: Reach = Reach.NONE
    handed: bool = False
    fall: Key | None = None
    taken: Key | None = None

    @property
    def address(self) -> int:
        """Where it stands."""
        return self.key.address

    @property
    def after(self) -> int:
        """Address behind it."""
        return self.key.address + self.opcode.length & 0xFFFF

    @property
    def may_leave(self) -> bool:
        """Whether it can turn out at run time that exact must do it."""
        return (
            self.handed
            or self.reach is Reach.GUARDED
            or self.opcode.mnemonic in ("CLI", "PLP", "RTI", "RTS")
            or (self.opcode.mnemonic == "JMP" and self.opcode.mode != "abs")
        )


@attrs.define(slots=True, eq=False)
class Region:
    """What one function will hold.

    Attributes:
        entry: where it begins.
        nodes: the instructions, by key.
        code: places of the bytes that stand in the function as constants.
    """

    entry: Key
    nodes: dict[Key, Node]
    code: set[Place]


@attrs.frozen(slots=True)
class Survey:
    """What is known when a function is made.

    Attributes:
        part: "6502" or "65C02".
        memory: the memory map.
        soft: places of bytes that programs were seen to overwrite.
        closed: (buffer, index // 256) of pages whose opcodes were overwritten too often.
        seen: addresses of instructions that have been executed; others are left out.
        may_stall: whether cards may take more than one cycle for an access.
    """

    part: str
    memory: MemoryMap
    soft: Container[Place]
    closed: Container[tuple[int, int]]
    seen: Container[int] | None
    may_stall: bool

    @property
    def cmos(self) -> bool:
        """Whether the part is the W65C02S."""
        return self.part == "65C02"


def discover(entry: Key, survey: Survey, most: int) -> Region:
    """The region from an entry on, at most `most` instructions."""
    own: set[Place] = set()  # operand bytes that the region itself overwrites
    region = _walk(entry, survey, most, own)
    targets = {place for node in region.nodes.values() if (place := _fixed_target(node, survey)) is not None}
    own = targets & (region.code - _opcode_places(region, survey))
    if own:
        region = _walk(entry, survey, most, own)
    for node in region.nodes.values():
        _keep_off_own_code(node, region, survey)
    return _without_unreached(region, survey)


def _walk(entry: Key, survey: Survey, most: int, own: set[Place]) -> Region:
    nodes: dict[Key, Node] = {}
    queue = deque([entry])
    waiting = {entry}
    while queue:
        key = queue.popleft()
        node = nodes[key] = _decode(key, survey, own)
        for target in (node.fall, node.taken):
            if target is None or target in waiting or len(waiting) >= most:
                continue
            if survey.seen is not None and target.address not in survey.seen:
                continue
            waiting.add(target)
            queue.append(target)
    return Region(entry, nodes, _code(nodes, survey))


def _code(nodes: dict[Key, Node], survey: Survey) -> set[Place]:
    code: set[Place] = set()
    for node in nodes.values():
        if node.handed:
            continue
        for address in range(node.address, node.address + node.opcode.length):
            place = survey.memory.place(address)
            if place is not None and address not in node.soft:
                code.add(place)
    return code


def _opcode_places(region: Region, survey: Survey) -> set[Place | None]:
    return {survey.memory.place(node.address) for node in region.nodes.values()}


def _without_unreached(region: Region, survey: Survey) -> Region:
    reached = {region.entry}
    queue = [region.entry]
    while queue:
        node = region.nodes[queue.pop()]
        for target in (node.fall, node.taken):
            if target is not None and target in region.nodes and target not in reached:
                reached.add(target)
                queue.append(target)
    nodes = {key: node for key, node in region.nodes.items() if key in reached}
    return Region(region.entry, nodes, _code(nodes, survey))


# one instruction ------------------------------------------------------------------------------------------------------


def _decode(key: Key, survey: Survey, own: set[Place]) -> Node:
    memory = survey.memory
    address = key.address
    code = memory.byte(address)
    opcode = OPCODES[survey.part][code if code is not None else 0]
    node = Node(key, opcode, 0, ())
    if code is None or not _stands_well(address, opcode.length, survey):
        node.handed = True
        return node
    soft = []
    for number in range(1, opcode.length):
        place = memory.place(address + number)
        if place in survey.soft or place in own:
            soft.append(address + number)
        else:
            byte = memory.byte(address + number)
            assert byte is not None
            node.operand |= byte << 8 * (number - 1)
    node.soft = tuple(soft)
    _find_reach(node, survey)
    if not node.handed:
        _find_ways(node, survey)
    return node


def _stands_well(address: int, length: int, survey: Survey) -> bool:
    """All its bytes and the one behind it are plain memory, whose opcodes are not overwritten again and again."""
    if address < FIRST_ADDRESS or address + length > 0xFFFF:
        return False
    for at in range(address, address + length + 1):
        place = survey.memory.place(at)
        if place is None or (place.buffer, place.index >> 8) in survey.closed:
            return False
    return True


def _find_reach(node: Node, survey: Survey) -> None:
    opcode, memory = node.opcode, survey.memory
    name, mode = opcode.mnemonic, opcode.mode
    node.handed = not opcode.documented or name in ("BRK", "WAI", "STP") or (name == "NOP" and opcode.code != 0xEA)
    if node.handed:
        return
    if name in ops.PUSH or name in ops.PULL or name in ("JSR", "RTS", "RTI"):
        node.handed = memory.both(STACK) is None or (name == "JSR" and bool(node.soft))
        return
    if mode in ("imm", "imp", "acc"):
        return
    if mode in ("rel", "ind", "iax") or (name == "JMP" and mode == "abs"):
        node.handed = bool(node.soft) and not (name == "JMP" and mode == "abs")
        if mode in ("ind", "iax"):
            node.handed |= memory.stretch(node.operand, node.operand + 1, for_write=False) is None or mode == "iax"
        return
    if mode == "zprel":
        node.handed = bool(node.soft) or memory.place(0) is None
        node.reach = Reach.DIRECT
        return
    writes = costs.is_store(opcode) or costs.is_modify(opcode)
    if mode in ("zp", "zpx", "zpy"):
        node.handed = (memory.both(0) if writes else memory.place(0)) is None
        node.reach = Reach.DIRECT
    elif mode in ("indx", "indy", "izp"):
        node.handed = memory.place(0) is None
        node.reach = Reach.GUARDED
    elif mode in ("absx", "absy"):
        whole = None if node.soft else memory.stretch(node.operand, node.operand + 255, for_write=writes)
        node.reach = Reach.GUARDED if whole is None else Reach.DIRECT
        node.handed = whole is None and costs.is_modify(opcode)
    elif node.soft:
        node.reach = Reach.GUARDED
        node.handed = costs.is_modify(opcode)
    else:
        _find_absolute(node, survey)


def _find_absolute(node: Node, survey: Survey) -> None:
    opcode, memory, address = node.opcode, survey.memory, node.operand
    if costs.is_modify(opcode):
        node.reach = Reach.DIRECT
        node.handed = memory.both(address) is None
    elif memory.place(address, for_write=costs.is_store(opcode)) is not None:
        node.reach = Reach.DIRECT
    else:
        node.reach = Reach.CARD
        again = survey.cmos and node.key.decimal and opcode.mnemonic in ("ADC", "SBC")  # would read twice
        node.handed = survey.may_stall or again


def _find_ways(node: Node, survey: Survey) -> None:
    name, key = node.opcode.mnemonic, node.key
    decimal, callers = key.decimal, key.callers
    after = Key(node.after, decimal, callers)
    if name in ops.BRANCH or node.opcode.mode == "zprel":
        offset = node.operand >> 8 if node.opcode.mode == "zprel" else node.operand
        node.taken = Key(node.after + (offset ^ 0x80) - 0x80 & 0xFFFF, decimal, callers)
        node.fall = None if name == "BRA" else after
    elif name == "JMP":
        node.taken = Key(node.operand, decimal, callers) if node.opcode.mode == "abs" and not node.soft else None
    elif name == "JSR":
        inside = len(callers) < MAX_CALLS and (survey.seen is None or node.operand in survey.seen)
        node.taken = Key(node.operand, decimal, (*callers, node.after) if inside else ())
    elif name == "RTS":
        node.taken = Key(callers[-1], decimal, callers[:-1]) if callers else None
    elif name in ("SED", "CLD"):
        node.fall = Key(node.after, name == "SED", callers)
    elif name not in ("RTI", "PLP"):
        node.fall = after


# stores into the region's own code ------------------------------------------------------------------------------------


def _fixed_target(node: Node, survey: Survey) -> Place | None:
    """Place that a store or read-modify-write without an index always hits."""
    opcode = node.opcode
    if node.handed or node.soft or not (costs.is_store(opcode) or costs.is_modify(opcode)):
        return None
    return survey.memory.place(node.operand, for_write=True) if opcode.mode in ("zp", "abs") else None


def _keep_off_own_code(node: Node, region: Region, survey: Survey) -> None:
    opcode, memory, code = node.opcode, survey.memory, region.code
    if node.handed:
        return
    if opcode.mnemonic in ops.PUSH or opcode.mnemonic == "JSR":
        node.handed = _overlaps(memory.place(STACK, for_write=True), 256, code)
    elif costs.is_store(opcode) or costs.is_modify(opcode):
        if opcode.mode in ("zpx", "zpy") or (opcode.mode == "zp" and node.soft):
            node.handed = _overlaps(memory.place(0, for_write=True), 256, code)
        elif opcode.mode in ("zp", "abs") and node.reach is Reach.DIRECT:
            node.handed = memory.place(node.operand, for_write=True) in code
        elif node.reach is Reach.DIRECT and _overlaps(memory.place(node.operand, for_write=True), 256, code):
            node.reach = Reach.GUARDED
            node.handed = costs.is_modify(opcode)
    if node.handed:
        node.fall = node.taken = None


def _overlaps(start: Place | None, length: int, code: set[Place]) -> bool:
    return start is not None and any(
        place.buffer == start.buffer and start.index <= place.index < start.index + length for place in code
    )
