"""A program that leaves its code while people look on: the window tells where and why, also after another power-on."""

import pytest

from simkit import Machine
from simkit.machine.again import Again
from simkit.window.lost import Lost

CODE = bytes.fromhex("A2FF9A A941 201080 4C0880 FFFFFFFFFF 48EA60")
"""A PHA without its PLA: RTS at $8012 goes into RAM that nobody wrote."""
IMAGE = CODE + b"\xff" * (0x7FFA - len(CODE)) + bytes.fromhex("008000800080")


@pytest.fixture
def lost(bench):
    return bench(Machine.load("demo:bench", images={2: IMAGE}))


def words(window):
    return window.app._words()


def test_it_is_told_once_with_the_reason_and_stands_first_in_the_list(lost):
    lost.until(lambda: "left its code" in lost.app.notice.text, 3_000)
    assert "in cycle 30;" in lost.app.notice.text
    assert "RTS at $8012" in lost.app.notice.text
    assert words(lost).foot.count == "Left its code; no findings"
    assert words(lost).foot.number == 1
    lost.app.open_findings()
    lost.ticks(50)
    lines = lost.app.desk.pane.lines
    assert lines[0].heading
    assert lines[0].text.startswith("The program left its code in cycle 30")
    assert "pushed by PHA at $8010" in lines[1].text
    lost.clock.seconds += 60
    lost.app.pacer.begin(lost.machine.cycle)
    lost.ticks(3_000)
    assert "left its code" not in lost.app.notice.text


def test_what_came_up_after_it_is_only_named(lost):
    lost.until(lambda: "left its code" in lost.app.notice.text, 3_000)
    lost.machine.findings.add("contention", lost.machine.cycle, "Two drivers.", address=0x7000, slot=5)
    lost.app.open_findings()
    lost.ticks(50)
    texts = [line.text for line in lost.app.desk.pane.lines]
    assert texts[-1] == "What followed, and means nothing: contention, Video card (slot 5), once."
    assert not any(text.startswith("1. ") for text in texts)


def test_another_power_on_is_looked_at_anew(lost):
    for _ in range(2):
        lost.until(lambda: "left its code" in lost.app.notice.text, 3_000)
        lost.choose("Power off")
        lost.choose("Power on")
        assert words(lost).foot.count in ("No findings", "Left its code; no findings")


def test_of_a_sound_program_nothing_is_said(hello):
    hello.ticks(3_000)
    assert hello.app._lost.leaving is None
    assert "code" not in words(hello).foot.count


def test_a_search_takes_no_longer_than_a_moment_at_a_time():
    machine = Machine.load("demo:bench", images={2: IMAGE[:0x13] + b"\xff" + IMAGE[0x14:]})
    seconds = [0.0]

    def now():
        seconds[0] += 0.003  # each look at the clock finds it further on
        return seconds[0]

    found = Lost(Again(machine), now)
    machine.run(cycles=200_000)
    found.look()
    rounds = 0
    while found._search is not None:
        found.go_on()
        rounds += 1
    assert found.leaving.cycle == 30
    assert rounds >= 1


def test_a_machine_that_was_changed_by_hand_is_left_alone():
    machine = Machine.load("demo:bench", images={2: IMAGE})
    found = Lost(Again(machine), lambda: 0.0)
    machine.poke(0x300, 1)
    machine.run(cycles=10_000)
    found.look()
    found.go_on()
    assert found.leaving is None
    assert found.news() == []
    assert found.lines() == ([], None)
