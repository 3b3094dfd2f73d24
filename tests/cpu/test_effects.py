"""What effects.py reads off the texts, tried on the exact CPU: every opcode of both parts from random states."""

import random

import pytest

from simkit.cpu.isa.effects import effects
from simkit.cpu.isa.opcodes import OPCODES, PARTS

STATES = 24
TRIES = 400
BITS = {"n": 0x80, "v": 0x40, "d": 0x08, "i": 0x04, "z": 0x02, "c": 0x01}
NAMES = ("a", "x", "y", "sp", *BITS)


def _state(chance):
    return {name: chance.randrange(256) for name in ("a", "x", "y", "sp", "p")}


def _with(state, name, chance):
    """The same state with one register or flag changed."""
    if name in BITS:
        return state | {"p": state["p"] ^ BITS[name]}
    return state | {name: state[name] ^ chance.randrange(1, 256)}


def _values(cpu):
    """Every register and flag by name."""
    return {name: getattr(cpu, name) if name not in BITS else bool(cpu.p & BITS[name]) for name in NAMES}


class Runner:
    """Runs one instruction from a state, always in the same memory, and tells everything that it did."""

    def __init__(self, board, chance):
        self.board, self.chance = board, chance
        self.noise = chance.randbytes(2 * 65536)
        self.image = b""
        self.pc = 0

    def place(self, code):
        """New memory with the opcode somewhere: a piece of the noise, from another place on each time."""
        start = self.chance.randrange(65536)
        memory = bytearray(self.noise[start : start + 65536])
        self.pc = self.chance.randrange(65536)
        memory[self.pc] = code
        self.image = bytes(memory)

    def run(self, state):
        """(registers and flags, bus cycles, next address, what the CPU waits for) after the instruction."""
        board, cpu = self.board, self.board.cpu
        board.memory[:] = self.image
        board.log.clear()
        board.begin(self.pc, **state)
        cpu.step()
        bus = [(c.address, c.data, "write" if c.is_write else c.kind) for c in board.log]
        return _values(cpu), bus, cpu.pc, (cpu.waiting, cpu.halted is not None)

    def before(self, state):
        """Registers and flags as they stand before the instruction."""
        self.board.begin(self.pc, **state)
        return _values(self.board.cpu)


@pytest.fixture
def runner(rig, request):
    def make(part):
        return Runner(rig(part, pulled=()).watch(), random.Random(f"{request.node.name}"))

    return make


@pytest.mark.parametrize("part", PARTS)
def test_registers_and_flags_that_are_not_written_never_change_and_those_that_are_do(part, runner):
    run = runner(part)
    for effect in effects(part):
        changed = set()
        for _ in range(STATES):
            run.place(effect.opcode.code)
            state = _state(run.chance)
            before = run.before(state)
            after, _, _, _ = run.run(state)
            changed |= {name for name in NAMES if after[name] != before[name]}
        assert changed == effect.writes, effect.opcode


@pytest.mark.parametrize("part", PARTS)
def test_what_is_read_makes_a_difference_and_what_is_not_read_makes_none(part, runner):
    """Two states that differ in one register or flag only; that it still differs if nothing wrote it does not count."""
    run = runner(part)
    for effect in effects(part):
        for name in NAMES:
            found = False
            for _ in range(TRIES if name in effect.reads else STATES // 4):
                run.place(effect.opcode.code)
                state = _state(run.chance)
                one, other = run.run(state), run.run(_with(state, name, run.chance))
                if name not in effect.writes:
                    other[0][name] = one[0][name]
                found = found or one != other
                if found:
                    break
            assert found == (name in effect.reads), (effect.opcode, name)


@pytest.mark.parametrize("part", PARTS)
def test_what_is_said_of_registers_stack_and_operand_is_what_happens(part, runner):
    run = runner(part)
    for effect in effects(part):
        opcode = effect.opcode
        straight, in_place = set(), set()
        for _ in range(STATES):
            run.place(opcode.code)
            state = _state(run.chance)
            before = run.before(state)
            after, bus, pc, _ = run.run(state)
            written = [(address, data) for address, data, kind in bus if kind == "write"]
            read = {address for address, _, kind in bus[1:] if kind == "instruction"}
            straight.add(pc == run.pc + opcode.length & 0xFFFF)
            if effect.depth or "sp" not in effect.writes:
                assert (before["sp"] - after["sp"] + 4 & 0xFF) - 4 == effect.depth, opcode
            assert (len(written) > max(effect.depth, 0)) == effect.stores, opcode
            if effect.copies:
                source, target = effect.copies
                assert after[target] == before[source], opcode
            if effect.pushes:
                assert written == [(0x100 | before["sp"], before[effect.pushes])], opcode
            if effect.pulls:
                assert after[effect.pulls] == run.image[0x100 | after["sp"]], opcode
            in_place.add(effect.stores and written[-1][0] in read)
        assert effect.modifies == (in_place == {True}), opcode
        if effect.branches:
            assert straight == ({True, False} if effect.conditional else {False}), opcode
        assert effect.length == opcode.length
        assert effect.indirect == (opcode.mode in ("indx", "indy", "izp")), opcode


@pytest.mark.parametrize("part", PARTS)
def test_registers_are_used_set_or_handed_on_as_their_reads_and_writes_say(part):
    """A register that is read is used, copied or pushed; one that is written takes its value from somewhere."""
    for effect in effects(part):
        handed_on = {*effect.copies[:1], *effect.pushes}
        got = {*effect.copies[1:], *effect.pulls, *effect.sets}
        assert {*effect.uses, *handed_on} == effect.reads & {"a", "x", "y"}, effect.opcode
        assert not {*effect.uses} & handed_on
        assert got == (effect.writes & {"a", "x", "y"}) - {*effect.uses}, effect.opcode


# name: uses, sets, copies, pushes, pulls, depth, modifies, stores
KNOWN = {
    "LDA absx": ("x", "a", "", "", "", 0, False, False),
    "STA indy": ("ay", "", "", "", "", 0, False, True),
    "ADC imm": ("a", "", "", "", "", 0, False, False),
    "INC absx": ("x", "", "", "", "", 0, True, True),
    "ASL acc": ("a", "", "", "", "", 0, False, False),
    "TAX imp": ("", "", "ax", "", "", 0, False, False),
    "TXS imp": ("x", "", "", "", "", 0, False, False),
    "TSX imp": ("", "x", "", "", "", 0, False, False),
    "PHA imp": ("", "", "", "a", "", 1, False, False),
    "PLA imp": ("", "", "", "", "a", -1, False, False),
    "PHP imp": ("", "", "", "", "", 1, False, False),
    "JSR abs": ("", "", "", "", "", 2, False, False),
    "RTS imp": ("", "", "", "", "", -2, False, False),
    "BRK imp": ("", "", "", "", "", 3, False, False),
    "RTI imp": ("", "", "", "", "", -3, False, False),
}


@pytest.mark.parametrize("part", PARTS)
def test_effects_of_well_known_instructions_are_those_of_the_manual(part):
    """MCS6500 Programming Manual, January 1976: the instructions by name."""
    found = {f"{e.opcode.mnemonic} {e.opcode.mode}": e for e in effects(part)}
    for name, wanted in KNOWN.items():
        e = found[name]
        assert (e.uses, e.sets, e.copies, e.pushes, e.pulls, e.depth, e.modifies, e.stores) == wanted, name


def test_every_opcode_has_its_effect():
    for part in PARTS:
        assert [effect.opcode for effect in effects(part)] == list(OPCODES[part])
