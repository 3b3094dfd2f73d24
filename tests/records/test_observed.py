"""What an ideal probe on the backplane shows, beside a probe that is called in every cycle of the reference engine."""

import numpy as np
import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.records.observed import Observer, lines_of, observe

CYCLES = 12_000
WIRED = (
    [],
    ["D3 low"],
    ["D3 shorted to D4"],
    ["CPU: D3 open"],
    ["CPU: D3 exchanged with D4"],
    ["D6 inverted"],
    ["A5 shorted to A6"],
    ["slot 2: pin D3 low"],
    ["slot 1: D5 late"],
    ["IRQ low"],
)


def bits(observed, row, count):
    return sum(observed.level(f"{row}{n}").astype(int) << n for n in range(count))


@pytest.mark.parametrize(
    ("demo", "wiring"),
    [("marlpit", wiring) for wiring in WIRED] + [("banks-test", wiring) for wiring in WIRED[::3]],
    ids=lambda one: one if isinstance(one, str) else " ".join(one) or "sound",
)
def test_lines_are_observed_at_core_speed_as_a_probe_sees_them(demo, wiring):
    probed = []
    beside = Machine.load(f"demo:{demo}", wiring=wiring, engine="exact")
    beside.add_probe(probed.append)
    beside.run(cycles=CYCLES)
    seen = observe(Machine.load(f"demo:{demo}", wiring=wiring), CYCLES)
    assert len(seen) == len(probed)
    assert bits(seen, "D", 8).tolist() == [one.data for one in probed]
    assert seen.level("RW").tolist() == [not one.is_write for one in probed]
    assert seen.level("SYNC").tolist() == [one.is_fetch for one in probed]
    for line in ("IRQ", "NMI", "RESET", "RDY"):
        assert seen.level(line).tolist() == [one.lines[line] for one in probed]
    for slot in beside.cards:
        low = ~seen.level(f"{slot}.select")
        assert [at for at, one in enumerate(probed) if slot in one.selected and not low[at]] == []


def test_shorted_address_lines_are_both_low_when_either_is_driven_low():
    sound = bits(observe(Machine.load("demo:marlpit"), 8), "A", 16)
    shorted = bits(observe(Machine.load("demo:marlpit", wiring=["A1 shorted to A2"]), 8), "A", 16)
    # The stack and the vector at $FFFC/$FFFD: A1 low, A2 high becomes both low.
    assert shorted[5] == sound[5] & ~0x0006 == 0xFFF8
    assert sound[5] == 0xFFFC


def test_a_card_is_selected_where_its_decoder_selects_it_also_in_a_write_that_it_does_not_take():
    machine = Machine.load("demo:bench")
    machine.poke(0x0200, 0x8D), machine.poke(0x0201, 0x00), machine.poke(0x0202, 0x90)  # STA $9000, in ROM
    machine.run(cycles=8)
    machine.cpu.pc = 0x0200
    seen = observe(machine, 4)
    rom = next(slot for slot, card in machine.cards.items() if card.kind == "rom")
    assert seen.level(f"{rom}.select").tolist() == [True, True, True, False]
    assert seen.level("RW").tolist() == [True, True, True, False]


def test_observing_in_pieces_shows_the_same_as_at_once():
    whole = observe(Machine.load("demo:banks-test"), 40_000)
    machine = Machine.load("demo:banks-test")
    pieces = [observe(machine, 10_000).levels for _ in range(4)]
    joined = np.concatenate(pieces)
    both = min(len(joined), len(whole))
    assert both >= 40_000
    assert (joined[:both] == whole.levels[:both]).all()


def test_everything_on_a_machine_can_be_observed_by_its_name():
    machine = Machine.load("demo:banks-test")
    names = lines_of(machine)
    for begin in range(0, len(names), 60):
        with Observer(machine, names[begin : begin + 60]) as observer:
            machine.run(cycles=500)
        assert observer.observed.names == names[begin : begin + 60]


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["D9"], "D9"),
        (["77.select"], "77.select"),
        (["4.NOPE"], "4.NOPE"),
        (["PHI2"], "PHI2"),
        ([f"L{n}" for n in range(65)], "65 lines"),
    ],
)
def test_what_cannot_be_observed_is_refused_by_name(names, said):
    with pytest.raises(SimkitError, match=said):
        Observer(Machine.load("demo:marlpit"), names)
