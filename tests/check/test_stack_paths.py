"""Ends of routines that leave the stack uneven: by every way, and only then."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.check.image.stack_paths import uneven
from simkit.cpu.isa.effects import effects

TABLE = effects("6502")
CALL = "201000"  # JSR $0010


def ends(routine, handler=False):
    """Depths by the end of the routine at $10."""
    code = bytearray(b"\xea" * 256)
    data = bytes.fromhex(routine.replace(" ", ""))
    code[:3] = bytes.fromhex(CALL) if not handler else b"\xea\xea\xea"
    code[0x10 : 0x10 + len(data)] = data
    pcs, pc = [0], 0x10
    while pc < 0x10 + len(data):
        pcs.append(pc)
        pc += TABLE[code[pc]].length
    found = uneven(pcs, [0x10] if handler else [], lambda at: code[at & 0xFF], TABLE)
    return {one.end - 0x10: sorted(one.depths) for one in found}


@pytest.mark.parametrize(
    ("routine", "found"),
    [
        ("48 68 60", {}),
        ("48 60", {1: [1]}),
        ("68 60", {1: [-1]}),
        ("48 A5 30 F0 02 68 60 60", {7: [1]}),  # forgotten on the early way
        ("48 A5 30 F0 02 68 60 68 60", {}),
        ("A5 30 F0 01 48 A5 30 F0 01 68 60", {}),  # pushed and pulled by one condition
        ("A9 80 48 A9 04 48 60", {}),  # goes to an address by RTS
        ("68 68 60", {}),  # drops the address that called it
        ("08 78 EA 28 60", {}),  # PHP, PLP
        ("08 78 EA 60", {3: [1]}),
        ("A2 08 48 CA D0 FC 60", {}),  # pushes in a loop: nobody can count
        ("BA 48 60", {}),  # TSX: knows better
        ("48 20 10 00 60", {4: [1]}),  # calls itself, and leaves a byte each time
    ],
)
def test_routines(routine, found):
    assert ends(routine) == found


@pytest.mark.parametrize(
    ("handler", "found"),
    [("48 8A 48 68 AA 68 40", {}), ("48 8A 48 68 40", {4: [1]}), ("68 40", {1: [-1]}), ("48 48 40", {2: [2]})],
)
def test_handlers(handler, found):
    """Of a handler two bytes are two too many as well."""
    assert ends(handler, handler=True) == found


PIECES = st.recursive(
    st.sampled_from(["EA", "48", "68", "A530"]),
    lambda inner: st.tuples(inner, inner).map(lambda two: f"F0{len(two[0]) // 2:02X}{two[0]}{two[1]}"),
    max_leaves=6,
)


@given(PIECES)
def test_what_is_found_is_what_all_ways_show(piece):
    code = bytes.fromhex(piece) + b"\x60"
    depths, left = set(), [(0, 0)]
    while left:
        pc, depth = left.pop()
        effect = TABLE[code[pc]]
        if effect.opcode.mnemonic == "RTS":
            depths.add(depth)
            continue
        if effect.branches:
            left.append((pc + 2 + code[pc + 1], depth))
        left.append((pc + effect.length, depth + effect.depth))
    odd = all(depth % 2 for depth in depths)
    assert ends(piece + "60") == ({len(code) - 1: sorted(depths)} if odd else {})
