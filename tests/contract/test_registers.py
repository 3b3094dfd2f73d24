"""The register table: what is said of a register must be possible there."""

import pytest

from simkit.contract import Register, SimkitError


@pytest.mark.parametrize(
    ("access", "said", "words"),
    [
        ("w", {"read_effect": "clears F"}, "cannot be read"),
        ("r", {"write_effect": "starts a frame"}, "cannot be written"),
        ("r", {"writes_wait": True}, "cannot be written"),
    ],
)
def test_what_the_access_rules_out_is_refused_with_register_and_field(access, said, words):
    with pytest.raises(SimkitError, match=words) as refused:
        Register(3, "status", access, **said)
    (field,) = said
    assert "'status'" in refused.value.message
    assert field in refused.value.message
    assert refused.value.remedy


def test_a_register_of_one_side_may_say_what_that_side_does():
    assert Register(0, "data", "r", read_effect="clears F").read_effect
    assert Register(0, "data", "w", write_effect="starts a frame", writes_wait=True).writes_wait
    both = Register(0, "data", "rw")
    assert (both.read_effect, both.write_effect, both.writes_wait) == ("", "", False)
