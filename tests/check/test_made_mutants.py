"""Mutants that are made by chance: the same for a seed, each another program that assembles; a few are looked at."""

import pytest

from tests.check.made_mutants import changes, drawn, looked_at

LINES = {
    "        lda #SERIAL_ON        ; both": {
        ("instruction forgotten", ""),
        ("# forgotten", "        lda SERIAL_ON        ; both"),
        ("one too many", "        lda #SERIAL_ON+1        ; both"),
        ("one too few", "        lda #SERIAL_ON-1        ; both"),
    },
    "_next:  sta VIDEO_DATA,x": {
        ("instruction forgotten", "_next:"),
        ("load for store", "_next:  lda VIDEO_DATA,x"),
        ("wrong index", "_next:  sta VIDEO_DATA,y"),
        ("index forgotten", "_next:  sta VIDEO_DATA"),
        ("register beside", "_next:  sta VIDEO_DATA+1,x"),
    },
    "        beq _wait": {("instruction forgotten", ""), ("opposite", "        bne _wait")},
    "        rts": {("instruction forgotten", ""), ("call or return mistaken", "        rti")},
    "        ldx #<title": {
        ("instruction forgotten", ""),
        ("opposite", "        ldy #<title"),
        ("# forgotten", "        ldx <title"),
        ("one too many", "        ldx #<title+1"),
        ("one too few", "        ldx #<title-1"),
        ("halves exchanged", "        ldx #>title"),
    },
    "; a remark": set(),
    ".alias N 5": set(),
    "label:": set(),
}


@pytest.mark.parametrize("line", LINES)
def test_what_can_go_wrong_in_a_line(line):
    assert set(changes(line)) == LINES[line]


def test_a_seed_gives_the_same_mutants_each_time_and_they_differ():
    some = drawn(1, 6)
    assert some == drawn(1, 6)
    assert len(set(some)) == 6
    assert some != drawn(2, 6)


@pytest.mark.slow
def test_mutants_are_looked_at():
    """Of twelve some are noticed, and what is found is what the check says of the program as it is then."""
    found = [looked_at(mutant) for mutant in drawn(3, 12)]
    assert sum(bool(one["findings"]) for one in found) > 0
    assert all(one["shows_the_same"] in (True, False) for one in found)
