"""What the tests of the keyboard card share."""

import pytest

from tests.cards.keyboard.typist import Typist


@pytest.fixture
def typist(card_bench):
    return lambda **options: Typist(card_bench, **options)
