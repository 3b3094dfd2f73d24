"""A 6522 card alone."""

import pytest
from simkit_cards.ports_6522.card import Ports6522

from simkit.testing.bench import Bench


@pytest.fixture
def via():
    return Bench(Ports6522, lines={"INT": "IRQ"})
