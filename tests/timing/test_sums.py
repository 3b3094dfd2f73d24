"""The sums of a timing budget, with numbers that were worked out by hand.

Figures: of the data sheets that the table of parts names beside each (in `simkit/machinefile/parts`). The rest
is arithmetic: a cycle begins with the fall of PHI2 (forum.6502.org topic 8461, Glue questions, October 2025).
"""

import math

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.machinefile.figures import ROOM, TYPICAL, WORST, known_parts
from simkit.machinefile.timing import NOBODY, CardTiming, CpuTiming, Named
from simkit.timing.sums import CardSums, Conditions, Wired, cpu_paths, each
from simkit.timing.ways import Ways

R65C02, W65C02S, NMOS = ("R65C02", "1 MHz"), ("W65C02S", "14 MHz"), ("MCS6502", "2 MHz")
LATE = Wired(select_with_phi2=True)
UNGATED = Wired(read_with_phi2=False)


def named(text, grade="", figure=""):
    parts = known_parts().called(text, grade)
    assert parts, text
    return Named(text, parts, figure)


def step(text):
    name, _, figure = text.partition(" ")
    return named(name, "", figure)


def paths(cpu, part, wired=Wired(), conditions=Conditions(), decode=(), own=None, **timing):  # noqa: B008 - frozen
    device = named(*part) if part else NOBODY
    said = {key: named(name) for key, name in timing.items()}
    ways = (tuple(step(text) for text in decode),) if decode else ()
    around = CpuTiming(part=named(*cpu), **(own or {}))
    timing = CardTiming(decode=ways, **said)
    wired = attrs.evolve(wired, ways=Ways.of(timing, None, known_parts()))
    found = CardSums(around, wired, timing, device, conditions).paths()
    return {path.key: path for path in found}


def sum_slack_limit(path, mhz, without=()):
    """What parts take besides the CPU, the slack, and the highest clock in MHz."""
    own = sum(term.most for term in path.terms if not term.of_cpu or term.what in without)
    return own, round(path.slack(1000 / mhz), 3), round(path.highest_mhz, 3)


LS = {"decode": ("74LS688 compare", "74LS138 enable"), "buffer": "74LS245", "read_gate": "74LS00"}
HC = {"decode": ("CD74HC688 compare", "CD74HC138 enable"), "buffer": "CD74HC245"}
FAST = {"decode": ("CD74HC688 compare", "74AHC138 enable"), "buffer": "74AC245"}
EEPROM, SRAM = ("AT28C256", "150 ns"), ("AS6C1008", "55 ns")
RDS = ("read data set-up",)
EXAMPLES = {
    # a 1 MHz machine with an R65C02, an LS card and an EEPROM
    "1 P1": (R65C02, EEPROM, UNGATED, LS, "address", 1, (162, 613, 2.584)),
    "1 P2": (R65C02, EEPROM, UNGATED, LS, "select", 1, (223, 552, 2.232)),
    "1 P3": (R65C02, EEPROM, UNGATED, LS, "transceiver", 1, (101, 674, 3.067)),
    "1 output enable": (R65C02, EEPROM, UNGATED, LS, "output", 1, (97, 678, 3.106)),
    "1 NMOS at 2 MHz": (NMOS, EEPROM, UNGATED, LS, "select", 2, (223, 77, 2.364)),
    # a 4 MHz machine with a W65C02S at 5 V and an HC card
    "2a": (W65C02S, EEPROM, Wired(), HC, "select", 4, (258, -48, 3.356)),
    "2b": (W65C02S, SRAM, Wired(), HC, "select", 4, (163, 47, 4.926)),
    "2c": (W65C02S, SRAM, Wired(), HC, "address", 4, (83, 127, 8.130)),
    "2d": (W65C02S, SRAM, Wired(), HC, "transceiver", 4, (118, 92, 6.329)),
    "2e": (W65C02S, None, Wired(role=""), {**HC, "port": "74HC541"}, "port", 4, (146, 64, 5.376)),
    "2f": (W65C02S, SRAM, Wired(), {**HC, "buffer_gate": "74HC00"}, "transceiver-with-phi2", 4, (71, 54, 7.042)),
    "2g": (W65C02S, SRAM, Wired(), {**HC, "read_gate": "74HC00"}, "output-with-phi2", 4, (91, 34, 5.495)),
    "2h": (W65C02S, SRAM, LATE, HC, "select-with-phi2", 4, (131, -6, 3.817)),
    # an 8 MHz machine with the same CPU
    "3a": (W65C02S, SRAM, Wired(), HC, "select", 8, (163, -78, 4.926)),
    "3b": (W65C02S, SRAM, Wired(), FAST, "select", 8, (115.5, -30.5, 6.431)),
    "3c": (
        W65C02S, SRAM, Wired(), {**FAST, "decode": ("74F521 compare", "74AHC138 enable")}, "select", 8,
        (84.5, 0.5, 8.032),
    ),
    "3d": (W65C02S, None, Wired(role=""), {**FAST, "port": "74AC541"}, "port", 8, (69.5, 15.5, 9.132)),
    "3e": (W65C02S, SRAM, Wired(), FAST, "transceiver", 8, (62.5, 22.5, 9.756)),
    "3f": (W65C02S, SRAM, Wired(), {**HC, "buffer_gate": "74HC00"}, "transceiver-with-phi2", 8, (71, -8.5, 7.042)),
    "3g": (W65C02S, SRAM, Wired(), {**FAST, "buffer_gate": "74AC00"}, "transceiver-with-phi2", 8, (27.5, 35, 18.182)),
    "3h": (W65C02S, SRAM, Wired(), {**HC, "read_gate": "74HC00"}, "output-with-phi2", 8, (91, -28.5, 5.495)),
    "3i": (W65C02S, SRAM, Wired(), {**FAST, "read_gate": "74AC00"}, "output-with-phi2", 8, (55.5, 7, 9.009)),
}  # fmt: skip
"""Sums of paths from PHI2 hold the CPU's set-up, as those who work them out by hand write them."""


@pytest.mark.parametrize("example", EXAMPLES)
def test_reads_come_to_what_was_worked_out_by_hand(example):
    cpu, part, wired, timing, key, mhz, expected = EXAMPLES[example]
    path = paths(cpu, part, wired, **timing)[key]
    assert sum_slack_limit(path, mhz, RDS if "phi2" in key else ()) == pytest.approx(expected)


def test_the_same_parts_pass_by_47_ns_or_fail_by_6_as_the_decoder_starts_with_the_address_or_with_phi2():
    found = paths(W65C02S, SRAM, LATE, **HC)
    assert found["select"].slack(250) == pytest.approx(47)
    assert found["select-with-phi2"].slack(250) == pytest.approx(-6)


@pytest.mark.parametrize(
    ("mhz", "pulse", "with_hc", "with_ac", "verdicts"),
    [
        (1, 500, 447, 468, (True, True, True)),
        (2, 250, 197, 218, (True, True, True)),
        (4, 125, 72, 93, (True, True, True)),
        (8, 62.5, 9.5, 30.5, (True, False, True)),
        (14, 35.7, -17.3, 3.7, (False, False, False)),
    ],
)
def test_writes_come_to_what_was_worked_out_by_hand(mhz, pulse, with_hc, with_ac, verdicts):
    """W65C02S at 5 V, AS6C1008: write pulse 45, data set-up 25."""
    period = 1000 / mhz
    found = {name: paths(W65C02S, SRAM, buffer=name) for name in ("CD74HC245", "74AC245")}
    strobe = found["74AC245"]["write-pulse"]
    hc, ac = (found[name]["write-setup"] for name in ("CD74HC245", "74AC245"))
    assert strobe.slack(period) + 45 == pytest.approx(pulse, abs=0.06)
    assert hc.slack(period) + 25 == pytest.approx(with_hc, abs=0.06)
    assert ac.slack(period) + 25 == pytest.approx(with_ac, abs=0.06)
    assert tuple(path.slack(period) >= 0 for path in (strobe, hc, ac)) == verdicts


@pytest.mark.parametrize(("gate", "slack"), [("74HC00", -13), ("74AC00", 1.5)])
def test_data_hold_fails_on_paper_alone(gate, slack):
    """10 + 0 - 23 with HC; with AC 10 - 8.5, no least delay of the transceiver being claimed."""
    hold = paths(W65C02S, SRAM, write_gate=gate, buffer="CD74HC245")["write-hold"]
    assert hold.on_paper
    assert hold.slack(1000) == pytest.approx(slack)
    assert hold.highest_mhz is None


def test_the_cpu_asks_for_its_period_and_for_both_halves():
    found = {path.key: path for path in cpu_paths(named(*W65C02S), Conditions(high=0.4))}
    assert found["cycle"].highest_mhz == pytest.approx(1000 / 70)
    assert found["high"].highest_mhz == pytest.approx(0.4 * 1000 / 35)
    assert found["low"].highest_mhz == pytest.approx(0.6 * 1000 / 35)
    slow = {path.key: path for path in cpu_paths(named("MCS6502", "1 MHz"), Conditions())}["longest-cycle"]
    assert (slow.slack(10_001) < 0, slow.slack(9_999) > 0, slow.highest_mhz) == (True, True, None)


def test_a_phi2_that_is_high_for_less_than_half_leaves_less_to_strobes_and_more_to_selects():
    even, short = (paths(W65C02S, SRAM, conditions=Conditions(high=high), **HC) for high in (0.5, 0.4))
    assert short["write-setup"].slack(250) == pytest.approx(even["write-setup"].slack(250) - 25)
    assert short["address-setup"].slack(250) == pytest.approx(even["address-setup"].slack(250) + 25)
    assert short["select"].slack(250) == even["select"].slack(250)


def test_waiting_by_rdy_helps_what_starts_with_the_address_and_stretching_helps_strobes_too():
    once = paths(W65C02S, SRAM, conditions=Conditions(waits=(1, 1)), read_gate="74HC00", **HC)
    held = paths(W65C02S, SRAM, conditions=Conditions(waits=(1, 1), stretched=True), read_gate="74HC00", **HC)
    none = paths(W65C02S, SRAM, read_gate="74HC00", **HC)
    for key, by_rdy, by_stretching in (("select", 250, 250), ("output-with-phi2", 0, 250), ("write-pulse", 0, 250)):
        assert once[key].slack(250) - none[key].slack(250) == pytest.approx(by_rdy)
        assert held[key].slack(250) - none[key].slack(250) == pytest.approx(by_stretching)


def test_a_65xx_peripheral_wants_its_select_before_phi2_and_gives_data_after_it():
    """W65C22S at 2 MHz with an HC card: low 250 - 30 - 42 - 38 - 10; high 250 - 20 - 28 - 10; 250 - 25 - 28 - 10."""
    wired = Wired(own_phi2=True, role="peripheral")
    found = paths(W65C02S, ("W65C22S", "14 MHz"), wired, **HC)
    assert found["select-before-phi2"].slack(500) == pytest.approx(130)
    assert found["read-after-phi2"].slack(500) == pytest.approx(192)
    assert found["write-setup"].slack(500) == pytest.approx(187)
    assert found["period"].highest_mhz == pytest.approx(1000 / 70)
    assert "write-pulse" not in found


def test_buffers_of_the_cpu_card_are_on_every_way():
    own = {"address_buffer": named("74HC541"), "data_buffer": named("CD74HC245")}
    plain, buffered = paths(W65C02S, SRAM, **HC), paths(W65C02S, SRAM, own=own, **HC)
    assert plain["select"].slack(250) - buffered["select"].slack(250) == pytest.approx(29 + 28)
    assert plain["write-setup"].slack(250) - buffered["write-setup"].slack(250) == pytest.approx(28)
    assert plain["address-setup"].slack(250) - buffered["address-setup"].slack(250) == pytest.approx(29)


def test_where_makers_differ_the_slowest_counts_and_the_quickest_decides_whether_it_is_certain():
    select = paths(W65C02S, SRAM, decode=("74HC688 compare", "74HC138 enable"))["select"]
    assert select.takes == pytest.approx(30 + 53 + 39 + 55 + 10)
    assert select.takes_at_least == pytest.approx(30 + 42 + 38 + 55 + 10)


def test_columns_are_not_mixed_without_a_word():
    for column, total in ((TYPICAL, 14 + 11 + 8), (ROOM, 34 + 30 + 22), (WORST, 42 + 38 + 28)):
        select = paths(W65C02S, SRAM, conditions=Conditions(column=column), **HC)["select"]
        logic = [term for term in select.terms if term.part.startswith("CD74")]
        assert sum(term.most for term in logic) == total
        assert {term.columns for term in logic} == {(column,)}
    ls = paths(R65C02, EEPROM, **LS)["select"]
    assert {term.columns for term in ls.terms} == {("worst",), ("room",)}


def test_a_part_without_a_limit_is_told_as_unknown():
    only_typical = Named("74HC688", tuple(part for part in known_parts().parts if part.name == "74HC688"), "compare")
    timing = CardTiming(decode=((only_typical,),))
    wired = Wired(ways=Ways.of(timing, None, known_parts()))
    found = CardSums(CpuTiming(), wired, timing, named(*SRAM), Conditions()).paths()
    assert {path.key: path.unknown for path in found}["select"] == (
        "74HC688: from P or Q to the output of a comparator",
    )


def test_a_part_that_is_not_written_has_no_sums_of_writes():
    assert not [key for key in paths(W65C02S, EEPROM, Wired(is_written=False)) if key.startswith("write")]
    assert not [key for key in paths(W65C02S, ("27C256", "")) if key.startswith("write")]
    assert "write-pulse" in paths(W65C02S, EEPROM)


def test_a_name_of_several_grades_is_taken_row_by_row():
    assert [one.text for one in each(named("62256"))] == ["62256, 70 ns", "62256, 55 ns"]
    assert each(NOBODY) == (NOBODY,)


ANY_PART = st.sampled_from([part for part in known_parts().parts if part.kind == "memory"])
ANY_CPU = st.sampled_from([part for part in known_parts().parts if part.kind == "cpu"])
ANY_LOGIC = st.sampled_from(["74LS138 enable", "74HC688 compare", "74HC139 select", "74AC00 input", "74HCT32 input"])


@given(
    cpu=ANY_CPU,
    part=ANY_PART,
    decode=st.lists(ANY_LOGIC, max_size=4),
    high=st.floats(0.05, 0.95),
    waits=st.integers(0, 3),
    stretched=st.booleans(),
    column=st.sampled_from([TYPICAL, ROOM, WORST]),
    factor=st.floats(1.001, 100),
)
def test_slack_is_nothing_at_the_highest_clock_and_less_above(
    cpu, part, decode, high, waits, stretched, column, factor
):
    """Whatever is put together: a sum is the sum of its terms, and its highest clock is where nothing is left."""
    conditions = Conditions(column=column, high=high, waits=(waits, waits), stretched=stretched)
    found = paths((cpu.name, cpu.grade), (part.name, part.grade), conditions=conditions, decode=decode)
    assert {"address", "select", "output-with-phi2"} <= set(found)
    for path in found.values():
        assert path.takes == pytest.approx(math.fsum(term.most for term in path.terms))
        assert path.takes_at_least <= path.takes
        if path.highest_mhz is not None:
            period = 1000 / path.highest_mhz
            assert path.slack(period) == pytest.approx(0, abs=1e-6)
            assert path.slack(period / factor) < 0 < path.slack(period * factor)
