"""The table of pending calls against a plain dictionary."""

from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.contract.events import NEVER, EventTable

operations = st.lists(
    st.one_of(
        st.tuples(st.just("at"), st.integers(0, 50), st.integers(1, 3), st.sampled_from("ab")),
        st.tuples(st.just("cancel"), st.just(0), st.integers(1, 3), st.sampled_from("ab")),
        st.tuples(st.just("pop"), st.integers(0, 50), st.just(0), st.just("")),
        st.tuples(st.just("save"), st.just(0), st.just(0), st.just("")),
    ),
    max_size=200,
)


@given(operations)
@settings(deadline=None)
def test_the_table_behaves_like_a_dictionary_searched_for_its_least_entry(steps):
    table, plain = EventTable(), {}
    for action, cycle, slot, name in steps:
        if action == "at":
            table.at(cycle, slot, name)
            plain[slot, name] = cycle
        elif action == "cancel":
            table.cancel(slot, name)
            plain.pop((slot, name), None)
        elif action == "save":
            copy = EventTable()
            copy.load(table.save())
            table = copy
        else:
            due = min(((c, s, n) for (s, n), c in plain.items() if c <= cycle), default=None)
            assert table.pop_due(cycle) == due
            if due:
                del plain[due[1], due[2]]
        assert table.horizon == min(plain.values(), default=NEVER)


def test_events_of_one_cycle_come_in_slot_and_name_order():
    table = EventTable()
    for slot, name in ((2, "b"), (1, "z"), (2, "a")):
        table.at(7, slot, name)
    assert [table.pop_due(7) for _ in range(4)] == [(7, 1, "z"), (7, 2, "a"), (7, 2, "b"), None]


def test_a_table_that_is_re_armed_for_ever_stays_small():
    table = EventTable()
    for cycle in range(10_000):
        table.at(cycle, 1, "tick")
    assert len(table._heap) < 200
    assert table.horizon == 9_999
