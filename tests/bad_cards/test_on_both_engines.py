"""Each bad card is told with its slot, what it did and what to do, on both engines alike."""

import re

import pytest

from simkit import CardError, Machine
from tests.bad_cards.kinds.sound import Sound
from tests.bad_cards.machine import exercise, folder_with
from tests.bad_cards.table import FILES, TABLE

ENGINES = ("exact", "core")


def told(folder, engine):
    """What a machine with the card says."""
    with pytest.raises(CardError) as raised:
        exercise(Machine.load(folder, engine=engine))
    return raised.value


@pytest.mark.parametrize("engine", ENGINES)
def test_the_sound_card_is_sound(tmp_path, engine):
    machine = Machine.load(folder_with(tmp_path, Sound.__name__), engine=engine)
    exercise(machine)
    assert len(machine.findings) == 0


def test_there_are_many_kinds():
    assert len(TABLE) >= 45
    assert len({cls.__name__ for cls, _, _ in TABLE}) == len(TABLE)


@pytest.mark.parametrize(("cls", "words", "known"), TABLE, ids=lambda value: getattr(value, "__name__", ""))
def test_a_bad_card_is_told(tmp_path, cls, words, known):
    folder_with(tmp_path, cls.__name__)
    errors = {engine: told(tmp_path, engine) for engine in (known.get("only"),) * ("only" in known) or ENGINES}
    for error in errors.values():
        text = str(error)
        assert not [word for word in words if word not in text], text
        assert error.slot == 3
        assert "slot 3 (file:" in text
        assert FILES[cls.__name__].name in text, text
        assert error.remedy.endswith("mend the card, or tell its author.")
        assert len(text) < 3_000
    assert len({str(error) for error in errors.values()}) == 1, errors
    if known.get("at") != "class" and "again and again" not in text and "RDY" not in text and "thread" not in text:
        assert re.search(r"in cycle \d+|: load |port 'plug'|made already|: holds_program ", text), text
