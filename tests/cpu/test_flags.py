import ast
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from simkit.cpu.isa.flags import FLAG_WORDS, flags_sentence, flags_set

SIMKIT = Path(__file__).parents[2] / "simkit"


def test_flags_are_said_in_the_order_of_their_bits():
    """MCS6500 Programming Manual, January 1976, p. 27: N V - B D I Z C; bits 5 and 4 are no flags."""
    assert flags_set(0xFF) == ["negative", "overflow", "decimal", "interrupts off", "zero", "carry"]
    assert flags_set(0x30) == []
    assert flags_sentence(flags_set(0x83)) == "negative, zero, carry"
    assert flags_sentence(flags_set(0x30)) == "no flag"


@given(st.integers(0, 255))
def test_a_flag_is_said_when_its_bit_is_set(p):
    assert flags_set(p) == [word for mask, word in FLAG_WORDS if p & mask]
    assert len(flags_set(p)) == (p & 0xCF).bit_count()


def test_no_other_module_has_words_for_flags():
    words = {word for _, word in FLAG_WORDS}
    tables = []
    for path in SIMKIT.rglob("*.py"):
        nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        said = {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)} & words
        if "interrupts off" in said or len(said) > 1:
            tables.append(path.name)
    assert tables == ["flags.py"]
