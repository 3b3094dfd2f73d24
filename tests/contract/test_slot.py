"""What a card knows of its machine: chance that repeats, its crystal, who it is when it reports."""

import hashlib
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.findings import Finding, Findings
from simkit.contract.slot import Slot
from simkit.contract.turn import Turn

HZ = Fraction(1_000_000)


class UnderWay:
    """An access as a test says."""

    def __init__(self):
        self.address, self.spare = None, False

    def pc(self, cycle):
        return None if self.address is None else 0x8000 + cycle


class Host:
    """A backplane that notes what it is asked for."""

    def __init__(self):
        self.asked = []
        self.turn = Turn(9)
        self.access = UnderWay()

    def arm(self, *what):
        self.asked.append(("arm", *what))

    def disarm(self, *what):
        self.asked.append(("disarm", *what))

    def armed(self, *what):
        self.asked.append(("armed", *what))
        return 77

    def data_before(self, slot):
        return 0x20 + slot

    def memory_changed(self, *what):
        self.asked.append(("changed", *what))


@given(st.integers(0, 5), st.integers(1, 5), st.sampled_from("ab"), st.integers(0, 10**12))
def test_chance_depends_on_seed_slot_name_and_cycle_alone(seed, number, name, cycle):
    slot = Slot(number, HZ, seed, Findings())
    value = slot.chance(name, cycle)
    assert 0 <= value < 1
    slot.chance("other", 3)
    assert Slot(number, HZ, seed, Findings()).chance(name, cycle) == value
    others = [
        Slot(number, HZ, seed + 1, Findings()).chance(name, cycle),
        Slot(number + 1, HZ, seed, Findings()).chance(name, cycle),
        slot.chance(name + "'", cycle),
        slot.chance(name, cycle + 1),
    ]
    assert value not in others


@given(st.integers(0, 2**64), st.integers(-1, 99), st.text(max_size=8), st.integers(-3, 10**30))
def test_chance_is_the_hash_of_one_text_so_that_recordings_keep_what_happened_by_chance(seed, number, name, cycle):
    slot = Slot(number, HZ, seed, Findings())
    text = f"{seed}/{number}/{name}/{cycle}".encode()
    expected = int.from_bytes(hashlib.blake2b(text, digest_size=8).digest()) / 2**64
    assert slot.chance(name, cycle) == expected
    assert slot.chance(name, cycle) == expected, "the second time"


def test_names_of_chances_that_a_card_makes_up_do_not_fill_memory():
    slot = Slot(1, HZ, 1, Findings())
    for number in range(500):
        slot.chance(f"name {number}", 0)
    assert len(slot._chances) <= 64
    assert slot.chance("name 499", 0) == Slot(1, HZ, 1, Findings()).chance("name 499", 0)


def test_chance_is_spread_evenly():
    """Of 10,000 numbers a tenth falls in each tenth: 1,000, give or take 5 standard deviations (150)."""
    slot = Slot(3, HZ, 1, Findings())
    tenths = [int(slot.chance("spread", cycle) * 10) for cycle in range(10_000)]
    assert set(tenths) == set(range(10))
    assert all(850 < tenths.count(tenth) < 1_150 for tenth in range(10))


def test_the_phase_of_a_crystal_is_seeded_by_its_name_and_can_be_set():
    """Tick 0 of a crystal as fast as the clock falls on cycle 0, or less than a cycle before it."""
    phases = set()
    for seed in range(40):
        slot = Slot(1, HZ, seed, Findings())
        phase = -slot.crystal(HZ).moment_of(0)
        assert phase == -Slot(1, HZ, seed, Findings()).crystal(HZ).moment_of(0)
        assert 0 <= phase < 1
        assert phase * 4096 % 1 == 0
        phases |= {phase, -slot.crystal(HZ, "second").moment_of(0)}
    assert len(phases) > 70
    assert max(phases) > Fraction(9, 10)
    set_by_hand = Slot(1, HZ, 1, Findings(), crystal_phases={"second": Fraction(1, 4)})
    assert -set_by_hand.crystal(HZ, "second").moment_of(0) == Fraction(1, 4)
    assert -set_by_hand.crystal(HZ).moment_of(0) == -Slot(1, HZ, 1, Findings()).crystal(HZ).moment_of(0)


def test_what_a_card_asks_reaches_the_host_with_its_slot():
    host = Host()
    slot = Slot(4, HZ, 1, Findings(), host)
    slot.at(10, "tick")
    slot.cancel("tick")
    assert slot.armed("tick") == 77
    slot.changed(3, 5)
    asked = [("arm", 10, 4, "tick"), ("disarm", 4, "tick"), ("armed", 4, "tick"), ("changed", 4, 3, 5)]
    assert host.asked == asked
    assert slot.data_before == 0x24
    assert [slot.spare, setattr(host.access, "spare", True), slot.spare] == [False, None, True]


def test_a_card_on_no_backplane_sees_an_empty_bus():
    slot = Slot(4, HZ, 1, Findings())
    slot.changed(0, 1)
    assert (slot.data_before, slot.spare) == (0xFF, False)


@pytest.mark.parametrize(
    ("under_way", "given", "told"),
    [(0x1234, None, 0x1234), (0x1234, 0, 0), (None, None, None), (None, 0x8000, 0x8000)],
)
def test_a_report_names_slot_instruction_and_the_address_of_the_access_unless_it_gives_one(under_way, given, told):
    findings = Findings()
    host = Host()
    host.access.address = under_way
    Slot(6, HZ, 1, findings, host).report("rule", 9, "What happened.", address=given)
    Slot(6, HZ, 1, findings).report("rule", 9, "What happened.", address=given)
    assert list(findings) == [
        Finding("rule", 9, told, 6, "What happened.", None if under_way is None else 0x8009),
        Finding("rule", 9, given, 6, "What happened."),
    ]


def test_a_card_names_the_address_of_the_access_in_words():
    host = Host()
    slot = Slot(6, HZ, 1, Findings(), host)
    assert (slot.accessed, Slot(6, HZ, 1, Findings()).accessed) == ("its addresses", "its addresses")
    host.access.address = 0x12F
    assert slot.accessed == "$012F"
