"""Requests and what keeps them, told step by step."""

import pytest

from simkit.spent.requests import Requests

AT = 0x8000


def of(requests, line="IRQ"):
    waits = requests.waits[line]
    return sorted(waits.lengths.counts.elements()), waits.again, waits.let_go, waits.merged


def kept(requests, line="IRQ"):
    mask = requests.waits[line].longest[1].mask
    return mask and (mask.what, mask.at, mask.cycle)


def test_a_request_is_served_by_the_next_handler():
    requests = Requests(masked=False)
    requests.fell("IRQ", 100, AT, 3)
    requests.handler_begins("IRQ", 0x9000, 102, 109)
    assert of(requests) == ([9], 0, 0, 0)
    assert kept(requests) is None


def test_a_handler_of_another_cause_serves_no_request():
    requests = Requests(masked=False)
    requests.fell("IRQ", 100, AT, 3)
    for cause in ("BRK", "NMI"):
        requests.handler_begins(cause, 0x9000, 102, 109)
        requests.handler_returns(0x9005, 0, 130)
    requests.handler_begins("IRQ", 0x9100, 140, 147)
    assert of(requests) == ([47], 0, 0, 0)
    assert kept(requests) == ("BRK", 0x9000, 102)  # the first that came
    assert of(requests, "NMI") == ([], 1, 0, 0)


def test_a_line_that_stays_low_is_not_measured_again():
    requests = Requests(masked=False)
    requests.fell("IRQ", 100, AT, 3)
    requests.handler_begins("IRQ", 0x9000, 102, 109)
    requests.handler_returns(0x9005, 0, 130)
    requests.handler_begins("IRQ", 0x9000, 132, 139)
    assert of(requests) == ([9], 1, 0, 0)


def test_a_request_that_goes_away_is_counted_when_another_one_is_served_and_at_the_end():
    requests = Requests(masked=True)
    for cycle in (100, 200, 300):
        requests.fell("IRQ", cycle, AT, 3)
        requests.rose("IRQ")
    requests.cleared_by("CLI", AT, 310)
    requests.fell("IRQ", 400, AT, 3)
    requests.handler_begins("IRQ", 0x9000, 402, 409)
    assert of(requests) == ([9], 0, 3, 0)
    requests.fell("IRQ", 500, AT, 3)
    requests.rose("IRQ")
    requests.finish()
    assert of(requests) == ([9], 0, 4, 0)


def test_a_request_that_has_been_seen_is_served_though_the_line_is_high_again():
    requests = Requests(masked=False)
    requests.fell("IRQ", 100, AT, 3)
    requests.rose("IRQ")
    requests.handler_begins("IRQ", 0x9000, 102, 109)
    requests.finish()
    assert of(requests) == ([9], 0, 0, 0)


@pytest.mark.parametrize(("edge", "served"), [(104, True), (106, True), (107, False)])
def test_an_edge_counts_until_the_vector_is_fetched(edge, served):
    # The sequence begins in cycle 102 and fetches its vector in its sixth cycle, 107; an NMOS part's may be taken over.
    requests = Requests(masked=False)
    requests.fell("NMI", edge, -1, 0)
    requests.handler_begins("NMI", 0x9000, 102, 109)
    assert of(requests, "NMI") == (([109 - edge], 0, 0, 0) if served else ([], 1, 0, 0))


def test_edges_before_the_handler_are_one_request_from_the_first_on():
    requests = Requests(masked=False)
    for cycle in (100, 110, 120):
        requests.fell("NMI", cycle, AT, 3)
        requests.rose("NMI")
    requests.handler_begins("NMI", 0x9000, 125, 132)
    assert of(requests, "NMI") == ([32], 0, 0, 2)


def test_what_had_set_i_first_is_what_kept_it():
    requests = Requests(masked=False)
    requests.set_by("SEI", 0x8005, 90)
    requests.set_by("SEI", 0x8010, 95)
    requests.fell("IRQ", 100, AT, 3)
    requests.cleared_by("CLI", 0x8020, 150)
    requests.handler_begins("IRQ", 0x9000, 152, 159)
    assert kept(requests) == ("SEI", 0x8005, 90)
    assert requests.waits["IRQ"].longest[1].cleared == ("CLI", 0x8020, 150)


def test_i_that_is_set_as_the_sequence_begins_has_kept_nothing():
    requests = Requests(masked=False)
    requests.fell("IRQ", 99, AT, 2)
    requests.set_by("SEI", 0x8005, 102)
    requests.handler_begins("IRQ", 0x9000, 102, 109)
    assert kept(requests) is None


def test_i_comes_back_from_the_stack_as_it_was():
    requests = Requests(masked=False)
    requests.set_by("SEI", 0x8005, 90)
    requests.handler_begins("NMI", 0x9000, 92, 99)
    requests.handler_returns(0x9005, 4, 120)
    requests.fell("IRQ", 130, AT, 3)
    requests.cleared_by("PLP", 0x8020, 150)
    requests.handler_begins("IRQ", 0x9100, 152, 159)
    assert kept(requests) == ("SEI", 0x8005, 90)


def test_i_that_rti_sets_by_flags_of_the_program_is_its():
    requests = Requests(masked=False)
    requests.handler_returns(0x9005, 4, 120)
    requests.fell("IRQ", 130, AT, 3)
    requests.cleared_by("CLI", 0x8020, 150)
    requests.handler_begins("IRQ", 0x9100, 152, 159)
    assert kept(requests) == ("RTI", 0x9005, 120)


def test_nmi_is_not_kept_by_i():
    requests = Requests(masked=True)
    requests.fell("NMI", 100, AT, 3)
    requests.handler_begins("NMI", 0x9000, 102, 109)
    assert kept(requests, "NMI") is None


def test_reset_sets_i_and_ends_handlers():
    requests = Requests(masked=False)
    requests.set_by("SEI", 0x8005, 10)
    requests.handler_begins("NMI", 0x9000, 20, 27)
    requests.reset(50)
    requests.fell("IRQ", 60, AT, 3)
    requests.cleared_by("CLI", 0x8020, 80)
    requests.handler_begins("IRQ", 0x9100, 82, 89)
    assert kept(requests) == ("RESET", -1, 50)
