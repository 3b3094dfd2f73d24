"""The speed of single faults is measured on a real pool."""

from simkit.measure import faults
from simkit.measure.faults import measure_faults


def test_faults_that_are_run_are_counted_and_ones_that_come_and_go_are_listed_apart(monkeypatch):
    monkeypatch.setattr(faults, "MACHINE_SECONDS", 0.01)
    speed = measure_faults(lambda part: True, processes=1, every=400)
    assert speed.whole
    assert speed.faults == speed.machines + speed.equal + speed.not_shown + speed.impossible > 0
    assert speed.faults_a_minute >= speed.shown_a_minute >= speed.machines_a_minute > 0
    assert 0 < speed.lasting <= speed.faults - speed.not_shown - speed.impossible
    assert (speed.wild_cycles > 0) == (speed.wild > 0)
    assert set(speed.varying) == set(faults.VARYING)


def test_an_interrupted_measurement_says_so(monkeypatch):
    monkeypatch.setattr(faults, "MACHINE_SECONDS", 0.01)
    assert not measure_faults(lambda part: False, processes=1, every=60).whole
