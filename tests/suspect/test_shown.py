"""What runs show is put in blocks once for all runs that show the same."""

from operator import attrgetter

import attrs
import hypothesis.strategies as st
from hypothesis import given

from simkit.suspect.outcome import Look, Outcome
from simkit.suspect.seen import SeenText
from simkit.suspect.shown import once, text_shown

LOOKS = st.lists(st.tuples(st.integers(0, 4), st.sampled_from(["", "A", "READY"])), max_size=3)


@given(st.lists(st.lists(LOOKS, min_size=1, max_size=3), max_size=4), st.integers(0, 5))
def test_made_once_it_is_what_each_time_is_made(candidates, since):
    calls = []

    def views(runs):
        calls.append(runs)
        return text_shown(SeenText("READY"), since, runs)

    made = once(views, since, attrgetter("texts"))
    for each in (*candidates, *candidates):
        runs = [
            Outcome(None, (), tuple(Look(cycle, {}, {5: text}) for cycle, text in looks), 9, "", False, 0, {})
            for looks in each
        ]
        alone = text_shown(SeenText("READY"), since, runs)
        assert [attrs.astuple(one.best) for one in made(runs)] == [attrs.astuple(one.best) for one in alone]
    assert len(calls) <= len(candidates)
