"""Waiting for a moment: in the same cycle on both engines and as by single steps, and much faster."""

import time

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machine.until import MomentError

MOMENTS = (
    "label:main_loop",
    "label:main_loop#7",
    "label:main_loop#2+1000c",
    "read:DRAWING_READY#5",
    "write:DRAWING_READY#3",
    'text:"VEGETABLE BEDS"',
    "3f",
    "100us",
)


@pytest.mark.parametrize("text", MOMENTS)
def test_a_moment_comes_in_the_same_cycle_on_both_engines_and_in_pieces(text):
    ends = []
    for engine in ("exact", "auto"):
        m = Machine.load("demo:marlpit", engine=engine)
        ends.append(m.run(text))
    m = Machine.load("demo:marlpit")
    come = []
    m.when(text, come.append)
    while not come or m.cycle < come[0]:
        m.run(cycles=min(7_777, come[0] - m.cycle) if come else 7_777)
    assert ends[0] == ends[1] >= come[0]
    assert ends[0] - come[0] < 10 + (2 * m.screen.frame_cycles + 1 if text.startswith("text") else 0)


@pytest.mark.parametrize(("what", "times"), [("label:loop", 40), ("write:$0010", 40), ("read:$8004", 40)])
def test_a_moment_comes_where_single_steps_find_it(shed, what, times):
    m, steps = shed(), shed(engine="exact")
    kind, _, value = what.partition(":")
    place = 0x8004 if value == "loop" else int(value[1:], 16)
    seen = []
    if kind != "label":
        steps.add_probe(
            lambda one: seen.append(one) if (one.address, one.is_write) == (place, kind == "write") else None
        )
    m.labels.add("loop", 0x8004)
    for _ in range(times):
        seen.clear()
        steps.step()
        while not (seen or (kind == "label" and steps.cpu.pc == place)):
            steps.step()
        assert m.run(f"{kind}:{value}") == steps.cycle
        assert m.save_state() == steps.save_state()
    assert not m.bus.seen
    assert not m.bus.slow
    assert m.cpu.stops is None


@pytest.fixture
def shed(tmp_path):
    """A counter: LDX #0; STX $10; loop: INX; STX $10; JMP loop."""
    text = """\
name = "Potting shed"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
"""

    def build(code="A200 8610 E8 8610 4C0480", **options):
        rom = bytearray(b"\xea" * 0x8000)
        rom[: len(bytes.fromhex(code))] = bytes.fromhex(code)
        rom[0x7FFA:] = bytes.fromhex("009000800090")
        path = tmp_path / "machine.toml"
        path.write_text(text)
        return Machine.load(path, images={2: bytes(rom)}, **options)

    return build


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_input_at_an_event_counts_in_the_first_cycle_after_its_instruction(shed, engine):
    for text, cycle in (
        ("label:$8004#3", 28),
        ("write:$10#2", 17),
        ("read:$8007+5c", 25),
        ("finding:write-to-rom", 11),
    ):
        m = shed(*(["8D0090 4C0080"] if text.startswith("finding") else []), engine=engine)
        taken = []
        m.bus.machine_events["mark"] = lambda arguments, at: None
        m.bus.add_watch(outside=taken.append)
        m.when(text, lambda at, m=m: m.outside(-1, "machine", "mark", 0, at=at))
        m.run(cycles=200)
        assert [one[0] for one in taken] == [cycle], text


def test_a_moment_that_does_not_come_is_told_with_what_was_waited_for(shed):
    m = shed()
    for text, words in (
        ("label:$9999", r"Label \$9999 did not come up to cycle"),
        ("write:$4321#2", r"A write of \$4321 for the 2nd time did not come"),
        ('text:"x"', "No card of this machine has a screen"),
        ("label:nowhere", "no label 'nowhere'"),
        ("5f", "No card of this machine has a screen"),
        ("read:$12345", "is not an address"),
    ):
        with pytest.raises(SimkitError, match=words):
            m.run(text, timeout=0.0001)
    assert not m.bus.seen
    assert m.cpu.stops is None
    with pytest.raises(MomentError):
        m.run("finding:other", timeout=0.0001)
    assert m.bus.at_once == 0


def test_waiting_for_a_label_or_an_access_is_ten_times_as_fast_as_single_steps():
    """Side by side in one run; the margin is wide: 25 and more were measured."""
    m, steps = Machine.load("demo:marlpit"), Machine.load("demo:marlpit")
    for machine in (m, steps):
        machine.run(seconds=0.3)
    for moment in ("label:$7FFF", "read:$02FF"):
        best = []
        for run in (lambda moment=moment: _until(m, moment), lambda: _stepped(steps)):
            begun = time.process_time()
            cycles = run()
            best.append((time.process_time() - begun) / cycles)
        assert best[1] > 10 * best[0], moment


def _until(m, moment):
    before = m.cycle
    with pytest.raises(MomentError):
        m.run(moment, timeout=0.1)
    return m.cycle - before


def _stepped(m):
    before = m.cycle
    m.run(until=lambda m: m.cycle >= before + 20_000)
    return m.cycle - before
