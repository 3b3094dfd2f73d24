"""Decoders as they are wired, against one address after the other, and their switches."""

import random

import attrs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.select import ALL, Select, address_bit
from simkit.contract.errors import SimkitError
from simkit.logic.fuses.jedec import read_fuse_map
from simkit.logic.fuses.part import programmed_part
from simkit.logic.fuses.program import programmed
from simkit.logic.parts import TYPES
from simkit.logic.wired.decode import FIXED, Decode, DecodePart, Wanted, difference
from simkit.logic.wired.switches import in_words, positions, set_to
from simkit.logic.wired.told import as_data, lines
from simkit.machinefile.read import read_description
from tests.examples import examples
from tests.logic.fuses.row_by_row import NONE
from tests.logic.fuses.row_by_row import Part as RowByRow
from tests.logic.fuses.test_worked_designs import COUNTER
from tests.logic.fuses.test_worked_designs import part as worked_design
from tests.logic.fuses.written import jedec, random_fuses
from tests.logic.test_network import PUSH_PULL
from tests.logic.test_parts import by_hand

LINES = ("BANK0", "PHI2", "RW")


def random_decoder(rng):
    """A few parts, a programmed one among them, each hearing lines, switches and outputs of those before it."""
    nets = [*(f"A{n}" for n in range(16)), *LINES, "high", "low"]
    parts, models = [], {}
    for number in range(rng.randint(1, 5)):
        ref = f"U{number}"
        if rng.random() < 0.4:
            kind, fuses = "16V8", bytearray(random_fuses("16V8", rng))
            fuses[2120] = 0  # one output at least
            fuses[2192:2194] = rng.choice((b"\1\0", b"\1\1"))
            fuses = bytes(fuses)
            program = programmed(kind, read_fuse_map(jedec(fuses), "any.jed"))
            part_type, models[ref] = programmed_part(program), RowByRow(kind, fuses)
        else:
            name = rng.choice(PUSH_PULL)
            program, part_type, models[ref] = None, TYPES[name], by_hand(name.removeprefix("74"))
        made = {pin: f"{ref}.{pin}" for pin in part_type.outputs}
        joined = {pin: rng.choice(nets) for pin in part_type.pins if pin not in part_type.outputs}
        parts.append(DecodePart(ref, part_type.name, part_type, made | joined, program))
        nets += made.values()
    last = parts[-1]
    wanted = Wanted(last.ref, rng.choice(list(last.type.outputs)), rng.random() < 0.5, "any")
    return Decode(tuple(parts), {}, {"select": wanted}), models


def level_by_hand(decode, models, levels):
    """Level of the wanted pin at these levels of lines; None where it, or what it hears, is not driven or moves on."""
    levels = {"high": 1, "low": 0} | levels
    for part in decode.parts:
        model = models[part.ref]
        if isinstance(model, RowByRow):
            heard = {pin: net for pin, net in part.nets.items() if pin not in part.type.outputs}
            outside = {pin: levels.get(net, 1) for pin, net in heard.items()}  # what has no level matters to nobody
            one, _ = model.rest(outside, {}, 0)
            other, _ = model.rest(outside, {}, 1)
            if one is None or one != other:
                continue
            for pin in part.type.outputs:
                if model.output(pin, one, {}) != NONE:
                    levels[part.nets[pin]] = one[pin]
        else:
            for pin, (of, function) in model.items():
                if all(part.nets[at] in levels for at in of):
                    levels[part.nets[pin]] = int(bool(function(*(levels[part.nets[at]] for at in of))))
    wanted = decode.wanted["select"]
    return levels.get(f"{wanted.ref}.{wanted.pin}")


@settings(max_examples=examples(120), deadline=None)
@given(seed=st.integers(0, 2**32))
def test_any_decoder(seed):
    rng = random.Random(seed)
    decode, models = random_decoder(rng)
    decoded = decode.decoded("select")
    is_high = decode.wanted["select"].is_high
    for _ in range(3):
        lines = {line: rng.random() < 0.5 for line in LINES}
        asked = {line: level for line, level in lines.items() if line in decoded.lines}
        addresses = [rng.getrandbits(16) for _ in range(20)]
        try:
            table = decoded.table(asked)
        except SimkitError:  # an output of the random part that lets go, or never comes to rest
            return
        for address in addresses:
            levels = {f"A{n}": address >> n & 1 for n in range(16)} | {
                line: int(level) for line, level in lines.items()
            }
            level = level_by_hand(decode, models, levels)
            if level is not None:  # another output of a programmed part may move on for ever, which is not heard here
                assert table >> address & 1 == (level == is_high)


@settings(max_examples=examples(60), deadline=None)
@given(seed=st.integers(0, 2**32))
def test_what_a_decoder_comes_to_is_written_as_a_select_that_is_the_same(seed):
    decode, _ = random_decoder(random.Random(seed))
    decoded = decode.decoded("select")
    try:
        cover = decoded.cover()
    except SimkitError:
        return
    select = Select(cover.select, cover.not_select)
    assert difference(select.table, decoded.lines, decoded.table, decoded.lines) is None
    assert select.lines <= set(decoded.lines)


def one(kind, nets, pin, **more):
    part = DecodePart("U1", kind, TYPES[kind], nets, **more)
    return Decode((part,), {}, {"select": Wanted("U1", pin, False, f"U1.{pin}")})


COMPARATOR = {1: "low", 19: "U1.19"}
P, Q = (17, 15, 13, 11, 8, 6, 4, 2), (18, 16, 14, 12, 9, 7, 5, 3)
PAGE = {pin: f"A{n}" for pin, n in zip(P, range(15, 7, -1), strict=True)}


@given(st.integers(0, 255))
def test_switches_of_a_comparator_say_its_page_and_the_other_way_round(page):
    bits = f"{page:08b}"
    nets = COMPARATOR | PAGE | {pin: ("low", "high")[int(bit)] for pin, bit in zip(Q, bits, strict=True)}
    cover = one("74688", nets, 19).decoded("select").cover()
    assert cover.select == (f"{bits[:4]} {bits[4:]} xxxx xxxx",)
    found = positions(TYPES["74688"], nets)
    assert [(each.pin, each.number, each.line) for each in found] == [
        (f"Q{n}", pin, f"A{n + 8}") for n, pin in zip(range(7, -1, -1), Q, strict=True)
    ]
    assert [each.is_high for each in found] == [bit == "1" for bit in bits]
    others = nets | dict.fromkeys(Q, "high")
    assert set_to(one("74688", others, 19), cover.select[0]) == {"U1": found}


def test_switches_in_words():
    nets = COMPARATOR | PAGE | dict.fromkeys(Q, "high") | {18: "low"}
    assert in_words("U1", "74HC688", positions(TYPES["74688"], nets)) == (
        "U1 (74HC688): Q7..Q0 = 0 1 1 1 1 1 1 1; closed (to ground): Q7; open: Q6, Q5, Q4, Q3, Q2, Q1, Q0"
    )
    free = set_to(one("74688", nets, 19), "01xx xxxx xxxx xxxx")
    assert in_words("U1", "74HC688", free["U1"]).endswith(
        "Q7..Q0 = 0 1 - - - - - -; closed (to ground): Q7; open: Q6; Q5 joined to A13; Q4 joined to A12; "
        "Q3 joined to A11; Q2 joined to A10; Q1 joined to A9; Q0 joined to A8"
    )
    assert in_words("U1", "7400", positions(TYPES["7400"], {1: "low", 2: "A5"})) == ""


def test_a_pattern_that_a_decoder_cannot_make_is_refused():
    nets = COMPARATOR | PAGE | dict.fromkeys(Q, "low")
    with pytest.raises(SimkitError, match="the decoder makes 0111 1111 xxxx xxxx, not 0111 1111 0xxx xxx1"):
        set_to(one("74688", nets, 19), "0111 1111 0xxx xxx1")
    gated = one("74688", nets | {1: "U2.2"}, 19)
    inverted = {pin: f"U2.{pin}" for pin in (2, 4, 6, 8, 10, 12)} | {1: "RW"}
    gated = attrs.evolve(gated, parts=(*gated.parts, DecodePart("U2", "7404", TYPES["7404"], inverted)))
    with pytest.raises(SimkitError, match="the decoder makes 0111 1111 xxxx xxxx and RW, not 0111 1111 xxxx xxxx"):
        set_to(gated, "0111 1111 xxxx xxxx")
    with pytest.raises(SimkitError, match="has no comparator with switches"):
        set_to(one("7430", {1: "A15", 8: "U1.8"}, 8), "0111 1111 xxxx xxxx")
    with pytest.raises(SimkitError, match="has 3 bits, not 16"):
        set_to(one("74688", nets, 19), "011")


def test_a_table_with_odd_lines_is_that_of_the_lines_as_they_are():
    """A decoder hears what a short or a crossing makes of a line, as any select does."""
    decode = one("7430", dict.fromkeys((1, 2, 3, 4, 5, 6, 11, 12), "A15") | {8: "U1.8"}, 8)
    assert decode.decoded("select").table({}) == decode.decoded("select").table({"A3": 0})
    assert decode.decoded("select").table({"A15": 0}) == 0
    assert decode.decoded("select").table({"A15": True}) == ALL
    assert decode.decoded("select").table({"A15": address_bit(3)}) == address_bit(3)
    assert FIXED["open"] == ALL


def test_a_decoder_is_told_as_data_and_in_words():
    decode = read_description("demo:decoders").cards[2].decode
    assert as_data(decode)["select"] == "U3.Y0"
    page = as_data(decode)["parts"][0]
    assert [(switch["pin"], switch["line"], switch["level"]) for switch in page["switches"][:2]] == [
        ("Q7", "A15", 0),
        ("Q6", "A14", 1),
    ]
    assert lines(decode) == [
        "select: U3.Y0 is low",
        "U1 (74HC688): Q7..Q0 = 0 1 1 1 1 1 1 1; closed (to ground): Q7; open: Q6, Q5, Q4, Q3, Q2, Q1, Q0",
        "U1 (74HC688): G low, P7..P0 A15..A8",
        "U2 (74HC138): A A4, B A5, C A6, G1 high, G2A U1.P=Q, G2B A7",
        "U3 (74HC138): A A1, B A2, C A3, G1 high, G2A U2.Y1, G2B low",
    ]
    memory = lines(read_description("demo:decoders").cards[0].decode)
    assert memory[3:6] == [
        "U1 (GAL16V8): 1..8 A15..A8, 9 RW, 11 PHI2",
        "U1.19: low when " + " or ".join(f"not A15 and not A{n}" for n in range(14, 7, -1)) + ", else high",
        "U1.18: low when A15, else high",
    ]
    assert memory[-1] == "U1: its signature is MARLPIT1"


def test_a_flip_flop_that_is_not_driven_gives_no_select():
    """Pin 12 of the worked counter is driven while pin 11 is low; its level is that of the line that is named there."""
    program = worked_design(COUNTER)
    kind = programmed_part(program)

    def decoder(output_enable):
        nets = {pin: f"U1.{pin}" for pin in kind.outputs} | {
            1: "PHI2",
            2: "low",
            11: output_enable,
            12: "BANK0",
            13: "B1",
        }
        part = DecodePart("U1", "GAL16V8", kind, nets, program)
        return Decode((part,), {}, {"select": Wanted("U1", 14, False, "U1.14")}), part

    full, part = decoder("low")
    assert full.decoded("select").cover().select == ("B1 and BANK0",)
    assert full.decoded("select").lines == ("B1", "BANK0")
    own = attrs.evolve(part, nets={**part.nets, 12: "U1.12", 11: "A15"})
    gated = Decode((own,), {}, {"select": Wanted("U1", 12, False, "U1.12")})
    free = attrs.evolve(part, nets={**part.nets, 12: "U1.12"})
    with pytest.raises(SimkitError, match=r"The flip-flop or latch at U1\.12 is heard"):
        Decode((free,), {}, {"select": Wanted("U1", 12, False, "U1.12")}).decoded("select").table({})
    with pytest.raises(SimkitError, match=r"U1\.12 is driven by nobody at \$8000-\$FFFF"):
        gated.decoded("select").table({})


def test_what_hears_far_too_much_is_refused_before_it_is_worked_out():
    """Forty gates one behind another and eight lines of cards."""
    gates = {}
    for n in range(40):
        nets = {1: f"U{n - 1}.3" if n else "A15", 2: f"L{n % 8}"} | {pin: f"U{n}.{pin}" for pin in (3, 6, 8, 11)}
        gates[f"U{n}"] = DecodePart(f"U{n}", "7486", TYPES["7486"], nets)
    decode = Decode(tuple(gates.values()), {}, {"select": Wanted("U39", 3, True, "U39.3 high")})
    with pytest.raises(SimkitError, match="hears 40 outputs and the lines L0, L1, L2, L3, L4, L5, L6, L7"):
        decode.decoded("select").cover()
