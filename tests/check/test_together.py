"""Findings looked at together: the mask that tells bad addresses from good, how often they come; nothing by chance."""

from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from simkit import Machine
from simkit.check.result.lines import one_line_report
from simkit.check.result.report import report_text
from simkit.check.result.sarif import sarif_text
from simkit.check.result.together import MOST_BITS, Mask, nth, period, separating
from simkit.check.run import check
from tests.check.conftest import image

LEVELS = st.lists(st.tuples(st.integers(0, 7), st.booleans()), min_size=1, max_size=2, unique_by=lambda one: one[0])


@given(LEVELS, st.integers(0, 255), st.sets(st.integers(0, 255), min_size=40, max_size=120))
def test_a_mask_is_found_and_tells_all_of_them_apart(levels, page, low):
    mask = Mask(tuple(levels))
    addresses = {page << 8 | one for one in low}
    bad, good = ({a for a in addresses if mask.holds(a) is wanted} for wanted in (True, False))
    assume(len(bad) >= 8 and len(good) >= 8)
    found = separating(bad, good)
    assert found is not None
    assert len(found.levels) <= len(levels)
    assert {a for a in addresses if found.holds(a)} == bad


@given(st.sets(st.integers(0, 255), min_size=12, max_size=60), st.randoms(use_true_random=False))
def test_what_is_said_holds_without_exception(low, chance):
    bad = {one for one in low if chance.random() < 0.5}
    found = separating(bad, low - bad)
    if found is not None:
        assert all(found.holds(a) for a in bad)
        assert not any(found.holds(a) for a in low - bad)
        assert len(found.levels) <= MOST_BITS


def test_of_what_is_bad_by_chance_nothing_is_said():
    """2,000 times 20 addresses of a page, half of them bad at random: one in a hundred is explained at the most."""
    import random

    chance, said = random.Random(7), 0
    for _ in range(2_000):
        some = chance.sample(range(256), 20)
        bad = set(chance.sample(some, 10))
        said += separating(bad, set(some) - bad) is not None
    assert said <= 20


def test_few_addresses_say_nothing():
    assert separating({2, 4}, {1, 3}) is None
    assert separating(set(range(0, 32, 2)), set()) is None


@pytest.mark.parametrize(
    ("cycles", "every"),
    [
        (range(5, 100_000, 16_000), 16_000),
        ([0, 16_001, 32_000, 48_003, 64_000, 80_001], Fraction(80_001, 5)),
        ([0, 10, 500, 510, 2_000, 9_000], None),
        ([0, 100, 200], None),
        ([5] * 8, None),
    ],
)
def test_times_that_come_evenly(cycles, every):
    assert period(list(cycles)) == every


@given(st.integers(2, 9), st.integers(0, 5), st.integers(6, 20))
def test_every_nth_access_is_found(every, first, times):
    accesses = [7 * n + n % 3 for n in range(first + every * times)]
    assert nth(accesses[first::every], accesses) == every
    assert nth(accesses, accesses) is None
    assert nth([*accesses[first::every], 10**6], accesses) is None


@pytest.fixture
def checked(tmp_path):
    def run(listing, extra, seconds=Fraction(1, 10), **options):
        bench = Machine.load("demo:bench").description.path
        (tmp_path / "machine.toml").write_text(f'base = "{bench}"\n{extra}')
        return check(Machine.load(tmp_path, images={2: image(listing)}, **options), seconds=seconds)

    return run


WALK = "8000: A2 00 9D 00 30 BD 00 30 E8 E0 20 D0 F5 4C 0D 80\nFFFA: 00 80 00 80 00 80"
"""STA $3000,X and LDA $3000,X for X from 0 to 31."""


@pytest.mark.parametrize(
    ("select", "says"),
    [
        ("00xx xxxx xxxx xxx1", "All 16 addresses have A0 = 0; the 16 near them"),
        ("00xx xxxx xxxx x0xx", "All 16 addresses have A2 = 1; the 16 near them"),
        ("00xx xxxx xxxx xxxx", ""),
    ],
)
def test_cells_that_a_decoder_leaves_out_have_a_line_in_common(checked, select, says):
    result = checked(WALK, f'[[card]]\nslot = 1\nselect = "{select}"\n')
    together = {one.rule.name: one.together for one in result.findings if one.cycle is not None}
    assert all(text.startswith(says) for text in together.values())
    assert set(together) == ({"write-nowhere", "undriven-read"} if says else set())
    if says:
        assert f"Together: {says}" in report_text(result).replace("\n              ", " ")
        assert says in sarif_text(result)
        assert any(says in line for line in one_line_report(result, {})[0])


def test_two_lines_are_named_where_one_does_not_tell(checked):
    result = checked(WALK, '[[card]]\nslot = 1\nselect = "00xx xxxx xxxx xxxx"\nnot_select = ["0011 xxxx xxxx x1x1"]\n')
    together = [one.together for one in result.findings if one.rule.name == "write-nowhere"]
    assert together[0].startswith("All 8 addresses have A2 = 1 and A0 = 1; the 24 near them")


def test_what_comes_once_a_frame_is_said_to(checked):
    """The program waits for the end of each picture, and stores a byte where nobody is."""
    listing = "8000: AD 01 70 10 FB 8D 00 48 4C 00 80\nFFFA: 00 80 00 80 00 80"
    result = checked(listing, "", seconds=Fraction(1, 2))
    found = {one.rule.name: one.together for one in result.findings if one.together}
    assert found == {"write-nowhere": "They come once a frame of Video card (slot 5)."}


def test_every_third_access_of_a_register_is_said_to_be(checked):
    """Three bytes to the data port, the third too soon behind the second: 4 us, and then the loop waits."""
    loop = "8D 00 70 A2 0A CA D0 FD 8D 00 70 A2 0A CA D0 FD 8D 00 70 8D 00 70 A2 0A CA D0 FD 4C 0A 80"
    listing = f"8000: A9 C0 8D 01 70 A9 81 8D 01 70 {loop}\nFFFA: 00 80 00 80 00 80"
    found = {one.rule.name: one.together for one in checked(listing, "").findings if one.together}
    assert found == {"video-access-too-soon": "They are every 4th access of $7000."}


def test_a_rom_that_is_read_through_exchanged_lines_is_named(checked):
    """Forum 6502.org post p=65053, about 2019: data lines transposed between ROM and CPU."""
    listing = "8000: A9 03 85 10 4C 04 80\nFFFA: 00 80 00 80 00 80"
    result = checked(listing, "", faults=["slot 2: D3 exchanged with D4"])
    (remark,) = [one for one in result.remarks if "does not read" in one]
    assert "D3 exchanged with D4" in remark
    assert not [one for one in checked(listing, "").remarks if "does not read" in one]
