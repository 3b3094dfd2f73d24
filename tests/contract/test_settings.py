"""Settings refuse what does not fit, in a test of a card as in a machine file."""

from importlib.metadata import entry_points

import attrs
import pytest
from simkit_cards.pads.serial_pads import SerialPads

from simkit import Machine, SimkitError
from simkit.contract import Card, setting
from simkit.contract.settings import SettingError
from simkit.machinefile.description import Backplane, CpuOptions
from simkit.testing.bench import Bench

KINDS = [entry.load().Settings for entry in entry_points(group="simkit.cards")] + [Backplane, CpuOptions]
FIELDS = [(kind, field) for kind in KINDS for field in attrs.fields(kind)]


def wrong_values(field):
    meta = field.metadata
    yield {bool: 1, int: "5", str: 5}[type(field.default)]
    if meta["one_of"]:
        yield "no such choice" if isinstance(field.default, str) else 999_999_937
    if meta["low"] is not None:
        yield meta["low"] - 1
    if meta["high"] is not None:
        yield meta["high"] + 1


@pytest.mark.parametrize(("kind", "field"), FIELDS, ids=lambda part: getattr(part, "__name__", None) or part.name)
def test_every_setting_takes_its_choices_and_limits_and_refuses_the_rest(kind, field):
    meta = field.metadata
    for value in (field.default, *meta["one_of"], meta["low"], meta["high"]):
        if value is not None:
            assert getattr(kind(**{field.name: value}), field.name) == value
    for value in wrong_values(field):
        with pytest.raises(SettingError, match=f"setting {field.name}: {value!r} is") as refused:
            kind(**{field.name: value})
        assert refused.value.remedy


def test_a_test_a_machine_file_and_the_class_refuse_alike():
    calls = [
        lambda: SerialPads.Settings(divide=3),
        lambda: Bench(SerialPads, {"divide": 3}),
        lambda: Machine.load("demo:marlpit", settings={4: {"divide": 3}}),
    ]
    for call in calls:
        with pytest.raises(SimkitError, match="divide: 3 is not a choice") as refused:
            call()
        assert "Write one of" in str(refused.value)


def test_a_bench_names_what_is_no_setting():
    with pytest.raises(SimkitError, match="there is no setting 'devide'") as refused:
        Bench(SerialPads, {"devide": 2})
    assert "'divide'" in str(refused.value)


def test_a_field_that_is_no_setting_cannot_be_set():
    @attrs.frozen(kw_only=True)
    class Settings:
        plain: int = 5

    class Plain(Card):
        kind = "plain"

    Plain.Settings = Settings
    with pytest.raises(SimkitError, match="does not make it with `setting`"):
        Bench(Plain, {"plain": 6})


def test_whole_numbers_become_numbers_and_other_kinds_of_default_are_refused():
    @attrs.frozen(kw_only=True)
    class Settings:
        volts: float = setting(5.0, unit="V", low=3, high=6, help="supply")

    class Supply(Card):
        kind = "supply"

    Supply.Settings = Settings
    assert Bench(Supply, {"volts": 4}).settings.volts == 4.0
    with pytest.raises(TypeError, match="its default cannot be None"):
        setting(None, help="nothing")
