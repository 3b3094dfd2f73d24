"""Which label an address is named after."""

import pytest

from simkit.rom.labels import Labels
from simkit.rom.places import Places


@pytest.mark.parametrize(
    ("address", "name"),
    [(0x02, "count"), (0xFF, "count+253"), (0x100, None), (0x101, None), (0x17F, None), (0x1FF, "top+127")],
)
def test_the_stack_is_not_named_after_the_zero_page(address, name):
    places = Places(Labels({"count": 2, "top": 0x180}))
    assert places.at(address).name == name
