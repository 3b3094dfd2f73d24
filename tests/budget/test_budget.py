"""The timing budget of whole machines: what is told of parts that are named and of those that are not; the drawing."""

import json
from fractions import Fraction
from xml.etree import ElementTree

import pytest

from simkit import Machine
from simkit.budget.drawn import drawn, most_urgent
from simkit.budget.whole import budget
from simkit.budget.words import budget_data, budget_lines
from simkit.contract.errors import CardError, SimkitError
from simkit.looks.drawing import Area, Stroke, Words, svg
from simkit.machinefile.figures import COLUMNS
from simkit.timing.limits import RULE
from tests.looks.boxes import check_texts

HEAD = 'name = "Shed"\nclock = "4 MHz"\n'
CPU = '[cpu]\npart = "W65C02S"\ngrade = "14 MHz"\n'
RAM = '[[card]]\nslot = 1\nkind = "sram"\nselect = "not A15"\n'
ROM = '[[card]]\nslot = 2\nkind = "rom"\nselect = "A15"\nimage = "rom.bin"\n'
WAY = (
    '[card.timing]\ndecode = ["CD74HC688", "CD74HC138 enable"]\nbuffer = "CD74HC245"\nread_gate = "74HC00"\n'
    'write_gate = "74HC00"\n'
)


@pytest.fixture
def loaded(tmp_path):
    def machine(text, **given):
        (tmp_path / "rom.bin").write_bytes(bytes(32_768))
        (tmp_path / "machine.toml").write_text(text)
        return Machine.load(tmp_path, **given)

    return machine


def slacks(found, slot):
    """By part and sum the slack in ns."""
    return {
        (row.part.text, path.key): round(path.slack(found.period), 3)
        for row in found.card(slot).rows
        for path in row.paths
    }


def test_every_sum_of_a_named_card_is_there_with_its_terms(loaded):
    """W65C02S at 5 V, an HC card with a 62256-55, 4 MHz: 250 - 30 - 10 = 210 ns of budget. Arithmetic."""
    machine = loaded(HEAD + CPU + RAM + 'part = "62256-55"\n' + WAY)
    found = budget(machine, "worst")
    assert slacks(found, 1) == {
        ("62256, 55 ns", key): slack
        for key, slack in {
            "address": 127, "select": 47, "transceiver": 92, "output-with-phi2": 34, "write-setup": 47,
            "write-pulse": 80, "address-setup": 15, "write-hold": -13, "address-hold": -13,
        }.items()
    }  # fmt: skip
    assert not found.is_late
    assert found.highest_mhz == pytest.approx(1000 / 220)
    text = "\n".join(budget_lines(found))
    assert "CPU address valid 30 + CD74HC688 compare 42 + CD74HC138 enable 38 + 62256, 55 ns enable to data 55*" in text
    assert "short on paper" in text
    assert "* rests on figures from memory" in text


def test_what_is_too_slow_is_told_and_is_what_the_run_finds(loaded):
    machine = loaded(HEAD + CPU + RAM + ROM + 'part = "AT28C256-15"\n' + WAY)
    found = budget(machine, "worst")
    assert found.card(2).is_late(found.period)
    assert [one.slot for one in machine.findings if one.rule == RULE] == [2]
    assert "Too slow for the clock: ROM (slot 2)." in budget_lines(found)


def test_where_nothing_is_named_every_part_known_has_a_line_and_nothing_is_judged(loaded):
    machine = loaded('name = "Shed"\nclock = "14 MHz"\ncpu = "6502"\n' + RAM)
    found = budget(machine, "worst")
    assert [row.part.text for row in found.cpus] == ["MCS6502, 1 MHz", "MCS6502, 2 MHz", "R6502, 1 MHz", "R6502, 2 MHz"]
    assert all(row.is_late(found.period) for row in found.cpus)
    assert [row.part.text for row in found.card(1).rows] == ["62256, 70 ns", "62256, 55 ns"]
    assert not found.is_late
    text = "\n".join(budget_lines(found))
    assert "neither part nor grade is named" in text
    assert "none follows the clock" in text
    assert "no part is named; those known that fit" in text
    assert not [one for one in machine.findings if one.rule == RULE]


def test_a_grade_of_the_cpu_alone_is_judged(loaded):
    machine = loaded('name = "Shed"\nclock = "14 MHz"\ncpu = { kind = "6502", grade = "2 MHz" }\n' + RAM)
    found = budget(machine, "worst")
    assert found.cpu_is_late
    assert len([one for one in machine.findings if one.rule == RULE]) == 1


def test_parts_fit_by_size_and_by_what_the_setting_says(loaded):
    def parts(card):
        found = budget(loaded(HEAD + card), "worst")
        return {row.part.text for row in found.cards[0].rows if row.part}

    assert parts(RAM + "settings.size = 524288\n") == {"AS6C4008, 55 ns"}
    assert parts(ROM + 'settings.part = "28C256"\n') == {"AT28C256, 150 ns"}
    serial = '[[card]]\nslot = 3\nkind = "serial-6551"\nselect = "0111 1111 0000 00xx"\nsettings.part = "{}"\n'
    assert parts(serial.format("SY6551")) == {"R6551, 1 MHz", "R6551, 2 MHz"}
    assert parts(serial.format("CDP65C51")) == set()


def test_a_clock_that_is_asked_about_takes_the_place_of_the_machines(loaded):
    text = HEAD + CPU + RAM + 'part = "62256-55"\n' + WAY
    slow, fast = (budget(loaded(text, clock=clock), "worst") for clock in ("1 MHz", "8 MHz"))
    assert (slow.is_late, fast.is_late) == (False, True)
    assert slow.highest_mhz == fast.highest_mhz
    assert fast.clock_hz == Fraction(8_000_000)


def test_columns_lead_from_the_worst_to_the_typical_case(loaded):
    machine = loaded(HEAD + CPU + ROM + 'part = "AT28C256-15"\n' + WAY)
    clocks = [budget(machine, column).card(2).highest_mhz for column in reversed(COLUMNS)]
    assert clocks == sorted(clocks)
    assert len(set(clocks)) == 3


def test_what_lies_behind_the_bus_is_what_the_card_reports(loaded):
    """CD4021B: 280 ns from the latch to the clock (TI SCHS024C, page 3-40), 250 ns at 4 MHz; a strobe of 200 ns."""
    machine = Machine.load("demo:marlpit", clock="4 MHz")
    found = budget(machine, "worst")
    behind = {path.key: round(path.slack(found.period), 3) for path in found.card(4).behind}
    assert behind == {
        "pad-clock-too-fast": pytest.approx(166.667),
        "pad-latch-too-short": 90,
        "pad-clock-after-latch": -30,
        "pad-data-late": 160,
    }
    reported = {one.rule for one in machine.findings if one.slot == 4}
    assert reported == {key for key, slack in behind.items() if slack < 0}
    strobes = {path.what: path.slack(found.period) for path in found.card(5).behind}
    assert strobes["width of /CSW"] == pytest.approx(125 - 200)
    assert found.is_late


@pytest.mark.parametrize("hz", [500_000, 1_000_000, 2_000_000, 3_000_000, 4_000_000, 6_000_000, 8_000_000, 12_000_000])
@pytest.mark.parametrize("setting", ["", "divide = 4", 'shift_edge = "fall"', 'part = "CD4021BC"', "prescale = 3"])
def test_pads_report_at_power_on_what_their_budget_says(loaded, hz, setting):
    card = f'[[card]]\nslot = 4\nkind = "serial-pads"\nselect = "1000 0000 0000 00xx"\n[card.settings]\n{setting}\n'
    machine = loaded(f'name = "Shed"\nclock = "{hz} Hz"\n' + RAM + card)
    found = budget(machine, "worst")
    late = {path.key for path in found.card(4).behind if path.slack(found.period) < -1e-6}
    assert {one.rule for one in machine.findings if one.slot == 4} == late


def test_a_counter_and_a_collector_that_are_named_are_held_to_their_clocks(loaded):
    card = '[[card]]\nslot = 4\nkind = "serial-pads"\nselect = "1000 0000 0000 00xx"\n'
    named = '[card.timing]\ncounter = "74LS161"\ncollector = "74HC595"\n'
    found = budget(loaded('name = "Shed"\nclock = "21 MHz"\n' + RAM + card + named), "worst")
    sums = {path.key: path for path in found.card(4).behind}
    assert sums["counter-clock"].highest_mhz == pytest.approx(25)  # 25 MHz, from memory
    assert sums["collector-clock"].highest_mhz == pytest.approx(2 * 25)  # it shifts at half the counter's clock


LIMITS = """
import attrs
from simkit.contract import Card, Limit, Register


class Odd(Card):
    kind = "odd"

    @attrs.frozen
    class Settings:
        pass

    @classmethod
    def registers(cls, settings):
        return (Register(0, "port", "rw"),)

    @classmethod
    def limits(cls, settings, clock_hz):
        {body}
"""


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("return 5", "which are no limits"),
        ('return ("a",)', "which are no limits"),
        ("return 1 / 0", "ZeroDivisionError"),
        ("return [Limit(what='x', part='p', needs_ns=1.0)] * 300", "which are no limits"),
    ],
)
def test_limits_that_a_strangers_card_gets_wrong_are_told_as_the_cards(loaded, tmp_path, body, words):
    (tmp_path / "odd.py").write_text(LIMITS.format(body=body))
    card = '[[card]]\nslot = 3\nkind = "file:odd.py:Odd"\nselect = "1000 0000 0000 0000"\n'
    machine = loaded(HEAD + RAM + card)
    with pytest.raises(CardError, match=words) as caught:
        budget(machine, "worst")
    assert caught.value.slot == 3


# the drawing ----------------------------------------------------------------------------------------------------------

MACHINES = {
    "named": HEAD + CPU + RAM + 'part = "62256-55"\n' + WAY + ROM + 'part = "AT28C256-15"\n' + WAY,
    "fast": HEAD.replace("4 MHz", "40 MHz") + CPU + RAM + 'part = "62256-55"\n' + WAY,
    "slow": HEAD.replace("4 MHz", "1 kHz") + CPU + RAM + 'part = "62256-55"\n' + WAY,
    "short PHI2": HEAD + CPU + 'phi2_high = "5 %"\n' + RAM + 'part = "62256-55"\n' + WAY,
    "nothing named": HEAD + RAM + ROM,
    "long": HEAD.replace("Shed", "S" * 80)
    + CPU
    + RAM
    + 'part = "62256-55"\n'
    + WAY.replace('"CD74HC688"', ", ".join(['"MM74HCT138 select"'] * 14)),
}


@pytest.mark.parametrize("name", MACHINES)
def test_no_label_of_a_drawing_lies_over_another_and_none_is_too_small(loaded, name):
    found = budget(loaded(MACHINES[name]), "worst")
    for card in found.cards:
        drawing = drawn(found, card)
        check_texts(drawing)
        assert len(drawing.things) < 2000
        ElementTree.fromstring(svg(drawing))


@pytest.mark.parametrize("demo", ["marlpit", "monitor", "bench"])
def test_cards_of_the_demos_are_drawn(demo):
    found = budget(Machine.load(f"demo:{demo}"), "worst")
    drawable = [card for card in found.cards if any(row.paths for row in card.rows)]
    for card in drawable:
        check_texts(drawn(found, card))
    assert most_urgent(found) in drawable
    (without, *_) = [card for card in found.cards if card not in drawable and not card.behind] or [None]
    if without is not None:
        with pytest.raises(SimkitError, match="no sums of a bus cycle"):
            drawn(found, without)


def test_bars_are_to_scale(loaded):
    """Each piece of a bar is as wide as its term, in the measure in which PHI2's edges are a period apart."""
    found = budget(loaded(MACHINES["named"]), "worst")
    card = found.card(1)
    things = drawn(found, card).things
    wave = next(one for one in things if isinstance(one, Stroke) and one.width == 1.5)
    scale = (wave.points[-1][0] - wave.points[0][0]) / 250
    pieces = [one.points[1][0] - one.points[0][0] for one in things if isinstance(one, Area)]
    wanted = [term.most for path in card.rows[0].paths if not path.on_paper for term in path.terms]
    assert sorted(piece / scale for piece in pieces) == pytest.approx(sorted(wanted))
    rise = next(x for x, _ in wave.points[1:] if x > wave.points[0][0])
    assert (rise - wave.points[0][0]) / scale == pytest.approx(125)


def test_every_sum_is_drawn_with_all_its_terms(loaded):
    found = budget(loaded(MACHINES["named"]), "worst")
    text = " ".join(one.text for one in drawn(found, found.card(2)).things if isinstance(one, Words))
    for path in found.card(2).rows[0].paths:
        assert path.what in text
        assert path.on_paper or all(term.name in text for term in path.terms)
    assert "48 too late" in text


# the command ----------------------------------------------------------------------------------------------------------


def test_the_command_tells_draws_and_ends_with_1_where_something_named_is_too_slow(loaded, tmp_path, simkit):
    loaded(MACHINES["named"])
    code, out, _ = simkit("budget", tmp_path)
    assert code == 1
    assert "-48 ns LATE  select to data; up to 3.356 MHz" in out
    code, out, _ = simkit("budget", tmp_path, "--clock", "1 MHz", "--slot", "1", "--svg", tmp_path / "c.svg")
    assert code == 0
    assert "ROM" not in out
    assert ElementTree.parse(tmp_path / "c.svg").getroot().tag.endswith("svg")
    code, out, _ = simkit("budget", tmp_path, "--json", "--column", "typical")
    data = json.loads(out)
    assert data["column"] == "typical"
    assert {card["slot"] for card in data["cards"]} == {1, 2}
    assert (code == 1) == data["late"]


def test_the_data_hold_every_sum_with_sources(loaded):
    found = budget(loaded(MACHINES["named"]), "worst")
    data = json.loads(json.dumps(budget_data(found)))
    sums = [one for card in data["cards"] for part in card["parts"] for one in part["sums"]]
    assert len(sums) > 12
    for one in sums:
        assert one["slack_ns"] == pytest.approx(one["there_ns"] - sum(term["ns"] for term in one["terms"]))
        assert all(term["sources"] and term["basis"] for term in one["terms"])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--column", "best"), "there is no such column"),
        (("--slot", "9"), "There is no card in slot 9"),
        (("--clock", "fast"), "is not a clock"),
    ],
)
def test_wrong_use_is_told_in_a_sentence(loaded, tmp_path, simkit, words, told):
    loaded(MACHINES["nothing named"])
    code, _, err = simkit("budget", tmp_path, *words)
    assert code == 2
    assert told in err


def block(text, first):
    """The indented lines of a page from one on, without their indent."""
    lines = text.splitlines()
    start = lines.index(next(line for line in lines if line.strip().startswith(first)))
    end = next((n for n in range(start, len(lines)) if lines[n] and not lines[n].startswith("  ")), len(lines))
    return "\n".join(line[2:] for line in lines[start:end]) + "\n"


def test_what_the_page_about_parts_shows_is_read_as_it_stands(tmp_path, simkit):
    code, out, _ = simkit("explain", "parts")
    assert code == 0
    assert max(map(len, out.splitlines())) < 125
    (tmp_path / "my-parts.toml").write_text(block(out, "[source]"))
    (tmp_path / "rom.bin").write_bytes(bytes(32_768))
    said = block(out, "[cpu]").replace("[[card]]", ROM.rstrip())
    own = RAM + 'part = "HM256-10"\n'
    (tmp_path / "machine.toml").write_text('parts = "my-parts.toml"\n' + HEAD + said + own)
    machine = Machine.load(tmp_path)
    assert [card.part.text for card in machine.description.cards] == ["HM256-10", "AT28C256, 150 ns"]
    assert machine.description.cards[0].part.parts[0].figure("enable", "worst").number == 100
    (tmp_path / "machine.toml").write_text(HEAD + RAM + "part = 'QUICK'\n")
    code, _, err = simkit("budget", tmp_path)
    assert code == 2
    assert "simkit explain parts" in err
